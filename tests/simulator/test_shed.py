"""The shed through hours and days: steady when left alone, the same whoever looks, quick where air is quick."""

from __future__ import annotations

import pytest

from brinewatch.moment import Moment
from brinewatch.simulator.plan import GANNET_QUAY
from brinewatch.simulator.shed import ShedModel

START = Moment(1000.0, 1_790_000_000.0, True)


def test_a_day_left_alone_alarms_nobody() -> None:
    model = ShedModel(GANNET_QUAY, START, seed=3)
    station = []
    for quarter in range(97):
        now = START.later(900.0 * quarter)
        assert 88.0 < model.oxygen_percent(now, "raceway") < 96.0
        assert 11.5 < model.temperature_C(now, "raceway") < 12.5
        assert 7.85 < model.ph_nbs(now, "raceway") < 8.1
        assert 31.2 < model.salinity(now, "header") < 31.8
        assert 11.5 < model.air_pressure_kPa(now) < 12.5
        assert 40.0 < model.flow_L_min(now, "header") < 65.0
        assert 2.4 < model.motor_current_A(now) < 2.9
        assert 0.1 < model.tan_mgN_L(now, "raceway") < 0.4
        assert model.level_cm(now, "header") > 3.0
        assert abs(model.level_cm(now, "bed")) < 4.0
        station.append(model.station_hPa(now))
    assert min(station) > 990.0
    assert max(station) < 1030.0
    assert max(station) - min(station) > 0.5


def test_the_day_warms_and_cools_the_water_a_little_late() -> None:
    # air is warmest at 15 h; a body with a time constant of a day follows by nearly a quarter of a day
    midnight = Moment(0.0, 1_790_000_000.0 - 1_790_000_000.0 % 86400.0, True)
    model = ShedModel(GANNET_QUAY, midnight)
    by_hour = [model.temperature_C(midnight.later(3600.0 * hour), "raceway") for hour in range(49)]
    second_day = by_hour[24:]
    assert 0.05 < max(second_day) - min(second_day) < 1.0
    assert 17 <= second_day.index(max(second_day)) <= 22


def test_how_often_one_looks_changes_nothing() -> None:
    often, seldom = ShedModel(GANNET_QUAY, START), ShedModel(GANNET_QUAY, START)
    stop, end = START.later(1234.5), START.later(3600.0)
    for tick in range(1, 3601):
        now = START.later(float(tick))
        if tick == 1235:
            often.change(stop, blower=False)
        often.oxygen_mg_L(now, "raceway")
    seldom.change(stop, blower=False)
    assert seldom.advance(end) == often.advance(end)
    assert seldom.air_pressure_kPa(end) == often.air_pressure_kPa(end)


def test_a_change_takes_hold_at_its_very_moment() -> None:
    # between the 5 s steps too: the blower's heat stops with it
    model, whole = ShedModel(GANNET_QUAY, START), ShedModel(GANNET_QUAY, START)
    model.change(START.later(13.0), blower=False)
    model.advance(START.later(60.0))
    whole.advance(START.later(10.0))
    warmed = [one.ledger.ways["heat", "blower"] for one in (model, whole)]
    assert warmed[0] / warmed[1] == pytest.approx(1.3, rel=1e-3)


def test_the_wall_clock_moves_nothing() -> None:
    model = ShedModel(GANNET_QUAY, START)
    before = model.oxygen_mg_L(START.later(60.0), "raceway")
    stepped = Moment(START.mono + 60.0, START.utc - 86400.0, True)
    assert model.oxygen_mg_L(stepped, "raceway") == before


def test_air_dies_within_seconds_and_says_when_it_passed_a_limit() -> None:
    model = ShedModel(GANNET_QUAY, START)
    stop = START.later(100.0)
    before = model.air_pressure_kPa(stop)
    model.change(stop, blower=False)
    assert model.air_pressure_kPa(stop) == pytest.approx(before)
    assert model.air_pressure_kPa(stop.later(3.0)) < 0.01
    assert not model.air_settled(stop.later(1.0))
    assert model.air_settled(stop.later(5.0))
    fell = model.air_falls_to(stop.later(5.0), 8.0)
    assert fell is not None
    assert model.air_pressure_kPa(stop.later(fell - stop.mono)) == pytest.approx(8.0)
    assert model.air_falls_to(stop.later(5.0), before + 1.0) is None
    model.change(stop.later(10.0), blower=True)
    assert model.air_pressure_kPa(stop.later(15.0)) == pytest.approx(before, abs=0.5)


def test_water_returned_is_the_flow_added_up() -> None:
    model = ShedModel(GANNET_QUAY, START)
    now = START.later(1801.7)
    assert model.litres_returned(now) == pytest.approx(model.flow_L_min(now, "header") * 1801.7 / 60.0, rel=0.01)
    assert model.litres_returned(now.later(1.0)) > model.litres_returned(now)


def test_another_seed_is_another_weather() -> None:
    now = START.later(3600.0)
    pressures = {ShedModel(GANNET_QUAY, START, seed=seed).station_hPa(now) for seed in range(5)}
    assert len(pressures) == 5
    again = {ShedModel(GANNET_QUAY, START, seed=seed).station_hPa(now) for seed in range(5)}
    assert again == pressures


def test_a_stopped_blower_costs_oxygen_in_hours_and_air_brings_it_back() -> None:
    model = ShedModel(GANNET_QUAY, START)
    model.change(START.later(600.0), blower=False)
    assert model.oxygen_percent(START.later(600.0 + 1800.0), "raceway") > 80.0
    low = model.oxygen_percent(START.later(600.0 + 4 * 3600.0), "raceway")
    assert low < 50.0
    model.change(START.later(600.0 + 4 * 3600.0), blower=True)
    assert model.oxygen_percent(START.later(600.0 + 10 * 3600.0), "raceway") > 88.0
