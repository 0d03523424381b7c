"""The guided calibration on the page: the very talk of `brinewatch calibrate`, its questions answered with buttons.

One person at one probe, as at the terminal; the hold of the probe's alarms is the daemon's own and as bounded. A
talk nobody has looked at for a quarter of an hour gives up by itself.
"""

from __future__ import annotations

import argparse
import asyncio
import logging
from collections import deque
from collections.abc import Callable, Coroutine, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from brinewatch.calibrate.console import Asked, GaveUp
from brinewatch.calibrate.work import find, guide, instant
from brinewatch.config import ShedFile
from brinewatch.errors import BrinewatchError
from brinewatch.moment import Moment, span_text
from brinewatch.page.talk_views import ProbeLine, TalkView
from brinewatch.ports import Clock
from brinewatch.quantities import QUANTITIES
from brinewatch.readings import quantity_of, stage_of
from brinewatch.waiting import news_or

if TYPE_CHECKING:
    from fastapi import FastAPI
    from jinja2 import Environment

    from brinewatch.page.access import Ask

log = logging.getLogger(__name__)

_UNSEEN_S = 900.0
_LINES, _KEPT, _AT_ONCE = 400, 8, 3


@dataclass
class Talk:
    """A Console that is a page. step: counts the questions, so that an answer sent twice answers one of them."""

    number: int
    probe: str
    by: str
    clock: Clock
    seen: float
    step: int = 1
    said: deque[str] = field(default_factory=lambda: deque(maxlen=_LINES))
    fresh: int = 0  # how many of these lines came since the last answer
    shown: str = ""
    question: Asked | None = None
    over: str | None = None
    _answers: list[str] = field(default_factory=list)
    _gave_up: bool = False
    _news: asyncio.Event = field(default_factory=asyncio.Event)

    # -- as a console -------------------------------------------------------------------------------------------

    def say(self, text: str = "") -> None:
        for line in text.split("\n"):
            self.said.append(line)
            self.fresh += 1

    def show(self, text: str) -> None:
        self.shown = text

    async def ask(self, question: str, asked: Asked | None = None) -> str:
        self.question, self.shown = asked or Asked(question), ""
        try:
            while (answer := self.typed()) is None:
                self._news.clear()
                await news_or(self._news, self.clock, self.seen + _UNSEEN_S)
            return answer
        finally:
            self.question = None

    def typed(self) -> str | None:
        if self._gave_up:
            raise GaveUp("You gave up.")
        if self.clock.now().mono >= self.seen + _UNSEEN_S:
            raise GaveUp(f"Nobody has looked here for {span_text(_UNSEEN_S)}.")
        return self._answers.pop(0) if self._answers else None

    # -- as a page ----------------------------------------------------------------------------------------------

    def answer(self, step: int, text: str) -> None:
        """What somebody pressed or typed; what was meant for an earlier step is passed over."""
        self.look()
        if step != self.step or self.over is not None:
            return
        self.step += 1
        # what is told of what is typed stands beside it
        self.fresh = 0
        self._answers = [text]
        self._news.set()

    def give_up(self) -> None:
        self._gave_up = True
        self._news.set()

    def look(self) -> None:
        self.seen = self.clock.now().mono


class Guided:
    """Talks under way and over. spawn: has a piece of work done beside the parts of the daemon."""

    def __init__(
        self, shed: ShedFile, clock: Clock, ask: Ask, stage_name: Callable[[str], str],
        spawn: Callable[[Coroutine[Any, Any, None]], None],
    ) -> None:  # fmt: skip
        self._file = shed
        self._clock = clock
        self._ask = ask
        self._stage_name = stage_name
        self._spawn = spawn
        self._talks: dict[int, Talk] = {}
        self._count = 0
        self.shed = shed.shed.name

    def on_page(self, app: FastAPI, templates: Environment) -> None:
        """Add the pages."""
        from brinewatch.page.calibrate import add_calibrations

        add_calibrations(app, templates, self)

    async def probes(self) -> Sequence[ProbeLine]:
        """Every probe that takes a calibration, with its points and when each was last calibrated."""
        records = await self._ask({"do": "calibrations"})
        counts = {one["id"]: one for one in records["records"]}
        found: dict[str, list[str]] = {}
        for point, (probe, _) in self._file.calibratable().items():
            known = counts.get(records["in_force"].get(point, ""))
            name = f"{self._stage_name(stage_of(point))}, {QUANTITIES[quantity_of(point)].name}"
            if known is None:
                said = "never calibrated here"
            else:
                said = f"calibrated {self._day(known['made_utc'])} by {known['by']}"
                said += f", due {self._day(known['due_utc'])}" if known["due_utc"] else ""
            found.setdefault(probe.name, []).append(f"{name}: {said}")
        busy = {one.probe: one for one in self._talks.values() if one.over is None}
        return [
            ProbeLine(name, lines, busy[name].by if name in busy else "", busy[name].number if name in busy else 0)
            for name, lines in found.items()
        ]

    def points(self, probe: str) -> Sequence[tuple[str, str]]:
        """The points of a probe, each with its name."""
        return [
            (point, f"{self._stage_name(stage_of(point))}, {QUANTITIES[quantity_of(point)].name}")
            for point, (one, _) in self._file.calibratable().items()
            if one.name == probe
        ]

    def _day(self, utc: float) -> str:
        return f"{Moment(0.0, utc, True, self._file.zone).local:%Y-%m-%d}"

    # -- talks --------------------------------------------------------------------------------------------------

    def begin(self, point: str, kind: str, since: str, by: str) -> int:
        """Begin a talk. BrinewatchError when it cannot be begun."""
        probe, _ = find(self._file, point)
        if kind not in ("calibrate", "check"):
            raise BrinewatchError(f"{kind!r} is no kind of visit.", "Calibrate it, or check it around a cleaning.")
        if since:
            instant(since, self._file.zone)
        under_way = [one for one in self._talks.values() if one.over is None]
        if (other := next((one for one in under_way if one.probe == probe), None)) is not None:
            raise BrinewatchError(f"{probe} is being calibrated by {other.by}.", "Go on with that, or wait for it.")
        if len(under_way) >= _AT_ONCE:
            raise BrinewatchError(f"{_AT_ONCE} probes are being calibrated already.", "Finish one of them first.")
        self._count += 1
        made = self._talks[self._count] = Talk(self._count, probe, by, self._clock, self._clock.now().mono)
        over = [number for number, one in self._talks.items() if one.over is not None]
        for number in over[: max(0, len(self._talks) - _KEPT)]:
            del self._talks[number]
        self._spawn(self._have(made, point, kind, since))
        return made.number

    async def _have(self, talk: Talk, point: str, kind: str, since: str) -> None:
        options = argparse.Namespace(
            probe=point, check=kind == "check", since=since or None, replaces="", by=talk.by
        )
        try:
            await guide(options, self._file, self._clock, self._ask, talk)
        except BrinewatchError as error:
            talk.say(str(error))
        except Exception as error:
            log.exception("The talk about %s failed", talk.probe)
            talk.say(f"It went wrong ({type(error).__name__}: {error}).")
        finally:
            talk.over, talk.shown, talk.question = talk.over or "over", "", None

    def talk(self, number: int, by: str) -> TalkView | None:
        """A talk as its page shows it; looking at one's own keeps it going."""
        one = self._talks.get(number)
        if one is None:
            return None
        mine = one.by == by
        if mine:
            one.look()
        said = list(one.said)
        now = said[len(said) - min(one.fresh, len(said)) :]
        question = one.question
        ready = bool(one.shown) and "at rest" in one.shown
        if question is not None and question.options and (marked := _listed(now, question)) is not None:
            now = now[:marked]
        state = "over" if one.over is not None else "asks" if question is not None else "waits"
        return TalkView(
            number, one.probe, one.by, mine, state, one.step, tuple(now),
            tuple(said[: max(0, len(said) - one.fresh)]),
            " ".join(one.shown.split()).removesuffix(": press Enter to take it"), ready,
            question.words if question is not None else "", tuple(question.options) if question is not None else (),
            question.default if question is not None else "",
        )  # fmt: skip

    def answer(self, number: int, step: int, text: str, by: str) -> None:
        one = self._own(number, by)
        one.answer(step, text)

    def give_up(self, number: int, by: str) -> None:
        self._own(number, by).give_up()

    def _own(self, number: int, by: str) -> Talk:
        one = self._talks.get(number)
        if one is None:
            raise BrinewatchError("That calibration is not known any more.", "Begin it anew.")
        if one.by != by:
            raise BrinewatchError(f"{one.probe} is being calibrated by {one.by}.", "Only they can go on with it.")
        return one


def _listed(lines: Sequence[str], question: Asked) -> int | None:
    """Where a question and its numbered answers begin among what was said: on the page they are buttons."""
    listed = [question.words, *(f"  {key}. {words}" for key, words in question.options)]
    place = len(lines) - len(listed)
    return place if place >= 0 and list(lines[place:]) == listed else None


__all__ = ["Guided"]
