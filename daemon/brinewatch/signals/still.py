"""Flat line: how long a signal has not moved. QARTOD manuals, test 8.

A stretch is still while its highest and lowest value stand no further apart than the tolerance; two monotonic
queues find its beginning at a cost that does not depend on its length.
"""

from __future__ import annotations

from dataclasses import dataclass

from brinewatch.moment import span_text
from brinewatch.readings import Flag
from brinewatch.signals.limits import Quality

_Extremes = tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class Still:
    """The still stretch up to now.

    lows, highs: its lowest and highest values, oldest first, each with the time from which nothing went beyond it;
    times: monotonic seconds of the newest three values.
    """

    lows: _Extremes = ()
    highs: _Extremes = ()
    times: tuple[float, ...] = ()

    @property
    def began(self) -> float:
        """Monotonic second of its first sample."""
        return max(self.lows[0][0], self.highs[0][0])


def stretched(still: Still, value: float, mono: float, settings: Quality, *, silent: bool) -> Still:
    """The still stretch with one more value. silent: whether nothing usable came just before it."""
    if settings.flat_after_s is None:
        return still
    lows, highs, times = list(still.lows), list(still.highs), still.times
    if silent and times and mono - times[-1] > settings.flat_after_s:
        lows, highs, times = [], [], ()  # nobody knows whether it was still while it was silent
    low_since = high_since = mono
    while lows and lows[-1][1] >= value:
        low_since = lows.pop()[0]
    while highs and highs[-1][1] <= value:
        high_since = highs.pop()[0]
    lows.append((low_since, value))
    highs.append((high_since, value))
    while highs[0][1] - lows[0][1] > settings.flat_within:
        # too wide: the stretch now begins just after whichever of the two extremes came first
        start = min(side[1][0] for side in (lows, highs) if len(side) > 1)
        for side in (lows, highs):
            while len(side) > 1 and side[1][0] <= start:
                side.pop(0)
            side[0] = (max(side[0][0], start), side[0][1])
    return Still(tuple(lows), tuple(highs), (*times[-2:], mono))


def flat_line(still: Still, mono: float, settings: Quality) -> tuple[Flag, str]:
    """SUSPECT, later FAIL, for a signal that has been still for too long, with why."""
    if settings.flat_after_s is None:
        return Flag.PASS, ""
    lasted = mono - still.began
    few = len(still.times) < 3 or still.times[0] < still.began  # two equal values may be chance
    if few or lasted < settings.flat_after_s:
        return Flag.PASS, ""
    flag = Flag.FAIL if lasted >= settings.flat_fails_after_s else Flag.SUSPECT
    return flag, f"Has not moved for {span_text(lasted)}: the probe may be stuck."
