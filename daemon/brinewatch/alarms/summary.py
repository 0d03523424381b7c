"""An hour of one point in a few numbers, and what a rehearsal may ask of it: what is certain for the whole hour."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, tzinfo
from itertools import pairwise
from statistics import median
from typing import NamedTuple

from brinewatch.moment import Moment
from brinewatch.readings import Flag, Reading

HOUR_S = 3600.0
FIVE_S = 300.0
FIVES = 12  # in an hour
SLOT_S = 30.0
_SLOTS = int(FIVE_S / SLOT_S)  # in five minutes
FORECAST_MARK = "~"  # in the key of a forecast, and in no point
_USABLE = (Flag.PASS, Flag.SUSPECT)


class Five(NamedTuple):
    """Between what the usable readings of five minutes lay, and between what the medians of their half minutes."""

    low: float
    high: float
    low_median: float
    high_median: float


@dataclass(frozen=True, slots=True)
class HourSummary:
    """One hour of one point.

    start: POSIX seconds; counts: readings by flag; min, max, sum, first, last: of the usable readings (flag 1 or
    3), None (sum 0) when there is none; oldest_s: the greatest age the newest usable reading had in the hour (from
    one to the next, and from the last to the end of the hour, its inputs' age counted in), infinity when nobody
    knows; before: the reading that stood when the hour began; fives: of each five minutes, None where there is no
    usable reading, () when not known; busiest: the most usable readings in one half minute.
    """

    point: str
    start: float
    counts: Mapping[Flag, int]
    min: float | None = None
    max: float | None = None
    sum: float = 0.0
    first: float | None = None
    last: float | None = None
    oldest_s: float = math.inf
    before: Reading | None = None
    fives: tuple[Five | None, ...] = ()
    busiest: int = 0

    @property
    def end(self) -> float:
        return self.start + HOUR_S

    @property
    def usable(self) -> int:
        """How many readings a limit may be judged by."""
        return self.counts.get(Flag.PASS, 0) + self.counts.get(Flag.SUSPECT, 0)

    @property
    def total(self) -> int:
        return sum(self.counts.values())

    @property
    def unbroken(self) -> bool:
        """Whether every reading that stood in the hour is a usable one."""
        return self.usable == self.total and self.before is not None and self.before.usable

    @property
    def low(self) -> float | None:
        """Nothing a limit could be judged by in this hour was lower. None when there was nothing."""
        return min(self._ends(self.min), default=None)

    @property
    def high(self) -> float | None:
        """Nothing a limit could be judged by in this hour was higher. None when there was nothing."""
        return max(self._ends(self.max), default=None)

    def _ends(self, own: float | None) -> Iterable[float]:
        before = self.before.value if self.before is not None and self.before.usable else None
        return (one for one in (own, before) if one is not None and not math.isnan(one))


def summarise(point: str, start: float, readings: Iterable[Reading], before: Reading | None) -> HourSummary:
    """The hour from its readings, oldest first; each counts by its UTC stamp.

    A forecast (under a key of its own, see features) may be infinite: then it is known that nothing is to come.
    """
    counts: dict[Flag, int] = {}
    values: list[float] = []
    slots: dict[int, list[float]] = {}
    usable, is_number = _USABLE, _is_forecast if FORECAST_MARK in point else math.isfinite
    newest, oldest = -math.inf, 0.0
    if before is not None and before.usable and before.value is not None and is_number(before.value):
        newest = before.at.utc - before.age_s
    for reading in readings:
        flag, value, utc = reading.flag, reading.value, reading.at.utc
        counts[flag] = counts.get(flag, 0) + 1
        if flag not in usable:
            continue
        if value is None or not is_number(value):
            oldest = math.inf  # no number, whatever its flag says
            continue
        values.append(value)
        oldest = max(oldest, utc - newest, reading.age_s)
        newest = utc - reading.age_s
        slots.setdefault(int((utc - start) // SLOT_S), []).append(value)
    oldest = max(oldest, start + HOUR_S - newest)
    if not values:
        return HourSummary(point, start, counts, oldest_s=oldest, before=before, fives=(None,) * FIVES)
    busiest = max(len(slot) for slot in slots.values())
    return HourSummary(
        point, start, counts, min(values), max(values), total_of(values), values[0], values[-1], oldest, before,
        _fives(slots), busiest,
    )  # fmt: skip


def _fives(slots: Mapping[int, Sequence[float]]) -> tuple[Five | None, ...]:
    found: list[Five | None] = []
    for five in range(FIVES):
        here = [slot for place in range(five * _SLOTS, (five + 1) * _SLOTS) if (slot := slots.get(place))]
        if here:
            medians = [median(slot) for slot in here]
            low, high = min(map(min, here)), max(map(max, here))
            found.append(Five(low, high, min(medians), max(medians)))
        else:
            found.append(None)
    return tuple(found)


def _is_forecast(value: float) -> bool:
    return not math.isnan(value)


def total_of(values: Sequence[float]) -> float:
    """Their sum, exactly rounded, so that it does not depend on who added them up, or in which order."""
    try:
        return math.fsum(values)
    except (OverflowError, ValueError):  # beyond what a number can hold, or infinities of both signs
        return sum(values)


@dataclass
class Hours:
    """Summaries as a condition is shown them to say what they prove of the last of the hours.

    summaries: by point, each an unbroken row of hours, oldest first, the last the hour in question; parts: when
    each part of a combination began to hold, as remembered at the start of that hour; offset_s: UTC less monotonic
    time; point, max_age_s, band: of the condition that is asked.
    """

    summaries: Mapping[str, Sequence[HourSummary]]
    start: float
    zone: tzinfo = UTC
    parts: Mapping[str, Moment] = field(default_factory=dict)
    offset_s: float = 0.0
    point: str = ""
    max_age_s: float = 0.0
    band: float = 0.0

    @property
    def end(self) -> float:
        return self.start + HOUR_S

    @property
    def own(self) -> HourSummary | None:
        return self.of(self.point)

    def of(self, point: str) -> HourSummary | None:
        """The hour of a point, None when it is not known."""
        rows = self.summaries.get(point)
        return rows[-1] if rows and rows[-1].start == self.start else None

    def back(self, reach_s: float) -> Sequence[HourSummary] | None:
        """The hours of the point that hold all from so long before this hour to its end; None when unknown."""
        rows = self.summaries.get(self.point)
        if not rows or rows[-1].start != self.start:
            return None
        needed = 1 + math.ceil(reach_s / HOUR_S)
        if len(rows) < needed:
            return None
        rows = rows[-needed:]
        if any(later.start - earlier.start != HOUR_S for earlier, later in pairwise(rows)):
            return None
        return rows
