"""How long a quantity was past its limit: worked out by hand on a few readings."""

from __future__ import annotations

import pytest

from brinewatch.chronicle.beyond import Values, beyond
from brinewatch.readings import Flag


def values(*rows: tuple[float, float | None, Flag]) -> list[Values]:
    """Rows of second, value and flag, a piece each, as the past hands them out."""
    return [([int(at * 1e6)], [value], [int(flag)]) for at, value, flag in rows]


GOOD, DOUBT, BAD = Flag.PASS, Flag.SUSPECT, Flag.FAIL


def test_each_reading_stands_until_the_next() -> None:
    found = beyond(
        values((0, 7.0, GOOD), (10, 5.0, GOOD), (25, 5.5, DOUBT), (40, 6.5, GOOD)), "min", 6.0, 0, 60, 100
    )
    assert (found.beyond_s, found.known_s, found.worst) == (30.0, 60.0, 5.0)


def test_a_failed_reading_ends_the_one_before_and_stands_for_nothing() -> None:
    found = beyond(values((0, 5.0, GOOD), (10, 0.0, BAD), (30, None, Flag.MISSING)), "min", 6.0, 0, 60, 100)
    assert (found.beyond_s, found.known_s, found.whole_s, found.worst) == (10.0, 10.0, 60.0, 5.0)


def test_an_old_reading_stands_for_nothing() -> None:
    found = beyond(values((0, 5.0, GOOD), (50, 5.2, GOOD)), "min", 6.0, 0, 60, 20.0)
    assert (found.beyond_s, found.known_s) == (30.0, 30.0)


@pytest.mark.parametrize(("side", "past", "worst"), [("min", 0.0, 8.0), ("max", 20.0, 9.0)])
def test_at_the_limit_is_not_past_it(side: str, past: float, worst: float) -> None:
    found = beyond(values((0, 8.0, GOOD), (40, 9.0, GOOD)), side, 8.0, 0, 60, 100)
    assert (found.beyond_s, found.worst) == (past, worst)


def test_what_was_read_before_counts_only_within_the_span() -> None:
    found = beyond(values((-30, 5.0, GOOD), (20, 7.0, GOOD)), "min", 6.0, 0, 60, 100)
    assert (found.beyond_s, found.known_s) == (20.0, 60.0)
    assert beyond([], "min", 6.0, 0, 60, 100).worst is None
