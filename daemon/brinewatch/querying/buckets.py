"""A point over any span in few numbers: a row for each stretch of time between edges, of hours that are summed up
already wherever those fit, of the readings themselves where they do not. The same numbers either way.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta, tzinfo
from itertools import pairwise

from brinewatch.alarms.summary import HOUR_S
from brinewatch.querying.past import Past, Span, joined, parts
from brinewatch.readings import Flag
from brinewatch.store.columns import microseconds

# lengths a stretch may have: those people read off an axis
STEPS_S = (
    1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400, 172800, 604800,
    2592000, 31536000,
)  # fmt: skip
_HOUR_US = 3_600_000_000
_USABLE = (int(Flag.PASS), int(Flag.SUSPECT))


@dataclass(slots=True)
class Buckets:
    """One row for each stretch between two edges, one list a column.

    edges: UTC seconds, one more than there are rows; low, high, mean: of the usable readings (flag 1 or 3), None
    where there is none; passed, untested, suspect, failed, missing: readings by flag.
    """

    edges: Sequence[float]
    low: list[float | None] = field(default_factory=list)
    high: list[float | None] = field(default_factory=list)
    mean: list[float | None] = field(default_factory=list)
    passed: list[int] = field(default_factory=list)
    untested: list[int] = field(default_factory=list)
    suspect: list[int] = field(default_factory=list)
    failed: list[int] = field(default_factory=list)
    missing: list[int] = field(default_factory=list)

    def __len__(self) -> int:
        return len(self.low)

    @property
    def readings(self) -> list[int]:
        """All readings of each stretch, usable or not."""
        return [sum(counts) for counts in zip(*self._counts(), strict=True)]

    @property
    def worst(self) -> list[Flag | None]:
        """The worst flag of each stretch in which there is a reading."""
        order = (Flag.MISSING, Flag.FAIL, Flag.SUSPECT, Flag.NOT_EVALUATED, Flag.PASS)
        rows = zip(self.missing, self.failed, self.suspect, self.untested, self.passed, strict=True)
        return [next((flag for flag, count in zip(order, row, strict=True) if count), None) for row in rows]

    def _counts(self) -> tuple[list[int], ...]:
        return self.passed, self.untested, self.suspect, self.failed, self.missing


def edges_for(since_utc: float, until_utc: float, most: int) -> list[float]:
    """Edges that cut a span into at most so many stretches of a length people read, at whole multiples of it.

    The first and the last edge are the span's own ends. ValueError when there is no span or no stretch.
    """
    if not since_utc < until_utc or most < 1:
        raise ValueError("a span ends after it began, and is cut into one stretch or more")
    span = until_utc - since_utc
    steps = (float(step) for step in STEPS_S)
    step = next((one for one in steps if span / one <= max(1, most - 2)), math.ceil(span / max(1, most - 2)))
    first = math.floor(since_utc / step) + 1
    inner = [step * n for n in range(first, math.ceil(until_utc / step))]
    edges = [since_utc, *inner, until_utc]
    return edges if len(edges) <= most + 1 else [since_utc, until_utc]


def days_of(since_utc: float, until_utc: float, zone: tzinfo) -> tuple[list[date], list[float]]:
    """The days of the shed's calendar that a span touches, and their edges: whole days, 23 or 25 h long where the
    clocks change."""
    first = datetime.fromtimestamp(since_utc, zone).date()
    days: list[date] = []
    edges = [_midnight(first, zone)]
    while edges[-1] < until_utc:
        days.append(first + timedelta(days=len(days)))
        edges.append(_midnight(first + timedelta(days=len(days)), zone))
    return days, edges


def _midnight(day: date, zone: tzinfo) -> float:
    return datetime(day.year, day.month, day.day, tzinfo=zone).timestamp()


def buckets(past: Past, point: str, edges: Sequence[float]) -> Buckets:
    """What a point read between each two edges (UTC seconds, rising). BrinewatchError for an unknown point."""
    past.quantity(point)
    sums = _Sums(edges)
    if len(edges) > 1:
        raw = _to_be_read(edges, past.corrected(point))
        for begin, end, singly in parts(edges[0], edges[-1], raw):
            if not singly:
                sums.add_hours(past, point, begin, end)
                continue
            for stamps, values, flags in past.values(point, begin, end):
                sums.add(stamps, values, flags)
    return sums.rows()


def _to_be_read(edges: Sequence[float], corrected: Sequence[Span]) -> list[Span]:
    """Where readings are looked at one by one.

    In hours that an edge cuts, where stretches are shorter than an hour, and where what was summed up is not what
    should be seen now.
    """
    cut: list[Span] = []
    for begin, end in pairwise(edges):
        if end - begin < HOUR_S:
            cut.append((begin, end))
    for edge in edges:
        if edge % HOUR_S:
            hour = math.floor(edge / HOUR_S) * HOUR_S
            cut.append((hour, hour + HOUR_S))
    for begin, end in corrected:
        cut.append((math.floor(begin / HOUR_S) * HOUR_S, math.ceil(end / HOUR_S) * HOUR_S))
    return joined(cut)


class _Sums:
    """Counts and sums of each stretch while it is being filled."""

    def __init__(self, edges: Sequence[float]) -> None:
        self._edges = list(edges)
        self._edges_us = [microseconds(edge) for edge in edges]
        size = max(0, len(edges) - 1)
        self._low: list[float | None] = [None] * size
        self._high: list[float | None] = [None] * size
        self._total, self._usable = [0.0] * size, [0] * size
        self._flags = {int(flag): [0] * size for flag in Flag}

    def add(self, stamps: Sequence[int], values: Sequence[float | None], flags: Sequence[int]) -> None:
        """Readings in order of time."""
        for row, begin, end in self._rows_of(stamps):
            self._add_one(row, values[begin:end], flags[begin:end])

    def _rows_of(self, stamps: Sequence[int]) -> Iterator[tuple[int, int, int]]:
        place = bisect_left(stamps, self._edges_us[0])
        while place < len(stamps):
            row = bisect_right(self._edges_us, stamps[place]) - 1
            if row >= len(self._low):
                return
            end = bisect_left(stamps, self._edges_us[row + 1], place)
            yield row, place, end
            place = end

    def _add_one(self, row: int, values: Sequence[float | None], flags: Sequence[int]) -> None:
        kinds = set(flags)
        for kind in kinds:
            self._flags[kind][row] += len(flags) if len(kinds) == 1 else flags.count(kind)
        if kinds.issubset(_USABLE) and None not in values:
            usable = [one for one in values if one is not None]
        else:
            usable = [
                value for value, flag in zip(values, flags, strict=True) if flag in _USABLE and value is not None
            ]
        if usable:
            self._take(row, min(usable), max(usable), math.fsum(usable), len(usable))

    def _take(self, row: int, low: float, high: float, total: float, count: int) -> None:
        before, above = self._low[row], self._high[row]
        self._low[row] = low if before is None else min(before, low)
        self._high[row] = high if above is None else max(above, high)
        self._total[row] += total
        self._usable[row] += count

    def add_hours(self, past: Past, point: str, begin: float, end: float) -> None:
        """Whole hours, none of which an edge cuts."""
        found = past.store.rollup(point, begin, end)
        columns = {
            Flag.PASS: found.passed, Flag.NOT_EVALUATED: found.untested, Flag.SUSPECT: found.suspect,
            Flag.FAIL: found.failed, Flag.MISSING: found.missing,
        }  # fmt: skip
        starts = [hour * _HOUR_US for hour in found.hour]
        usable = found.usable
        for row, first, after in self._rows_of(starts):
            for flag, column in columns.items():
                self._flags[int(flag)][row] += sum(column[first:after])
            count = sum(usable[first:after])
            lows = [one for one in found.low[first:after] if one is not None]
            highs = [one for one in found.high[first:after] if one is not None]
            if count and lows and highs:
                self._take(row, min(lows), max(highs), math.fsum(found.total[first:after]), count)

    def rows(self) -> Buckets:
        mean = [total / count if count else None for total, count in zip(self._total, self._usable, strict=True)]
        flags = [
            self._flags[int(one)] for one in (Flag.PASS, Flag.NOT_EVALUATED, Flag.SUSPECT, Flag.FAIL, Flag.MISSING)
        ]
        return Buckets(self._edges, self._low, self._high, mean, *flags)
