"""The watch's own health on the page, gathered from what each part knows; a disk that hangs holds nothing up."""

from __future__ import annotations

import asyncio
import platform
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from brinewatch import __version__
from brinewatch.clock import clock_source
from brinewatch.condition.disks import BackupFacts, StoreFacts, backup_facts, store_facts
from brinewatch.config import ShedFile
from brinewatch.config.sections import WATCH_PARTS
from brinewatch.errors import BrinewatchError, NoAnswer
from brinewatch.messages import Delivery
from brinewatch.moment import Moment
from brinewatch.overview import Overview, StageView
from brinewatch.ports import Clock
from brinewatch.probes.blocking import BlockingReader
from brinewatch.readings import Reading
from brinewatch.store.journal import Journal
from brinewatch.supervising import Parts
from brinewatch.watchkeeper import Watchkeeper
from brinewatch.ways import WAY_OF

if TYPE_CHECKING:
    from fastapi import FastAPI
    from jinja2 import Environment

    from brinewatch.page.health import HealthView, Line
    from brinewatch.page.tls import Certificate

T = TypeVar("T")

_LOOK_S = 5.0  # for a disk to answer
_WAITING = 500
_BOARD = ("board_supply", "board_temperature", "board_speed")
_BATTERY_CLOCK = Path("/sys/class/rtc/rtc0")


class Condition:
    """What the page of the watch's health asks. overview: the state now."""

    def __init__(
        self, shed: ShedFile, clock: Clock, keeper: Watchkeeper, journal: Journal, parts: Parts,
        overview: Callable[[], Overview],
    ) -> None:  # fmt: skip
        self._shed = shed
        self._clock = clock
        self._keeper = keeper
        self._journal = journal
        self._parts = parts
        self._overview = overview
        self._good: dict[str, float] = {}
        self._reader = BlockingReader(clock)

    def on_page(self, app: FastAPI, templates: Environment) -> None:
        """Add the watch's health to the page."""
        from brinewatch.page.health import add_health

        add_health(app, templates, self.tell)

    def hear(self, latest: Mapping[str, Reading]) -> None:
        """At every look: when each point was last well, for a probe that falls silent later."""
        for point, one in latest.items():
            if one.usable:
                self._good[point] = one.at.mono

    async def tell(self) -> HealthView:
        """Everything there is to say now."""
        from brinewatch.condition import words
        from brinewatch.page.health import HealthView
        from brinewatch.page.words import MARKS, WORDS

        shed, view, now = self._shed, self._overview(), self._clock.now()
        store, backup, (certificate, fault), waiting = await asyncio.gather(
            self._store(now), self._backup(), self._certificate(), self._waiting()
        )
        names = {one.key: one.name for one in view.stages}
        probes = self._keeper.probes(now)
        told = list(words.probe_lines(probes, self._good, names, now, view.started))
        sections: list[tuple[str, list[Line]]] = [
            ("Parts and ways", [*self._stages(view, store, now), *waiting]),
            ("Store", [words.store_line(store), *([words.backup_line(backup, now)] if backup else [])]),
            ("This computer", [
                words.clock_line(*clock_source(), _BATTERY_CLOCK.exists(), now), *self._board(view),
                words.certificate_line(certificate, fault, now), *self._version(view),
            ]),
            ("Supervision", words.part_lines(self._parts.told(now))),
            *((f"Bus {bus}", [line for on, line in told if on == bus]) for bus in shed.buses),
            ("Calibrations to come", words.due_lines(probes, names, now)),
        ]  # fmt: skip
        wrong = sorted((one for _, lines in sections for one in lines if one.mark),
                       key=lambda one: MARKS.index(one.mark))  # fmt: skip
        mark = wrong[0].mark if wrong else ""
        count = "One thing" if len(wrong) == 1 else f"{len(wrong)} things"
        verb = "wants" if len(wrong) == 1 else "want"
        return HealthView(
            shed=view.shed, at=f"{now.local:%H:%M:%S}", mark=mark, word=WORDS.get(mark, ""),
            headline=f"{count} of the watch {verb} a look" if wrong else "The watch itself is well", abnormal=wrong,
            sections=[(heading, [one for one in lines if not one.mark]) for heading, lines in sections],
            missing=self._missing(),
        )  # fmt: skip

    # -- what each part says ------------------------------------------------------------------------------------

    def _stages(self, view: Overview, store: StoreFacts, now: Moment) -> list[Line]:
        """The watch's own stages as the first page has them, with what more is known of each."""
        from brinewatch.page.health import Line
        from brinewatch.page.words import tell

        stages = [one for one in view.stages if one.path == "watch" and one.points]
        stops = [one for _, group, _ in tell(view).beside for one in group if one.path == "watch"]
        lines = []
        for stage, stop in zip(stages, stops, strict=True):
            row, reading = stop.rows[0], stage.points[0].reading
            said = reading.reason if reading is not None else row.note
            title = "; ".join(title for _, title in stop.alarms)
            text = f"{title}, {row.value}" if title else row.value
            ill = stop.mark or ("warning" if row.value == "failing" else "")
            notes = [
                *([f"{said[0].upper()}{said[1:].rstrip('.')}."] if said else []),
                *self._more(stage, store, now),
            ]
            lines.append(Line(stop.name, text, notes, ill, stop.word or ("Warning" if ill else "")))
        return lines

    def _more(self, stage: StageView, store: StoreFacts, now: Moment) -> Sequence[str]:
        from brinewatch.condition.words import way_notes

        if stage.key in WAY_OF and stage.key != "broker":
            modem = self._shed.modem
            reports = stage.key == "modem" and modem is not None and modem.delivery_reports
            return way_notes(WAY_OF[stage.key], store.fates, reports, now)
        return ()

    def _board(self, view: Overview) -> list[Line]:
        from brinewatch.page.health import Line
        from brinewatch.page.words import WORDS, shown

        lines = []
        for stage in view.stages:
            for one in stage.points:
                if one.quantity in _BOARD:
                    blind = one.old or not one.flag.usable
                    # of supply and speed 1 is in order; how warm is too warm the rules say
                    low = one.quantity != "board_temperature" and one.reading is not None and one.reading.value == 0
                    mark = "unknown" if blind else "warning" if low else ""
                    lines.append(Line(one.name.capitalize(), shown(one.shown), (), mark, WORDS.get(mark, "")))
        return lines

    def _version(self, view: Overview) -> list[Line]:
        from brinewatch.page.health import Line

        now, started = view.at, view.started
        since = f"{started.local:%Y-%m-%d %H:%M}" if now.utc - started.utc > 60 else "just now"
        what = f"brinewatch {__version__}, Python {platform.python_version()}"
        return [Line("Program", f"{what}, watching since {since}")]

    def _missing(self) -> str:
        there = {stage.settings.key for stage in self._shed.stages if stage.path == "watch"}
        without = [name for key, name in WATCH_PARTS.items() if key not in there]
        if without and self._shed.replay is None and "Page" in without:
            without.remove("Page")  # which is there, but without a certificate
        return f"{', '.join(without)}." if without else ""

    # -- what may hang ------------------------------------------------------------------------------------------

    async def _within(self, key: str, work: Callable[[], T]) -> T | None:
        """None when there is no answer in time, or an earlier question still waits for its own."""
        try:
            async with self._clock.deadline(_LOOK_S):
                return await self._reader.call(key, work)
        except (TimeoutError, NoAnswer):
            return None

    async def _store(self, now: Moment) -> StoreFacts:
        found = await self._within("store", partial(store_facts, self._shed, now))
        return found or StoreFacts(0, 0, 0, None, None, None, (), f"The disk did not answer within {_LOOK_S:g} s.")

    async def _backup(self) -> BackupFacts | None:
        if self._shed.store.backup_to is None:
            return None
        to = self._shed.folder / self._shed.store.backup_to
        found = await self._within("backup", partial(backup_facts, self._shed, to))
        return found or BackupFacts(fault=f"{to} did not answer within {_LOOK_S:g} s")

    async def _certificate(self) -> tuple[Certificate | None, str]:
        settings = self._shed.page.from_folder(self._shed.folder)
        certificate, key = settings.certificate, settings.certificate_key
        if certificate is None or key is None:
            return None, ""

        def work() -> Certificate:
            from brinewatch.page.tls import context_of, look

            return look(certificate, context_of(certificate, key))

        try:
            found = await self._within("certificate", work)
        except BrinewatchError as error:
            return None, error.what
        return found, "" if found else "its certificate could not be read in time"

    async def _waiting(self) -> list[Line]:
        """What waits to go out."""
        from brinewatch.page.health import Line
        from brinewatch.page.words import WORDS

        try:
            rows = await self._journal.outbox(_WAITING)
        except BrinewatchError as error:
            return [Line("Messages", error.what, (), "warning", WORDS["warning"])]
        waiting = [one for one in rows if one.state is Delivery.WAITING]
        if not waiting:
            return [Line("Messages", "none waits to go out")]
        text = f"{len(waiting)} wait{'s' if len(waiting) == 1 else ''} to go out"
        return [Line("Messages", text, tuple(dict.fromkeys(one.detail for one in waiting if one.detail)))]
