"""Floods and chatter. Thresholds: ISA-18.2 as quoted second-hand; the slow chatter of a shed is judgement."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

from alarms.nights import Night, at, rule
from brinewatch.alarms.events import AlarmEvent, Happening, Priority, State
from brinewatch.alarms.nuisance import Nuisance
from brinewatch.alarms.rules import Alarm
from brinewatch.alarms.scan import CAME_BACK

TANK = "nursery.oxygen_saturation"


def call(alarm: str, second: float, happening: Happening = Happening.RAISED, detail: str = "") -> AlarmEvent:
    return AlarmEvent(
        happening, alarm, 1, Priority.HIGH, "Oxygen too low", TANK, "oxygen_saturation", State.UNACKNOWLEDGED, 60.0,
        65.0, at(second), at(second), detail=detail,
    )  # fmt: skip


def test_eleven_calls_in_ten_minutes_are_a_flood_and_ten_are_not() -> None:
    it = Nuisance()
    for number in range(10):
        it.take([call(f"a{number}@x.ph", number * 30.0)], at(number * 30.0))
    assert not it.flood
    it.take([call("a10@x.ph", 300.0)], at(300.0))
    assert it.flood
    well, why = it.health(at(300.0), {})
    assert not well
    assert "more than 10 calls within 10 min" in why


def test_a_flood_ends_below_five_in_ten_minutes_not_before() -> None:
    it = Nuisance()
    for number in range(12):
        it.take([call(f"a{number}@x.ph", number * 40.0)], at(number * 40.0))
    assert it.flood
    it.take([], at(7 * 40.0 + 599.0))  # five of them are still within ten minutes
    assert it.flood
    it.take([], at(8 * 40.0 + 599.0))
    assert not it.flood


def test_three_times_a_minute_chatters() -> None:
    it = Nuisance()
    for second in (0.0, 20.0, 40.0):
        it.take([call("low@x.ph", second, Happening.REPEATED, CAME_BACK)], at(second))
    assert it.chatters(at(40.0)) == ("low@x.ph",)
    assert it.chatters(at(100.0)) == ()


def test_four_times_in_half_an_hour_chatters() -> None:
    it = Nuisance()
    for second in (0.0, 500.0, 1000.0, 1500.0):
        it.take([call("low@x.ph", second)], at(second))
    assert it.chatters(at(1500.0)) == ("low@x.ph",)
    assert "Oxygen too low" in it.health(at(1500.0), {"low@x.ph": "Oxygen too low"})[1]


def test_calling_again_because_nobody_answers_is_no_chatter() -> None:
    it = Nuisance()
    for second in range(0, 1800, 10):
        it.take([call("low@x.ph", float(second), Happening.REPEATED, "still not answered")], at(float(second)))
    assert it.chatters(at(1800.0)) == ()
    assert not it.flood


def test_what_chatters_is_told_every_ten_minutes_and_not_between() -> None:
    it = Nuisance()
    told = []
    for second in range(0, 3600, 15):
        event = call("low@x.ph", float(second), Happening.REPEATED, CAME_BACK)
        it.take([event], at(float(second)))
        if not it.hold_back(event, at(float(second))):
            told.append(second)
    assert told[:2] == [0, 15]
    assert all(later - earlier >= 600 for earlier, later in pairwise(told[1:]))
    assert len(told) >= 6  # it never falls silent


def test_the_alarm_about_floods_is_not_counted_in_them() -> None:
    it = Nuisance(own=["flood@alarms.health"])
    for second in range(0, 600, 20):
        it.take([call("flood@alarms.health", float(second))], at(float(second)))
    assert not it.flood
    assert it.chatters(at(600.0)) == ()


def test_a_real_chattering_alarm_from_the_engine_is_seen() -> None:
    it, night = Nuisance(), Night([Alarm(replace(rule(), repeat_s=None), TANK, "oxygen_saturation", 30.0)])
    for minute in range(6):
        night.until(f"02:{minute:02d}:10", nursery__oxygen_saturation=50.0)
        night.until(f"02:{minute:02d}:50", nursery__oxygen_saturation=90.0)
    for event in night.seen:
        it.take([event], event.at)
    assert it.chatters(night.now) == (f"low@{TANK}",)


def test_the_first_call_of_a_critical_alarm_and_reminders_always_go_out() -> None:
    it = Nuisance()
    for second in range(0, 300, 15):
        critical = replace(call("air@x.ph", float(second)), priority=Priority.CRITICAL)
        reminder = call("air@x.ph", float(second), Happening.REPEATED, "still not answered")
        it.take([critical, reminder], at(float(second)))
        assert it.chatters(at(float(second))) == (("air@x.ph",) if second >= 30 else ())
        assert not it.hold_back(critical, at(float(second)))
        assert not it.hold_back(reminder, at(float(second)))


def test_a_restart_goes_on_holding_back_what_chattered() -> None:
    before, after = Nuisance(), Nuisance()
    events = [call("low@x.ph", float(second), Happening.REPEATED, CAME_BACK) for second in range(0, 120, 15)]
    told = []
    for event in events:
        before.take([event], event.at)
        if not before.hold_back(event, event.at):
            told.append(event)
    after.restore(events)
    assert after.chatters(at(120.0)) == before.chatters(at(120.0)) == ("low@x.ph",)
    news = call("low@x.ph", 121.0, Happening.REPEATED, CAME_BACK)
    for it in (before, after):
        it.take([news], news.at)
        assert it.hold_back(news, news.at)
    late = call("low@x.ph", told[-1].at.mono - at(0.0).mono + 600.0, Happening.REPEATED, CAME_BACK)
    for it in (before, after):
        it.take([late], late.at)
        assert not it.hold_back(late, late.at)
