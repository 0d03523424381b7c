"""What a stretch of time has held, one sample at a time, at a cost that does not grow with the stretch.

A window is cut into parts; each part keeps how many samples it took, their mean, their sum of squared deviations
(Welford 1962, Technometrics 4:419; joined as in Chan, Golub & LeVeque 1983, The American Statistician 37:242), the
lowest and the highest. Sampled no faster than a part is long, every sample has a part of its own and the window is
exact; sampled faster, its old end is rounded to one part.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

PARTS = 60
# a part begins with its first sample; equal spacing must not open one part too few for a rounding error
_SLACK = 1e-9
# a silence longer than this share of the window, and than so many intervals, starts it anew: what is left of it
# would stand for the whole
_SILENCE, _INTERVALS = 0.25, 3.0


@dataclass(frozen=True, slots=True)
class Part:
    """A run of samples: monotonic second of the first, how many, mean, squared deviations, lowest, highest."""

    begins: float
    count: int
    mean: float
    squares: float
    lowest: float
    highest: float

    def taken(self, value: float) -> Part:
        """With one more sample."""
        count = self.count + 1
        away = value - self.mean
        mean = self.mean + away / count
        return Part(
            self.begins, count, mean, self.squares + away * (value - mean),
            min(self.lowest, value), max(self.highest, value),
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Window:
    """The parts of (newest - over_s, newest], oldest first.

    began: since when it has been filling; newest: of the newest sample; interval: between the newest two.
    """

    parts: tuple[Part, ...] = ()
    began: float = 0.0
    newest: float = 0.0
    interval: float = float("inf")

    def filled(self, over_s: float) -> bool:
        """Whether the samples, each standing for the time to the next, cover the whole window; three at least."""
        count = sum(part.count for part in self.parts)
        if count < 3:
            return False
        if self.parts[0].begins > self.began:
            return True  # the first ones have left it already
        lived = self.newest - self.began
        return lived * count / (count - 1) >= over_s * (1.0 - _SLACK)

    @property
    def spread(self) -> float:
        """Highest less lowest."""
        return max(part.highest for part in self.parts) - min(part.lowest for part in self.parts)

    @property
    def mean(self) -> float:
        """Mean of the samples."""
        count = sum(part.count for part in self.parts)
        return sum(part.count * part.mean for part in self.parts) / count

    @property
    def deviation(self) -> float:
        """Standard deviation of the samples, dividing by their number (ddof 0)."""
        count, mean, squares = 0, 0.0, 0.0
        for part in self.parts:
            away, both = part.mean - mean, count + part.count
            squares += part.squares + away * away * count * part.count / both
            mean += away * part.count / both
            count = both
        return sqrt(squares / count)


def pushed(window: Window | None, over_s: float, mono: float, value: float, parts: int = PARTS) -> Window:
    """The window with a newer sample taken in and what is older than over_s let go; no newer, it stays out."""
    if window is not None and window.parts and mono <= window.newest:
        return window
    gap = mono - window.newest if window is not None else over_s
    if window is None or gap >= over_s or gap > max(_SILENCE * over_s, _INTERVALS * window.interval):
        return Window((Part(mono, 1, value, 0.0, value, value),), mono, mono)
    held, last = window.parts, window.parts[-1]
    if mono - last.begins >= over_s / parts * (1.0 - _SLACK):
        held = (*held, Part(mono, 1, value, 0.0, value, value))
    else:
        held = (*held[:-1], last.taken(value))
    gone = 0
    while held[gone].begins <= mono - over_s:
        gone += 1
    return Window(held[gone:], window.began, mono, gap)


def mean_of(parts: Sequence[Part]) -> float:
    """Mean of the parts' means: each stands for as much time as any other, however often it was sampled."""
    return sum(part.mean for part in parts) / len(parts)
