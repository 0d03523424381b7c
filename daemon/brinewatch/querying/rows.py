"""Readings side by side: what several points read at the same instants, and one row a stretch of time of one."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from brinewatch.moment import utc_text
from brinewatch.quantities import QUANTITIES
from brinewatch.querying.past import Past
from brinewatch.readings import Flag, Reading
from brinewatch.signals.flags import worst


@dataclass(frozen=True, slots=True)
class Stretch:
    """One row. reading: the last usable one of its span, or the last; flag: the worst; readings: how many."""

    reading: Reading
    flag: Flag
    lowest: float | None
    highest: float | None
    readings: int


def stretches(readings: Iterable[Reading], every_s: float | None) -> Iterator[Stretch]:
    """One row a reading, or one for each span that has any. Spans begin at round times of the shed's own clock."""
    row: Stretch | None = None
    place: float | None = None
    for one in readings:
        value = one.value if one.usable else None
        here = None if every_s is None else _place(one, every_s)
        if row is None or here is None or here != place:
            if row is not None:
                yield row
            row, place = Stretch(one, one.flag, value, value, 1), here
            continue
        row = Stretch(
            one if one.usable or not row.reading.usable else row.reading,
            worst((row.flag, one.flag)),
            min((x for x in (row.lowest, value) if x is not None), default=None),
            max((x for x in (row.highest, value) if x is not None), default=None),
            row.readings + 1,
        )
    if row is not None:
        yield row


# a reading for other programs: numbers in the quantity's own unit, the time in UTC
FIELDS = (
    "time",
    "point",
    "value",
    "said",
    "unit",
    "uncertainty",
    "flag",
    "reason",
    "calibration",
    "probe",
    "clock",
)


def record_of(one: Reading) -> dict[str, Any]:
    """A reading by FIELDS. said: what the probe said, before calibration; clock: whether the time was known."""
    return {
        "time": utc_text(one.at.utc), "point": one.point, "value": one.value, "said": one.raw,
        "unit": QUANTITIES[one.quantity].unit, "uncertainty": one.uncertainty, "flag": int(one.flag),
        "reason": one.reason, "calibration": one.calibration, "probe": one.probe,
        "clock": "set" if one.at.trusted else "not set",
    }  # fmt: skip


def _place(one: Reading, every_s: float) -> float:
    offset = one.at.local.utcoffset()
    return (one.at.utc + (offset.total_seconds() if offset else 0.0)) // every_s


def together(
    past: Past,
    points: Sequence[str],
    since_utc: float,
    until_utc: float,
    every_s: float,
    max_age_s: Mapping[str, float],
) -> Iterator[tuple[float, Mapping[str, Reading | None]]]:
    """What each point read at the same instants: whole multiples of every_s from since to before until.

    The newest reading at or before the instant, whatever its flag; None when there is none or it is older than
    max_age_s says of the point. A point that answers late by less than a step is seen one step later, never earlier
    than it was read.
    """
    step = math.ceil(since_utc / every_s)
    newest: dict[str, Reading | None] = {point: past.last(point, since_utc) for point in points}
    stream = past.readings(points, since_utc, until_utc)
    waiting = next(stream, None)
    while step * every_s < until_utc:
        instant = step * every_s
        while waiting is not None and waiting.at.utc <= instant:
            newest[waiting.point] = waiting
            waiting = next(stream, None)
        yield (
            instant,
            {
                point: one if one is not None and instant - one.at.utc <= max_age_s[point] else None
                for point, one in newest.items()
            },
        )
        step += 1
