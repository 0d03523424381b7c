"""Which calibrations are overdue, and since when."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo

from brinewatch.readings import quantity_of
from brinewatch.signals.calibration import DAY_S
from brinewatch.signals.records import CalibrationRecord, Visit, in_force
from brinewatch.signals.upkeep import upkeep_of


@dataclass(frozen=True, slots=True)
class Overdue:
    """One point whose calibration has run out. since_utc: when it did; None when it was never calibrated."""

    point: str
    since_utc: float | None


def overdue(
    every_days: Mapping[str, float | None], records: Sequence[CalibrationRecord], utc: float
) -> Sequence[Overdue]:
    """The points that are overdue at an instant, the longest overdue first.

    every_days: by point that can be calibrated, the days its channel asks for, None when it asks for none. Those
    days go before what the record says. A point that asks for none and has no record with a due date is never due.
    """
    found = []
    for point, days in every_days.items():
        own = [one for one in records if one.point == point]
        if days is not None and in_force(own, point, utc) is None:
            found.append(Overdue(point, None))
            continue
        due = due_utc(own, point, days, utc)
        if due is not None and due <= utc:
            found.append(Overdue(point, due))
    return sorted(found, key=lambda one: (one.since_utc or 0.0, one.point))


def due_utc(own: Sequence[CalibrationRecord], point: str, days: float | None, utc: float) -> float | None:
    """When a point's next calibration is due; None for never, or when there is none to count from.

    own: its records; days: what its channel asks for, None to go by the record. A check that found the clean probe
    right in a standard counts like a calibration.
    """
    record = in_force(own, point, utc)
    if record is None:
        return None
    if days is None:
        if record.due_utc is None:
            return None
        days = (record.due_utc - record.made_utc) / DAY_S
    proven = [one.made_utc for one in own if one.made_utc <= utc and _held_good(one)]
    return max([record.made_utc, *proven]) + days * DAY_S


def _held_good(one: CalibrationRecord) -> bool:
    drift, upkeep = one.cleaning.drift if one.cleaning else None, upkeep_of(quantity_of(one.point))
    return one.visit is Visit.CHECK and drift is not None and upkeep is not None and abs(drift) <= upkeep.off


def overdue_text(late: Iterable[Overdue], probes: Mapping[str, str], zone: tzinfo) -> str:
    """Which, since when, and what to do; "" when none is. probes: the probe's name by point."""
    parts = []
    for one in late:
        how = "never calibrated"
        if one.since_utc is not None:
            how = f"overdue since {datetime.fromtimestamp(one.since_utc, zone):%Y-%m-%d}"
        parts.append(f"{one.point} {how} (brinewatch calibrate {probes[one.point]})")
    return f"{', '.join(parts)}." if parts else ""
