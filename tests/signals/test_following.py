"""What is followed over days: which points a shed gets, what becomes of bad inputs, and what outlives a restart."""

from __future__ import annotations

import json
from collections.abc import Mapping

import pytest

from brinewatch.moment import Moment
from brinewatch.readings import Flag, Reading, quantity_of
from brinewatch.signals.air_supply import AirSupply
from brinewatch.signals.display import DisplayUnits
from brinewatch.signals.following import Follower, FollowPlan, follow_plans, follower
from brinewatch.watchkeeper import FOLLOW_MARK, Watchkeeper

NOW = Moment(1000.0, 1_790_208_000.0, True)
ORDER = ["nursery", "bed", "blower", "manifold"]
KNOWN = {"manifold.air_pressure", "manifold.air_rise", "blower.motor_current", "bed.temperature"}
WANTED = [
    "blower.blower_hours", "blower.blower_starts", "manifold.air_state", "manifold.air_rise_trend",
    "manifold.air_rise_excess",
]  # fmt: skip
SUPPLY = AirSupply(relief_kPa=18.0, rise_kPa=2.0, current_A=2.7)


def planned(
    wanted: list[str] = WANTED, known: set[str] = KNOWN, supply: AirSupply | None = SUPPLY
) -> dict[str, FollowPlan]:
    made, missing = follow_plans(
        wanted, known, ORDER, supplies={"manifold": supply} if supply else {},
        depths_m={"nursery": 0.5, "bed": 1.0}, ages=dict.fromkeys(known, 15.0),
    )  # fmt: skip
    assert missing == {}
    return {one.key: one for one in made}


def reading(point: str, value: float | None, at: Moment = NOW, flag: Flag = Flag.PASS, reason: str = "") -> Reading:
    return Reading(point, quantity_of(point), value, value, flag, reason, at, "p", 0.1)


def air(
    pressure: float | None, current: float | None = 2.7, at: Moment = NOW, **more: object
) -> dict[str, Reading]:
    gone = {"flag": Flag.MISSING, "reason": "No answer."}
    rise = None if pressure is None else pressure - 10.05
    made = [
        reading("manifold.air_pressure", pressure, at, **(gone if pressure is None else more)),  # type: ignore[arg-type]
        reading("manifold.air_rise", rise, at, **(gone if pressure is None else {})),  # type: ignore[arg-type]
        reading("blower.motor_current", current, at, **(gone if current is None else {})),  # type: ignore[arg-type]
    ]
    return {one.point: one for one in made}


def first(one: Follower, readings: Mapping[str, Reading], now: Moment = NOW) -> dict[str, Reading]:
    return {found.quantity: found for found in one.follow(readings, now)}


def test_each_point_goes_to_the_follower_of_its_kind() -> None:
    plans = planned()
    assert set(plans) == {"manifold.air", "blower.blower"}
    assert plans["manifold.air"].leading == "manifold.air_pressure"
    assert plans["manifold.air"].shallow == 0.5
    assert plans["blower.blower"].inputs == {"motor_current": "blower.motor_current"}
    # one supply is known: the blower's stage takes it too
    assert plans["blower.blower"].supply == SUPPLY


def test_without_a_current_meter_the_blower_is_followed_by_its_air() -> None:
    plans = planned(["blower.blower_hours"], KNOWN - {"blower.motor_current"})
    assert plans["blower.blower"].inputs == {"air_rise": "manifold.air_rise"}
    one = follower(plans["blower.blower"])
    for step, pressure in enumerate([12.0, 12.0, 12.0, 10.2, 10.2, 0.0, 0.0]):
        at = NOW.later(5.0 * step)
        found = one.follow(air(pressure, at=at), at)
    # between the two limits it is as it was; the last sight but one ended its run
    assert found == []
    assert one.saved()["run_s"] == 25.0
    assert one.saved()["still_s"] == 5.0


def test_what_cannot_be_followed_says_what_it_needs() -> None:
    made, missing = follow_plans(
        WANTED, {"bed.temperature"}, ORDER, supplies={}, depths_m={"bed": 1.0}, ages={}
    )  # fmt: skip
    assert made == []
    assert set(missing) == set(WANTED)
    assert missing["manifold.air_state"].startswith("air_pressure and air_rise of stage manifold")
    assert "motor_current or air_rise" in missing["blower.blower_hours"]


def test_the_state_says_why_and_what_it_stands_on() -> None:
    one = follower(planned()["manifold.air"])
    normal = first(one, air(12.05))["air_state"]
    assert (normal.value, normal.flag, normal.probe) == (4.0, Flag.PASS, "derived")
    assert normal.basis == "from air pressure, motor current"
    stopped = first(one, air(0.1, 0.0))["air_state"]
    assert stopped.value == 0.0
    assert (
        stopped.basis == "the motor draws 0.00 A; 0.1 kPa against a head of 10.1; from air pressure, motor current"
    )
    alone = first(one, air(12.05, None))["air_state"]
    assert alone.value == 4.0
    assert alone.basis == "from air pressure; motor current (blower.motor_current): No answer."


def test_bad_inputs_make_no_state_or_a_doubtful_one() -> None:
    one = follower(planned()["manifold.air"])
    missing = first(one, air(None))["air_state"]
    assert (missing.value, missing.flag) == (None, Flag.MISSING)
    assert missing.reason == "air supply pressure (manifold.air_pressure): No answer."
    doubtful = first(one, air(12.05, flag=Flag.SUSPECT, reason="Changed fast."))["air_state"]
    assert (doubtful.value, doubtful.flag, doubtful.reason) == (4.0, Flag.SUSPECT, "Changed fast.")
    contrary = first(one, air(12.05, 0.0))["air_state"]
    assert contrary.flag is Flag.SUSPECT
    assert "another blower" in contrary.reason
    unclear = first(one, air(5.1, None))["air_state"]
    assert (unclear.value, unclear.flag) == (None, Flag.NOT_EVALUATED)
    # a current meter that fell silent an hour ago says nothing of now
    old = {**air(0.1, at=NOW.later(3600.0)), "blower.motor_current": reading("blower.motor_current", 2.7)}
    late = first(one, old, NOW.later(3600.0))["air_state"]
    assert late.value == 0.0
    assert "60 min old" in late.basis
    assert first(one, {}, NOW)["air_state"].reason == "air supply pressure (manifold.air_pressure): not read yet"


def test_a_motor_not_read_since_the_pressure_fell_proves_no_open_line() -> None:
    one = follower(planned(["manifold.air_state"])["manifold.air"])
    assert first(one, air(12.0))["air_state"].value == 4.0
    # the blower stops: the pressure is read each second, the motor's meter every five
    for second in range(1, 5):
        now = NOW.later(float(second))
        readings = air(0.1, at=now) | {"blower.motor_current": reading("blower.motor_current", 2.7)}
        state = first(one, readings, now)["air_state"]
        assert (state.value, state.flag) == (None, Flag.NOT_EVALUATED)
        assert "has not been read since the pressure fell" in state.reason
    stopped, running = NOW.later(5.0), NOW.later(6.0)
    assert first(one, air(0.1, 0.0, stopped), stopped)["air_state"].value == 0.0
    # and a motor that was read after the fall, and runs, does prove it
    assert first(one, air(0.1, 2.7, running), running)["air_state"].value == 1.0


def days(one: Follower, rises: list[float], start: Moment = NOW) -> tuple[dict[str, Reading], Moment]:
    """So many days of five-minute scans; the newest reading of each quantity."""
    newest: dict[str, Reading] = {}
    at = start
    for day, rise in enumerate(rises):
        for step in range(288):
            at = start.later(day * 86400.0 + step * 300.0)
            newest.update(first(one, air(10.05 + rise, at=at), at))
    return newest, at


def test_the_trend_needs_days_and_then_tells_of_fouling() -> None:
    plan = planned(supply=None)["manifold.air"]
    one = follower(plan)
    early, at = days(one, [2.0, 2.0])
    assert early["air_rise_trend"].flag is Flag.NOT_EVALUATED
    assert early["air_rise_trend"].reason == "Needs 5 days of normal running in 30, has 1."
    assert early["air_rise_excess"].value == pytest.approx(0.0)
    late, _ = days(one, [2.0 + 0.04 * day for day in range(40)], at.later(300.0))
    assert late["air_rise_trend"].value == pytest.approx(30 * 0.04, rel=0.02)
    assert late["air_rise_trend"].uncertainty == pytest.approx(0.0, abs=0.05)
    # the past week lies 1.4 kPa over the lowest tenth of the days
    assert late["air_rise_excess"].value == pytest.approx(0.04 * (38 - 3 - 2), abs=0.1)
    assert "learnt from" in late["air_rise_excess"].basis


def test_with_a_setting_the_excess_is_known_within_an_hour_and_a_blocked_line_teaches_nothing() -> None:
    one = follower(planned()["manifold.air"])
    found: dict[str, Reading] = {}
    for step in range(0, 4800, 60):
        at = NOW.later(float(step))
        found.update(first(one, air(12.65, at=at), at))
    assert found["air_rise_excess"].value == pytest.approx(0.6)
    assert found["air_rise_excess"].basis == "over head 2.6 kPa lately, clean 2.0 kPa as set"
    blocked = follower(planned()["manifold.air"])
    for step in range(0, 4800, 60):
        at = NOW.later(float(step))
        found.update(first(blocked, air(16.0, at=at), at))
    assert found["air_rise_excess"].flag is Flag.NOT_EVALUATED
    assert blocked.saved()["parts"] == []


def test_memories_outlive_a_restart_as_json() -> None:
    one = follower(planned(supply=None)["manifold.air"])
    _, at = days(one, [2.0] * 8)
    again = follower(planned(supply=None)["manifold.air"])
    again.restore(json.loads(json.dumps(one.saved())), False, at)
    back = Moment(30.0, at.utc + 600.0, True)
    assert first(again, air(12.05, at=back), back)["air_rise_trend"].value == pytest.approx(0.0, abs=1e-9)
    # and what was learnt tells a blocked line
    assert first(again, air(10.05 + 4.1, at=back), back)["air_state"].value == 2.0
    with pytest.raises((KeyError, TypeError, ValueError)):
        again.restore({"nonsense": 1}, False, at)


def test_hours_are_given_each_minute_and_at_every_start() -> None:
    one = follower(planned()["blower.blower"])
    given = []
    for step in range(61):
        at = NOW.later(5.0 * step)
        given += [(5 * step, found) for found in one.follow(air(12.0, 0.0 if 18 <= step < 20 else 2.7, at=at), at)]
    assert sorted({second for second, _ in given}) == [0, 60, 100, 160, 220, 280]
    newest = {found.quantity: found for _, found in given}
    assert newest["blower_hours"].value == pytest.approx((280 - 10) / 3600)
    assert newest["blower_starts"].value == 1.0
    assert newest["blower_hours"].basis == "by motor current, counted since 2026-09-24; starts in all: 1"


def test_a_silent_meter_stops_the_count_and_says_so() -> None:
    one = follower(planned()["blower.blower"])
    first(one, air(12.0))
    found = first(one, air(12.0, None, at=NOW.later(5.0)), NOW.later(5.0))
    assert found["blower_hours"].flag is Flag.SUSPECT
    assert found["blower_hours"].reason == "Not counted now: motor current (blower.motor_current): No answer."
    between = follower(planned()["blower.blower"])
    assert "tells neither run nor rest" in first(between, air(12.0, 0.8))["blower_starts"].reason


def test_the_watch_keeps_memories_by_a_name_no_alarm_can_have_and_says_which_it_cannot_read() -> None:
    plans = list(planned().values())
    keeper = Watchkeeper("shed", (), {}, (), (), DisplayUnits(), NOW, follows=plans)
    kept = keeper.remembered()
    # an alarm is kept as rule@point, and a rule's key has no colon
    assert set(kept) == {"follow:manifold.air", "follow:blower.blower"}
    assert all(key.startswith(FOLLOW_MARK) and "@" not in key for key in kept)
    assert keeper.remembered() == {}
    assert keeper.recall(kept, True, NOW) == []
    [note] = keeper.recall({"follow:blower.blower": {"hours": 12}}, True, NOW)
    assert note.startswith("What was counted for blower.blower cannot be read")
