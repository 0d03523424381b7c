"""The last stretch of one point's readings, kept small: its slope, its span, how often something began in it."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from itertools import pairwise
from statistics import median
from typing import TYPE_CHECKING, Protocol

from brinewatch.alarms.view import View
from brinewatch.moment import span_text
from brinewatch.readings import Reading

if TYPE_CHECKING:
    from brinewatch.alarms.condition import Condition

# a window is cut into so many stretches; what is in one counts as one
STRETCHES = 60
# judgement: a slope is told from no fewer stretches, which must reach over this much of the window without a hole
# larger than that
FEWEST = 5
REACH, HOLE = 0.75, 1 / 3
KEPT_IN_ONE = 128
_KEPT_STARTS = 1000


def theil_sen(points: Sequence[tuple[float, float]]) -> float:
    """The median of the slopes of all pairs of points (x, y): up to 29 % of wild points cannot carry it away.

    Sen 1968, J. Am. Stat. Assoc. 63:1379. ValueError when no two points differ in x.
    """
    slopes = [
        (y2 - y1) / (x2 - x1) for place, (x1, y1) in enumerate(points) for x2, y2 in points[place + 1 :] if x2 != x1
    ]
    if not slopes:
        raise ValueError(f"{len(points)} points without two different times have no slope")
    return median(slopes)


class Window(Protocol):
    """One feature at work. value: what it comes to; reason: why it must not be judged by, "" when it may be."""

    @property
    def value(self) -> float | None: ...

    @property
    def reason(self) -> str: ...

    def take(self, reading: Reading) -> bool:
        """Take in a reading of the point. Whether the feature is worked out anew."""
        ...


def _number(reading: Reading) -> float | None:
    """What a window can use: a usable number."""
    if not reading.usable or reading.value is None or not math.isfinite(reading.value):
        return None
    return reading.value


class Slope:
    """The slope over a window: a Theil-Sen line through the medians of its stretches.

    It is worked out when a stretch begins, with the first reading of that in it, so sixty times in a window at most
    and at every reading of a slow probe. Unknown until enough of the window is covered.
    """

    def __init__(self, over_s: float) -> None:
        self.over_s = over_s
        self.value: float | None = None
        self.reason = "no reading yet"
        self._each_s = over_s / STRETCHES
        self._closed: deque[tuple[float, float]] = deque()
        self._open: list[tuple[float, float]] = []
        self._place: float | None = None
        self._last = -math.inf

    def take(self, reading: Reading) -> bool:
        value, mono = _number(reading), reading.at.mono
        if value is None or mono <= self._last:
            return False
        self._last = mono
        place = mono // self._each_s
        if place == self._place:
            self._open.append((mono, value))
            if len(self._open) > KEPT_IN_ONE:
                del self._open[1::2]
            return False
        if self._open:
            self._closed.append(_middle(self._open))
        self._place, self._open = place, [(mono, value)]
        while self._closed and self._closed[0][0] < mono - self.over_s:
            self._closed.popleft()
        self._work_out()
        return True

    def _work_out(self) -> None:
        points = [*self._closed, self._open[0]]
        covered = points[-1][0] - points[0][0]
        hole = max((b[0] - a[0] for a, b in pairwise(points)), default=math.inf)
        if len(points) < FEWEST or covered < REACH * self.over_s or hole > HOLE * self.over_s:
            self.value = None
            self.reason = f"{len(points)} stretches over {span_text(covered)} of {span_text(self.over_s)}"
        else:
            self.value, self.reason = theil_sen(points), ""


def _middle(points: Sequence[tuple[float, float]]) -> tuple[float, float]:
    return sum(x for x, _ in points) / len(points), median(y for _, y in points)


class Span:
    """The highest less the lowest value of a window. Unknown until readings without a gap have covered it."""

    def __init__(self, over_s: float, max_age_s: float) -> None:
        self.over_s = over_s
        self.value: float | None = None
        self.reason = "no reading yet"
        self._max_age_s = max_age_s
        self._each_s = over_s / STRETCHES
        self._closed: deque[tuple[float, float, float]] = deque()
        self._open: tuple[float, float, float] | None = None
        self._ends = (math.inf, -math.inf)
        self._since = math.inf
        self._last = -math.inf

    def take(self, reading: Reading) -> bool:
        value, mono = _number(reading), reading.at.mono
        if value is None or mono <= self._last:
            return False
        if mono - self._last > self._max_age_s:
            self._since, self._open = mono, None
            self._closed.clear()
            self._close(mono)
        self._last = mono
        place = mono // self._each_s
        if self._open is None or self._open[0] != place:
            if self._open is not None:
                self._closed.append(self._open)
            self._open = (place, value, value)
            self._close(mono)
        else:
            self._open = (place, min(self._open[1], value), max(self._open[2], value))
        span = max(self._ends[1], self._open[2]) - min(self._ends[0], self._open[1])
        covered = mono - self._since
        self.value = span
        self.reason = (
            "" if covered >= self.over_s else f"watched for {span_text(covered)} of {span_text(self.over_s)}"
        )
        return True

    def _close(self, mono: float) -> None:
        """Drop the stretches that have left the window, and note between what the rest lies."""
        while self._closed and (self._closed[0][0] + 1) * self._each_s <= mono - self.over_s:
            self._closed.popleft()
        self._ends = (
            min((low for _, low, _ in self._closed), default=math.inf),
            max((high for _, _, high in self._closed), default=-math.inf),
        )


class Starts:
    """How often a condition of the readings began to hold within a window.

    Until the window has been watched whole, and after a gap in the readings, the count is only the least it can be.
    """

    def __init__(self, condition: Condition, band: float, over_s: float, max_age_s: float) -> None:
        self.over_s = over_s
        self._condition, self._band, self._max_age_s = condition, band, max_age_s
        self._times: deque[float] = deque(maxlen=_KEPT_STARTS)
        self._holds: bool | None = None
        self._since = math.inf
        self._last = -math.inf

    @property
    def value(self) -> float | None:
        return float(len(self._times))

    @property
    def reason(self) -> str:
        covered = self._last - self._since
        if covered >= self.over_s:
            return ""
        return f"watched for {span_text(max(0.0, covered))} of {span_text(self.over_s)}"

    @property
    def due(self) -> float | None:
        return self._times[0] + self.over_s if self._times else None

    def take(self, reading: Reading) -> bool:
        mono = reading.at.mono
        if _number(reading) is None or mono <= self._last:
            return False
        if mono - self._last > self._max_age_s:
            self._since = mono
        self._last = mono
        view = View({reading.point: reading}, reading.at)
        view.point, view.max_age_s, view.band = reading.point, math.inf, self._band
        holds = self._condition.judge(view, bool(self._holds))
        if holds and self._holds is False:
            self._times.append(mono)
        if holds is not None:
            self._holds = holds
        self.forget(mono)
        return True

    def forget(self, mono: float) -> bool:
        """Leave out what began longer ago than the window. Whether that changed the count."""
        before = len(self._times)
        while self._times and self._times[0] <= mono - self.over_s:
            self._times.popleft()
        return len(self._times) != before
