"""The records of a point as rows for people."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime, tzinfo
from typing import Any

from brinewatch.readings import quantity_of
from brinewatch.signals.calibrating import unit_of
from brinewatch.signals.records import CalibrationRecord, Visit

COLUMNS = ("point", "made", "counts from", "by", "what", "offset", "slope", "due", "now", "id")


def rows(
    records: Sequence[CalibrationRecord], in_force: Mapping[str, str], now_utc: float, zone: tzinfo
) -> Iterable[Mapping[str, Any]]:
    """Newest last within each point."""
    replaced = {one.replaces: one.id for one in records if one.replaces}

    def day(utc: float | None) -> str:
        return "" if utc is None else f"{datetime.fromtimestamp(utc, zone):%Y-%m-%d %H:%M}"

    for one in sorted(records, key=lambda one: (one.point, one.made_utc)):
        unit = unit_of(quantity_of(one.point))
        numbers = one.visit is Visit.CALIBRATION
        standing = ""
        if in_force.get(one.point) == one.id:
            standing = "in force" if one.due_utc is None or now_utc < one.due_utc else "in force, overdue"
        elif one.id in replaced:
            standing = f"replaced by {replaced[one.id]}"
        yield {
            "point": one.point, "made": day(one.made_utc), "by": one.by, "what": _what(one),
            "counts from": day(one.effective_utc) + (" growing" if one.ramp else "") if numbers else "",
            "offset": f"{one.offset:+.3f} {unit}".rstrip() if numbers else "",
            "slope": f"{one.slope:.4f}" if numbers else "", "due": day(one.due_utc)[:10], "now": standing,
            "id": one.id,
        }  # fmt: skip


def _what(one: CalibrationRecord) -> str:
    if one.slope_percent is not None and one.offset_mV is not None:
        return f"{one.remark}: {one.slope_percent:.1f} % of Nernst, {one.offset_mV:+.1f} mV at pH 7"
    return one.remark or one.visit.value
