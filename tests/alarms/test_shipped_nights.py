"""Hours in a shed with the rules of stages, filters and the back-up as they are shipped.

The hours are invented. That air restored by a stand-by is an alarm, never normal, and that one failure makes one
call, is what the rules promise; that loss of foam for some hours is common, and that nitrite peaks after ammonia
falls, is common practice (no source).
"""

from __future__ import annotations

import pytest

from alarms.nights import Night, bound
from brinewatch.alarms.events import State
from brinewatch.alarms.ruleset import Override

MAINS, MOTOR, AIR = "shed.mains", "blower.motor_current", "manifold.air_pressure"
POWERED = {"shed__mains": 1.0, "blower__motor_current": 3.1, "manifold__air_pressure": 11.9}
DARK = {"shed__mains": 0.0, "blower__motor_current": 0.0, "manifold__air_pressure": 0.3}
CALLED = (State.UNACKNOWLEDGED, State.RETURNED)


def called(night: Night) -> set[str]:
    """Rules whose alarm stands and is not held back by another."""
    return {key.partition("@")[0] for key, one in night.memory.alarms.items() if one.state in CALLED}


def held(night: Night) -> set[str]:
    return {key.partition("@")[0] for key, one in night.memory.alarms.items() if one.state is State.SUPPRESSED}


def test_air_from_the_stand_by_joins_the_power_cut_and_calls_for_itself_when_the_power_is_back() -> None:
    night = Night(bound("air.toml", "watch.toml", points=[MAINS, MOTOR, AIR, "reserve.standby_air"]))
    night.until("02:10:00", **POWERED, reserve__standby_air=0.0)
    night.until("02:10:40", **DARK, reserve__standby_air=0.0)
    night.until("02:30:00", **DARK | {"manifold__air_pressure": 9.5}, reserve__standby_air=1.0)
    assert called(night) == {"mains-off"}
    assert "standby-air-running" in held(night)
    night.until("02:40:00", **POWERED, reserve__standby_air=1.0)
    assert "standby-air-running" in called(night)
    assert any(call.startswith("02:3") and "standby-air-running high" in call for call in night.calls)


def test_a_stand_by_that_starts_by_itself_is_an_alarm_though_the_air_is_well() -> None:
    night = Night(bound("air.toml", points=[AIR, "reserve.standby_air"]))
    night.until("02:10:00", manifold__air_pressure=11.9, reserve__standby_air=1.0)
    assert night.calls == ["02:00:30 standby-air-running high"]


def test_a_back_up_battery_running_low_calls_again_inside_the_power_cut() -> None:
    night = Night(bound("air.toml", points=[MAINS, MOTOR, AIR, "shed.battery", "shed.battery_voltage"]))
    night.until("02:05:00", **POWERED, shed__battery=1.0, shed__battery_voltage=13.6)
    night.until("02:20:00", **DARK, shed__battery=1.0, shed__battery_voltage=12.4)
    assert {call.split()[1] for call in night.calls} == {"mains-off"}
    night.until("02:25:00", **DARK, shed__battery=0.0, shed__battery_voltage=11.4)
    assert {call.split()[1] for call in night.calls} == {"mains-off", "battery-low", "battery-voltage-low-critical"}


def test_a_broken_siphon_explains_the_flow_that_stops_with_it() -> None:
    night = Night(bound("air.toml", "plumbing.toml", points=["weir.siphon", "header.water_flow"]))
    night.until("02:05:00", weir__siphon=1.0, header__water_flow=90.0)
    night.until("02:15:00", weir__siphon=0.0, header__water_flow=2.0)
    assert called(night) == {"siphon-broken"}
    assert held(night) == {"water-flow-low"}


def test_a_clogged_separator_warns_before_it_stops_the_water_and_then_explains_it() -> None:
    night = Night(bound("air.toml", "solids.toml", points=["sieve.head_loss", "header.water_flow"]))
    night.until("02:10:00", sieve__head_loss=6.0, header__water_flow=60.0)
    assert called(night) == {"solids-head-loss-high"}
    night.until("02:20:00", sieve__head_loss=14.0, header__water_flow=5.0)
    assert called(night) == {"solids-head-loss-high", "solids-head-loss-very-high"}
    assert held(night) == {"water-flow-low"}


def test_a_lamp_in_still_water_is_told_when_nothing_else_explains_it() -> None:
    still = Override(rule="water-flow-low", enabled=False, why="the flow has no rule here")
    lamp = ["uv.lamp", "uv.water_flow"]
    night = Night(bound("air.toml", "steriliser.toml", points=lamp, changes=[still]))
    night.until("02:05:00", uv__lamp=1.0, uv__water_flow=40.0)
    night.until("02:20:00", uv__lamp=1.0, uv__water_flow=0.0)
    assert called(night) == {"lamp-in-still-water"}
    night = Night(bound("air.toml", "steriliser.toml", points=lamp))
    night.until("02:05:00", uv__lamp=1.0, uv__water_flow=40.0)
    night.until("02:20:00", uv__lamp=1.0, uv__water_flow=0.0)
    assert called(night) == {"water-flow-low"}
    night = Night(bound("steriliser.toml", points=lamp))
    night.until("02:30:00", uv__lamp=0.0, uv__water_flow=0.0)
    assert called(night) == {"lamp-off"}


def test_foam_may_rest_for_hours_but_not_for_half_a_day() -> None:
    night = Night(bound("foam.toml", points=["foam.foam"]), "00:00:00", every_s=60)
    night.until("00:10:00", foam__foam=1.0)
    night.until("11:00:00", foam__foam=0.0)
    assert called(night) == set()
    night.until("12:30:00", foam__foam=0.0)
    assert called(night) == {"foam-stopped"}


def test_a_cup_that_fills_again_and_again_is_more_than_a_full_cup() -> None:
    night = Night(bound("foam.toml", points=["foam.cup_level"]), "00:00:00", every_s=30)
    for hour in range(4):
        night.until(f"{hour:02}:50:00", foam__cup_level=1.0)
        night.until(f"{hour + 1:02}:00:00", foam__cup_level=0.0)
        assert ("foam-cup-often" in called(night)) is (hour == 3)
    assert "foam-cup-full" in called(night)


def test_a_blower_that_starts_again_and_again_is_told_before_its_motor_burns() -> None:
    points = [MOTOR]
    off = Override(rule="motor-current-low", enabled=False, why="only the starts are looked at")
    night = Night(bound("air.toml", points=points, changes=[off]))
    for minute in range(1, 15):
        night.until(f"02:{2 * minute:02}:30", blower__motor_current=3.1)
        night.until(f"02:{2 * minute + 2:02}:00", blower__motor_current=0.0)
        if minute == 6:
            assert called(night) == set()
    assert called(night) == {"motor-starts-often"}


def test_air_that_fades_is_told_and_air_that_stops_is_told_once() -> None:
    night = Night(bound("air.toml", points=[AIR]), "00:00:00", every_s=30)
    for minute in range(0, 300, 5):
        clock = f"{(minute + 5) // 60:02}:{(minute + 5) % 60:02}:00"
        night.until(clock, manifold__air_pressure=14.0 - max(0, minute - 60) / 60)
    assert called(night) == {"air-pressure-falling"}
    night = Night(bound("air.toml", points=[AIR]), "00:00:00", every_s=30)
    night.until("03:00:00", manifold__air_pressure=12.0)
    night.until("04:30:00", manifold__air_pressure=0.2)
    assert called(night) == {"air-stopped"}


def test_evaporation_and_a_leak_are_two_things() -> None:
    def weekend(salinity_per_h: float) -> Night:
        night = Night(bound("sump.toml", points=["sump.water_level", "sump.salinity"]), "00:00:00", every_s=600)
        for hour in range(60):
            night.until(
                f"{hour + 1:02}:00:00",
                sump__water_level=60.0 - hour / 24, sump__salinity=34.0 + salinity_per_h * hour,
            )  # fmt: skip
        return night

    assert called(weekend(0.01)) == {"sump-evaporation"}
    assert called(weekend(0.0)) == set()


def test_make_up_water_that_runs_on_and_a_sump_that_empties() -> None:
    night = Night(bound("sump.toml", points=["sump.make_up", "sump.water_level"]), every_s=5)
    night.until("02:20:00", sump__make_up=1.0, sump__water_level=60.0)
    assert called(night) == set()
    night.until("02:31:00", sump__make_up=1.0, sump__water_level=60.0)
    assert called(night) == {"make-up-long"}
    night.until("02:34:00", sump__make_up=0.0, sump__water_level=28.0)
    assert "sump-level-low-critical" in called(night)
    assert held(night) == {"sump-level-low-warn"}


@pytest.mark.parametrize(
    ("stage", "expected"),
    [
        (0.0, set()),
        (1.0, {"startup-nitrite-high", "startup-alkalinity-low"}),
        (2.0, {"startup-nitrite-high", "startup-alkalinity-low"}),
        (3.0, {"startup-nitrite-high", "startup-alkalinity-low"}),
        (4.0, {"filter-relapse-nitrite"}),
    ],
)
def test_a_growing_filter_and_a_ripe_one_are_judged_differently(stage: float, expected: set[str]) -> None:
    points = ["bed.start_up", "bed.nitrite", "bed.tan", "bed.alkalinity"]
    night = Night(bound("filters.toml", "startup.toml", "watch.toml", points=points), every_s=60)
    night.until("02:30:00", bed__start_up=stage, bed__nitrite=1.0, bed__tan=0.1, bed__alkalinity=2.3)
    assert called(night) == expected


def test_a_sudden_fall_of_nitrate_is_told_from_daily_tests() -> None:
    def week(values: list[float]) -> Night:
        night = Night(bound("filters.toml", "watch.toml", points=["bed.nitrate"]), "00:00:00", every_s=3600)
        for half_day, value in enumerate(values):
            night.readings.clear()
            night.until(f"{12 * half_day + 1}:00:00", bed__nitrate=value)
            night.silence_until(f"{12 * (half_day + 1)}:00:00")
        return night

    steady = [40.0, 40.0, 41.0, 41.0, 42.0, 42.0, 42.0, 43.0, 43.0, 43.0]
    assert called(week(steady)) == set()
    assert called(week([*steady, 37.0, 31.0, 25.0, 19.0, 13.0])) == {"nitrate-falling"}


def test_a_valve_left_half_shut_shows_between_branch_and_manifold() -> None:
    night = Night(bound("branch_air.toml", points=["raceway.branch_pressure", AIR]))
    night.until("02:10:00", raceway__branch_pressure=10.5, manifold__air_pressure=11.9)
    assert called(night) == set()
    night.until("02:20:00", raceway__branch_pressure=7.0, manifold__air_pressure=11.9)
    assert called(night) == {"branch-behind-manifold"}
    # without a probe on the manifold the rule is not there, and the branch's own limit is
    assert "branch-behind-manifold" not in {
        one.rule.key for one in bound("branch_air.toml", points=["raceway.branch_pressure"])
    }
