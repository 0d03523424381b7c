"""How long is left, from the readings of a night. The hours: the worked table of the oxygen budget (computed from
the same equations; see tests/forecast), so the order of magnitude is checked here, and that the range is honest.
"""

from __future__ import annotations

import random
from math import inf

import pytest

from alarms.english import ENGLISH
from alarms.nights import at, reading
from brinewatch.alarms.features import ForecastOf
from brinewatch.forecast.air_stop import AirOff
from brinewatch.forecast.oxygen_budget import TankOxygen
from brinewatch.forecast.oxygen_watch import OxygenProbe
from brinewatch.readings import Flag, Reading
from brinewatch.timeleft import TankPlan, TimeLeft

AIR, SAT, OXYGEN, TEMPERATURE = "manifold.air_pressure", "tank.oxygen_saturation", "tank.oxygen", "tank.temperature"
SOON = ForecastOf(SAT, "below", 45.0, "earliest")
MIDDLE = ForecastOf(SAT, "below", 45.0, "middle")
WARM = ForecastOf(TEMPERATURE, "above", 20.0, "middle")
# 20 kg/m3 of urchins at 12 degC from 90 %: 7.2 h to 45 % by the table
TANK = TankOxygen(volume_L=1000, surface_m2=1.5, animals="urchin", biomass_kg=20)


class Night:
    def __init__(self, probe: OxygenProbe = OxygenProbe.OPTICAL, tanks: bool = True) -> None:
        plans = [TankPlan("tank", TANK, probe)] if tanks else []
        self.left = TimeLeft([SOON, MIDDLE, WARM], plans, [AirOff(AIR, 8.0)], 1013.25)
        self.latest: dict[str, Reading] = {}
        self.told: dict[str, Reading] = {}

    def scan(self, second: float, air: float | None, percent: float, temperature: float = 12.0) -> None:
        now = at(second)
        fresh = [
            reading(AIR, air, now, Flag.PASS if air is not None else Flag.MISSING),
            reading(TEMPERATURE, temperature, now), reading(OXYGEN, 8.76 * percent / 100.0, now),
            reading(SAT, percent, now), reading("tank.salinity", 33.0, now),
        ]  # fmt: skip
        self.latest.update({one.point: one for one in fresh})
        for one in self.left.take(fresh, self.latest, now):
            self.told[one.point] = one

    def run(self, begin: int, end: int, air: float | None, fall_per_h: float = 0.0, start: float = 90.0) -> None:
        for second in range(begin, end, 5):
            self.scan(second, air, start - fall_per_h * (second - begin) / 3600.0)


def test_with_the_air_on_and_nothing_moving_no_limit_is_near_and_nothing_is_said() -> None:
    night = Night()
    night.run(0, 1800, 12.0)
    assert night.left.stopped_s is None
    assert night.told[SOON.key].value == inf
    assert night.left.words() == ""
    assert night.left.short() is None


def test_from_the_stop_on_the_budget_says_at_least_how_long() -> None:
    night = Night()
    night.run(0, 600, 12.0)
    night.run(600, 615, 0.2)
    assert night.left.stopped_s == at(600).mono
    soon = night.told[SOON.key].value
    assert soon is not None
    assert 1 * 3600 < soon < 7.5 * 3600
    assert "to 45 %" in night.left.words()
    left = night.left.short()
    assert left is not None
    assert left.said(ENGLISH).startswith("O2 45%")


def test_the_measured_fall_narrows_the_range_around_the_truth() -> None:
    night = Night()
    night.run(0, 600, 12.0)
    night.run(600, 3600, 0.2, fall_per_h=12.0)
    early, middle = night.told[SOON.key].value, night.told[MIDDLE.key].value
    assert early is not None
    assert middle is not None
    # 90 % falling by 12 % an hour: 45 % is 3 h 45 min after the stop, 50 min of which have passed
    assert early < 2.92 * 3600 * 1.05
    assert middle == pytest.approx(2.92 * 3600, rel=0.35)
    assert early > 0.4 * middle


def test_a_dip_of_seconds_is_no_stop_and_a_blind_gauge_changes_nothing() -> None:
    night = Night()
    night.run(0, 600, 12.0)
    night.run(600, 605, 0.2)
    night.run(605, 700, 12.0)
    assert night.left.stopped_s is None
    night.run(700, 900, None)
    assert night.left.stopped_s is None
    night.run(900, 1000, 0.2)
    night.run(1000, 1200, None)
    assert night.left.stopped_s == at(900).mono


def test_when_the_air_is_back_nothing_is_left_to_say() -> None:
    night = Night()
    night.run(0, 600, 12.0)
    night.run(600, 1200, 0.2, fall_per_h=12.0)
    assert night.left.words()
    night.run(1200, 1400, 12.0, start=88.0)
    assert night.left.words() == ""
    assert night.left.stopped_s is None


def test_a_membrane_probe_in_still_water_does_not_correct_the_budget() -> None:
    optical, membrane = Night(), Night(OxygenProbe.MEMBRANE)
    for night in (optical, membrane):
        night.run(0, 600, 12.0)
        night.run(600, 3000, 0.2, fall_per_h=40.0)  # it uses up what it measures: a fall that is not the tank's
    assert (optical.told[SOON.key].value or 0.0) < (membrane.told[SOON.key].value or 0.0)
    assert "membrane" in membrane.left.words()


def test_a_tank_nobody_described_is_foretold_by_its_line() -> None:
    night = Night(tanks=False)
    night.run(0, 600, 12.0)
    night.run(600, 4200, 0.2, fall_per_h=12.0)
    middle = night.told[MIDDLE.key].value
    assert middle == pytest.approx((78.0 - 45.0) / 12.0 * 3600, rel=0.3)
    assert night.left.words() == ""  # words stand on the budget alone


def test_noise_is_no_fall_and_a_fall_within_noise_is_told_before_the_limit() -> None:
    # a probe thirty times as noisy as a good one (0.25 %) in steady water, heard from its first reading on
    for seed in range(3):
        chance, night = random.Random(seed), Night(tanks=False)
        for second in range(0, 2400, 5):
            night.scan(second, 12.0, 90.0 + chance.gauss(0.0, 7.0))
            soon = night.told.get(SOON.key)
            assert soon is None or soon.value == inf
    chance, night = random.Random(9), Night(tanks=False)
    for second in range(0, 3600, 5):
        night.scan(second, 12.0, 90.0 - 40.0 * second / 3600.0 + chance.gauss(0.0, 2.0))
        if (night.told[SOON.key].value if SOON.key in night.told else inf) < 3600:
            break
    assert second < 3600 * (90 - 55) / 40, "told before 55 % is passed"


def test_a_warming_tank_is_foretold_too() -> None:
    night = Night()
    for second in range(0, 3600, 5):
        night.scan(second, 12.0, 90.0, 15.0 + second / 3600.0)
    assert night.told[WARM.key].value == pytest.approx(4 * 3600, rel=0.1)


def test_a_limit_already_passed_has_no_time_left() -> None:
    night = Night(tanks=False)
    night.run(0, 1200, 12.0, start=40.0)
    assert night.told[SOON.key].value == 0.0


def test_the_last_temperature_counts_when_its_probe_is_gone_and_is_doubted_when_it_is_old() -> None:
    """Else the loss of a thermometer would take half of the time that is left."""

    def without_thermometer(since: int) -> tuple[float | None, str]:
        night = Night()
        night.run(0, 600, 12.0)
        night.latest[TEMPERATURE] = reading(TEMPERATURE, None, at(600), Flag.MISSING)
        for second in (600 + since, 605 + since, 610 + since):
            now = at(second)
            fresh = [reading(AIR, 0.2, now), reading(OXYGEN, 8.76 * 0.9, now), reading(SAT, 90.0, now)]
            night.latest.update({one.point: one for one in fresh})
            night.told.update({one.point: one for one in night.left.take(fresh, night.latest, now)})
        return night.told[SOON.key].value, night.left.words()

    night = Night()
    night.run(0, 600, 12.0)
    night.run(600, 615, 0.2)
    value, words = without_thermometer(60)
    assert value == pytest.approx(night.told[SOON.key].value, rel=0.02)
    assert "temperature" not in words
    later, words = without_thermometer(7 * 3600)
    assert later is not None
    assert value is not None
    assert later < value
    assert "temperature last read 7 h ago" in words
