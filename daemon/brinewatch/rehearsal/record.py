"""What a rehearsal is given: readings of the past, and what each hour of each point comes to."""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from heapq import merge
from itertools import pairwise
from typing import Protocol

from brinewatch.alarms.summary import HOUR_S, HourSummary, summarise
from brinewatch.moment import Moment
from brinewatch.readings import Reading


class Record(Protocol):
    """Readings by point and UTC, each stamped with `moment_of` its UTC; a forecast or a thing done has its key."""

    def hour(self, point: str, start: float) -> HourSummary | None:
        """The hour of a point from its readings; None when it is not known."""
        ...

    def readings(self, points: Sequence[str], since: float, until: float) -> Iterable[Reading]:
        """Readings from since to before until, oldest first, at the same instant in the order of `points`."""
        ...

    def last(self, point: str, before: float) -> Reading | None:
        """The newest reading of a point before an instant."""
        ...

    def following(self, after: float, before: float) -> float | None:
        """When any point at all was read next after an instant and before another; None when there was none."""
        ...


def timed(reading: Reading) -> Reading:
    """The same reading as a rehearsal stamps it: monotonic time is UTC."""
    at = reading.at
    if at.mono == at.utc and at.trusted:
        return reading
    return replace(reading, at=Moment(at.utc, at.utc, True, at.zone))


class Kept:
    """Readings in memory. points: in the order in which they are taken in at the same instant."""

    def __init__(self, readings: Mapping[str, Iterable[Reading]]) -> None:
        self._readings = {point: [timed(one) for one in found] for point, found in readings.items()}
        self._stamps = {point: [one.at.utc for one in found] for point, found in self._readings.items()}
        for point, stamps in self._stamps.items():
            if any(later <= earlier for earlier, later in pairwise(stamps)):
                raise ValueError(f"the readings of {point} are not in order of time")
        self._hours: dict[tuple[str, float], HourSummary] = {}

    @property
    def points(self) -> Sequence[str]:
        return list(self._readings)

    @property
    def span(self) -> tuple[float, float] | None:
        """First and last instant at which anything was read; None without readings."""
        ends = [stamp for stamps in self._stamps.values() for stamp in (*stamps[:1], *stamps[-1:])]
        return (min(ends), max(ends)) if ends else None

    def hour(self, point: str, start: float) -> HourSummary | None:
        found = self._hours.get((point, start))
        if found is None:
            within = self._readings.get(point, [])[self._slice(point, start, start + HOUR_S)]
            found = self._hours[point, start] = summarise(point, start, within, self.last(point, start))
        return found

    def readings(self, points: Sequence[str], since: float, until: float) -> Iterator[Reading]:
        runs = [
            self._readings[point][self._slice(point, since, until)] for point in points if point in self._readings
        ]
        return iter(runs[0]) if len(runs) == 1 else merge(*runs, key=_utc)

    def last(self, point: str, before: float) -> Reading | None:
        place = bisect_left(self._stamps.get(point, ()), before)
        return self._readings[point][place - 1] if place else None

    def following(self, after: float, before: float) -> float | None:
        found = math.inf
        for stamps in self._stamps.values():
            place = bisect_right(stamps, after)
            if place < len(stamps):
                found = min(found, stamps[place])
        return found if found < before else None

    def _slice(self, point: str, since: float, until: float) -> slice:
        stamps = self._stamps.get(point, ())
        return slice(bisect_left(stamps, since), bisect_left(stamps, until))


def _utc(reading: Reading) -> float:
    return reading.at.utc
