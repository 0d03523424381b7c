"""From instant to instant through readings, with the engine and the windows of the living watch."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import tzinfo

from brinewatch.alarms.combined import Combined
from brinewatch.alarms.condition import HAIR_S, Condition
from brinewatch.alarms.due import next_due
from brinewatch.alarms.engine import step
from brinewatch.alarms.events import AlarmEvent
from brinewatch.alarms.features import Features, ForecastOf, done_key
from brinewatch.alarms.memory import Memory
from brinewatch.alarms.rules import Alarm, Overdue
from brinewatch.moment import Moment
from brinewatch.readings import Reading
from brinewatch.rehearsal.answers import Answers
from brinewatch.rehearsal.record import Record


@dataclass
class Scans:
    """What goes on from one instant to the next: what the engine remembers, and what it has said."""

    alarms: Sequence[Alarm]
    record: Record
    zone: tzinfo
    answers: Answers
    memory: Memory = field(default_factory=Memory)
    events: list[AlarmEvent] = field(default_factory=list)

    def moment(self, utc: float) -> Moment:
        return Moment(utc, utc, True, self.zone)


@dataclass
class Stretch:
    """A stretch of time in which the same alarms are stepped at every reading given and at every due instant.

    judged: the alarms; readings: the newest of each point when it begins, and of each feature; features: the
    windows that are fed; every: whether all readings there are come by, so that no instant is left out.
    """

    scans: Scans
    judged: Sequence[Alarm]
    readings: dict[str, Reading]
    features: Sequence[Features]
    every: bool = False
    _stirred: bool = False

    def play(self, coming: Iterable[Reading], begin: float, end: float, *, afresh: bool = False) -> None:
        """From begin to before end. afresh: the watch begins here, so that nothing was judged before."""
        source = iter(coming)
        next_one = next(source, None)
        now = math.nextafter(begin, -math.inf)
        if afresh and (next_one is None or next_one.at.utc > begin):
            self._step((), begin)
            now = begin
        while True:
            arrives = next_one.at.utc if next_one is not None else math.inf
            due = self._due(now, min(arrives, end))
            if due < arrives and due < end:
                self._step((), due)
                now = due
            elif next_one is not None and arrives < end:
                together = [next_one]
                while (next_one := next(source, None)) is not None and next_one.at.utc == arrives:
                    together.append(next_one)
                self._step(together, arrives)
                now = arrives
            else:
                return

    def look(self, utc: float) -> None:
        """Judge at one instant what there is."""
        self._step((), utc)

    def _step(self, readings: Sequence[Reading], utc: float) -> None:
        scans, now = self.scans, self.scans.moment(utc)
        for one in readings:
            self.readings[one.point] = one
        for features in self.features:
            self.readings.update(features.take(readings, now))
        orders = scans.answers.orders(scans.memory, now)
        came = step(scans.alarms, scans.memory, self.readings, now, orders, (), self.judged)
        scans.memory, self._stirred = came.memory, bool(came.changed)
        if came.events:
            scans.events += came.events
            scans.answers.hear(came.events)

    def _due(self, now: float, before: float) -> float:
        """The nearest instant after now, and before another, at which time alone may bring news; else infinity."""
        scans = self.scans
        found = [
            next_due(self.judged, scans.memory, self.readings, scans.moment(now)),
            scans.answers.due,
            *(features.due(scans.moment(now)) for features in self.features),
        ]
        due = min((one for one in found if one is not None and one > now), default=math.inf)
        if self.every:
            return due
        # what has just changed is looked at again when anything is read; and what is due began a hair before,
        # so that another point's reading in between is where it is first seen
        if self._stirred or due < before:
            after = now if self._stirred else max(now, due - HAIR_S)
            due = scans.record.following(after, min(due, before)) or due
        return due


def newest(record: Record, points: Iterable[str], before: float) -> dict[str, Reading]:
    """The newest reading of each point before an instant."""
    found = ((point, record.last(point, before)) for point in points)
    return {point: one for point, one in found if one is not None}


def inputs_of(alarm: Alarm) -> list[str]:
    """Every point, and every key of a forecast or a thing done, that an alarm looks up, its own point first."""
    rule = alarm.rule
    found = [alarm.point, *_looked_up(rule.condition, alarm.point)]
    if rule.only is not None and rule.only.where is not None:
        found.append(rule.only.where.point)
    return list(dict.fromkeys(found))


def _looked_up(condition: Condition, point: str) -> Iterator[str]:
    if isinstance(condition, Combined):
        for part in condition.parts:
            there = part.where.point if part.where is not None else point
            yield there
            yield from _looked_up(part.condition, there)
        return
    yield from (where.point for where in condition.inputs())
    yield from (one.key for one in condition.features() if isinstance(one, ForecastOf))
    if isinstance(condition, Overdue) and condition.since != "entry":
        yield done_key(point, condition.since)
