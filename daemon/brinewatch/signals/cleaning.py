"""What readings around a cleaning tell: how much was fouling, how much drift, and what was wrong before.

Source of the split: Wagner, Boulger, Oblinger & Smith 2006, USGS TM 1-D3 (from memory): fouling is the reading
after cleaning less that before, in the same water; drift is what the cleaned probe shows in a standard less what is
true. Both are taken to have grown in a straight line since the last visit.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import hypot

from brinewatch.readings import quantity_of
from brinewatch.signals.calibrating import unit_of
from brinewatch.signals.records import CalibrationRecord, Cleaning, Visit, calibration_at, earliest_since
from brinewatch.signals.upkeep import upkeep_of

# of the error at the end: nobody saw whether it grew in a straight line (judgement, no source)
_RAMP_SHARE = 0.25


def check_record(
    point: str, probe: str, by: str, cleaning: Cleaning, made_utc: float, *, identity: str, remark: str = ""
) -> CalibrationRecord:
    """The visit as a record that changes no numbers."""
    return CalibrationRecord(
        identity, point, probe, Visit.CHECK, made_utc, made_utc, by, cleaning=cleaning, remark=remark
    )


def advice(point: str, cleaning: Cleaning) -> tuple[str, ...]:
    """What the readings say and what to do, one sentence each."""
    quantity = quantity_of(point)
    upkeep, unit = upkeep_of(quantity), unit_of(quantity)
    if upkeep is None:
        return ()
    said = []

    def amount(value: float) -> str:
        return f"{value:+.2f} {unit}".rstrip()

    if cleaning.fouling is not None:
        text = f"Fouling: cleaning moved the reading by {amount(cleaning.fouling)}."
        if abs(cleaning.fouling) > upkeep.off:
            text += " Clean more often; what was read since the last visit can be corrected."
        said.append(text)
    if cleaning.drift is not None:
        text = f"Drift: clean and in the standard it shows {amount(cleaning.drift)} too much."
        if cleaning.drift < 0.0:
            text = f"Drift: clean and in the standard it shows {amount(cleaning.drift).lstrip('-')} too little."
        text += " Calibrate it." if abs(cleaning.drift) > upkeep.off else " No new calibration is needed for that."
        said.append(text)
    elif cleaning.fouling is not None:
        said.append("Without a reading in a standard nobody knows its drift.")
    return tuple(said)


def past_error(cleaning: Cleaning) -> float | None:
    """What was to be added to the last value before the cleaning: fouling less drift; None without any reading."""
    if cleaning.fouling is None and cleaning.drift is None:
        return None
    return (cleaning.fouling or 0.0) - (cleaning.drift or 0.0)


def worth_correcting(point: str, cleaning: Cleaning) -> bool:
    """Whether the values since the last visit were wrong by enough to put them right."""
    upkeep, error = upkeep_of(quantity_of(point)), past_error(cleaning)
    return upkeep is not None and error is not None and abs(error) > upkeep.off


def corrected_past(
    records: Sequence[CalibrationRecord], check: CalibrationRecord, since_utc: float, *, identity: str
) -> CalibrationRecord:
    """The record that puts the values between a visit and a check right, and ends there.

    Its line goes over from the one in force at since_utc to that one moved by `past_error`, as it stood when the
    probe was cleaned; after the check the record in force counts as before. ValueError without readings in the
    check, when since_utc is not before it, or when another record began to count in between.
    """
    error = past_error(check.cleaning) if check.cleaning else None
    if error is None:
        raise ValueError("check: expected readings before and after cleaning, or in a standard")
    if not since_utc < check.made_utc:
        raise ValueError("since_utc: expected an instant before the check")
    first = earliest_since(records, check.point)
    if first is not None and since_utc < first:
        raise ValueError("since_utc: expected no earlier than the last record began to count")
    line = calibration_at(records, check.point, since_utc)
    return CalibrationRecord(
        identity, check.point, check.probe, Visit.CALIBRATION, check.made_utc, since_utc, check.by,
        offset=line.offset + error, slope=line.slope, uncertainty=hypot(line.uncertainty, error * _RAMP_SHARE),
        remark="fouling and drift, grown in a straight line until the check", ramp=True, until_utc=check.made_utc,
    )  # fmt: skip
