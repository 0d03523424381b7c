"""Calls out of events, what differs between two lists of them, and the figures a standard asks for."""

from __future__ import annotations

from datetime import UTC

import pytest

from brinewatch.alarms.events import AlarmEvent, Happening, Priority, State
from brinewatch.alarms.scan import CAME_BACK
from brinewatch.moment import Moment
from brinewatch.rehearsal.calls import Call, calls_of, compare
from brinewatch.rehearsal.figures import figures_of

NOON = 1_790_251_200.0  # 2026-09-24 12:00 UTC
DAY = 86400.0


def at(second: float) -> Moment:
    return Moment(NOON + second, NOON + second, True, UTC)


def event(happening: Happening, second: float, alarm: str = "low@tank.oxygen", detail: str = "") -> AlarmEvent:
    return AlarmEvent(
        happening, alarm, 1, Priority.HIGH, "Low", "tank.oxygen", "oxygen", State.UNACKNOWLEDGED, 4.0, 5.0,
        at(second - 60), at(second), detail=detail,
    )  # fmt: skip


def call(second: float, lasted: float | None = 600.0, alarm: str = "low@tank.oxygen", again: int = 0) -> Call:
    over = None if lasted is None else at(second + lasted)
    return Call(alarm, "Low", Priority.HIGH, 1, at(second), at(second), over, 4.0, 5.0, again)


def test_a_call_lasts_until_its_condition_is_gone_and_what_comes_back_calls_anew() -> None:
    found = calls_of(
        [
            event(Happening.RAISED, 0),
            event(Happening.REPEATED, 600, detail="still not answered"),
            event(Happening.ACKNOWLEDGED, 700),
            event(Happening.REPEATED, 4300, detail="answered, but its cause still holds"),
            event(Happening.RETURNED, 5000),
            event(Happening.REPEATED, 6000, detail=CAME_BACK),
            event(Happening.JOINED, 6100, "other@tank.oxygen"),
        ]
    )
    assert [(one.at.utc - NOON, one.over and one.over.utc - NOON, one.again) for one in found] == [
        (0, 5000, 2), (6000, None, 0),
    ]  # fmt: skip
    assert found[1].lasted_s(NOON + 7000) == 1000


def test_calls_are_added_removed_moved_or_the_same() -> None:
    before = [call(0), call(5000), call(20000), call(0, alarm="high@tank.oxygen")]
    now = [call(0.5), call(5200), call(50000), call(0, None, alarm="high@tank.oxygen")]
    found = compare(before, now, within_s=1.0)
    assert [one.at.utc - NOON for one in found.added] == [50000]
    assert [one.at.utc - NOON for one in found.removed] == [20000]
    assert [(old.at.utc - NOON, new.at.utc - NOON) for old, new in found.moved] == [(5000, 5200), (0, 0)]
    assert found.same == 1


def test_one_call_that_becomes_two_is_one_moved_and_one_added() -> None:
    found = compare([call(0, 3600)], [call(0, 600), call(1800, 1800)], within_s=1.0)
    assert (len(found.added), len(found.removed), len(found.moved), found.same) == (1, 0, 1, 0)


# -- figures: definitions of ISA-18.2 as quoted in its tutorials (second-hand), ours where figures.py says judgement


def test_chatter_is_three_calls_in_a_minute_or_four_in_half_an_hour() -> None:
    three = [call(0, 5), call(20, 5), call(59, 5)]
    assert figures_of(three, DAY, NOON + DAY).chattering == {"low@tank.oxygen": 3}
    slower = [call(0, 5), call(20, 5), call(61, 5)]
    assert figures_of(slower, DAY, NOON + DAY).chattering == {}
    four = [call(second, 5) for second in (0, 500, 1000, 1799)]
    assert figures_of(four, DAY, NOON + DAY).chattering == {"low@tank.oxygen": 4}


def test_a_flood_is_more_than_ten_in_ten_minutes_until_fewer_than_five() -> None:
    ten = [call(second, 5) for second in range(0, 300, 30)]
    assert figures_of(ten, DAY, NOON + DAY).floods == 0
    eleven = [*ten, call(300, 5)]
    found = figures_of(eleven, DAY, NOON + DAY)
    assert (found.floods, found.most_in_ten_min) == (1, 11)
    # it began with the eleventh, at 300 s; the seventh, of 180 s, leaves at 780 s: four are left
    assert found.flood_share * DAY == pytest.approx(780 - 300)


def test_standing_fleeting_night_and_rates() -> None:
    calls = [call(0, DAY + 1), call(3600, 59), call(7200, None), call(10 * 3600, 600)]  # the last at 22:00
    found = figures_of(calls, 14 * DAY, NOON + 14 * DAY)
    assert found.standing == {"low@tank.oxygen": 2}
    assert found.fleeting == {"low@tank.oxygen": 1}
    assert (found.at_night, found.per_week, found.per_day) == (1, 2.0, 4 / 14)
    assert any("30 days" in note for note in found.notes)


def test_shares_are_told_of_a_hundred_calls_and_not_of_fewer() -> None:
    many = [call(3600.0 * hour, 600, alarm=f"{'ab'[hour % 4 == 0]}@t.oxygen") for hour in range(100)]
    assert [(one.alarm, one.calls, one.share) for one in figures_of(many, 30 * DAY, NOON + 30 * DAY).top] == [
        ("a@t.oxygen", 75, 0.75), ("b@t.oxygen", 25, 0.25),
    ]  # fmt: skip
    assert {one.share for one in figures_of(many[:99], 30 * DAY, NOON + 30 * DAY).top} == {None}


def test_no_calls_at_all() -> None:
    found = figures_of([], 30 * DAY, NOON)
    assert (found.calls, found.per_week, found.floods, found.most_in_ten_min, found.top) == (0, 0.0, 0, 0, ())
