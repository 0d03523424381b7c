"""The roster on the page: what the shed file says of it, and what the store says of how it went."""

from __future__ import annotations

import asyncio
from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import date, timedelta
from typing import TYPE_CHECKING

from brinewatch.alarms.coverage import POINT as COVERAGE
from brinewatch.alarms.events import Priority
from brinewatch.alarms.roster import Contact
from brinewatch.config import ShedFile
from brinewatch.drilled import Held, held_drills
from brinewatch.drills import Drills
from brinewatch.duty.fates import ways_of
from brinewatch.duty.plan import Watch, hours_text, nights_ahead, planned
from brinewatch.duty.uncovered import Gap, gaps_of
from brinewatch.errors import StoreError
from brinewatch.moment import Moment, span_text
from brinewatch.nights.night import watched
from brinewatch.nights.read import last_night, night_of
from brinewatch.nights.words import percent_text
from brinewatch.phrases import masked
from brinewatch.ports import Clock
from brinewatch.readings import stage_of
from brinewatch.store.reader import StoreReader
from brinewatch.store.rows import Fate
from brinewatch.ways import roster_warnings

if TYPE_CHECKING:
    from fastapi import FastAPI
    from jinja2 import Environment

    from brinewatch.page.duty import CoverView, DutyView, NightView, PersonView

_DAY_S = 86400.0
_NIGHTS, _DRILLS, _GAPS = 7, 10, 12
_WIDE, _HIGH = 340.0, 16.0
_LEAST = 0.99  # of the day covered; as the night report has it


class Duty:
    """What the page of the roster asks."""

    def __init__(self, shed: ShedFile, clock: Clock, drills: Drills) -> None:
        self._shed = shed
        self._clock = clock
        self._drills = drills
        self._stages = {one.settings.key: one.settings.name for one in shed.stages}

    def on_page(self, app: FastAPI, templates: Environment) -> None:
        """Add the roster to the page."""
        from brinewatch.page.duty import add_duty

        add_duty(app, templates, self.tell)

    async def tell(self, whole: bool) -> DutyView:
        """whole: whether phone numbers are shown. What the store cannot say is said to be unknown."""
        now, due, running = self._clock.now(), self._drills.due_utc, self._drills.running
        with self._clock.hold():
            view = await asyncio.to_thread(self._view, now, due, whole)
        return view if running is None else _with_drill(view, running.by)

    # -- in a thread ------------------------------------------------------------------------------------------

    def _view(self, now: Moment, due: float | None, whole: bool) -> DutyView:
        from brinewatch.page.duty import DutyView

        shed = self._shed
        names = {one.phone: one.name for one in shed.contacts}
        fates: Sequence[Fate] = ()
        drills: Sequence[Held] = ()
        cover, note = None, ""
        try:
            with StoreReader(shed.data, shed.zone) as store:
                fates, drills = store.fates(), list(held_drills(store, names))[-_DRILLS:]
                cover = self._cover(store, now)
        except StoreError as error:
            note = f"What the store knows of it cannot be told: {error}"
        first, mark = _first(shed, now)
        due_words, late = _due(shed, due, now)
        return DutyView(
            shed=shed.shed.name, at=f"{now.local:%A} {now.local:%H:%M}", first=first, mark=mark,
            look=roster_warnings(shed), calls=_calls(shed, now),
            nights=_nights(nights_ahead(shed, now)),
            people=[self._person(one, fates, now, whole) for one in shed.contacts], cover=cover,
            drills=[(f"{Moment(0.0, one.at_utc, True, shed.zone).local:%Y-%m-%d %H:%M}", _drill(one))
                    for one in reversed(drills)],
            due=due_words, drill_mark="warning" if late else "", note=note,
        )  # fmt: skip

    def _person(self, one: Contact, fates: Iterable[Fate], now: Moment, whole: bool) -> PersonView:
        from brinewatch.page.duty import PersonView, WayView

        return PersonView(
            name=one.name, phone=one.phone if whole else masked(one.phone), on_duty=one.on_duty(now),
            duty=hours_text(one),
            hears=_hears(one),
            ways=[WayView(*way) for way in ways_of(one, self._shed, fates, now)],
        )  # fmt: skip

    def _cover(self, store: StoreReader, now: Moment) -> CoverView | None:
        from brinewatch.page.duty import CoverView

        if not (self._shed.data / "history.sqlite").exists():
            return None
        begin, end = now.utc - _DAY_S, now.utc
        readings = list(store.readings([COVERAGE], begin, end))
        share, _ = watched(readings, begin, end)
        gaps = [replace(one, why=self._named(one.why)) for one in gaps_of(readings, begin, end)]
        words = "How much of the last day was watched is not known." if share is None else (
            f"Every critical alarm was able to call for {percent_text(share)} of the last 24 hours."
        )  # fmt: skip
        return CoverView(
            words=words, mark="" if share is not None and share >= _LEAST else "warning",
            bar="".join(self._piece(one, begin) for one in gaps), hours=self._hours(begin, end),
            gaps=[(self._time(one.begin_utc, now), span_text(one.end_utc - one.begin_utc), one.why)
                  for one in reversed(gaps)][:_GAPS],
            nights=list(self._nights(store, now)),
        )  # fmt: skip

    def _named(self, why: str) -> str:
        """A reason with the alarms in it called by their titles."""
        for one in sorted(self._shed.alarms, key=lambda alarm: -len(alarm.id)):
            if one.id in why:
                why = why.replace(one.id, f"{one.rule.title} ({self._stages.get(stage_of(one.point), one.point)})")
        return why

    def _piece(self, gap: Gap, begin: float) -> str:
        left = (gap.begin_utc - begin) / _DAY_S * _WIDE
        width = max(1.0, (gap.end_utc - gap.begin_utc) / _DAY_S * _WIDE)
        return f"M{left:.1f} 0H{min(_WIDE, left + width):.1f}V{_HIGH:g}H{left:.1f}Z"

    def _hours(self, begin: float, end: float) -> list[tuple[float, str]]:
        found, at = [], begin - begin % 3600 + 3600
        while at < end:
            local = Moment(0.0, at, True, self._shed.zone).local
            if local.hour % 6 == 0 and local.minute == 0:
                found.append((round((at - begin) / _DAY_S * _WIDE, 1), f"{local:%H:%M}"))
            at += 3600
        return found

    def _time(self, utc: float, now: Moment) -> str:
        local = Moment(0.0, utc, True, self._shed.zone).local
        return f"{local:%H:%M}" if local.date() == now.local.date() else f"{local:%a %H:%M}"

    def _nights(self, store: StoreReader, now: Moment) -> Iterable[tuple[str, str, str]]:
        day = last_night(self._shed, now)[1].local.date()
        for one in (day - timedelta(days=n) for n in range(_NIGHTS)):
            begin, end = night_of(self._shed, one.isoformat())
            share, _ = watched(store.readings([COVERAGE], begin.utc, end.utc), begin.utc, end.utc)
            words = "not known" if share is None else percent_text(share)
            yield _day(one), words, f"/report/{one.isoformat()}"


def _first(shed: ShedFile, now: Moment) -> tuple[str, str]:
    """Who is called for a critical alarm now, as a sentence, and whether that needs a look."""
    groups = [one for one in planned(shed, now) if one["priority"] == "critical"]
    people = [(one["after"], [who["name"] for who in one["who"]]) for one in groups]
    if not people or not people[0][1]:
        return "Nobody would be called: there is nobody on the roster, or no way to them.", "danger"
    told = [
        f"{' and '.join(names) if len(names) < 3 else 'everybody'} {'' if after == 'at once' else 'after '}{after}"
        for after, names in people
    ]
    more = f"; without an answer {', then '.join(told[1:])}" if told[1:] else ""
    said = f"A critical alarm now calls {told[0]}{more}."
    if not any(who["on_duty"] for who in groups[0]["who"]):
        return f"{said} Nobody is on duty.", "person"
    return said, ""


def _hears(one: Contact) -> str:
    lowest = one.from_priority
    if lowest is Priority.LOW:
        return "all alarms"
    return "critical alarms" if lowest is Priority.CRITICAL else f"{lowest} alarms and more urgent ones"


def _calls(shed: ShedFile, now: Moment) -> list[tuple[str, list[tuple[str, str]]]]:
    found: dict[str, list[tuple[str, str]]] = {}
    for one in planned(shed, now):
        who = ", ".join(f"{who['name']} ({', '.join(who['ways'])})" for who in one["who"]) or "nobody"
        found.setdefault(str(one["priority"]), []).append((str(one["after"]), who))
    return list(found.items())


def _nights(nights: Sequence[tuple[date, Sequence[Watch]]]) -> list[NightView]:
    """Nights one after another with the same watches are told as one."""
    from brinewatch.page.duty import NightView

    found: list[tuple[date, list[tuple[str, str, bool]]]] = []
    views: list[NightView] = []
    for day, watches in nights:
        rows = [
            (f"{one.begin.local:%H:%M}-{one.end.local:%H:%M}",
             ", then ".join(one.names) or "nobody on duty: everybody is called", not one.names)
            for one in watches
        ]  # fmt: skip
        eve = watches[0].begin.local.date()
        if found and found[-1][1] == rows:
            views[-1] = NightView(f"Nights from {_day(found[-1][0])} to {_day(day)}", rows)
        else:
            found.append((eve, rows))
            views.append(NightView(f"Night of {_day(eve)}" if eve == day else f"{_day(eve)} to {_day(day)}", rows))
    return views


def _day(day: date) -> str:
    return f"{day:%a} {day.day} {day:%b}"


def _drill(one: Held) -> str:
    called = f" Called: {', '.join(one.called)}." if one.called else ""
    return f"By {one.by}, {one.title}.{called} {one.outcome}"


def _due(shed: ShedFile, due: float | None, now: Moment) -> tuple[str, bool]:
    every = shed.calling.drill_every_days
    if not every:
        return "No drills are asked for (calling.drill_every_days).", False
    if due is None or not now.trusted:
        return (
            f"One is asked for every {every:g} days; nobody knows when the next is due: the clock is not set.",
            False,
        )
    left, day = due - now.utc, f"{Moment(0.0, due, True, shed.zone).local:%Y-%m-%d}"
    if left < 0:
        return f"A drill is overdue since {day}: brinewatch drill.", True
    return f"The next is due by {day}, in {span_text(left)}.", False


def _with_drill(view: DutyView, by: str) -> DutyView:
    return replace(view, due=f"A drill by {by} is under way. {view.due}")
