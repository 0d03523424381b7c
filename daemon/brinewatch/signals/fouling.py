"""Diffusers foul over weeks: the daily median of the air pressure over static head, its slope, and its excess over
clean.

A day is a day of UTC. Ten minutes are averaged first, so that a day is 144 numbers and not 86400.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import ceil, sqrt
from statistics import median
from typing import Any

from brinewatch.moment import Moment

PART_S = 600.0
KEPT_DAYS = 120
_PARTS_A_DAY = 24  # a day with less than four hours of normal running says too little
_PARTS_ENOUGH = 6  # an hour is enough to say how it is today
TREND_DAYS, TREND_LEAST = 30, 5
_RECENT_DAYS = 7
# what was cleaned shows in the lowest days; a tenth of them may be odd
_CLEAN_SHARE = 0.1


@dataclass(frozen=True, slots=True)
class DayMemory:
    """days: (day number of UTC, median), oldest first; today, parts: the day under way and its ten-minute means;
    began: monotonic second the part under way began; total, number: of the values in it, and not kept over a stop.
    """

    days: tuple[tuple[int, float], ...] = ()
    today: int = 0
    parts: tuple[float, ...] = ()
    began: float | None = None
    total: float = 0.0
    number: int = 0

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON values."""
        return {"days": [list(one) for one in self.days], "today": self.today, "parts": list(self.parts)}

    @classmethod
    def from_dict(cls, saved: Mapping[str, Any]) -> DayMemory:
        """The way back. KeyError, TypeError or ValueError for foreign values."""
        days = tuple((int(day), float(value)) for day, value in saved["days"])
        return cls(days, int(saved["today"]), tuple(float(one) for one in saved["parts"]))


def remember(memory: DayMemory, value: float | None, now: Moment) -> DayMemory:
    """One value more; None while running is not normal, or not known."""
    began = now.mono if memory.began is None else memory.began
    total, number = memory.total, memory.number
    if value is not None:
        total, number = total + value, number + 1
    if now.mono - began < PART_S:
        return replace(memory, began=began, total=total, number=number)
    memory = replace(memory, began=now.mono, total=0.0, number=0)
    return _part(memory, total / number, now) if number else memory


def _part(memory: DayMemory, mean: float, now: Moment) -> DayMemory:
    day = day_of(now)
    if day < memory.today:
        if not now.trusted:
            return memory  # a clock that fell back cannot say which day this is
        # it had run ahead: what it stamped with days to come is of no known day
        days = tuple(one for one in memory.days if one[0] < day)
        return replace(memory, days=days, today=day, parts=(mean,))
    if day == memory.today:
        return replace(memory, parts=(*memory.parts, mean))
    days = memory.days
    if len(memory.parts) >= _PARTS_A_DAY:
        days = (*days, (memory.today, median(memory.parts)))
    days = tuple(one for one in days if one[0] >= day - KEPT_DAYS)
    return replace(memory, days=days, today=day, parts=(mean,))


def day_of(now: Moment) -> int:
    """Number of the day of UTC."""
    return int(now.utc // 86400)


def clean_level(memory: DayMemory) -> float | None:
    """The level with clean diffusers: the lowest tenth of the days kept (nearest rank); None without any day."""
    values = sorted(value for _, value in memory.days)
    return values[ceil(_CLEAN_SHARE * len(values)) - 1] if values else None


def recent_level(memory: DayMemory, now: Moment) -> float | None:
    """The level now: the median of the past week's days, else of the past hours; None when nothing is known."""
    values = [value for day, value in memory.days if day >= day_of(now) - _RECENT_DAYS]
    if not values and memory.today == day_of(now) and len(memory.parts) >= _PARTS_ENOUGH:
        values = list(memory.parts)
    return median(values) if values else None


def trend_days(memory: DayMemory, now: Moment) -> list[tuple[float, float]]:
    """The days a trend is made of."""
    return [(float(day), value) for day, value in memory.days if day >= day_of(now) - TREND_DAYS]


def theil_sen(points: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """Slope through (x, y) points and its standard uncertainty. At least two different x; ValueError otherwise.

    The median of the slopes between all pairs (Theil 1950; Sen 1968); its uncertainty is half the distance of the
    order statistics one standard deviation of Kendall's S apart (Sen 1968; Gilbert 1987, section 16.5).
    """
    slopes = sorted(
        (y2 - y1) / (x2 - x1) for n, (x1, y1) in enumerate(points) for x2, y2 in points[n + 1 :] if x2 != x1
    )
    if not slopes:
        raise ValueError("a slope needs points at two places")
    n, m = len(points), len(slopes)
    deviation = sqrt(n * (n - 1) * (2 * n + 5) / 18.0)
    low = max(0, round((m - deviation) / 2.0) - 1)
    high = min(m - 1, round((m + deviation) / 2.0))
    return median(slopes), (slopes[high] - slopes[low]) / 2.0
