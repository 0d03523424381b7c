"""Nights in a shed, hours of readings in and the exact events out, with the rules as they are shipped.

The nights are invented; what must come of them is ISA-18.2 practice with the delays of the rule files.
"""

from __future__ import annotations

import random
from dataclasses import replace

import pytest

from alarms.nights import Night, bound, seconds_of
from brinewatch.alarms.events import Order, State
from brinewatch.alarms.ruleset import Override
from brinewatch.readings import Flag

AIR = "manifold.air_pressure"
TANK = "nursery.oxygen_saturation"
HEAD = Override(rule="air-stopped", limit=8.0, why="deepest diffuser at 0.8 m")


def air_alarms() -> Night:
    return Night(bound("air.toml", "watch.toml", points=[AIR], changes=[HEAD]))


def test_the_blower_stops_and_ann_takes_it() -> None:
    night = air_alarms()
    night.until("02:13:00", manifold__air_pressure=11.9)
    night.until("02:16:40", manifold__air_pressure=0.3)
    night.says("Ann", 1)
    night.until("02:40:00", manifold__air_pressure=0.3)
    night.until("03:00:00", manifold__air_pressure=11.9)
    assert night.events == [
        "02:13:15 raised air-stopped 1 since 02:13:00",
        "02:16:40 acknowledged air-stopped 1 since 02:13:00 by Ann",
        "02:40:30 cleared air-stopped 1 since 02:13:00",
    ]


def test_a_gust_of_ten_seconds_wakes_nobody() -> None:
    night = air_alarms()
    night.until("02:13:00", manifold__air_pressure=11.9)
    night.until("02:13:10", manifold__air_pressure=4.0)
    night.until("03:00:00", manifold__air_pressure=11.9)
    assert night.events == []


def test_nobody_answers_and_the_alarm_calls_every_ten_minutes() -> None:
    night = air_alarms()
    night.until("02:13:00", manifold__air_pressure=11.9)
    night.until("02:45:00", manifold__air_pressure=0.0)
    assert night.events == [
        "02:13:15 raised air-stopped 1 since 02:13:00",
        "02:23:15 repeated air-stopped 1 since 02:13:00",
        "02:33:15 repeated air-stopped 1 since 02:13:00",
        "02:43:15 repeated air-stopped 1 since 02:13:00",
    ]


def test_an_answer_wears_out_after_an_hour_if_the_air_is_still_off() -> None:
    night = air_alarms()
    night.until("02:05:00", manifold__air_pressure=0.0)
    night.says("Ann", 1)
    night.until("03:10:00", manifold__air_pressure=0.0)
    assert night.events == [
        "02:00:15 raised air-stopped 1 since 02:00:00",
        "02:05:00 acknowledged air-stopped 1 since 02:00:00 by Ann",
        "03:05:00 repeated air-stopped 1 since 02:00:00",
    ]
    assert night.state(f"air-stopped@{AIR}") is State.UNACKNOWLEDGED


def test_the_air_comes_back_by_itself_and_still_wants_an_answer() -> None:
    night = air_alarms()
    night.until("02:05:00", manifold__air_pressure=0.0)
    night.until("02:20:00", manifold__air_pressure=11.9)
    assert night.state(f"air-stopped@{AIR}") is State.RETURNED
    night.until("02:21:00", manifold__air_pressure=0.0)
    night.until("02:30:00", manifold__air_pressure=11.9)
    night.says("Ben", 1)
    assert night.events == [
        "02:00:15 raised air-stopped 1 since 02:00:00",
        "02:05:30 returned air-stopped 1 since 02:00:00",
        "02:20:15 repeated air-stopped 1 since 02:20:00",
        "02:21:30 returned air-stopped 1 since 02:20:00",
        "02:30:00 acknowledged air-stopped 1 since 02:20:00 by Ben",
    ]
    assert night.state(f"air-stopped@{AIR}") is State.NORMAL


def test_pressure_shivering_round_the_limit_is_one_alarm() -> None:
    night = air_alarms()
    while night.second < seconds_of("02:30"):
        # 7.8 and 8.2 kPa in turn: both inside the deadband of 0.5 above the limit of 8.0
        night.readings = {}
        for value in (7.8, 8.2):
            clock = night.second + 1
            night.until(f"{clock // 3600}:{clock % 3600 // 60}:{clock % 60}", manifold__air_pressure=value)
    assert [line.split()[1] for line in night.events] == ["raised", "repeated", "repeated"]


def test_noise_of_half_a_deadband_round_the_limit_never_chatters() -> None:
    noise = random.Random(7)
    night = air_alarms()
    for minute in range(60):
        # falls by 0.1 kPa a minute from 11.0 through the limit, and climbs back, with noise of 0.24 kPa
        level = 11.0 - 0.1 * min(minute, 60 - minute)
        for second in range(60):
            clock = seconds_of("02:00") + minute * 60 + second + 1
            night.until(
                f"{clock // 3600}:{clock % 3600 // 60}:{clock % 60}",
                manifold__air_pressure=level + noise.uniform(-0.24, 0.24),
            )
    # bottoming out at 8.0 kPa, the noise alone crosses the limit hundreds of times: one alarm comes of it
    assert sum(" raised " in line for line in night.events) == 1
    assert sum(" returned " in line for line in night.events) == 1


def test_the_probe_falls_silent_and_that_is_an_alarm_of_its_own() -> None:
    night = air_alarms()
    night.until("02:10:00", manifold__air_pressure=11.9)
    night.silence_until("02:12:00")
    night.until("02:20:00", manifold__air_pressure=11.9)
    assert night.events == [
        # the last reading is 5 s old at 02:10:04 and older at 02:10:05; 15 s on-delay from there
        "02:10:20 raised no-air-data 1 since 02:10:05",
        "02:12:10 returned no-air-data 1 since 02:10:05",
    ]


@pytest.mark.parametrize("flag", [Flag.MISSING, Flag.FAIL, Flag.NOT_EVALUATED])
def test_bad_data_neither_fires_nor_clears_a_limit(flag: Flag) -> None:
    night = air_alarms()
    night.until("02:10:00", flag, "no answer", manifold__air_pressure=0.0)
    assert night.events == ["02:00:15 raised no-air-data 1 since 02:00:00"]
    assert night.seen[0].detail == "no answer"
    night.until("02:11:00", manifold__air_pressure=0.0)
    night.until("02:14:00", flag, manifold__air_pressure=11.9)
    assert night.state(f"air-stopped@{AIR}") is State.UNACKNOWLEDGED
    assert [line for line in night.events if "air-stopped" in line] == [
        "02:10:15 raised air-stopped 2 since 02:10:00",
    ]


def test_a_suspect_reading_is_judged_like_a_good_one() -> None:
    night = air_alarms()
    night.until("02:01:00", Flag.SUSPECT, manifold__air_pressure=0.0)
    assert night.events == ["02:00:15 raised air-stopped 1 since 02:00:00"]


def test_every_other_reading_lost_still_ends_in_the_alarm() -> None:
    night = air_alarms()
    for second in range(0, 30, 2):
        night.until(f"02:00:{second + 1:02d}", manifold__air_pressure=0.0)
        night.until(f"02:00:{second + 2:02d}", Flag.MISSING, manifold__air_pressure=None)
    assert night.events == ["02:00:16 raised air-stopped 1 since 02:00:00"]


def test_oxygen_sinks_through_its_three_limits() -> None:
    night = Night(bound("sea_urchin.toml", points=[TANK]), every_s=5)
    for hour, saturation in enumerate([92.0, 84.0, 77.0, 70.0, 62.0, 55.0, 44.0]):
        night.until(f"{3 + hour:02d}:00:00", nursery__oxygen_saturation=saturation)
    assert [line for line in night.events if "raised" in line] == [
        "04:05:00 raised urchin-oxygen-low-warn 1 since 04:00:00",
        "06:03:00 raised urchin-oxygen-low-critical 2 since 06:00:00",
        "08:01:00 raised urchin-oxygen-low-emergency 3 since 08:00:00",
    ]
    assert [event.priority.value for event in night.seen if event.happening == "raised"] == [
        "medium", "high", "critical",
    ]  # fmt: skip


def test_the_mains_go_and_come() -> None:
    night = Night(bound("air.toml", points=["room.mains"]))
    night.until("02:10:00", room__mains=1.0)
    night.until("02:10:40", room__mains=0.0)  # a dip
    night.until("02:20:00", room__mains=1.0)
    night.until("02:30:00", room__mains=0.0)
    night.until("02:40:00", room__mains=1.0)
    assert night.events == [
        "02:21:00 raised mains-off 1 since 02:20:00",
        "02:31:00 returned mains-off 1 since 02:20:00",
    ]


def test_the_restart_in_the_middle_of_the_delay_loses_nothing() -> None:
    night = air_alarms()
    night.until("02:13:00", manifold__air_pressure=11.9)
    night.until("02:13:08", manifold__air_pressure=0.0)
    night.restart()
    night.until("02:14:00", manifold__air_pressure=0.0)
    assert night.events == ["02:13:15 raised air-stopped 1 since 02:13:00"]


@pytest.mark.parametrize("clock_known", [True, False])
def test_after_a_long_stop_one_confirming_scan_raises_what_was_pending(clock_known: bool) -> None:
    night = air_alarms()
    night.until("02:13:00", manifold__air_pressure=11.9)
    night.until("02:13:05", manifold__air_pressure=0.0)
    night.restart(boot_after_s=300, clock_known=clock_known)
    night.until("02:18:10", manifold__air_pressure=0.0)
    assert [line.split(" since")[0] for line in night.events] == ["02:18:05 raised air-stopped 1"]


@pytest.mark.parametrize("clock_known", [True, False])
def test_after_a_long_stop_one_good_scan_drops_what_was_pending(clock_known: bool) -> None:
    night = air_alarms()
    night.until("02:13:00", manifold__air_pressure=11.9)
    night.until("02:13:05", manifold__air_pressure=0.0)
    night.restart(boot_after_s=300, clock_known=clock_known)
    night.until("02:18:06", manifold__air_pressure=11.9)
    night.until("02:18:16", manifold__air_pressure=0.0)  # a new, short one
    night.until("02:20:00", manifold__air_pressure=11.9)
    assert night.events == []


def test_a_reboot_loop_cannot_hide_the_alarm() -> None:
    night = air_alarms()
    night.until("02:13:00", manifold__air_pressure=11.9)
    for _ in range(4):
        # up for four seconds at a time, then down for half a minute with the clock lost
        start = night.second
        clock = start + 4
        night.until(f"{clock // 3600}:{clock % 3600 // 60}:{clock % 60}", manifold__air_pressure=0.0)
        night.restart(boot_after_s=30, clock_known=False)
    raised = [event for event in night.seen if event.happening == "raised"]
    assert [event.alarm for event in raised] == [f"air-stopped@{AIR}"]


def test_a_standing_alarm_is_not_raised_again_by_a_restart() -> None:
    night = air_alarms()
    night.until("02:05:00", manifold__air_pressure=0.0)
    night.restart(boot_after_s=120)
    night.until("02:08:00", manifold__air_pressure=0.0)
    assert night.events == ["02:00:15 raised air-stopped 1 since 02:00:00"]
    night.says("Ann", 1)
    night.restart(boot_after_s=10, clock_known=False)
    night.until("02:09:00", manifold__air_pressure=0.0)
    assert night.memory.alarms[f"air-stopped@{AIR}"].acknowledged_by == "Ann"
    assert night.state(f"air-stopped@{AIR}") is State.ACKNOWLEDGED


def test_a_stop_does_not_count_as_being_well() -> None:
    night = air_alarms()
    night.until("02:05:00", manifold__air_pressure=0.0)
    night.says("Ann", 1)
    night.until("02:05:10", manifold__air_pressure=11.9)
    night.restart(boot_after_s=600)
    night.until("02:15:35", manifold__air_pressure=11.9)
    assert night.state(f"air-stopped@{AIR}") is State.ACKNOWLEDGED
    night.until("02:16:00", manifold__air_pressure=11.9)
    assert night.events[-1] == "02:15:40 cleared air-stopped 1 since 02:00:00"


def test_the_clock_is_put_right_in_the_middle_of_it_and_nothing_fires_or_clears() -> None:
    night = air_alarms()
    night.until("02:13:08", manifold__air_pressure=0.0)
    night.shift = 86400 * 400.0
    night.until("02:13:30", manifold__air_pressure=0.0)
    night.shift = -86400 * 400.0
    night.until("02:15:00", manifold__air_pressure=0.0)
    assert [(event.happening.value, event.at.mono - 3600 - seconds_of("02:00")) for event in night.seen] == [
        ("raised", 15.0),
        ("repeated", 615.0),
    ]


def test_a_latched_alarm_waits_for_its_reset() -> None:
    alarms = bound("air.toml", points=[AIR])
    alarms = [
        replace(one, rule=replace(one.rule, latching=True)) if one.rule.key == "air-stopped" else one
        for one in alarms
    ]
    night = Night(alarms)
    night.until("02:01:00", manifold__air_pressure=0.0)
    night.until("02:02:00", manifold__air_pressure=11.9)
    night.says("Ann", None, Order.RESET)
    night.says("Ann", 1)
    night.says("Ann", 1, Order.RESET)
    assert [(event.happening.value, event.detail) for event in night.seen] == [
        ("raised", ""),
        ("refused", "no alarm waits for a reset"),
        ("acknowledged", ""),
        ("latched", ""),
        ("reset", ""),
    ]
    assert night.state(f"air-stopped@{AIR}") is State.NORMAL
