"""The calibration records of a shed, made ready to be asked many times for the line of a point at an instant."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from brinewatch.moment import Moment
from brinewatch.signals.calibration import Calibration
from brinewatch.signals.records import CalibrationRecord, calibration_at


class Lines:
    """Of all records of all points, in any order."""

    def __init__(self, records: Iterable[CalibrationRecord] = ()) -> None:
        self._of: dict[str, tuple[CalibrationRecord, ...]] = {}
        for one in records:
            self._of[one.point] = (*self._of.get(one.point, ()), one)
        self._replaced = {one.replaces: one for own in self._of.values() for one in own if one.replaces}

    def of(self, point: str) -> tuple[CalibrationRecord, ...]:
        """A point's own records."""
        return self._of.get(point, ())

    def live(self, point: str, at: Moment) -> Calibration:
        """The line for a sample taken now.

        A clock that is not set cannot be asked which record counts: it is later than every record's making, so the
        newest counts, and what cannot be known of its age is not added to its uncertainty.
        """
        own = self.of(point)
        if at.trusted or not own:
            return calibration_at(own, point, at.utc)
        line = calibration_at(own, point, max(at.utc, max(one.made_utc for one in own)))
        return line if line.made_utc is None else replace(line, made_utc=min(line.made_utc, at.utc))

    def past(self, point: str, at: Moment, kept: str) -> Calibration:
        """The line for a reading of the past. kept: id of the record it was calibrated by then.

        Where the clock was not set nobody knows when it was: there that record counts, or what replaces it.
        """
        own = self.of(point)
        if at.trusted:
            return calibration_at(own, point, at.utc)
        record = next((one for one in own if one.id == kept), None)
        met: set[str] = set()
        while record is not None and record.id in self._replaced and record.id not in met:
            met.add(record.id)
            record = self._replaced[record.id]
        if record is None:
            return Calibration()
        line = record.calibration
        return line if line.made_utc is None else replace(line, made_utc=min(line.made_utc, at.utc))
