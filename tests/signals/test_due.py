"""Due dates of calibrations, records from outside, and which line counts when the clock is not set."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC
from typing import Any

import pytest

from brinewatch.moment import Moment
from brinewatch.signals.calibration import Calibration
from brinewatch.signals.due import Overdue, due_utc, overdue, overdue_text
from brinewatch.signals.lines import Lines
from brinewatch.signals.received import record_of_body
from brinewatch.signals.records import CalibrationPoint, CalibrationRecord, Cleaning, Reference, Visit

DAY = 86400.0
NOW = 1_795_000_000.0  # 2026-11-18
OXYGEN, PH = "raceway.oxygen", "raceway.ph"


def record(key: str, made: float, point: str = OXYGEN, **more: object) -> CalibrationRecord:
    base = CalibrationRecord(
        key, point, "sonde", Visit.CALIBRATION, made, made, "Wren",
        (CalibrationPoint(Reference.AIR_SATURATED, 8.2, 8.5, 0.03),), 0.3, due_utc=made + 30 * DAY,
    )  # fmt: skip
    return replace(base, **more)  # type: ignore[arg-type]


# -- due --


def test_nothing_is_due_of_what_asks_for_nothing() -> None:
    assert overdue({OXYGEN: None, PH: None}, [], NOW) == []
    assert overdue({OXYGEN: None}, [record("a", NOW - 900 * DAY, due_utc=None)], NOW) == []


def test_a_channel_with_days_and_no_record_was_never_calibrated() -> None:
    assert overdue({OXYGEN: 30.0, PH: None}, [], NOW) == [Overdue(OXYGEN, None)]


def test_a_record_is_due_at_its_date_and_not_before() -> None:
    one = record("a", NOW - 30 * DAY)
    assert overdue({OXYGEN: None}, [one], NOW - 1) == []
    assert overdue({OXYGEN: None}, [one], NOW) == [Overdue(OXYGEN, NOW)]


def test_the_channels_days_go_before_the_records_date() -> None:
    one = record("a", NOW - 10 * DAY)
    assert overdue({OXYGEN: 7.0}, [one], NOW) == [Overdue(OXYGEN, NOW - 3 * DAY)]
    assert overdue({OXYGEN: 60.0}, [replace(one, due_utc=NOW - 5 * DAY)], NOW) == []


def test_a_new_record_sets_the_date_on_and_one_for_the_past_alone_does_not() -> None:
    old, new = record("a", NOW - 40 * DAY), record("b", NOW - DAY)
    assert overdue({OXYGEN: None}, [old], NOW) != []
    assert overdue({OXYGEN: None}, [old, new], NOW) == []
    past = record("c", NOW - DAY, effective_utc=NOW - 20 * DAY, until_utc=NOW - DAY, due_utc=None, ramp=True)
    assert overdue({OXYGEN: None}, [old, past], NOW) == [Overdue(OXYGEN, NOW - 10 * DAY)]


def test_a_check_in_a_standard_that_was_right_counts_like_a_calibration() -> None:
    """0.3 mg/L: calibration criterion of oxygen, USGS TM 1-D3 (from memory)."""
    old = record("a", NOW - 40 * DAY)
    check = record("k", NOW - 2 * DAY, visit=Visit.CHECK, due_utc=None, points=())
    right = replace(check, cleaning=Cleaning(8.0, 8.3, 8.6, 8.5))
    assert due_utc([old, right], OXYGEN, None, NOW) == NOW + 28 * DAY
    for cleaning in (Cleaning(8.0, 8.3), Cleaning(standard_said=9.0, standard_true=8.5), None):
        assert overdue({OXYGEN: None}, [old, replace(check, cleaning=cleaning)], NOW) != []


def test_the_longest_overdue_is_said_first() -> None:
    records = [record("a", NOW - 35 * DAY), record("b", NOW - 45 * DAY, PH)]
    late = overdue({OXYGEN: None, PH: None, "raceway.temperature": 365.0}, records, NOW)
    text = overdue_text(late, {OXYGEN: "oxygen", PH: "ph", "raceway.temperature": "t"}, UTC)
    assert text == (
        "raceway.temperature never calibrated (brinewatch calibrate t), raceway.ph overdue since 2026-11-03 "
        "(brinewatch calibrate ph), raceway.oxygen overdue since 2026-11-13 (brinewatch calibrate oxygen)."
    )
    assert overdue_text([], {}, UTC) == ""


# -- records from outside --


def body(**changes: Any) -> dict[str, Any]:
    plain: dict[str, Any] = json.loads(json.dumps(record("a", NOW, cleaning=Cleaning(8.0, 8.1)).to_dict()))
    return {**plain, **changes}


def test_a_record_comes_through_as_it_was_sent() -> None:
    assert record_of_body(body()) == record("a", NOW, cleaning=Cleaning(8.0, 8.1))
    assert record_of_body(body(offset=0)).offset == 0.0


POINT = body()["points"][0]
WRONG = (
    (["no table"], "expected a table"),
    (body(offset=float("nan")), "offset = nan: expected a finite number"),
    (body(due_utc=float("inf")), "due_utc = inf"),
    (body(points=[{**POINT, "true": float("nan")}]), r"points\[0\]\.true = nan"),
    (body(cleaning={"before": float("-inf")}), r"cleaning\.before = -inf"),
    (body(offset="0.3"), "offset = '0.3'"),
    (body(offset=True), "offset = True"),
    (body(ramp=1), "ramp = 1"),
    (body(points=[{**POINT, "said": None}]), "said = None"),
    (body(points=None), "NoneType"),
    (body(visit="holiday"), "holiday"),
    (body(points=[{**POINT, "reference": "a guess"}]), "a guess"),
    (body(extra=1), "extra"),
    ({key: value for key, value in body().items() if key != "points"}, "points is missing"),
    ({key: value for key, value in body().items() if key != "by"}, "by"),
    (body(by=""), "id and by: expected not empty"),
    (body(slope=0.0), r"slope = 0\.0: expected above 0"),
    (body(slope=-1.0), r"slope = -1\.0: expected above 0"),
    (body(uncertainty=-0.1), "uncertainty: expected 0 or more"),
    (body(effective_utc=NOW + 1), "effective_utc: expected no later than made_utc"),
    (body(ramp=True), "ramp: expected effective_utc before made_utc"),
    (body(until_utc=NOW), "until_utc: expected after effective_utc"),
    (body(due_utc=NOW), "due_utc: expected after made_utc"),
    (body(replaces="a"), "replaces = 'a': expected another record's id"),
)


@pytest.mark.parametrize(("wrong", "said"), WRONG, ids=[str(number) for number in range(len(WRONG))])
def test_a_wrong_record_is_refused_with_what_is_wrong(wrong: object, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        record_of_body(wrong)


# -- the line in force, and a clock that is not set --


def test_the_line_follows_the_clock_when_it_is_set() -> None:
    lines = Lines([record("a", NOW - 10 * DAY), record("b", NOW, offset=0.5), record("c", NOW - DAY, PH)])
    assert lines.live(OXYGEN, Moment(1.0, NOW - 11 * DAY, True)) == Calibration()
    assert lines.live(OXYGEN, Moment(1.0, NOW - DAY, True)).id == "a"
    assert lines.live(OXYGEN, Moment(1.0, NOW + DAY, True)).offset == 0.5
    assert lines.live("raceway.temperature", Moment(1.0, NOW, True)) == Calibration()


@pytest.mark.parametrize("utc", [0.0, NOW - 5 * DAY, NOW + 400 * DAY])
def test_with_a_clock_that_is_not_set_the_newest_record_counts(utc: float) -> None:
    """Every record was made before now, whatever the clock says; a card's last time may be days behind."""
    records = [record("a", NOW - 10 * DAY), record("b", NOW, offset=0.5)]
    line = Lines(records).live(OXYGEN, Moment(1.0, utc, False))
    assert (line.id, line.offset) == ("b", 0.5)
    assert line.age_days(utc) == max(0.0, (utc - NOW) / DAY)


def test_a_record_that_ended_does_not_come_back_with_a_clock_that_is_behind() -> None:
    ended = record("p", NOW, effective_utc=NOW - 20 * DAY, until_utc=NOW, offset=2.0)
    lines = Lines([record("a", NOW - 30 * DAY), ended])
    assert lines.live(OXYGEN, Moment(1.0, NOW - 10 * DAY, False)).id == "a"
