"""Steps, restlessness and drift: what each finds, when it ends, and what it must leave alone."""

from __future__ import annotations

import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from brinewatch.readings import Flag
from brinewatch.signals.limits import Attenuated, Drift, Quality, Unsteady
from signals.judging import live_flags, readings

QUARTER = 900.0
DAY = 96


def water(rows: int, seed: int = 1) -> list[float]:
    """A daily swing of 1 K and a little noise, 15 minutes a row."""
    pick = random.Random(seed)
    return [20.0 + math.sin(2 * math.pi * row / DAY) + pick.gauss(0, 0.02) for row in range(rows)]


def test_a_step_is_suspect_until_it_is_undone() -> None:
    values = [10.0, 10.1, 14.0, 14.1, 13.9, 10.2, 10.1]
    assert live_flags(values, Quality(step=2.0)) == [1, 1, 3, 3, 3, 1, 1]


def test_a_step_is_undone_by_the_way_back_wherever_the_water_went_meanwhile() -> None:
    values = [10.0, 14.0, *(14.0 + 0.5 * number for number in range(8)), 13.0, 13.1]
    assert live_flags(values, Quality(step=2.0))[-2:] == [1, 1]


def test_a_step_that_stays_becomes_normal() -> None:
    flags = live_flags([10.0, *[14.0] * 80], Quality(step=2.0, step_for_s=3600))
    assert flags[1:62] == [3] * 61
    assert flags[62:] == [1] * 19


def test_a_way_out_of_a_doubted_stretch_is_no_step() -> None:
    limits = Quality(step=2.0, flat_after_s=300, flat_fail_after_s=100_000)
    assert live_flags([10.0] * 8 + [14.0, 14.2, 14.1], limits)[-3:] == [1, 1, 1]


def test_silence_makes_no_step() -> None:
    assert live_flags([10.0, None, 14.0, 14.1], Quality(step=2.0)) == [1, 9, 1, 1]


def test_noise_is_suspect_and_one_spike_is_not() -> None:
    limits = Quality(unsteady=Unsteady(over_s=10_800, beyond=0.8))
    values = water(60)
    values[30] += 5.0
    assert live_flags(values, limits, QUARTER, "a.temperature") == [1] * 60
    pick = random.Random(3)
    noisy = [value + pick.gauss(0, 1.5) if 40 <= row < 80 else value for row, value in enumerate(water(120))]
    flags = live_flags(noisy, limits, QUARTER, "a.temperature")
    assert flags[:40] == [1] * 40
    assert flags[50:80].count(3) >= 28
    assert flags[84:] == [1] * 36


def drifting(days: float, size: float, rows: int = 8 * DAY) -> list[float]:
    """Water whose probe drifts from the fourth day on, and is cleaned when it has gone `size`."""
    length = int(days * DAY)
    start = 3 * DAY
    return [
        value + (size * (row - start) / length if start <= row < start + length else 0.0)
        for row, value in enumerate(water(rows))
    ]


@pytest.mark.parametrize("size", [-6.0, 6.0])
def test_drift_is_found_and_over_when_it_is_mended(size: float) -> None:
    limits = Quality(step=2.0, drift=Drift(beyond=2.0))
    live, _, _ = readings(drifting(2.5, size), limits, QUARTER, "a.temperature")
    flags = [int(one.flag) for one in live]
    end = 3 * DAY + int(2.5 * DAY)
    assert flags[: 4 * DAY] == [1] * 4 * DAY
    assert flags[end - DAY // 2 : end] == [3] * (DAY // 2)
    assert "fouling" in live[end - 1].reason
    assert ("went up" in live[end - 1].reason) is (size > 0)
    assert flags[end + 6 :] == [1] * (len(flags) - end - 6)


def test_a_daily_swing_is_no_drift_however_large() -> None:
    swing = [20.0 + 8.0 * math.sin(2 * math.pi * row / DAY) for row in range(10 * DAY)]
    assert live_flags(swing, Quality(drift=Drift(beyond=1.5)), QUARTER, "a.temperature") == [1] * len(swing)


def test_attenuated_says_how_little_it_moved() -> None:
    limits = Quality(attenuated=Attenuated(over_s=600, suspect=0.5, fail=0.1))
    live, _, _ = readings([7.0, 7.2] * 10, limits)
    assert live[-1].flag is Flag.SUSPECT
    assert "a range of 0.2 FNU, where at least 0.5 is usual" in live[-1].reason
    assert readings([7.0] * 20, limits)[0][-1].flag is Flag.FAIL


@given(
    st.lists(st.floats(0.1, 30.0), min_size=2, max_size=60),
    st.sampled_from([1.0, 60.0, 900.0]),
)
def test_air_pressure_is_never_vetoed(values: list[float], every_s: float) -> None:
    """A blower stop is a step. Every test of movement is on, and the value stays one that alarms judge."""
    limits = Quality(
        low=8, high=20, rate_per_min=0.1, step=0.1, spike=0.1, unsteady=Unsteady(over_s=60, beyond=0.1),
        drift=Drift(beyond=0.1),
    )  # fmt: skip
    live, verdicts, _ = readings(values, limits, every_s, "air.air_pressure")
    for value, reading in zip(values, live, strict=True):
        assert reading.usable
        assert reading.value == value
    assert all(one is None or one.flag is Flag.SUSPECT for one in verdicts)


def test_a_blower_stop_is_heard_at_the_first_sample() -> None:
    limits = Quality(low=8, rate_per_min=1, step=1, spike=0.5, unsteady=Unsteady(over_s=60, beyond=0.5),
                     drift=Drift(beyond=1), attenuated=Attenuated(over_s=60, suspect=0.001))  # fmt: skip
    live, _, _ = readings([12.0, 11.9, 12.1, 0.1, 0.2, 0.1], limits, 1.0, "air.air_pressure")
    assert [one.value for one in live[3:]] == [0.1, 0.2, 0.1]
    assert all(one.usable for one in live)
