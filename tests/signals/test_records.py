"""Which line counts at an instant: what was, what replaces it, what corrects the past, and what ends."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from brinewatch.signals.calibration import Calibration
from brinewatch.signals.cleaning import advice, check_record, corrected_past, past_error, worth_correcting
from brinewatch.signals.records import (
    CalibrationRecord,
    Cleaning,
    Visit,
    calibration_at,
    earliest_since,
    in_force,
)

DAY = 86400.0
POINT = "raceway.oxygen"


def record(identity: str, day: float, offset: float = 0.0, slope: float = 1.0, **more: object) -> CalibrationRecord:
    """Made on a day; counts from then unless said otherwise."""
    since = more.pop("since", day)
    assert isinstance(since, float)
    return CalibrationRecord(
        identity, POINT, "oxygen", Visit.CALIBRATION, day * DAY, since * DAY, "Wren",
        offset=offset, slope=slope, **more,  # type: ignore[arg-type]
    )  # fmt: skip


def offset_at(records: list[CalibrationRecord], day: float) -> float:
    return calibration_at(records, POINT, day * DAY).offset


def test_without_a_record_nothing_changes() -> None:
    assert calibration_at([], POINT, 0.0) == Calibration()
    assert in_force([], POINT, 0.0) is None
    assert earliest_since([], POINT) is None


def test_a_record_counts_from_when_it_says() -> None:
    records = [record("b", 10.0, 0.2), record("a", 1.0, 0.1)]
    assert [offset_at(records, day) for day in (0.5, 1.0, 9.9, 10.0, 99.0)] == [0.0, 0.1, 0.1, 0.2, 0.2]
    assert calibration_at(records, "bed.oxygen", 50 * DAY) == Calibration()
    assert earliest_since(records, POINT) == 10 * DAY


def test_a_later_record_corrects_the_past_as_a_constant() -> None:
    records = [record("a", 1.0, 0.1), record("b", 10.0, 0.2, since=5.0)]
    assert [offset_at(records, day) for day in (4.9, 5.0, 7.0, 11.0)] == [0.1, 0.2, 0.2, 0.2]


def test_a_replaced_record_never_counts() -> None:
    records = [record("a", 1.0, 0.1), record("b", 5.0, 0.9), record("c", 6.0, 0.2, since=5.0, replaces="b")]
    assert [offset_at(records, day) for day in (4.0, 5.0, 5.5, 8.0)] == [0.1, 0.2, 0.2, 0.2]


def test_drift_since_the_last_visit_grows_in_a_straight_line() -> None:
    records = [record("a", 0.0, 0.0, 1.0, uncertainty=0.02), record("b", 10.0, 0.4, 1.2, since=0.0, ramp=True)]
    for day in (0.0, 2.5, 5.0, 7.5, 9.999):
        line = calibration_at(records, POINT, day * DAY)
        assert line.offset == pytest.approx(0.4 * day / 10)
        assert line.slope == pytest.approx(1.0 + 0.2 * day / 10)
        assert line.id == "b"
        assert line.uncertainty == pytest.approx(0.02 * (1 - day / 10))
        # the nearer visit counts for the age: never more than half the stretch
        assert line.age_days(day * DAY) == pytest.approx(min(day, 10 - day), abs=1e-9)
    assert offset_at(records, 10.0) == 0.4
    assert calibration_at(records, POINT, 30 * DAY).age_days(30 * DAY) == 20.0


def test_a_ramp_begins_from_nothing_when_nothing_was_before() -> None:
    records = [record("b", 10.0, 0.4, since=0.0, ramp=True)]
    assert [offset_at(records, day) for day in (-1.0, 0.0, 5.0, 10.0)] == [0.0, 0.0, pytest.approx(0.2), 0.4]


def test_a_ramp_on_a_ramp_begins_where_the_other_stood() -> None:
    records = [record("a", 10.0, 1.0, since=0.0, ramp=True), record("b", 20.0, 3.0, since=10.0, ramp=True)]
    assert [offset_at(records, day) for day in (5.0, 10.0, 15.0, 20.0)] == [
        pytest.approx(0.5), pytest.approx(1.0), pytest.approx(2.0), 3.0,
    ]  # fmt: skip


@given(st.floats(0.0, 30.0), st.floats(-2, 2), st.floats(-2, 2))
def test_a_ramp_never_leaves_its_two_ends(day: float, before: float, after: float) -> None:
    records = [record("a", 0.0, before), record("b", 20.0, after, since=5.0, ramp=True)]
    found = offset_at(records, day)
    assert min(before, after) - 1e-9 <= found <= max(before, after) + 1e-9
    assert math.isfinite(found)


def test_a_check_changes_no_numbers() -> None:
    check = check_record(POINT, "oxygen", "Wren", Cleaning(7.0, 7.6), 5 * DAY, identity="check")
    assert calibration_at([check], POINT, 6 * DAY) == Calibration()
    assert CalibrationRecord.from_dict(check.to_dict()) == check


def test_records_of_before_the_newest_keys_can_still_be_read() -> None:
    body = record("a", 1.0, 0.1).to_dict()
    del body["ramp"], body["until_utc"]
    assert CalibrationRecord.from_dict(body) == record("a", 1.0, 0.1)


# cleaning


def test_fouling_and_drift_are_told_apart() -> None:
    # the split of Wagner et al. 2006, USGS TM 1-D3 (from memory): 0.6 mg/L came off with the growth, and the clean
    # probe shows 8.10 where 8.30 is true
    cleaning = Cleaning(before=7.0, after=7.6, standard_said=8.10, standard_true=8.30)
    assert cleaning.fouling == pytest.approx(0.6)
    assert cleaning.drift == pytest.approx(-0.2)
    assert past_error(cleaning) == pytest.approx(0.8)
    fouling, drift = advice(POINT, cleaning)
    assert fouling.startswith("Fouling: cleaning moved the reading by +0.60 mg/L. Clean more often;")
    assert drift.startswith("Drift: clean and in the standard it shows 0.20 mg/L too little. No new calibration")
    assert worth_correcting(POINT, cleaning)
    assert advice(POINT, Cleaning(7.0, 7.1)) == (
        "Fouling: cleaning moved the reading by +0.10 mg/L.",
        "Without a reading in a standard nobody knows its drift.",
    )
    assert not worth_correcting(POINT, Cleaning(7.0, 7.1))
    assert "Calibrate it." in advice(POINT, Cleaning(standard_said=8.8, standard_true=8.3))[0]
    assert advice(POINT, Cleaning()) == ()
    assert past_error(Cleaning(before=7.0)) is None


def test_the_fouled_past_is_put_right_and_the_present_left_alone() -> None:
    last = record("a", 0.0, 0.1, 1.1)
    check = check_record(POINT, "oxygen", "Wren", Cleaning(7.0, 7.6), 10 * DAY, identity="check")
    past = corrected_past([last, check], check, 0.0, identity="past")
    records = [last, check, past]
    said = (7.0 - 0.1) / 1.1  # what the probe said just before it was cleaned
    assert calibration_at(records, POINT, 10 * DAY - 1).apply(said) == pytest.approx(7.6, abs=1e-5)
    assert calibration_at(records, POINT, 5 * DAY).apply(said) == pytest.approx(7.3)
    assert calibration_at(records, POINT, 0.0).apply(said) == pytest.approx(7.0)
    assert calibration_at(records, POINT, 10 * DAY) == last.calibration
    assert in_force(records, POINT, 11 * DAY) == last
    assert earliest_since(records, POINT) == 10 * DAY
    assert CalibrationRecord.from_dict(past.to_dict()) == past


def test_a_past_that_cannot_be_corrected_is_refused() -> None:
    last = record("a", 5.0, 0.1)
    check = check_record(POINT, "oxygen", "Wren", Cleaning(7.0, 7.6), 10 * DAY, identity="check")
    with pytest.raises(ValueError, match="no earlier than the last record began to count"):
        corrected_past([last], check, 4 * DAY, identity="past")
    with pytest.raises(ValueError, match="an instant before the check"):
        corrected_past([last], check, 10 * DAY, identity="past")
    empty = check_record(POINT, "oxygen", "Wren", Cleaning(before=7.0), 10 * DAY, identity="check")
    with pytest.raises(ValueError, match="readings before and after cleaning"):
        corrected_past([last], empty, 6 * DAY, identity="past")
