"""What runs beside the alarms of a shed: drills, night reports, relays, rounds; one hook of each kind for the
daemon.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Coroutine, Mapping, Sequence
from functools import partial
from typing import TYPE_CHECKING, Any

from brinewatch.alarms.relays import MARK as RELAY_MARK
from brinewatch.calendar import Calendar
from brinewatch.chainwatch import PART as CHAIN
from brinewatch.chainwatch import ChainWatch
from brinewatch.charting import Charts
from brinewatch.chronicle.inquiry import Inquiry
from brinewatch.condition.showing import Condition
from brinewatch.config import ShedFile
from brinewatch.drilled import RECORD
from brinewatch.drills import MARK as DRILL_MARK
from brinewatch.drills import Drills, Words
from brinewatch.duty.showing import Duty
from brinewatch.errors import BrinewatchError
from brinewatch.messages import Message
from brinewatch.moment import Moment
from brinewatch.nights.sending import Nights
from brinewatch.overriding import Overrides
from brinewatch.ports import Clock
from brinewatch.proving.desk import RECORD as COMMISSIONING
from brinewatch.proving.desk import Proving
from brinewatch.readings import Reading
from brinewatch.relaying import Relays
from brinewatch.rounds.answering import answer as answer_round
from brinewatch.rounds.keeping import Rounds
from brinewatch.rounds.showing import on_page
from brinewatch.store.journal import Journal
from brinewatch.timeleft import TimeLeft
from brinewatch.trials import Trials
from brinewatch.trying.desk import LimitDesk
from brinewatch.watchkeeper import Watchkeeper

if TYPE_CHECKING:
    from fastapi import FastAPI
    from jinja2 import Environment

    from brinewatch.guided import Guided
    from brinewatch.page.access import Ask

log = logging.getLogger(__name__)

MARKS = (DRILL_MARK, RELAY_MARK)
# what requests begin with that are answered here
ANSWERS = ("drill", "relay", "round", "batch", "enter", "override", "commission")
Note = Callable[[str, str], None]
Health = dict[str, tuple[bool | None, str]]


class Beside:
    """note(text, kind): one line for people, kept in the journal; record(kind, text): in the journal alone."""

    def __init__(
        self, shed: ShedFile, keeper: Watchkeeper, journal: Journal, clock: Clock, words: Words,
        queue: Callable[[Sequence[Message]], None], note: Note, record: Note, rounds: Rounds, time_left: TimeLeft,
        look: Callable[[], object], spawn: Callable[[Coroutine[Any, Any, None]], None],
    ) -> None:  # fmt: skip
        self.charts = Charts(shed, clock, keeper.stage_name)
        self.inquiry = Inquiry(shed, clock)
        self.drills = Drills(
            shed, keeper, journal, clock, words, queue, lambda text: note(text, "drill"),
            lambda text: record(RECORD, text),
        )  # fmt: skip
        self.duty = Duty(shed, clock, self.drills)
        self.nights = Nights(shed, keeper, clock, queue, lambda text: note(text, "report"))
        self.relays = Relays(shed, keeper, clock, lambda text: note(text, "relay"))
        stands = any(one.active for key, one in keeper.memory.alarms.items() if key.endswith(f"@{CHAIN}.health"))
        self._chain = ChainWatch(shed.data, clock, lambda: journal.head, lambda text: note(text, "store"), stands)
        self.rounds = rounds
        self.condition: Condition | None = None  # who knows all parts hands it in
        self.overrides = Overrides(shed, keeper, journal, clock, time_left, look)
        self.limits = LimitDesk(shed, keeper, self.overrides, Trials(shed.path, clock, spawn), clock)
        self.proving = Proving(
            shed, clock, lambda text: note(text, "commissioning"), lambda text: record(COMMISSIONING, text)
        )
        self._guided: Guided | None = None
        self._shed, self._keeper, self._clock, self._spawn = shed, keeper, clock, spawn

    @property
    def pages(self) -> list[Callable[[FastAPI, Environment], None]]:
        """What they add to the page."""
        own = [] if self.condition is None else [self.condition.on_page]
        return [
            *own,
            self.nights.on_page,
            partial(on_page, self.rounds),
            self.charts.on_page,
            self.inquiry.on_page,
            self.duty.on_page,
            self.limits.on_page,
            self.proving.on_page,
        ]

    def asking(self, ask: Ask) -> list[Callable[[FastAPI, Environment], None]]:
        """All pages, those that ask the daemon's desk among them."""
        from brinewatch.drilling import Drilling
        from brinewatch.guided import Guided

        if self._guided is None:
            self._guided = Guided(self._shed, self._clock, ask, self._keeper.stage_name, self._spawn)
        drilling = Drilling(self._shed, self.drills, self._keeper, self._clock, ask)
        return [*self.pages, self._guided.on_page, drilling.on_page]

    async def recall(self, kept: Mapping[str, Mapping[str, Any]], now: Moment) -> list[str]:
        recalled = [*await self.drills.recall(kept, now), *self.relays.recall(kept)]
        return [*recalled, *await self.overrides.recover(now)]

    def before(self, health: Health, now: Moment) -> None:
        """Before the alarms are judged: how the parts are. Whatever fails here is told, and stops no alarm."""
        try:
            if "drill" in health:
                health["drill"] = self.drills.health(now)
            self.drills.look(now)
        except Exception as error:
            log.exception("The drill failed")
            self.drills.give_up()
            if "drill" in health:
                health["drill"] = (False, f"it went wrong ({type(error).__name__}: {error})")

        if CHAIN in health:
            health[CHAIN] = self._chain.health
        try:
            if "round" in health:
                health["round"] = self.rounds.health(now)
        except Exception as error:
            log.exception("What is due on the round could not be told")
            health["round"] = (False, f"it could not be told ({type(error).__name__}: {error})")

    def after(self, health: Health, now: Moment) -> list[Reading]:
        """After the alarms were judged: relays driven; readings for the history. As `before`, it stops no alarm."""
        if self.condition is not None:
            self.condition.hear(self._keeper.latest)
        if "relays" in health:
            try:
                health["relays"] = self.relays.look(now)
            except Exception as error:
                log.exception("The relays failed")
                health["relays"] = (False, f"they went wrong ({type(error).__name__}: {error})")
        try:
            return self.nights.look(health, self._keeper.holds, now)
        except Exception:
            log.exception("What is watched could not be told")  # and so counts as not watched
            return []

    def close(self) -> None:
        self.relays.close()

    def changed(self) -> dict[str, Mapping[str, Any] | None]:
        return {**self.drills.changed(), **self.relays.changed()}

    def plan(self, calendar: Calendar) -> None:
        self.nights.plan(calendar)
        self.relays.plan(calendar)
        calendar.at("the journal's chain", self._chain.night, hour=2, minute=40)
        calendar.at("photos", self.rounds.tidy, hour=3, minute=20)

    async def answer(self, request: Mapping[str, Any]) -> Mapping[str, Any]:
        """A request of the command line that is for one of them."""
        do = str(request["do"])
        if do.startswith("drill"):
            return await self.drills.answer(request)
        if do.startswith("commission"):
            return await self.proving.answer(request)
        if do.startswith("relay"):
            return await self.relays.answer(request)
        if do.startswith("override"):
            return await self.overrides.answer(request)
        if do.startswith(("round", "batch", "enter")):
            return await answer_round(self.rounds, request)
        raise BrinewatchError(f"The daemon does not know {do!r}.", "See: brinewatch --help")
