"""Where a new biofilter stands, from the record of manual tests: ammonia peaks first, nitrite after it, then both
end.

A guide for people, not a permission: stock follows repeated tests and experience. In cold seawater it takes 8 to 16
weeks (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise

from brinewatch.seawater.validity import not_negative, within

# Common practice, no source: what counts as a peak, as past it, and as gone
PEAK_MGN_L = 0.5
PAST_SHARE = 0.5
GONE_MGN_L = 0.1
GONE_TESTS = 2
SAME_TEST_DAYS = 0.5  # ammonia and nitrite measured no further apart are one test


class StartUp(StrEnum):
    """The stages of a biofilter's start."""

    NOT_BEGUN = "not begun"
    TAN_RISING = "ammonia rising"
    NITRITE_RISING = "ammonia past its peak, nitrite rising"
    NITRITE_FALLING = "nitrite past its peak"
    MATURE = "mature"


@dataclass(frozen=True, slots=True)
class WaterTest:
    """One manual test: day since the start, total ammonia and nitrite, both mg N/L."""

    day: float
    tan_mgN_L: float
    nitrite_mgN_L: float


def water_tests(tan: Sequence[tuple[float, float]], nitrite: Sequence[tuple[float, float]]) -> list[WaterTest]:
    """The manual tests of a record kept by quantity, oldest first: each ammonia with the nitrite nearest to it.

    tan, nitrite: day and mg N/L, in any order. What has no partner within half a day is left out: a stage is told
    from both. ValueError for what is no number.
    """
    for day, mgN_L in (*tan, *nitrite):
        within("day", day, 0.0, 100000.0, "days")
        not_negative("mgN_L", mgN_L, 1000.0, "mg N/L")
    found = []
    for day, ammonia in sorted(tan):
        nearest = min(nitrite, key=lambda one: abs(one[0] - day), default=None)
        if nearest is not None and abs(nearest[0] - day) <= SAME_TEST_DAYS:
            found.append(WaterTest(day, ammonia, nearest[1]))
    return found


def start_up_stage(tests: Sequence[WaterTest]) -> StartUp:
    """The stage the newest of the tests shows; tests oldest first.

    A bed moved ripe from another system may never show peaks, and then this cannot tell. ValueError for tests out
    of order or without numbers.
    """
    for test in tests:
        within("day", test.day, 0.0, 100000.0, "days")
        not_negative("tan_mgN_L", test.tan_mgN_L, 1000.0, "mg N/L")
        not_negative("nitrite_mgN_L", test.nitrite_mgN_L, 1000.0, "mg N/L")
    if any(later.day < earlier.day for earlier, later in pairwise(tests)):
        raise ValueError("tests: expected oldest first")
    tan_past = _past_peak([test.tan_mgN_L for test in tests])
    nitrite_past = _past_peak([test.nitrite_mgN_L for test in tests])
    newest = tests[-GONE_TESTS:]
    gone = len(newest) == GONE_TESTS and all(
        test.tan_mgN_L <= GONE_MGN_L and test.nitrite_mgN_L <= GONE_MGN_L for test in newest
    )
    if tan_past and nitrite_past:
        return StartUp.MATURE if gone else StartUp.NITRITE_FALLING
    if tan_past:
        return StartUp.NITRITE_RISING
    if any(test.tan_mgN_L >= PEAK_MGN_L for test in tests):
        return StartUp.TAN_RISING
    return StartUp.NOT_BEGUN


def _past_peak(values: Sequence[float]) -> bool:
    """Whether a peak worth the name was reached and the newest value is no more than half of it."""
    peak = max(values, default=0.0)
    return peak >= PEAK_MGN_L and values[-1] <= PAST_SHARE * peak
