"""Slow quantities: straight lines, and temperature on its way to the room's."""

from __future__ import annotations

from math import exp, inf, log

import numpy as np
import pytest

from brinewatch.forecast.trend import Trend, relaxation_hours, time_constant_h

# tau in hours and K/h for a gap of 10 K, by volume (m3), all surface (m2) and U (W/m2/K); computed beforehand from
# tau = rho c V/(U A), two digits
_TAU = {
    (0.1, 1.3): {4: (22, 0.46), 8: (11, 0.92), 15: (6, 1.7)},
    (0.5, 3.5): {4: (41, 0.25), 8: (20, 0.49), 15: (11, 0.92)},
    (1.0, 5.5): {4: (52, 0.19), 8: (26, 0.39), 15: (14, 0.73)},
    (3.0, 11.5): {4: (74, 0.13), 8: (37, 0.27), 15: (20, 0.51)},
}


@pytest.mark.parametrize(("size", "u"), [(size, u) for size, row in _TAU.items() for u in row])
def test_time_constants(size: tuple[float, float], u: int) -> None:
    tau = time_constant_h(1000.0 * size[0], size[1], u)
    assert tau == pytest.approx(_TAU[size][u][0], abs=0.55)
    assert 10.0 / tau == pytest.approx(_TAU[size][u][1], rel=0.04)


def test_the_exponential_in_closed_form() -> None:
    # Newton's law of cooling: T = Tend + (T0 - Tend) exp(-t/tau)
    hours = relaxation_hours(12.0, 17.0, 22.0, 20.0)
    assert hours == pytest.approx(20.0 * log(2.0))
    assert 22.0 + (12.0 - 22.0) * exp(-hours / 20.0) == pytest.approx(17.0)
    assert relaxation_hours(12.0, 22.5, 22.0, 20.0) == inf
    assert relaxation_hours(12.0, 22.0, 22.0, 20.0) == inf
    assert relaxation_hours(12.0, 8.0, 22.0, 20.0) == inf
    assert relaxation_hours(12.0, 12.0, 22.0, 20.0) == 0.0


def fed(
    quantity: str, level: float, slope: float, *, seed: int = 1, noise: float = 0.02, hours: float = 1.0
) -> Trend:
    """A trend after some hours of readings every 10 s that end at `level`."""
    rng = np.random.default_rng(seed)
    trend = Trend(quantity)
    for t in np.arange(0.0, 3600.0 * hours, 10.0):
        trend.observe(float(t), level + slope * (t / 3600.0 - hours) + noise * float(rng.standard_normal()))
    return trend


def test_a_falling_level_in_a_straight_line() -> None:
    # 4 cm/h, 10 cm to go: two and a half hours
    told = fed("water_level", 60.0, -4.0, noise=0.3).straight(3600.0, 50.0)
    assert told is not None
    assert told.middle_s == pytest.approx(9000.0, rel=0.06)
    assert told.earliest_s < 8600.0 < 9400.0 < told.latest_s < 15000.0
    assert told.corrected
    assert told.basis == "straight line through 58 min"


def test_a_rising_ph_towards_a_high_limit() -> None:
    told = fed("ph", 8.2, 0.1, noise=0.005).straight(3600.0, 8.5)
    assert told is not None
    assert told.middle_s == pytest.approx(3.0 * 3600, rel=0.08)


def test_a_level_that_keeps_still_reaches_nothing() -> None:
    for seed in range(5):
        told = fed("water_level", 60.0, 0.0, noise=0.3, seed=seed).straight(3600.0, 50.0)
        assert told is not None
        assert told.middle_s == inf
        assert told.notes == ("no clear trend towards it",)


def test_going_the_other_way_is_never() -> None:
    told = fed("water_level", 60.0, 4.0, noise=0.3).straight(3600.0, 50.0)
    assert told is not None
    assert told.never


def test_nothing_is_told_of_too_few_readings() -> None:
    trend = Trend("ph")
    assert trend.straight(0.0, 7.0) is None
    assert trend.relaxing(0.0, 7.0, 8.0) is None
    for t in range(5):
        trend.observe(100.0 * t, 8.0 - 0.01 * t)
    assert trend.straight(500.0, 7.0) is None


def test_a_silent_probe_is_said_and_time_goes_on() -> None:
    trend = fed("water_level", 60.0, -4.0, noise=0.3)
    fresh, later = trend.straight(3590.0, 50.0), trend.straight(3590.0 + 8000.0, 50.0)
    assert fresh is not None
    assert later is not None
    assert later.middle_s == pytest.approx(fresh.middle_s - 8000.0)
    assert later.notes == ("no water level for 2 h 13 min",)


@pytest.mark.parametrize("seed", range(4))
def test_temperature_bends_towards_the_room(seed: int) -> None:
    # 12 degC in a room of 22, tau 20 h: measured for two hours, then 17 degC after 20 ln 2 hours from the start
    rng = np.random.default_rng(seed)
    trend = Trend("temperature", 7200.0)
    for t in np.arange(0.0, 7200.0, 10.0):
        trend.observe(float(t), 22.0 - 10.0 * exp(-t / 72000.0) + 0.02 * float(rng.standard_normal()))
    told = trend.relaxing(7200.0, 17.0, 22.0)
    assert told is not None
    truth = 72000.0 * log(2.0) - 7200.0
    assert told.middle_s == pytest.approx(truth, rel=0.08)
    assert told.earliest_s < truth < told.latest_s
    # a straight line would be a third too early
    straight = trend.straight(7200.0, 17.0)
    assert straight is not None
    assert straight.middle_s < 0.85 * truth


def test_an_end_that_does_not_cross_is_never() -> None:
    trend = fed("temperature", 15.0, 0.3)
    told = trend.relaxing(3600.0, 20.0, 17.0)
    assert told is not None
    assert told.never
    # within what the room itself may change, it is perhaps
    near = trend.relaxing(3600.0, 17.5, 17.0)
    assert near is not None
    assert near.earliest_s < inf
    assert near.middle_s == inf


def test_the_first_figure_comes_from_the_tank_itself() -> None:
    trend = Trend("temperature")
    trend.observe(0.0, 12.0)
    tau = tuple(time_constant_h(1000.0, 5.5, u) for u in (15.0, 8.0, 4.0))
    told = trend.relaxing(0.0, 14.0, 22.0, tau_h=(tau[0], tau[1], tau[2]))
    assert told is not None
    assert not told.corrected
    assert told.middle_s == pytest.approx(3600.0 * tau[1] * log(10.0 / 8.0))
    assert told.earliest_s == pytest.approx(3600.0 * tau[0] * log(11.0 / 9.0))
    assert told.latest_s == pytest.approx(3600.0 * tau[2] * log(9.0 / 7.0))


def test_heat_that_comes_in_moves_the_end() -> None:
    # 10 K above the room is held by 0.5 K/h at tau 20 h: without the heat it ends at the room's, with it at 22
    trend = Trend("temperature")
    trend.observe(0.0, 14.0)
    told = trend.relaxing(0.0, 18.0, 12.0, heating_K_h=0.5, tau_h=(20.0, 20.0, 20.0))
    assert told is not None
    assert told.middle_s == pytest.approx(3600.0 * 20.0 * log(8.0 / 4.0))
    cold = trend.relaxing(0.0, 18.0, 12.0, tau_h=(20.0, 20.0, 20.0))
    assert cold is not None
    assert cold.never


def test_away_from_the_room_a_straight_line_is_all_there_is() -> None:
    # a stuck heater: 12 degC in a room of 10, rising
    told = fed("temperature", 12.0, 1.0).relaxing(3600.0, 18.0, 10.0)
    assert told is not None
    assert told.middle_s == pytest.approx(6.0 * 3600, rel=0.05)
    assert told.notes == ("moves away from the room's temperature",)


def test_a_new_start_forgets() -> None:
    trend = fed("ph", 8.0, -0.2)
    assert trend.line is not None
    trend.clear()
    assert trend.line is None
