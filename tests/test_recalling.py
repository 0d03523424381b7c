"""What rules ask of the past: when a probe was last calibrated."""

from __future__ import annotations

from dataclasses import replace

from alarms.shed_rules import bound_to, rule_text
from brinewatch.alarms.engine import Memory, step
from brinewatch.alarms.features import done_key
from brinewatch.moment import Moment
from brinewatch.recalling import CalibrationsDone
from brinewatch.signals.records import CalibrationRecord, Visit

POINT = "north.temperature"
NOW = Moment(500.0, 1_790_000_000.0, True)
DAY = 86400.0


def record(
    days_ago: float, name: str = "a", visit: Visit = Visit.CALIBRATION, replaces: str = ""
) -> CalibrationRecord:
    made = NOW.utc - days_ago * DAY
    return CalibrationRecord(name, POINT, "thermometer", visit, made, made, "Ann", replaces=replaces)


def test_the_newest_calibration_counts_and_a_check_does_not() -> None:
    records = [record(40), record(10, "b"), record(2, "c", Visit.CHECK)]
    [done] = CalibrationsDone().news(records, NOW)
    assert done.point == done_key(POINT, "calibration")
    assert NOW.mono - done.at.mono == 10 * DAY


def test_a_record_that_was_replaced_does_not_count() -> None:
    records = [record(40), record(10, "b"), record(5, "c", replaces="b")]
    [done] = CalibrationsDone().news(records, NOW)
    assert NOW.mono - done.at.mono == 5 * DAY


def test_it_is_news_once_and_again_when_the_clock_is_set() -> None:
    it, records = CalibrationsDone(), [record(10)]
    unset = replace(NOW, utc=0.0, trusted=False)
    assert it.news(records, unset) == []
    assert len(it.news(records, NOW)) == 1
    assert it.news(records, NOW.later(60.0)) == []
    assert len(it.news([*records, record(0, "b")], NOW.later(60.0))) == 1


def test_an_overdue_calibration_is_an_alarm_and_one_done_in_time_is_none() -> None:
    alarms = bound_to([POINT], rule_text(f'{{ overdue_s = {30 * DAY}, since = "calibration" }}', unit=None))
    for days, calls in ((29.9, 0), (30.1, 1)):
        done = {one.point: one for one in CalibrationsDone().news([record(days)], NOW)}
        came = step(alarms, Memory(), done, NOW)
        assert len([event for event in came.events if event.happening.calls]) == calls
