"""What probes are known for, and that clean water sets none of it off."""

from __future__ import annotations

import random

import pytest

from brinewatch.readings import Flag
from brinewatch.signals.quality import Quality
from signals.judging import live_flags, readings


@pytest.mark.parametrize(
    ("quantity", "dry", "water"),
    [("conductivity", 0.02, 35.0), ("specific_conductance", 0.49, 20.0), ("salinity", 0.1, 12.0)],
)
def test_conductivity_in_air_is_suspect_and_says_where_to_look(quantity: str, dry: float, water: float) -> None:
    live, _, _ = readings([water, dry], Quality(), point=f"a.{quantity}")
    assert [one.flag for one in live] == [Flag.PASS, Flag.SUSPECT]
    assert "out of the water" in live[1].reason
    assert live[1].usable  # it may be fresh water run into the tank: alarms must judge it


def test_a_bubble_on_the_cap() -> None:
    # 55 % falls slowly; within 10 s the cap reads air, noisily; after 5 minutes the bubble goes
    pick = random.Random(5)
    low = [55.0 - 0.01 * number + pick.gauss(0, 0.1) for number in range(60)]
    air = [99.0 + pick.gauss(0, 1.0) for _ in range(60)]
    live, _, _ = readings([*low, 78.0, *air, *low], Quality(), 5.0, "a.oxygen_saturation")
    flags = [int(one.flag) for one in live]
    assert flags[:60] == [1] * 60
    assert flags[60:121] == [3] * 61
    assert flags[121:] == [1] * 60
    assert "a bubble on the probe's cap" in live[61].reason
    assert all(one.usable for one in live)


def test_a_rise_water_can_make_is_no_bubble() -> None:
    # 15 % a minute: more than any airlift gives
    rise = [40.0 + 15.0 / 12 * number for number in range(40)]
    assert live_flags(rise, Quality(), 5.0, "a.oxygen_saturation") == [1] * 40
    assert live_flags([4.0, 5.4], Quality(), 5.0, "a.oxygen") == [1, 1]
    assert live_flags([4.0, 5.6], Quality(), 5.0, "a.oxygen") == [1, 3]


def test_a_fall_is_never_a_bubble() -> None:
    assert live_flags([95.0, 20.0, 10.0], Quality(), 5.0, "a.oxygen_saturation") == [1, 1, 1]


def test_a_bubble_is_forgotten_after_an_hour() -> None:
    flags = live_flags([50.0, *[99.0] * 800], Quality(), 5.0, "a.oxygen_saturation")
    assert flags[1:722] == [3] * 721
    assert flags[723:] == [1] * 78


def test_broken_glass_stands_at_seven() -> None:
    pick = random.Random(7)
    dead = [7.02 + pick.choice((0.0, 0.01)) for _ in range(60)]
    live, _, _ = readings(dead, Quality(), 900.0, "a.ph")
    flags = [int(one.flag) for one in live]
    assert flags == [1] * 47 + [3] * 13  # half a day of quarter hours
    assert "cracked or dry glass bulb" in live[-1].reason


@pytest.mark.parametrize("level", [7.6, 8.1, 6.5])
def test_a_steady_ph_elsewhere_is_no_broken_glass(level: float) -> None:
    assert live_flags([level] * 100, Quality(), 900.0, "a.ph") == [1] * 100


def test_a_living_ph_near_seven_is_no_broken_glass() -> None:
    swing = [7.0 + 0.02 * (number % 8) for number in range(100)]
    assert live_flags(swing, Quality(), 900.0, "a.ph") == [1] * 100


def test_they_can_be_left_out() -> None:
    assert live_flags([35.0, 0.0], Quality(sensor_faults=False), point="a.conductivity") == [1, 1]
    assert live_flags([50.0, 99.0], Quality(sensor_faults=False), 5.0, "a.oxygen_saturation") == [1, 1]
