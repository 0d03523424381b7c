"""Calibration records: dated, append-only, each with the points it was made from.

What a probe said is stored once and never changed; what is true follows from the record in force at that instant.
So a later, corrected record can put past values right without touching what was read.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from enum import StrEnum
from math import hypot
from typing import Any

from brinewatch.readings import quantity_of
from brinewatch.signals.calibration import Calibration
from brinewatch.signals.upkeep import upkeep_of


class Reference(StrEnum):
    """How the true value of a calibration point is known."""

    AIR_SATURATED = "air-saturated water"
    ZERO_OXYGEN = "water without oxygen"
    BUFFER = "pH buffer"
    OPEN_AIR = "open to the air"
    ICE = "ice point"
    STANDARD = "conductivity standard"
    INSTRUMENT = "reference instrument"


class Visit(StrEnum):
    """What a record is: new numbers for the probe, or readings taken around a cleaning that change no numbers."""

    CALIBRATION = "calibration"
    CHECK = "check"


@dataclass(frozen=True, slots=True)
class CalibrationPoint:
    """One place where what the probe said was held against the truth.

    said: what the probe said before calibration; true: what it should have said; both in the quantity's own unit;
    uncertainty: one standard uncertainty of `true`; noise: one standard deviation of `said` while it was taken;
    temperature_C: of the water or buffer, where it counts; about: in words ("buffer 7.00 at 12 degC").
    """

    reference: Reference
    said: float
    true: float
    uncertainty: float
    noise: float = 0.0
    temperature_C: float | None = None
    about: str = ""


@dataclass(frozen=True, slots=True)
class Cleaning:
    """What tells fouling from drift, all calibrated by the record then in force, in the quantity's own unit.

    before, after: in the tank, before and after the cleaning; standard_said, standard_true: then, in a standard.
    Fouling is after - before; drift is standard_said - standard_true (Wagner et al. 2006, USGS TM 1-D3).
    """

    before: float | None = None
    after: float | None = None
    standard_said: float | None = None
    standard_true: float | None = None

    @property
    def fouling(self) -> float | None:
        return None if self.before is None or self.after is None else self.after - self.before

    @property
    def drift(self) -> float | None:
        if self.standard_said is None or self.standard_true is None:
            return None
        return self.standard_said - self.standard_true


@dataclass(frozen=True, slots=True)
class CalibrationRecord:
    """One visit to one channel. Instants are UTC seconds.

    id: unique, kept with every reading; effective_utc: from when its numbers count (before made_utc for a record
    that corrects the past); offset, slope: true = offset + slope * said; uncertainty: one standard uncertainty the
    calibration itself adds to a value, at the time it was made; due_utc: when the next is due, None for never;
    slope_percent, offset_mV: of a pH electrode; replaces: id of an earlier record that does not count any more;
    ramp: between effective_utc and made_utc the line goes over, linearly in time, from that of the record before to
    this one's (drift since the last good visit); without it the line counts whole from effective_utc on; until_utc:
    from then on the record before counts again (fouling, which went with the cleaning), None for no end. Only
    `calibration_at` knows the line at an instant: never take `calibration` for it.
    """

    id: str
    point: str
    probe: str
    visit: Visit
    made_utc: float
    effective_utc: float
    by: str
    points: tuple[CalibrationPoint, ...] = ()
    offset: float = 0.0
    slope: float = 1.0
    uncertainty: float = 0.0
    due_utc: float | None = None
    slope_percent: float | None = None
    offset_mV: float | None = None
    cleaning: Cleaning | None = None
    replaces: str = ""
    remark: str = ""
    ramp: bool = False
    until_utc: float | None = None

    @property
    def calibration(self) -> Calibration:
        """The straight line of this record at the time it was made, with what it loses a day since."""
        upkeep = upkeep_of(quantity_of(self.point))
        drift = upkeep.drift_per_day if upkeep else 0.0
        return Calibration(self.offset, self.slope, self.id, self.uncertainty, drift, self.made_utc)

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON values; `from_dict` is the way back."""
        return asdict(self)

    @staticmethod
    def from_dict(body: Mapping[str, Any]) -> CalibrationRecord:
        """ValueError, TypeError or KeyError when the body is not one of ours."""
        points = tuple(
            CalibrationPoint(**{**point, "reference": Reference(point["reference"])}) for point in body["points"]
        )
        cleaning = Cleaning(**body["cleaning"]) if body.get("cleaning") else None
        return CalibrationRecord(**{**body, "visit": Visit(body["visit"]), "points": points, "cleaning": cleaning})


def in_force(records: Iterable[CalibrationRecord], point: str, utc: float) -> CalibrationRecord | None:
    """The record whose numbers count for a point at an instant; None when there is none yet.

    Of those that had begun to count and not ended, the one that began last; of two that began together, the one
    made last. A record that another replaces never counts.
    """
    return next(reversed(_begun(_counting(records, point), utc)), None)


def calibration_at(records: Iterable[CalibrationRecord], point: str, utc: float) -> Calibration:
    """The straight line that counts for a point at an instant, and what its age is reckoned from.

    The default one when there is no record yet. Inside a ramp: the line between the two records' lines at that
    instant, under the later record's id, with the nearer visit's instant as made_utc.
    """
    return _line(_counting(records, point), utc)


def earliest_since(records: Iterable[CalibrationRecord], point: str) -> float | None:
    """The earliest instant a new record may count from without another one coming in between; None for any."""
    own = _counting(records, point)
    return max((one.effective_utc if one.until_utc is None else one.until_utc for one in own), default=None)


def _counting(records: Iterable[CalibrationRecord], point: str) -> list[CalibrationRecord]:
    """A point's calibrations that nothing replaces, in the order in which one takes over from another."""
    own = [one for one in records if one.point == point and one.visit is Visit.CALIBRATION]
    replaced = {one.replaces for one in own if one.replaces}
    return sorted((one for one in own if one.id not in replaced), key=lambda one: (one.effective_utc, one.made_utc))


def _begun(counting: Sequence[CalibrationRecord], utc: float) -> list[CalibrationRecord]:
    return [one for one in counting if one.effective_utc <= utc and (one.until_utc is None or utc < one.until_utc)]


def _line(counting: Sequence[CalibrationRecord], utc: float) -> Calibration:
    begun = _begun(counting, utc)
    if not begun:
        return Calibration()
    record = begun[-1]
    now = record.calibration
    if not record.ramp or not record.effective_utc <= utc < record.made_utc:
        return now
    before = _line(counting[: counting.index(record)], record.effective_utc)
    share = (utc - record.effective_utc) / (record.made_utc - record.effective_utc)
    return Calibration(
        before.offset + share * (now.offset - before.offset),
        before.slope + share * (now.slope - before.slope),
        now.id,
        hypot((1.0 - share) * before.uncertainty, share * now.uncertainty),
        now.drift_per_day,
        record.made_utc if share > 0.5 else record.effective_utc,
    )
