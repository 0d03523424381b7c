"""A straight line through readings that a few wild ones cannot bend, with its uncertainty. Bounded memory."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import ceil, inf, sqrt
from statistics import median


@dataclass(frozen=True, slots=True)
class Line:
    """A fall or rise: slope with its range, each in units per hour; level at the last stamp; scatter about it.

    scatter: one standard deviation, from the median absolute residual; points: how many it was drawn through;
    seconds: how long a time they span.
    """

    slope: float
    slope_low: float
    slope_high: float
    level: float
    scatter: float
    points: int
    seconds: float


def robust_line(points: Sequence[tuple[float, float]], z: float = 1.96) -> Line:
    """The Theil-Sen line through (seconds, value), in order of time.

    The slope is the median over all pairs; its range is Sen's for the normal deviate z (Sen 1968, J. Am. Stat.
    Assoc. 63:1379), widened where neighbouring residuals resemble each other. ValueError below three points or
    without a span of time.
    """
    count = len(points)
    if count < 3 or points[-1][0] <= points[0][0]:
        raise ValueError(f"{count} points: expected 3 or more over a span of time")
    slopes = sorted(
        (y2 - y1) / (t2 - t1)
        for at, (t1, y1) in enumerate(points)
        for t2, y2 in points[at + 1 :]
        if t2 > t1
    )  # fmt: skip
    slope = median(slopes)
    last = points[-1][0]
    level = median(y - slope * (t - last) for t, y in points)
    residuals = [y - level - slope * (t - last) for t, y in points]
    scatter = 1.4826 * median(abs(one) for one in residuals)
    reach = z * sqrt(count * (count - 1) * (2 * count + 5) / 18.0) * sqrt(_likeness(residuals))
    pairs = len(slopes)
    low = max(0, round((pairs - reach) / 2.0))
    high = min(pairs - 1, ceil((pairs + reach) / 2.0))
    return Line(
        3600.0 * slope, 3600.0 * slopes[low], 3600.0 * slopes[high], level, scatter, count, last - points[0][0]
    )  # fmt: skip


def _likeness(residuals: Sequence[float]) -> float:
    """Variance inflation (1 + r)/(1 - r) of neighbours correlated by r, 1 to 9."""
    whole = sum(one * one for one in residuals)
    if whole <= 0.0:
        return 1.0
    r = sum(one * other for one, other in pairwise(residuals)) / whole
    r = min(0.8, max(0.0, r))
    return (1.0 + r) / (1.0 - r)


class Window:
    """The last readings of a point as medians over equal stretches of time: at most `most` of them, spread over
    `seconds`, so that a fast probe and a slow one cost the same."""

    def __init__(self, seconds: float, most: int = 60) -> None:
        self.seconds = seconds
        self._each = seconds / most
        self._medians: deque[tuple[float, float]] = deque()
        self._begun = -inf
        self._open: list[tuple[float, float]] = []

    def add(self, mono: float, value: float) -> None:
        """One usable reading; stamps that do not advance are left out."""
        if self._open and mono <= self._open[-1][0]:
            return
        if mono - self._begun >= self._each:
            self._close()
            self._begun = mono
        if len(self._open) < 100:
            self._open.append((mono, value))
        while self._medians and self._medians[0][0] < mono - self.seconds:
            self._medians.popleft()

    def _close(self) -> None:
        if self._open:
            self._medians.append(_middle(self._open))
            self._open = []

    def clear(self) -> None:
        """Forget everything: what made the readings move has changed."""
        self._medians.clear()
        self._open = []
        self._begun = -inf

    @property
    def points(self) -> list[tuple[float, float]]:
        """(seconds, value), oldest first."""
        return [*self._medians, _middle(self._open)] if self._open else list(self._medians)


def _middle(points: Sequence[tuple[float, float]]) -> tuple[float, float]:
    return sum(t for t, _ in points) / len(points), median(y for _, y in points)
