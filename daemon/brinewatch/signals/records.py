"""Calibration records: dated, append-only, each with the points it was made from.

What a probe said is stored once and never changed; what is true follows from the record in force at that instant.
So a later, corrected record can put past values right without touching what was read.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from enum import StrEnum
from typing import Any

from brinewatch.signals.calibration import Calibration


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
    slope_percent, offset_mV: of a pH electrode; replaces: id of an earlier record that does not count any more.
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

    @property
    def calibration(self) -> Calibration:
        """The straight line of this record."""
        return Calibration(self.offset, self.slope, self.id, self.uncertainty)

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

    Of those that had begun to count, the one that began last; of two that began together, the one made last. A
    record that another replaces never counts.
    """
    own = [one for one in records if one.point == point and one.visit is Visit.CALIBRATION]
    replaced = {one.replaces for one in own if one.replaces}
    begun = [one for one in own if one.effective_utc <= utc and one.id not in replaced]
    return max(begun, key=lambda one: (one.effective_utc, one.made_utc), default=None)
