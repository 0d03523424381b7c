"""The daemon's end of the night report: how much is watched, minute by minute, and the report in the morning."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING

from brinewatch.alarms.coverage import Coverage
from brinewatch.alarms.roster import ENGLISH
from brinewatch.calendar import Calendar
from brinewatch.config import ShedFile
from brinewatch.errors import BrinewatchError
from brinewatch.messages import Message
from brinewatch.moment import Moment
from brinewatch.nights.night import Night
from brinewatch.nights.read import last_night, night_of, read_night
from brinewatch.nights.words import long_text, short_text
from brinewatch.ports import Clock
from brinewatch.readings import Reading
from brinewatch.signals.holds import Holds
from brinewatch.watchkeeper import Watchkeeper
from brinewatch.ways import WAY_OF, reaching

if TYPE_CHECKING:
    from fastapi import FastAPI
    from jinja2 import Environment

    from brinewatch.page.report import ReportView

log = logging.getLogger(__name__)

_WORTH_S = 12 * 3600.0
_LATE_MIN = 6 * 60


class Nights:
    """queue: messages to the outbox; note: one line for people, kept in the journal."""

    def __init__(
        self, shed: ShedFile, keeper: Watchkeeper, clock: Clock, queue: Callable[[Sequence[Message]], None],
        note: Callable[[str], None],
    ) -> None:  # fmt: skip
        self._shed = shed
        self._keeper = keeper
        self._clock = clock
        self._queue = queue
        self._note = note
        self._coverage = Coverage(shed.alarms)
        ways = reaching(shed)
        self._parts = [part for part, way in WAY_OF.items() if way in ways]
        self._count = 0

    def look(self, health: Mapping[str, tuple[bool | None, str]], holds: Holds, now: Moment) -> list[Reading]:
        """One look of the watch; now and then how much of the last minute was covered, for the history."""
        if self._shed.replay is not None:
            return []  # a record of the past calls nobody
        working = [part for part in self._parts if health.get(part, (False, ""))[0]]
        ways = "" if working else "no way to people works" if self._parts else "there is no way to people"
        found = self._coverage.take(
            self._keeper.latest, self._keeper.memory.alarms, holds.now(now), ways, now
        )  # fmt: skip
        return [] if found is None else [found]

    def plan(self, calendar: Calendar) -> None:
        """Put the report on the calendar, if anybody is to get it."""
        report = self._shed.report
        if report.enabled and self._people() and self._parts:
            hour, minute = map(int, report.at.split(":"))
            calendar.at("night report", self.send, hour=hour, minute=minute)

    def _people(self) -> list[str]:
        names = self._shed.report.to or [one.name for one in self._shed.contacts[:1]]
        return list(names)

    async def tell(self, day: str | None = None) -> Night:
        """The night that ends on a day, or the last whole one. StoreError when the store cannot be read."""
        now = self._clock.now()
        begin, end = last_night(self._shed, now) if day is None else night_of(self._shed, day)
        with self._clock.hold():
            return await asyncio.to_thread(read_night, self._shed, begin, end, now.utc)

    def on_page(self, app: FastAPI, templates: Environment) -> None:
        """Add the report to the page."""
        from brinewatch.nights.shown import view_of
        from brinewatch.page.report import add_report

        async def tell(day: str | None) -> ReportView:
            return view_of(await self.tell(day), self._shed.shed.display, self._keeper.stage_name)

        add_report(app, templates, tell)

    async def send(self) -> None:
        """Tell the last night to whom it is for. That it cannot be told is told too: silence would be no sign."""
        now, display = self._clock.now(), self._shed.shed.display
        hour, minute = map(int, self._shed.report.at.split(":"))
        late_min = (now.local.hour * 60 + now.local.minute - hour * 60 - minute) % (24 * 60)
        if late_min > _LATE_MIN:
            # a wall clock set over the hour, as after a boot: a night long told, or never watched, is no news
            log.info("The night report is %d min late and is not sent.", late_min)
            return
        try:
            night = await self.tell()
            short = {one: short_text(texts, night, display) for one, texts in self._shed.texts.items()}
            long = long_text(night, display)
        except BrinewatchError as error:
            log.warning("%s", error)
            name = self._shed.shed.short_name
            short = {one: texts.say("night.untold", shed=name) for one, texts in self._shed.texts.items()}
            long = f"{short[ENGLISH]}.\n\n{error}"
        ways = reaching(self._shed)
        messages = []
        for contact in self._shed.contacts:
            if contact.name in self._people():
                way = next((way for way in contact.ways if way in ways), None)
                if way is not None:
                    messages.append(self._message(way, contact.address(way), short[contact.language], long, now))
        self._queue(messages)
        self._note(f"night report: {short[ENGLISH]}")

    def _message(self, way: str, to: str, short: str, long: str, now: Moment) -> Message:
        self._count += 1
        expires = now.utc + _WORTH_S if now.trusted else None
        payload = long if way == "mail" else None
        return Message(f"report-{self._count}", way, to, short, None, now.utc, expires, payload=payload)
