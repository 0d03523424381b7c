"""The trend of the excess over head: the slope against another library, days against every kind of clock.

Theil-Sen slope and its confidence: scipy's theilslopes (Sen 1968, equation 2.6), a separate implementation.
"""

from __future__ import annotations

import json
import random
from statistics import median

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm, theilslopes

from brinewatch.moment import Moment
from brinewatch.signals.fouling import (
    KEPT_DAYS,
    PART_S,
    DayMemory,
    clean_level,
    day_of,
    recent_level,
    remember,
    theil_sen,
    trend_days,
)

# midnight of 2026-09-24 UTC
MIDNIGHT = 1_790_208_000.0
ONE_SIGMA = 2 * (1 - norm.cdf(1.0))


def test_midnight_is_midnight() -> None:
    assert MIDNIGHT % 86400 == 0


@pytest.mark.parametrize("seed", range(12))
def test_slope_and_uncertainty_agree_with_scipy(seed: int) -> None:
    chance = random.Random(seed)
    points = [(float(day), 2.0 + 0.01 * day + chance.gauss(0, 0.1)) for day in range(5 + 3 * seed)]
    slope, uncertainty = theil_sen(points)
    reference = theilslopes([y for _, y in points], [x for x, _ in points], alpha=ONE_SIGMA)
    assert slope == pytest.approx(reference.slope, rel=1e-12)
    assert uncertainty == pytest.approx((reference.high_slope - reference.low_slope) / 2, rel=1e-12)


def test_the_uncertainty_is_that_of_a_standard_deviation() -> None:
    # of 300 lines with noise, two thirds lie within one of their own standard uncertainties of the truth
    chance, within = random.Random(1), 0
    for _ in range(300):
        slope, uncertainty = theil_sen([(float(x), 0.02 * x + chance.gauss(0, 0.2)) for x in range(30)])
        within += abs(slope - 0.02) <= uncertainty
    assert 0.60 <= within / 300 <= 0.76


def test_a_third_of_odd_days_does_not_bend_the_slope() -> None:
    chance = random.Random(2)
    points = [(float(x), 2 + 0.05 * x + (5.0 if chance.random() < 0.25 else 0.0)) for x in range(30)]
    assert theil_sen(points)[0] == pytest.approx(0.05, abs=0.02)


def test_a_slope_needs_two_places() -> None:
    with pytest.raises(ValueError, match="two places"):
        theil_sen([(1.0, 2.0)])
    with pytest.raises(ValueError, match="two places"):
        theil_sen([(1.0, 2.0), (1.0, 3.0)])


def live(
    values: list[float], memory: DayMemory | None = None, start: float = MIDNIGHT, trusted: bool = True
) -> tuple[DayMemory, Moment]:
    """So many days, one value each, seen every five minutes."""
    memory, at = memory or DayMemory(), Moment(50.0, start, trusted)
    for day, value in enumerate(values):
        for step in range(288):
            at = Moment(50.0 + day * 86400 + step * 300, start + day * 86400 + step * 300, trusted)
            memory = remember(memory, value, at)
    return memory, at


def test_each_day_has_its_median() -> None:
    memory, at = live([2.0, 2.1, 2.2, 9.9])
    assert [value for _, value in memory.days] == pytest.approx([2.0, 2.1, 2.2])
    assert [day for day, _ in memory.days] == [day_of(at) - 3, day_of(at) - 2, day_of(at) - 1]


def test_a_day_with_an_hour_out_of_order_keeps_its_median() -> None:
    memory, at = DayMemory(), Moment(0.0, MIDNIGHT, True)
    for step in range(2 * 288):
        at = Moment(step * 300.0, MIDNIGHT + step * 300.0, True)
        odd = 60 <= step < 72
        memory = remember(memory, 8.0 if odd else 2.0, at)
    assert memory.days[0][1] == pytest.approx(2.0)


def test_a_day_seen_for_two_hours_is_none() -> None:
    memory = DayMemory()
    for step in range(2 * 288):
        at = Moment(step * 300.0, MIDNIGHT + step * 300.0, True)
        memory = remember(memory, 2.0 if step < 24 or step >= 288 else None, at)
    assert memory.days == ()


def test_levels_before_and_after_a_cleaning() -> None:
    fouling = [2.0 + 0.02 * day for day in range(60)]
    memory, at = live([*fouling, 3.2])
    assert clean_level(memory) == pytest.approx(2.0 + 0.02 * 5)
    assert recent_level(memory, at) == pytest.approx(median(fouling[-7:]))
    slope, _ = theil_sen(trend_days(memory, at))
    assert 30 * slope == pytest.approx(0.6)
    cleaned, at = live([*fouling, *[1.8] * 12])
    assert clean_level(cleaned) == pytest.approx(1.8)
    assert recent_level(cleaned, at) == pytest.approx(1.8)


def test_only_four_months_are_kept() -> None:
    memory, at = live([2.0] * 130)
    assert len(memory.days) == KEPT_DAYS
    assert memory.days[0][0] == day_of(at) - KEPT_DAYS


def test_before_the_first_day_is_over_an_hour_will_do() -> None:
    memory, at = DayMemory(), Moment(0.0, MIDNIGHT, True)
    assert recent_level(memory, at) is None
    for step in range(15):
        at = Moment(step * 300.0, MIDNIGHT + step * 300.0, True)
        memory = remember(memory, 2.5, at)
    assert recent_level(memory, at) == pytest.approx(2.5)
    assert clean_level(memory) is None


def test_it_comes_back_from_json_and_goes_on() -> None:
    whole, _ = live([2.0, 2.1, 2.2, 2.3])
    half, _ = live([2.0, 2.1])
    back = DayMemory.from_dict(json.loads(json.dumps(half.to_dict())))
    again, _ = live([2.2, 2.3], back, start=MIDNIGHT + 2 * 86400)
    assert [value for _, value in again.days] == pytest.approx([value for _, value in whole.days])
    with pytest.raises((KeyError, TypeError, ValueError)):
        DayMemory.from_dict({"days": [1], "today": 3, "parts": []})


def test_a_clock_that_fell_back_unsynchronised_stamps_nothing() -> None:
    memory, _ = live([2.0, 2.1, 2.2])
    after, _ = live([7.0, 7.0], memory, start=0.0, trusted=False)
    assert after.days == memory.days
    assert after.parts == memory.parts


def test_days_stamped_by_a_clock_that_ran_ahead_are_dropped_when_it_is_put_right() -> None:
    memory, _ = live([2.0, 2.1, 2.2])
    ahead, _ = live([7.0, 7.0], memory, start=MIDNIGHT + 400 * 86400, trusted=False)
    right, at = live([2.3, 2.4], ahead, start=MIDNIGHT + 3 * 86400)
    assert all(day <= day_of(at) for day, _ in right.days)
    assert 7.0 not in [value for _, value in right.days]


@given(
    st.lists(
        st.tuples(st.floats(0, 1e5), st.floats(-1e10, 1e10), st.booleans(), st.none() | st.floats(-5, 20)),
        max_size=60,
    )
)
def test_days_stay_in_order_whatever_the_clocks_do(sights: list[tuple[float, float, bool, float | None]]) -> None:
    memory, mono = DayMemory(), 0.0
    for step, utc, trusted, value in sights:
        mono += step
        memory = remember(memory, value, Moment(mono, utc, trusted))
        days = [day for day, _ in memory.days]
        assert days == sorted(set(days))
        assert len(memory.parts) <= mono / PART_S + 1
