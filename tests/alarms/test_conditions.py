"""Each condition in a shed: readings in, exact events out. Numbers are common practice, no source, if not said."""

from __future__ import annotations

import math
from datetime import datetime
from zoneinfo import ZoneInfo

import pytest

from alarms.nights import Night, at, reading
from alarms.shed_rules import bound_to, night_of, rule_text
from brinewatch.alarms.combined import every, some
from brinewatch.alarms.engine import Memory, step
from brinewatch.alarms.events import State
from brinewatch.alarms.features import done_key, forecast_key
from brinewatch.alarms.rules import Alarm, View, judge, told, words
from brinewatch.moment import Moment
from brinewatch.quantities import QUANTITIES
from brinewatch.readings import Flag, Reading
from brinewatch.seawater.startup import StartUp

NORTH, SOUTH, FILTER = "north.temperature", "south.temperature", "filter.temperature"


def first(alarms: list[Alarm]) -> Alarm:
    [alarm] = alarms
    return alarm


def says(alarm: Alarm, readings: dict[str, Reading], now: Moment, *, holding: bool = False) -> bool | None:
    return judge(alarm, View(readings, now), holding)


# difference between two readings


def test_a_tank_that_warms_away_from_the_other_is_an_alarm() -> None:
    # a heater stuck on in one of two tanks on the same water
    text = rule_text('{ differs_from = "temperature", by = 1.0 }', deadband="0.2", stages='["south"]')
    night = night_of([NORTH, SOUTH], text)
    night.until("02:00:10", north__temperature=15.0, south__temperature=16.0)  # one degree is not more than one
    night.until("02:00:20", north__temperature=15.0, south__temperature=16.1)
    night.until("02:00:30", north__temperature=15.0, south__temperature=15.9)  # still more than 0.8 apart
    night.until("02:00:40", north__temperature=15.0, south__temperature=15.75)
    assert night.events == [
        "02:00:10 raised it 1 since 02:00:10",
        "02:00:30 returned it 1 since 02:00:10",
    ]


@pytest.mark.parametrize(
    ("when", "own", "other", "expected"),
    [
        ('{ higher_than = "filter.temperature", by = 2 }', 18.0, 15.0, True),
        ('{ higher_than = "filter.temperature", by = 2 }', 15.0, 18.0, False),
        ('{ lower_than = "filter.temperature", by = 2 }', 15.0, 18.0, True),
        ('{ lower_than = "filter.temperature", by = 2 }', 18.0, 15.0, False),
        ('{ differs_from = "filter.temperature", by = 2 }', 15.0, 18.0, True),
        ('{ differs_from = "filter.temperature", by = 2 }', 18.0, 15.0, True),
        ('{ differs_from = "filter.temperature", by = 2 }', 17.0, 15.0, False),
    ],
)
def test_only_the_side_that_is_meant_counts(when: str, own: float, other: float, expected: bool) -> None:
    alarm = first(bound_to([NORTH, FILTER], rule_text(when, stages='["north"]')))
    now = at(0)
    readings = {NORTH: reading(NORTH, own, now), FILTER: reading(FILTER, other, now)}
    assert says(alarm, readings, now) is expected


def test_the_nearest_reading_is_of_the_same_stage_then_upstream_then_downstream_then_elsewhere() -> None:
    text = rule_text('{ differs_from = "air_temperature", by = 5 }', stages='["north"]')
    for others, expected in (
        (["room.air_temperature", "south.air_temperature", "filter.air_temperature"], "filter.air_temperature"),
        (["room.air_temperature", "south.air_temperature"], "south.air_temperature"),
        (["room.air_temperature", "blower.air_temperature"], "room.air_temperature"),
        (["room.air_temperature", "north.air_temperature"], "north.air_temperature"),
    ):
        [where] = first(bound_to([NORTH, *others], text)).rule.condition.inputs()
        assert (where.point, where.max_age_s) == (expected, 3.0)


def test_a_difference_cannot_be_told_without_both_readings() -> None:
    alarm = first(
        bound_to([NORTH, SOUTH], rule_text('{ differs_from = "temperature", by = 1 }', stages='["north"]'))
    )
    now = at(10)
    warm = reading(SOUTH, 30.0, now)
    assert says(alarm, {SOUTH: warm}, now) is None
    assert says(alarm, {NORTH: reading(NORTH, 15.0, at(0)), SOUTH: warm}, now) is None  # ten seconds old
    assert says(alarm, {NORTH: reading(NORTH, 15.0, now, Flag.FAIL), SOUTH: warm}, now) is None


def test_a_rule_about_a_second_probe_the_shed_has_not_is_left_out() -> None:
    text = rule_text('{ differs_from = "air_temperature", by = 1 }')
    assert bound_to([NORTH, SOUTH], text) == []


# rate


def falling(night: Night, until: str, per_hour: float, start: float, wild: float | None = None) -> None:
    """Oxygen falls evenly from `start`; every 50th reading is a wild one."""
    began, count = night.second, 0
    hour, minute = (int(part) for part in until.split(":"))
    while night.second < hour * 3600 + minute * 60:
        value = start - per_hour * (night.second - began) / 3600
        count += 1
        value = wild if wild is not None and count % 50 == 0 else value
        night.readings["north.oxygen"] = reading("north.oxygen", value, night.now)
        night.step()
        night.second += night.every_s


FALLS = rule_text("{ falls = 1.0, per = 'h', over_s = 1800 }", "oxygen", unit='"mg/L"')


def test_oxygen_that_falls_by_more_than_a_milligram_an_hour_is_an_alarm_before_any_limit_is_near() -> None:
    night = night_of(["north.oxygen"], FALLS, every_s=5)
    falling(night, "03:00", 1.2, 8.5)
    # known when three quarters of the window, 22 min 30 s, lie behind the middle of the first half minute
    assert night.events == ["02:23:00 raised it 1 since 02:23:00"]


def test_a_slower_fall_is_none_and_wild_readings_make_none() -> None:
    night = night_of(["north.oxygen"], FALLS, every_s=5)
    falling(night, "03:00", 0.8, 8.5, wild=0.1)
    assert night.events == []


def test_wild_readings_hide_no_fall() -> None:
    night = night_of(["north.oxygen"], FALLS, every_s=5)
    falling(night, "03:00", 1.2, 8.5, wild=19.0)
    assert [line.split()[1] for line in night.events] == ["raised"]


def test_a_step_is_a_rate_for_as_long_as_it_makes_up_the_median() -> None:
    # half of the pairs must lie across the step: in the middle of the window it counts, near its end it does not
    night = night_of(["north.oxygen"], FALLS, every_s=5)
    night.until("02:30:00", north__oxygen=8.0)
    night.until("02:36:00", north__oxygen=6.0)
    assert night.events == []


def test_a_rate_after_a_hole_in_the_readings_is_unknown_until_the_window_is_whole() -> None:
    night = night_of(["north.oxygen"], FALLS, every_s=5)
    falling(night, "03:00", 1.2, 8.5)
    night.says("Ann", 1)
    night.silence_until("03:15:00")
    assert night.state(night.alarms[0].id) is State.ACKNOWLEDGED  # nothing is cleared without readings
    night.until("03:20:00", north__oxygen=8.5)
    assert night.state(night.alarms[0].id) is State.ACKNOWLEDGED
    night.until("04:00:00", north__oxygen=8.5)
    assert night.state(night.alarms[0].id) is State.NORMAL


@pytest.mark.parametrize(
    ("way", "slope", "expected"),
    [("falls", -1.2, True), ("falls", 1.2, False), ("rises", 1.2, True), ("rises", -1.2, False),
     ("changes", 1.2, True), ("changes", -1.2, True), ("changes", 0.9, False)],
)  # fmt: skip
def test_the_way_a_rate_goes(way: str, slope: float, expected: bool) -> None:
    night = night_of(["north.oxygen"], FALLS.replace("falls", way), every_s=5)
    falling(night, "02:40", -slope, 8.0)
    assert bool(night.events) is expected


def test_the_deadband_of_a_rate_is_a_rate() -> None:
    text = rule_text("{ falls = 1.0, over_s = 1800 }", "oxygen", unit='"mg/L"', deadband="0.5")
    night = night_of(["north.oxygen"], text, every_s=5)
    falling(night, "02:30", 1.2, 8.5)
    last = 8.5 - 0.6
    falling(night, "03:10", 0.7, last)
    assert night.state(night.alarms[0].id) is State.UNACKNOWLEDGED
    falling(night, "03:50", 0.4, last - 0.7 * 40 / 60)
    assert [line.split()[1] for line in night.events] == ["raised", "returned"]


def test_a_rate_in_another_unit_of_temperature_has_no_zero_point() -> None:
    # 1.8 degF an hour is one degC an hour (NIST SP 811, B.8: 1 degF of difference is 5/9 K)
    alarm = first(bound_to([NORTH], rule_text("{ changes = 1.8, over_s = 3600 }", unit='"degF"', deadband="0.9")))
    assert alarm.rule.condition.spelled("temperature") == {
        "changes": pytest.approx(1.0), "per": "h", "over_s": 3600.0,
    }  # fmt: skip
    assert alarm.rule.deadband == pytest.approx(0.5)


# flat


def test_a_level_that_has_not_moved_for_an_hour_is_a_stuck_float() -> None:
    text = rule_text("{ flat_s = 3600, within = 0.1 }", "water_level", unit='"cm"')
    night = night_of(["sump.water_level"], text, every_s=5)
    night.until("02:30:00", sump__water_level=50.3)
    night.until("03:00:00", sump__water_level=50.2)
    night.until("03:29:00", sump__water_level=50.3)
    night.until("03:30:00", sump__water_level=50.8)
    assert night.events == ["03:00:00 raised it 1 since 03:00:00", "03:29:00 returned it 1 since 03:00:00"]


def test_it_is_known_at_once_that_something_moves_but_not_that_it_is_flat() -> None:
    alarm = first(
        bound_to(["sump.water_level"], rule_text("{ flat_s = 60, within = 0.1 }", "water_level", unit='"cm"'))
    )
    night = Night([alarm])
    view = lambda: judge(alarm, View({**night.readings, **night.features.readings}, night.now), False)  # noqa: E731
    night.until("02:00:30", sump__water_level=50.0)
    night.second -= 1
    assert view() is None
    night.second += 1
    night.until("02:00:31", sump__water_level=51.0)
    night.second -= 1
    assert view() is False


# count


def test_a_blower_that_starts_more_than_six_times_an_hour_is_an_alarm() -> None:
    # six starts an hour is what motor makers commonly allow
    text = rule_text("{ starts_more_than = 6, over_s = 3600 }", "mains")
    night = night_of(["room.mains"], text, every_s=10)
    for start in range(8):
        minute = 5 * start
        night.until(f"02:{minute + 4:02}:00", room__mains=1.0)
        night.until(f"02:{minute + 5:02}:00", room__mains=0.0)
    night.until("03:50:00", room__mains=1.0)
    # on at 02:00 was no start; the seventh start is that at 02:35, and from 03:05 there are six in the hour again
    assert night.events == ["02:35:00 raised it 1 since 02:35:00", "03:10:00 returned it 1 since 02:35:00"]


def test_a_count_is_due_to_fall_when_a_start_leaves_the_window() -> None:
    night = night_of(["room.mains"], rule_text("{ starts_more_than = 0, over_s = 3600 }", "mains"), every_s=10)
    night.until("02:10:00", room__mains=0.0)
    night.until("02:20:00", room__mains=1.0)
    assert night.features.due(night.now) == at(2 * 3600 + 600 + 3600).mono


def test_starts_of_a_motor_are_counted_by_its_current() -> None:
    text = rule_text(
        "{ starts_more_than = 2, over_s = 3600, of = { above = 2.0 } }", "motor_current", unit='"A"', deadband="0.5"
    )
    night = night_of(["blower.motor_current"], text, every_s=10)
    for start in range(3):
        night.until(f"02:{10 * start + 5:02}:00", blower__motor_current=0.0)
        # a dip inside the deadband is no stop
        night.until(f"02:{10 * start + 7:02}:00", blower__motor_current=3.0)
        night.until(f"02:{10 * start + 8:02}:00", blower__motor_current=1.7)
        night.until(f"02:{10 * start + 10:02}:00", blower__motor_current=3.0)
    assert night.events == ["02:25:00 raised it 1 since 02:25:00"]


def test_another_state_may_be_counted() -> None:
    text = rule_text('{ starts_more_than = 1, over_s = 3600, state = "off" }', "mains")
    night = night_of(["room.mains"], text, every_s=10)
    night.until("02:10:00", room__mains=1.0)
    night.until("02:11:00", room__mains=0.0)
    night.until("02:20:00", room__mains=1.0)
    night.until("02:21:00", room__mains=0.0)
    assert night.events == ["02:20:00 raised it 1 since 02:20:00"]


def test_a_low_count_says_nothing_before_the_window_is_watched_whole() -> None:
    alarm = first(bound_to(["room.mains"], rule_text("{ starts_more_than = 6, over_s = 600 }", "mains")))
    night = Night([alarm])
    night.until("02:05:00", room__mains=1.0)
    assert says(alarm, {**night.readings, **night.features.readings}, night.now) is None
    night.until("02:10:01", room__mains=1.0)
    assert says(alarm, {**night.readings, **night.features.readings}, night.now) is False


# overdue

TAN = "north.tan"
EVERY_THREE_DAYS = rule_text("{ overdue_s = 259200 }", "tan")


def test_a_test_not_made_for_three_days_is_overdue_and_made_it_is_over() -> None:
    alarm = first(bound_to([TAN], EVERY_THREE_DAYS, every={TAN: 0.0}))
    memory, told_of = Memory(), []
    for hours, entered in ((0, 0), (71.9, 0), (72.1, 0), (73, 73), (100, 73)):
        now = at(hours * 3600)
        came = step([alarm], memory, {TAN: reading(TAN, 0.3, at(entered * 3600))}, now)
        memory = came.memory
        told_of += [(event.happening.value, hours) for event in came.events]
    assert told_of == [("raised", 72.1), ("returned", 73)]


def test_what_was_never_entered_is_overdue_three_days_after_the_watch_began() -> None:
    alarm = first(bound_to([TAN], EVERY_THREE_DAYS, every={TAN: 0.0}))
    memory, told_of = Memory(), []
    never = {TAN: reading(TAN, None, at(0), Flag.MISSING, "Not entered yet.")}
    for hours in (0, 24, 71.9, 72):
        came = step([alarm], memory, never, at(hours * 3600))
        memory = came.memory
        told_of += [hours for _ in came.events]
    assert told_of == [72]


def test_a_calibration_is_overdue_by_its_own_date() -> None:
    oxygen = "north.oxygen"
    text = rule_text('{ overdue_s = 2592000, since = "calibration" }', "oxygen")
    alarm = first(bound_to([oxygen], text))
    key = done_key(oxygen, "calibration")
    now = at(31 * 86400)
    done = {key: reading(key, 1.0, at(0))}
    assert says(alarm, done, now) is True
    assert says(alarm, done, at(29 * 86400)) is False
    assert told(alarm, View(done, now)) == "calibration done 31 d ago"


# forecast

OXYGEN = "north.oxygen_saturation"
AHEAD = rule_text("{ forecast_below = 45, within_s = 3600 }", "oxygen_saturation", unit='"%"')


def test_less_than_an_hour_to_the_limit_is_an_alarm_while_the_limit_itself_is_far() -> None:
    alarm = first(bound_to([OXYGEN], AHEAD))
    key = forecast_key(OXYGEN, "below", 45.0, "earliest")
    assert [one.key for one in alarm.rule.condition.features()] == [key]
    now = at(0)
    for seconds, expected in ((3700.0, False), (3600.0, True), (0.0, True), (math.inf, False)):
        assert says(alarm, {key: reading(key, seconds, now)}, now) is expected
    # a forecast of 200 s ago has come nearer by 200 s; one of ten minutes ago is worth nothing
    assert says(alarm, {key: reading(key, 3700.0, at(0))}, at(200)) is True
    assert says(alarm, {key: reading(key, 3700.0, at(0))}, at(600)) is None
    assert says(alarm, {}, now) is None
    assert says(alarm, {key: reading(key, math.nan, now)}, now) is None
    assert told(alarm, View({key: reading(key, 1800.0, now)}, now)) == "30 min to 45 % at the earliest"


def test_the_middle_time_is_another_forecast() -> None:
    text = AHEAD.replace("3600 }", '3600, time = "middle" }')
    [one] = first(bound_to([OXYGEN], text)).rule.condition.features()
    assert (
        one.key == forecast_key(OXYGEN, "below", 45.0, "middle") != forecast_key(OXYGEN, "below", 45.0, "earliest")
    )


def test_a_forecast_that_failed_breaks_the_rule_aloud() -> None:
    [alarm, broken] = [
        one for one in bound_all([OXYGEN], AHEAD) if one.rule.key in ("it", "rule-broken")
    ]  # fmt: skip
    key = forecast_key(OXYGEN, "below", 45.0, "earliest")
    failed = {key: reading(key, None, at(0), Flag.FAIL, "no biomass")}
    came = step([alarm, broken], Memory(), failed, at(0))
    assert [(event.alarm, event.detail) for event in came.events] == [
        (f"rule-broken@{OXYGEN}", "it: RuntimeError: no biomass")
    ]


def bound_all(points: list[str], text: str) -> list[Alarm]:
    from alarms.rulefiles import HEAD, SOURCES
    from brinewatch.alarms.ruleset import bind, load_ruleset
    from brinewatch.readings import quantity_of

    return bind(
        [(load_ruleset(HEAD + text, "tank.toml", SOURCES), None)], {one: quantity_of(one) for one in points}
    )


# combinations

# strong three-valued logic (Kleene 1952, Introduction to Metamathematics, section 64): f, u, t
_KLEENE = {
    (False, False): (False, False), (False, None): (False, None), (False, True): (False, True),
    (None, False): (False, None), (None, None): (None, None), (None, True): (None, True),
    (True, False): (False, True), (True, None): (None, True), (True, True): (True, True),
}  # fmt: skip


@pytest.mark.parametrize(("parts", "expected"), _KLEENE.items())
def test_and_and_or_of_three_values(
    parts: tuple[bool | None, bool | None], expected: tuple[bool | None, bool | None]
) -> None:
    assert (every(parts), some(parts)) == expected


LOW_AND_WARM = '{ all = [{ below = 60, unit = "%" }, { quantity = "temperature", above = 20, unit = "degC" }] }'


@pytest.mark.parametrize(
    ("head", "oxygen", "temperature", "expected"),
    [
        ("all", 50.0, 25.0, True), ("all", 50.0, 15.0, False), ("all", None, 15.0, False),
        ("all", None, 25.0, None),
        ("any", 80.0, 15.0, False), ("any", None, 25.0, True), ("any", None, 15.0, None), ("any", 50.0, None, True),
    ],
)  # fmt: skip
def test_what_is_unknown_stays_so_unless_the_other_parts_decide(
    head: str, oxygen: float | None, temperature: float | None, expected: bool | None
) -> None:
    text = rule_text(LOW_AND_WARM.replace("all", head), "oxygen_saturation", unit='"%"')
    alarm = first(bound_to([OXYGEN, NORTH], text))
    now = at(0)
    flags = {True: Flag.PASS, False: Flag.MISSING}
    readings = {
        point: reading(point, value, now, flags[value is not None])
        for point, value in ((OXYGEN, oxygen), (NORTH, temperature))
    }
    assert says(alarm, readings, now) is expected


def test_not_turns_what_is_known_and_leaves_what_is_not() -> None:
    alarm = first(bound_to([NORTH], rule_text("{ not = { above = 20 } }")))
    now = at(0)
    assert says(alarm, {NORTH: reading(NORTH, 15.0, now)}, now) is True
    assert says(alarm, {NORTH: reading(NORTH, 25.0, now)}, now) is False
    assert says(alarm, {NORTH: reading(NORTH, None, now, Flag.MISSING)}, now) is None


AIR_LOSS = (
    '{ all = [{ point = "room.mains", state = "off", for_s = 60 },'
    ' { any = [{ quantity = "motor_current", below = 0.5, unit = "A", for_s = 20 },'
    ' { below = 8, unit = "kPa", deadband = 1.0 }] }] }'
)
SHED = ["blower.air_pressure", "blower.motor_current", "room.mains"]


def test_every_part_has_its_own_point_and_delay() -> None:
    night = night_of(SHED, rule_text(AIR_LOSS, "air_pressure"))
    night.until("02:01:00", blower__air_pressure=15.0, blower__motor_current=3.0, room__mains=1.0)
    night.until("02:01:30", blower__air_pressure=15.0, blower__motor_current=3.0, room__mains=0.0)
    night.until("02:02:10", blower__air_pressure=7.0, blower__motor_current=3.0, room__mains=0.0)
    # the pressure is low at once, the mains only after a minute; 8.5 is still low by the part's own deadband
    night.until("02:02:20", blower__air_pressure=8.5, blower__motor_current=3.0, room__mains=0.0)
    night.until("02:02:30", blower__air_pressure=9.5, blower__motor_current=0.1, room__mains=0.0)
    assert night.events == ["02:02:00 raised it 1 since 02:02:00", "02:02:20 returned it 1 since 02:02:00"]
    night.until("02:03:00", blower__air_pressure=9.5, blower__motor_current=0.1, room__mains=0.0)
    assert night.events[-1].startswith("02:02:40 ")  # the motor's own twenty seconds


def test_the_delay_of_a_part_goes_on_over_a_restart_and_a_power_cut() -> None:
    for stop in ("restart", "reboot", "reboot, clock lost"):
        night = night_of(SHED, rule_text(AIR_LOSS, "air_pressure"))
        night.until("02:00:40", blower__air_pressure=5.0, blower__motor_current=3.0, room__mains=0.0)
        if stop == "restart":
            night.restart()
        else:
            night.restart(boot_after_s=5, clock_known=stop == "reboot")
        night.step()
        assert night.events == []  # nothing is read yet
        night.until("02:01:30", blower__air_pressure=5.0, blower__motor_current=3.0, room__mains=0.0)
        when = "02:00:45" if stop == "reboot, clock lost" else "02:01:00"
        assert [line.split(" since")[0] for line in night.events] == [f"{when} raised it 1"], stop


def test_parts_for_probes_the_shed_has_not_are_left_out_of_any_and_all_is_left_out_whole() -> None:
    text = rule_text(AIR_LOSS, "air_pressure")
    alarm = first(bound_to(["blower.air_pressure", "room.mains"], text))
    assert words(alarm) == "room.mains off for 60 s and (below 8 kPa)"
    both = rule_text(AIR_LOSS.replace("any", "all"), "air_pressure")
    assert bound_to(["blower.air_pressure", "room.mains"], both) == []


def test_a_combination_that_comes_and_goes_leaves_nothing_behind() -> None:
    night = night_of(SHED, rule_text(AIR_LOSS, "air_pressure"))
    night.until("02:00:10", blower__air_pressure=15.0, blower__motor_current=3.0, room__mains=0.0)
    assert night.memory.alarms[night.alarms[0].id].parts == {"1": at(7200)}
    night.until("02:00:20", blower__air_pressure=15.0, blower__motor_current=3.0, room__mains=1.0)
    assert night.memory.alarms[night.alarms[0].id].parts == {}


# only then

LIGHTS = rule_text("{ below = 12 }", only='{ hours = "22:00-06:00" }')


def test_outside_its_hours_a_rule_does_not_count_and_a_running_alarm_ends() -> None:
    night = night_of([NORTH], LIGHTS.replace("[[rule]]", "[[rule]]\noff_delay_s = 60"), every_s=10)
    night.until("06:30:00", north__temperature=11.0)
    night.until("21:59:50", north__temperature=11.0)
    assert night.events == ["02:00:00 raised it 1 since 02:00:00", "06:01:00 returned it 1 since 02:00:00"]
    night.until("22:30:00", north__temperature=11.0)
    assert night.events[-1] == "22:00:00 repeated it 1 since 22:00:00"


def test_months_are_those_of_the_shed_and_an_unset_clock_leaves_the_rule_in_force() -> None:
    alarm = first(bound_to([NORTH], rule_text("{ below = 12 }", only="{ months = [11, 12, 1] }")))
    zone = ZoneInfo("Pacific/Auckland")

    def on(text: str, *, trusted: bool = True) -> bool | None:
        utc = datetime.fromisoformat(text).replace(tzinfo=zone).timestamp()
        now = Moment(100.0, utc, trusted, zone)
        return says(alarm, {NORTH: reading(NORTH, 11.0, now)}, now)

    assert on("2026-11-01T00:00") is True
    assert on("2026-10-31T23:59") is False
    assert on("2027-01-31T23:59") is True
    assert on("2027-02-01T00:00") is False
    assert on("2027-02-01T00:00", trusted=False) is True


def test_hours_are_due_at_their_instants_also_when_the_clocks_change() -> None:
    alarm = first(bound_to([NORTH], rule_text("{ below = 12 }", only='{ hours = "01:30-04:00" }')))
    assert alarm.rule.only is not None
    zone = ZoneInfo("Europe/Lisbon")  # clocks go back at 01:00 UTC on 25 October 2026, forward on 28 March 2027

    def due(text: str) -> list[str]:
        utc = datetime.fromisoformat(text).timestamp()
        now = Moment(0.0, utc, True, zone)
        found = list(alarm.rule.only.dues(View({}, now)))  # type: ignore[union-attr]
        return [datetime.fromtimestamp(utc + one, ZoneInfo("UTC")).strftime("%H:%M") for one in found[:3]]

    assert due("2026-10-25T00:10+00:00")[0] == "00:30"  # 01:30 in summer time
    assert "01:00" in due("2026-10-25T00:40+00:00")  # the clocks go back to 01:00, before half past one again
    assert due("2026-10-25T01:10+00:00")[0] == "01:30"
    assert due("2026-01-15T03:00+00:00")[0] == "04:00"


START_UP = rule_text("{ above = 0.5 }", "tan", unit='"mg/L N"', only='{ start_up = ["mature"] }')


def test_a_rule_for_a_ripe_filter_is_silent_while_the_filter_starts_and_speaks_when_nobody_knows() -> None:
    stage = "filter.start_up"
    alarm = next(one for one in bound_to([TAN, stage], START_UP) if one.point == TAN)
    now = at(0)
    high = {TAN: reading(TAN, 2.0, now)}
    for number, state in enumerate(QUANTITIES["start_up"].states or ()):
        assert says(alarm, {**high, stage: reading(stage, float(number), now)}, now) is (state == "mature")
    assert says(alarm, high, now) is True


def test_the_stages_of_start_up_are_those_that_are_worked_out() -> None:
    order = ("not begun", "ammonia rising", "nitrite rising", "nitrite falling", "mature")
    assert QUANTITIES["start_up"].states == order
    assert [one.name.lower().replace("_", " ").replace("tan", "ammonia") for one in StartUp] == list(order)


# several limits in one table


def test_several_limits_of_one_quantity_share_a_table() -> None:
    text = rule_text(
        None, "oxygen_saturation", unit='"%"', key='"oxygen-low"', priority=None
    ) + (
        '[[rule.limit]]\nname = "warn"\nwhen = { below = 85 }\npriority = "medium"\non_delay_s = 300\n'
        '[[rule.limit]]\nname = "critical"\nwhen = { below = 70 }\npriority = "high"\n'
        '[[rule.limit]]\nname = "emergency"\nwhen = { below = 50 }\npriority = "critical"\nshort = "DANGER"\n'
    )  # fmt: skip
    found = bound_to([OXYGEN], text)
    assert [
        (one.rule.key, one.limit, one.rule.priority.value, one.rule.on_delay_s, one.rule.short) for one in found
    ] == [
        ("oxygen-low-emergency", 50.0, "critical", 0.0, "DANGER"),
        ("oxygen-low-critical", 70.0, "high", 0.0, "OXYGEN TOO LOW"),
        ("oxygen-low-warn", 85.0, "medium", 300.0, "OXYGEN TOO LOW"),
    ]


# words


@pytest.mark.parametrize(
    ("when", "quantity", "unit", "expected"),
    [
        ("{ below = 12 }", "temperature", "degC", "below 12 degC"),
        ("{ stale_s = 60 }", "temperature", None, "no trustworthy value, or older than 3 s"),
        ('{ state = "off" }', "mains", None, "off"),
        ('{ differs_from = "filter.temperature", by = 1 }', "temperature", "degC",
         "differs from filter.temperature by more than 1 degC"),
        ('{ higher_than = "temperature", by = 1 }', "temperature", "degC",
         "more than 1 degC higher than temperature"),
        ("{ falls = 1.5, over_s = 1800 }", "oxygen", "mg/L", "falls by more than 1.5 mg/L per h, over 30 min"),
        ("{ flat_s = 3600, within = 0.1 }", "oxygen", "mg/L", "moves by no more than 0.1 mg/L in 60 min"),
        ("{ starts_more_than = 6, over_s = 3600 }", "mains", None, "on more than 6 times in 60 min"),
        ("{ starts_more_than = 6, over_s = 3600, of = { above = 2 } }", "motor_current", "A",
         "above 2 A more than 6 times in 60 min"),
        ("{ overdue_s = 604800 }", "tan", None, "last entered more than 7 d ago"),
        ("{ forecast_below = 45, within_s = 3600 }", "oxygen_saturation", "%",
         "below 45 % within 60 min, at the earliest"),
        ('{ all = [{ below = 4, for_s = 60 }, { not = { quantity = "mains", state = "on" } }] }', "oxygen", "mg/L",
         "below 4 mg/L for 60 s and (not (mains power on))"),
    ],
)  # fmt: skip
def test_every_condition_is_said_in_plain_words(when: str, quantity: str, unit: str | None, expected: str) -> None:
    points = [f"north.{quantity}", *(one for one in (FILTER, "room.mains") if one != f"north.{quantity}")]
    text = rule_text(when, quantity, unit=f'"{unit}"' if unit else None, stages='["north"]')
    assert words(first(bound_to(points, text))) == expected


def test_the_hours_are_said_too() -> None:
    only = '{ hours = "22:00-06:00", months = [11, 12, 1], start_up = ["mature"] }'
    alarm = first(bound_to([NORTH], rule_text("{ below = 12 }", only=only)))
    assert words(alarm) == "below 12 degC; only 22:00 to 06:00, in Nov, Dec, Jan, filter mature"


def test_what_was_found_is_said_in_a_few_words() -> None:
    night = night_of(["north.oxygen"], FALLS, every_s=5)
    falling(night, "02:40", 1.2, 8.5)
    view = View({**night.readings, **night.features.readings}, night.now)
    assert told(night.alarms[0], view) == "falls 1.2 mg/L per h"
    apart = first(
        bound_to([NORTH, FILTER], rule_text('{ differs_from = "temperature", by = 1 }', stages='["north"]'))
    )
    now = at(0)
    both = {NORTH: reading(NORTH, 17.5, now), FILTER: reading(FILTER, 15.0, now)}
    assert told(apart, View(both, now)) == "2.5 degC higher than temperature"
