"""A filter's start, followed through the tests people enter; the stages: tests/seawater/test_load.py."""

from __future__ import annotations

from typing import Any

import pytest

from brinewatch.moment import Moment
from brinewatch.readings import Flag, Reading, quantity_of
from brinewatch.signals.air_supply import AirSupply
from brinewatch.signals.following import FollowPlan, follow_plans, follower
from brinewatch.signals.starting import SAID_EVERY_S, StartUpFollower

TAN, NITRITE = "tank.tan", "tank.nitrite"
PLAN = FollowPlan(
    "bed.start", ("bed.start_up",), {"tan": TAN, "nitrite": NITRITE}, {TAN: 60.0, NITRITE: 60.0}, AirSupply()
)
DAY = 86400.0


def at(day: float) -> Moment:
    return Moment(5000.0 + day * DAY, 1_790_000_000.0 + day * DAY, True)


def kit(day: float, tan: float | None, nitrite: float | None) -> dict[str, Reading]:
    given = {TAN: tan, NITRITE: nitrite}
    return {
        point: Reading(point, quantity_of(point), value, None, Flag.PASS, "", at(day), "kit")
        for point, value in given.items()
        if value is not None
    }


# an invented start in the order every one goes: ammonia peaks, nitrite peaks, both go (common practice)
START = [(0, 0.1, 0.0), (7, 2.0, 0.1), (21, 0.4, 1.5), (42, 0.05, 0.3), (50, 0.05, 0.05), (57, 0.02, 0.05)]
STAGES = [0.0, 1.0, 2.0, 3.0, 4.0, 4.0]


def test_each_test_moves_it_on() -> None:
    one = follower(PLAN)
    shown = []
    for day, tan, nitrite in START:
        [reading] = one.follow(kit(day, tan, nitrite), at(day))
        shown.append(reading.value)
    assert shown[:4] == STAGES[:4]
    assert shown[-1] == 4.0
    assert reading.basis == "from 6 tests of ammonia and nitrite, the newest of 2026-11-17"


def test_between_tests_it_is_said_again_every_ten_minutes_only() -> None:
    one = follower(PLAN)
    first = kit(0, 2.0, 0.1)
    assert len(one.follow(first, at(0))) == 1
    assert one.follow(first, at(0).later(SAID_EVERY_S - 1.0)) == []
    assert len(one.follow(first, at(0).later(SAID_EVERY_S))) == 1
    assert len(one.follow(kit(0.1, 2.1, None) | {NITRITE: first[NITRITE]}, at(0.1))) == 1


def test_the_journals_entries_give_the_same_after_a_restart() -> None:
    entries = [
        (point, value, at(day).utc)
        for day, *values in START[:4]
        for point, value in zip((TAN, NITRITE), values, strict=True)
    ]
    one = follower(PLAN)
    assert isinstance(one, StartUpFollower)
    one.restore({}, False, at(43))
    one.entered([*reversed(entries), ("tank.ph", 8.0, at(1).utc)])
    [reading] = one.follow(kit(42, 0.05, 0.3), at(43))
    assert reading.value == 3.0
    assert reading.basis.startswith("from 4 tests")


@pytest.mark.parametrize("given", [(None, None), (2.0, None), (None, 0.3)])
def test_one_of_the_two_alone_tells_nothing(given: tuple[Any, Any]) -> None:
    [reading] = follower(PLAN).follow(kit(0, *given), at(0))
    assert reading.value is None
    assert reading.flag is Flag.NOT_EVALUATED
    assert "within half a day" in reading.reason


def test_it_needs_both_tests_somewhere_in_the_shed() -> None:
    made: dict[str, Any] = {"supplies": {}, "depths_m": {}, "ages": {}}
    plans, missing = follow_plans(["bed.start_up"], [TAN, NITRITE], ["tank", "bed"], **made)
    assert missing == {}
    assert plans[0].inputs == {"tan": TAN, "nitrite": NITRITE}
    plans, missing = follow_plans(["bed.start_up"], [TAN], ["tank", "bed"], **made)
    assert plans == []
    assert missing == {"bed.start_up": "nitrite, to work it out from"}


def test_a_corrected_test_tells_it_anew_and_those_of_another_point_stay() -> None:
    one = follower(PLAN)
    assert isinstance(one, StartUpFollower)
    for day, tan, nitrite in [(0, 0.1, 0.0), (7, 0.2, 0.1), (8, 2.0, 0.1)]:
        [reading] = one.follow(kit(day, tan, nitrite), at(day))
    assert reading.value == 1.0  # ammonia has risen
    # the ammonia of the eighth day was 0.20, misread; the journal has the right ones
    one.entered([(TAN, value, at(day).utc) for day, value in ((0, 0.1), (7, 0.2), (8, 0.2))], [TAN])
    [reading] = one.follow({}, at(8).later(60))
    assert reading.value == 0.0
    assert reading.basis.startswith("from 3 tests")
