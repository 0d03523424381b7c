"""Who would be called, in which order and by which ways. Pure: the shed file and an instant in, values out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from brinewatch.alarms.calling import ladder
from brinewatch.alarms.events import Priority
from brinewatch.alarms.roster import Contact, in_order, minutes_of
from brinewatch.config import ShedFile
from brinewatch.moment import Moment, span_text
from brinewatch.nights.read import at_minute, night_ending
from brinewatch.ways import reaching, rings

_DAY_MIN = 24 * 60


def planned(shed: ShedFile, at: Moment) -> list[dict[str, Any]]:
    """For each priority, who is called after how long: name and ways."""
    ways, there = reaching(shed), reachable(shed)
    found = []
    for priority in Priority:
        waits = priority.rank > shed.calling.night_from.rank and shed.calling.is_night(at)
        for step, group in enumerate(ladder(there, priority, at)):
            after = span_text(step * shed.calling.next_after_s) if step else "at once"
            who = [
                {
                    "name": one.name,
                    "ways": [way for way in one.ways if way in ways]
                    + (["rung"] if priority is Priority.CRITICAL and rings(shed) and one.ring else []),
                    "on_duty": one.on_duty(at),
                }
                for one in group
            ]
            found.append({"priority": priority.value, "after": "in the morning" if waits else after, "who": who})
    return found


def reachable(shed: ShedFile) -> list[Contact]:
    """Those whom a way of this shed reaches."""
    ways = reaching(shed)
    return [one for one in shed.contacts if set(one.ways) & set(ways)]


@dataclass(frozen=True, slots=True)
class Watch:
    """A stretch of a night with the same people on duty. names: in the order of the roster, () when nobody is."""

    begin: Moment
    end: Moment
    names: tuple[str, ...]


def nights_ahead(shed: ShedFile, now: Moment, count: int = 7) -> list[tuple[date, list[Watch]]]:
    """The night now or to come, and those after it: the day it ends on, and who is on duty when, for the most
    urgent alarms."""
    found: list[tuple[date, list[Watch]]] = []
    day = now.local.date()
    while len(found) < count:
        begin, end = night_ending(shed, day)
        if end.utc > now.utc:
            found.append((day, _watches(shed, begin, end)))
        day += timedelta(days=1)
    return found


def _watches(shed: ShedFile, begin: Moment, end: Moment) -> list[Watch]:
    contacts = reachable(shed)
    # who is on duty changes only when some hours begin or end, and a day's hours at midnight
    minutes = {
        0,
        *(minute % _DAY_MIN for one in contacts for duty in one.duty for minute in minutes_of(duty.hours)),
    }
    days = [begin.local.date(), end.local.date()]
    edges = sorted({begin.utc, *(one.utc for day in days for minute in minutes
                                 if begin.utc < (one := at_minute(shed, day, minute)).utc < end.utc)})  # fmt: skip
    found: list[Watch] = []
    for utc, until in zip(edges, [*edges[1:], end.utc], strict=True):
        at, to = (Moment(0.0, one, True, shed.zone) for one in (utc, until))
        names = tuple(one.name for one in in_order(contacts, Priority.CRITICAL, at)[0])
        if found and found[-1].names == names:
            found[-1] = Watch(found[-1].begin, to, names)
        else:
            found.append(Watch(at, to, names))
    return found


def hours_text(one: Contact) -> str:
    """When a person is on duty, in words."""
    if not one.duty:
        return "always on duty"
    return "on duty " + "; ".join(f"{_days(duty.days)} {duty.hours}" for duty in one.duty)


def _days(days: Sequence[str]) -> str:
    return "every day" if len(set(days)) == 7 else ", ".join(days)
