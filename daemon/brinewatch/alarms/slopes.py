"""How steep a Theil-Sen slope can have been at most, from between what the values of stretches of time lay.

The median of the slopes of all pairs is no steeper than a bound when more than half of the pairs are not. Those
that lie far apart are more than half, and the ends of the values bound their slopes well.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from brinewatch.alarms.summary import FIVE_S, HOUR_S, SLOT_S, HourSummary
from brinewatch.alarms.windows import KEPT_IN_ONE, STRETCHES

# readings must lie closer than a stretch is long, and slopes under the bound, by more than rounding can make up
_FILLED, _SURE = 1 - 1e-6, 1 - 1e-9

_Ends = tuple[float, float]  # lowest and highest


def far_apart(count: int) -> int:
    """How far apart pairs of `count` points in a row may be asked to lie and still be more than half of all there
    are, when one more point, the newest, is left out of account."""
    apart = 1
    # (count - k)(count - k + 1) / 2 pairs lie k or more places apart; one more than half is enough for any median
    while 2 * (count - apart - 1) * (count - apart) > count * (count + 1) + 4:
        apart += 1
    return apart


# a window takes 59 or 60 whole stretches in a row, when every one of them has readings, and the one begun
_APART = far_apart(STRETCHES - 1)


def never_steeper(hours: Sequence[HourSummary], since: float, over_s: float, speed: float, way: str) -> bool:
    """Whether a slope over `over_s` cannot have been steeper than `speed` (per second) in the last of these hours.

    hours: in a row; since: POSIX seconds from which on readings can count, stretches counted from a whole multiple
    of their length; way: falls, rises or changes. False when that is not certain: readings too far apart, or ends
    too wide.
    """
    each = over_s / STRETCHES
    if speed <= 0 or any(row.oldest_s > _FILLED * each for row in hours):
        return False  # a stretch without readings: how many pairs there are is not known
    blocks, length = _blocks(hours, since - each, each)
    # stretches need not begin where blocks do: their readings may lie a stretch further out
    if length % each or hours[0].start % each:
        blocks = _widened(blocks)
    least_s = (_APART - 1) * each
    nearest, furthest = math.floor(least_s / length), math.ceil(over_s / length) + 1
    for place, (early_low, early_high) in enumerate(blocks):
        for steps, (late_low, late_high) in enumerate(blocks[place + nearest : place + furthest + 1], nearest):
            most = speed * _SURE * max((steps - 1) * length, least_s)
            if way != "falls" and late_high - early_low > most:
                return False
            if way != "rises" and early_high - late_low > most:
                return False
    return bool(blocks)


def _blocks(hours: Sequence[HourSummary], since: float, each: float) -> tuple[list[_Ends], float]:
    """Between what the medians of stretches lay in blocks of time in a row, and how long each block is; no blocks
    when that is not known."""
    if each <= FIVE_S and all(row.fives for row in hours):
        skip = max(0, math.floor((since - hours[0].start) / FIVE_S) - 1)
        fives = [five for row in hours for five in row.fives][skip:]
        # the median of several half minutes together lies between theirs; windows thin out what is read too often
        medians = each % SLOT_S == 0 and max(row.busiest for row in hours) * each / SLOT_S <= KEPT_IN_ONE
        known = [
            (five.low_median, five.high_median) if medians else (five.low, five.high)
            for five in fives
            if five is not None
        ]
        return (known if len(known) == len(fives) else []), FIVE_S
    whole = [(row.min, row.max) for row in hours if row.min is not None and row.max is not None]
    return (whole if each <= HOUR_S and len(whole) == len(hours) else []), HOUR_S


def _widened(blocks: Sequence[_Ends]) -> list[_Ends]:
    near = [blocks[max(0, place - 1) : place + 2] for place in range(len(blocks))]
    return [(min(low for low, _ in three), max(high for _, high in three)) for three in near]
