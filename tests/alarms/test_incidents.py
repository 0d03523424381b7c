"""One failure, one call: nights with a cause and what follows from it, with the rules as they are shipped.

The nights are invented. That consequences of a known cause are held back but never the alarm that names it, and
that whoever took an alarm hears again when it gets worse, is common practice (EEMUA 191, ISA-18.2).
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from alarms.nights import Night, at, bound, reading, rule
from brinewatch.alarms.engine import Memory, step
from brinewatch.alarms.events import Happening, Order, Priority, State
from brinewatch.alarms.links import Place, linked
from brinewatch.alarms.rules import Alarm, Is
from brinewatch.alarms.ruleset import Override
from brinewatch.errors import ConfigurationError
from brinewatch.readings import Flag

AIR, RISE, FLOW = "manifold.air_pressure", "manifold.air_rise", "header.water_flow"
MAINS, MOTOR, TANK = "shed.mains", "blower.motor_current", "nursery.oxygen_saturation"
POINTS = [AIR, RISE, FLOW, MAINS, MOTOR, TANK]
WELL = {
    "manifold__air_pressure": 11.9, "manifold__air_rise": 1.9, "header__water_flow": 90.0, "shed__mains": 1.0,
    "blower__motor_current": 3.1, "nursery__oxygen_saturation": 91.0,
}  # fmt: skip
NO_AIR = WELL | {"manifold__air_pressure": 0.3, "manifold__air_rise": -9.7, "header__water_flow": 0.0}
DARK = NO_AIR | {"shed__mains": 0.0, "blower__motor_current": 0.0}
HEAD = Override(rule="air-stopped", limit=8.0, why="deepest diffuser at 0.8 m")


def shed() -> Night:
    night = Night(bound("air.toml", "sea_urchin.toml", "watch.toml", points=POINTS, changes=[HEAD]))
    night.until("02:10:00", **WELL)
    return night


def test_the_mains_fails_and_everything_with_it_and_one_call_names_the_cause() -> None:
    night = shed()
    night.until("02:30:00", **DARK)
    # the air is known to be gone after 15 s, long before the mains' own minute is over: it proves the mains alarm,
    # and makes the call as urgent as the loss of air is
    assert night.calls[0] == "02:10:15 mains-off critical with AIR STOPPED"
    assert {call.split()[1] for call in night.calls} == {"mains-off"}
    assert {one.incident for one in night.memory.alarms.values() if one.state.standing or one.state.aside} == {1}
    aside = {key.partition("@")[0] for key, one in night.memory.alarms.items() if one.state is State.SUPPRESSED}
    assert {"air-stopped", "motor-current-low", "water-flow-low", "air-rise-small"} <= aside


def test_the_blower_alone_stops_and_the_air_names_it() -> None:
    night = shed()
    night.until("02:25:00", **NO_AIR)
    assert {call.split()[1] for call in night.calls} == {"air-stopped"}
    assert len({event.number for event in night.seen if event.happening.calls}) == 1


def test_oxygen_crossing_its_emergency_limit_calls_again_inside_the_incident_though_someone_answered() -> None:
    night = shed()
    night.until("02:12:00", **NO_AIR)
    night.says("Ann", None)
    night.until("02:40:00", **(NO_AIR | {"nursery__oxygen_saturation": 60.0}))
    assert not [call for call in night.calls if "oxygen" in call]  # 60 % was to be expected: its cause has called
    night.until("03:00:00", **(NO_AIR | {"nursery__oxygen_saturation": 40.0}))
    late = [call for call in night.calls if "oxygen" in call]
    assert late[0].endswith("urchin-oxygen-low-emergency critical")
    emergency = next(one for key, one in night.memory.alarms.items() if "emergency" in key)
    assert emergency.incident == 1
    assert emergency.state is State.UNACKNOWLEDGED


def test_an_emergency_already_seen_when_its_cause_calls_is_named_in_that_one_call() -> None:
    night = shed()
    both = NO_AIR | {"nursery__oxygen_saturation": 40.0}
    night.until("02:25:00", **both)
    firsts = [event for event in night.seen if event.happening is Happening.RAISED]
    assert [event.alarm.partition("@")[0] for event in firsts] == ["air-stopped"]
    assert "OXYGEN DANGER LOW" in firsts[0].also
    # and when the cause goes and the emergency stays, that calls after its own delay
    night.until("02:30:00", **(WELL | {"nursery__oxygen_saturation": 40.0}))
    assert "urchin-oxygen-low-emergency" in {call.split()[1] for call in night.calls}


def test_a_consequence_that_outlives_its_cause_calls_on_its_own_after_its_own_delay() -> None:
    night = shed()
    night.until("02:15:00", **NO_AIR)
    night.says("Ann", None)
    # the air is back, but the header stays dry: an airlift is blocked
    night.until("02:30:00", **(WELL | {"header__water_flow": 0.0}))
    calls = [call for call in night.calls if "water-flow" in call]
    assert len(calls) == 1
    assert calls[0] > "02:15:30"  # the air's own off-delay, then the flow's on-delay once more
    flow = night.memory.alarms[f"water-flow-low@{FLOW}"]
    assert flow.incident != night.memory.alarms[f"air-stopped@{AIR}"].incident


def test_recovery_within_the_delay_of_the_consequence_wakes_nobody_again() -> None:
    night = shed()
    night.until("02:15:00", **NO_AIR)
    night.says("Ann", None)
    night.until("02:15:40", **(WELL | {"header__water_flow": 0.0}))
    night.until("03:00:00", **WELL)
    assert {call.split()[1] for call in night.calls} == {"air-stopped"}


def test_a_cause_nobody_can_judge_any_more_explains_nothing() -> None:
    night = shed()
    night.until("02:12:00", **DARK)
    blind = dict(DARK)
    del blind["shed__mains"]
    for clock in [f"02:{minute:02d}:{second:02d}" for minute in range(12, 16) for second in range(60)]:
        night.readings[MAINS] = reading(MAINS, None, night.now, Flag.MISSING, "no answer")
        night.until(clock, **blind)
    assert any("motor-current-low critical with AIR STOPPED" in call for call in night.calls)


def test_a_shelved_cause_explains_nothing() -> None:
    night = shed()
    night.until("02:12:00", **(WELL | {"shed__mains": 0.0}))
    night.says("Ann", 1, Order.SHELVE, for_s=1800.0)
    assert night.state(f"mains-off@{MAINS}") is State.SHELVED
    night.until("02:14:00", **DARK)
    assert "motor-current-low critical with AIR STOPPED" in night.calls[-1]


def test_the_mains_is_taken_and_then_the_air_goes_too_which_is_worse() -> None:
    night = shed()
    night.until("02:12:00", **(WELL | {"shed__mains": 0.0}))  # the blower runs on from its battery
    night.says("Ann", None)
    night.until("02:20:00", **DARK)
    assert [call.split()[1:] for call in night.calls][:2] == [["mains-off", "high"], ["air-stopped", "critical"]]
    numbers = {one.incident for one in night.memory.alarms.values() if one.state.standing}
    assert numbers == {1}


def test_what_stood_before_the_cause_is_not_its_consequence() -> None:
    night = shed()
    low = WELL | {"nursery__oxygen_saturation": 60.0}
    night.until("02:30:00", **low)
    before = len(night.calls)
    assert any("oxygen" in call for call in night.calls)
    night.until("02:31:00", **(NO_AIR | {"nursery__oxygen_saturation": 60.0}))
    assert [call.split()[1] for call in night.calls[before:]] == ["air-stopped"]


def test_a_restart_amid_an_incident_calls_nobody_anew() -> None:
    night = shed()
    night.until("02:15:00", **DARK)
    night.says("Ann", None)
    before = night.calls
    night.restart()
    night.until("02:50:00", **DARK)
    night.restart(boot_after_s=120.0)
    night.until("02:58:00", **DARK)
    assert night.calls == before


def test_while_someone_works_there_the_alarms_of_the_work_are_held_back_and_the_air_is_not() -> None:
    night = Night(bound("air.toml", "watch.toml", points=[AIR, "bed.level_switch"], changes=[HEAD]))
    well = {"manifold__air_pressure": 11.9, "bed__level_switch": 1.0}
    night.until("02:10:00", **well)
    night.says("Ann", None, Order.ATTEND, for_s=1800.0)
    night.until("02:30:00", **(well | {"bed__level_switch": 0.0}))
    assert night.calls == []
    assert night.state("level-low@bed.level_switch") is State.SUPPRESSED
    night.until("02:35:00", manifold__air_pressure=0.2, bed__level_switch=0.0)
    assert [call.split()[1] for call in night.calls] == ["air-stopped"]
    night.until("02:39:00", **(well | {"bed__level_switch": 0.0}))
    assert [call.split()[1] for call in night.calls] == ["air-stopped"]
    # the half hour is over by itself; a level that is still low has its own delay to be put right in
    night.until("02:50:00", **(well | {"bed__level_switch": 0.0}))
    assert [call.split()[1] for call in night.calls] == ["air-stopped", "level-low"]
    assert [event.happening for event in night.seen if event.happening in (Happening.ATTENDED, Happening.LEFT)] == [
        Happening.ATTENDED,
        Happening.LEFT,
    ]


def test_attending_is_bounded_and_survives_a_restart() -> None:
    night = Night(bound("air.toml", "watch.toml", points=[AIR], changes=[HEAD]))
    night.until("02:10:00", manifold__air_pressure=11.9)
    night.says("Ann", None, Order.ATTEND, for_s=9 * 3600.0)
    assert night.memory.attended is None
    assert night.seen[-1].happening is Happening.REFUSED
    assert "up to 4 h" in night.seen[-1].detail
    night.says("Ann", None, Order.ATTEND, for_s=3600.0)
    night.restart(boot_after_s=600.0)
    assert night.memory.attended is not None
    assert night.memory.attended.by == "Ann"
    night.until("03:20:00", manifold__air_pressure=11.9)
    assert night.memory.attended is None


def test_a_circle_of_losses_is_refused() -> None:
    one = rule(key="one", takes="air", needs=("flow",))
    other = rule(key="other", takes="flow", needs=("air",))
    alarms = [Alarm(one, AIR, "air_pressure", 5.0), Alarm(other, FLOW, "water_flow", 5.0)]
    with pytest.raises(ConfigurationError, match="no circle"):
        linked(alarms, {})


def test_what_is_lost_in_the_water_is_lost_downstream_only() -> None:
    lost = rule(key="lost", quantity="water_flow", takes="flow")
    hangs = rule(key="hangs", needs=("flow",))
    places = {"a": Place("water", 0), "b": Place("water", 1), "c": Place("water", 2)}
    alarms = [Alarm(lost, "b.water_flow", "water_flow", 5.0)] + [
        Alarm(hangs, f"{stage}.oxygen_saturation", "oxygen_saturation", 5.0) for stage in "abc"
    ]
    made = {alarm.point: alarm.causes for alarm in linked(alarms, places)}
    assert made["a.oxygen_saturation"] == ()
    assert made["b.oxygen_saturation"] == made["c.oxygen_saturation"] == ("lost@b.water_flow",)


def test_two_losses_at_the_same_instant_make_one_call_as_urgent_as_the_worst() -> None:
    cause = rule(key="cause", quantity="mains", condition=Is(0), takes="power", priority=Priority.MEDIUM)
    effect = rule(key="effect", needs=("power",), priority=Priority.CRITICAL)
    alarms = linked([Alarm(effect, TANK, "oxygen_saturation", 9.0), Alarm(cause, MAINS, "mains", 9.0)], {})
    now = at(0)
    came = step(alarms, Memory(), {TANK: reading(TANK, 10.0, now), MAINS: reading(MAINS, 0.0, now)}, now)
    calls = [event for event in came.events if event.happening.calls]
    assert [(call.alarm, call.priority, call.also) for call in calls] == [
        (f"cause@{MAINS}", Priority.CRITICAL, ("OXYGEN TOO LOW",))
    ]
    assert [event.happening for event in came.events] == [Happening.RAISED, Happening.JOINED]
    assert len({event.incident for event in came.events}) == 1


def test_setting_one_rule_aside_leaves_all_others_as_they_are() -> None:
    plain = replace(rule(), needs=())
    other = rule(key="other")
    alarms = [Alarm(plain, TANK, "oxygen_saturation", 9.0), Alarm(other, TANK, "oxygen_saturation", 9.0)]
    night = Night(alarms)
    night.until("02:00:10", nursery__oxygen_saturation=90.0)
    night.says("Ann", None, Order.SHELVE, alarm=f"low@{TANK}", for_s=3600.0)
    night.until("02:00:20", nursery__oxygen_saturation=10.0)
    assert [call.split()[1] for call in night.calls] == ["other"]
