"""How steep a slope can have been: the bound never lies under the slope that was, and is near enough to be used."""

from __future__ import annotations

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import theilslopes

from alarms.nights import reading
from brinewatch.alarms.slopes import far_apart, never_steeper
from brinewatch.alarms.summary import HOUR_S, HourSummary, summarise
from brinewatch.alarms.windows import Slope
from brinewatch.moment import Moment
from brinewatch.readings import Reading

START, POINT, HOURS = 1_790_200_800.0, "north.ph", 5


def water(chance: random.Random, slide: float, noise: float, every: float, off: float) -> list[Reading]:
    """Hours of readings that swing, slide and scatter, with a step in them."""
    found, second, step = [], chance.uniform(0, every), 0.0
    at = chance.uniform(0, HOURS * HOUR_S)
    while second < HOURS * HOUR_S:
        step = off if second > at else 0.0
        value = 8.0 + slide * second / 3600 + step + chance.gauss(0, noise)
        utc = START + second
        found.append(reading(POINT, round(value, 2), Moment(utc, utc, True)))
        second += every + chance.uniform(-0.002, 0.002)
    return found


def hours(record: list[Reading]) -> list[HourSummary]:
    rows = []
    for number in range(HOURS):
        start = START + number * HOUR_S
        before = [one for one in record if one.at.utc < start]
        within = [one for one in record if start <= one.at.utc < start + HOUR_S]
        rows.append(summarise(POINT, start, within, before[-1] if before else None))
    return rows


def steepest(record: list[Reading], over_s: float) -> tuple[float, float]:
    """The least and the greatest slope that stood in the last hour, per second."""
    window, slopes, last = Slope(over_s), [], None
    for one in record:
        window.take(one)
        if one.at.utc < START + (HOURS - 1) * HOUR_S:
            last = window.value
        elif window.value is not None:
            slopes.append(window.value)
    slopes += [last] if last is not None else []
    return min(slopes), max(slopes)


@settings(max_examples=60, deadline=None)
@given(
    st.integers(0, 2**32), st.sampled_from([-2.0, -0.3, 0.0, 0.1, 1.0]), st.sampled_from([0.0, 0.008, 0.05]),
    st.sampled_from([5.0, 10.0, 29.0]), st.sampled_from([0.0, -0.5, 0.3]),
    st.sampled_from([1800.0, 2000.0, 3600.0, 5000.0, 7200.0, 14400.0]),
)  # fmt: skip
def test_no_slope_is_steeper_than_its_bound(
    seed: int, slide: float, noise: float, every: float, off: float, over_s: float
) -> None:
    record = water(random.Random(seed), slide, noise, every, off)
    rows, (low, high) = hours(record), steepest(record, over_s)
    since = START + (HOURS - 1) * HOUR_S - over_s * 31 / 30 - 3 * every
    back = rows if over_s > 7200 else rows[1:]
    back = back[-(1 + int(over_s * 31 / 30 + 3 * every + HOUR_S - 1) // 3600) :]
    for way, real in (("falls", -low), ("rises", high), ("changes", max(-low, high))):
        for speed in (0.5 * real, 0.9 * real, 0.999 * real):
            if speed > 0:
                assert not never_steeper(back, since, over_s, speed, way), (way, speed, real)


@pytest.mark.parametrize(
    ("over_s", "slide", "noise", "speed"),
    [
        # pH read to 0.01 with 0.8 counts of noise, against 0.2 an hour over an hour (rules/changes.toml)
        (3600.0, 0.02, 0.008, 0.2),
        # temperature: a swing of a few tenths an hour against 1 K an hour
        (3600.0, 0.25, 0.007, 1.0),
        # air pressure: 1.4 counts of noise against 0.5 kPa an hour over two hours (rules/air.toml)
        (7200.0, 0.02, 0.014, 0.5),
    ],
)
def test_quiet_water_is_told_from_the_limits_of_the_shipped_rules(
    over_s: float, slide: float, noise: float, speed: float
) -> None:
    rows = hours(water(random.Random(7), slide, noise, 5.0, 0.0))
    since = START + (HOURS - 1) * HOUR_S - over_s * 31 / 30 - 15.0
    assert never_steeper(rows[1:], since, over_s, speed / 3600, "changes")


def test_readings_with_a_hole_prove_nothing() -> None:
    record = [one for one in water(random.Random(1), 0.0, 0.0, 5.0, 0.0) if not 14000 < one.at.utc - START < 14100]
    assert not never_steeper(hours(record)[1:], START + 4 * HOUR_S - 3800, 3600.0, 1.0, "changes")


@pytest.mark.parametrize("count", [5, 59, 60, 61, 200])
def test_pairs_far_apart_are_more_than_half_of_all(count: int) -> None:
    apart = far_apart(count)
    points = range(count + 1)  # and the newest
    far = sum(1 for one in range(count) for other in range(one + apart, count))
    in_all = sum(1 for one in points for other in points if one < other)
    assert apart == 1 or far >= in_all / 2 + 1


def test_the_slope_bounded_is_the_published_one() -> None:
    # scipy.stats.theilslopes (Sen 1968) on the medians of a quiet hour's stretches
    record = water(random.Random(3), 0.3, 0.01, 5.0, 0.0)
    _, high = steepest(record, 3600.0)
    values = [one.value for one in record[-720:] if one.value is not None]
    found = theilslopes(values, [one.at.utc - START for one in record[-720:]]).slope
    assert high == pytest.approx(found, rel=0.2)
