"""What each hour of each point comes to, kept beside its readings so that a rehearsal need not read them all.

The summaries of a piece are packed with it. One is given out only while it is true of the readings as they stand:
what is written later, or changed in hindsight, names the hours it touches as stale in the same transaction.
"""

from __future__ import annotations

import json
import math
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from datetime import tzinfo
from typing import Any, cast

from brinewatch.alarms.summary import FIVES, HOUR_S, Five, HourSummary, summarise
from brinewatch.moment import Moment
from brinewatch.readings import Flag, Reading
from brinewatch.store.columns import Columns
from brinewatch.store.history_rows import DAY_US, HOUR_US, HistoryRows
from brinewatch.store.packing import decimals_of, pack, reader_of, unpack
from brinewatch.store.schema import unpacking

# counts by flag, in the order of their columns
FLAGS = (Flag.PASS, Flag.NOT_EVALUATED, Flag.SUSPECT, Flag.FAIL, Flag.MISSING)
_PLACES = {int(flag): place for place, flag in enumerate(FLAGS)}
_PARTS = 1000  # of a second, of the greatest age
_HOUR = (
    "hour", "counts", "first", "last", "sum", "oldest", "busiest", "before", "before_value", "before_flag",
    "before_age", "low", "high", "low_median", "high_median",
)  # fmt: skip


def hour_of(t_us: int) -> int:
    """The hour an instant lies in, counted from 1970."""
    return t_us // HOUR_US


def counts_of(flags: Iterable[int]) -> list[int]:
    """Readings by flag, in the order of FLAGS."""
    found = [0] * len(FLAGS)
    for flag in flags:
        found[_PLACES[flag]] += 1
    return found


def summaries(rows: HistoryRows, point: int, columns: Columns) -> list[HourSummary]:
    """Each hour that has readings among these. An hour nobody can sum is left out: its readings are given
    instead.
    """
    found: list[HourSummary] = []
    if not len(columns):
        return found
    stood = rows.before(point, columns.t[0] - 1)
    before = None if stood is None else next(_bare(rows.window(point, stood, stood + 1)))
    place = 0
    while place < len(columns):
        hour, end = hour_of(columns.t[place]), place
        while end < len(columns) and columns.t[end] < (hour + 1) * HOUR_US:
            end += 1
        readings = list(_bare(columns.part(place, end)))
        found.append(summarise("", hour * HOUR_S, readings, before))
        before, place = readings[-1], end
    return found


class _Brief:
    """All of a reading that a summary is made of, and of its moment; a tenth of the time to make."""

    __slots__ = ("age_s", "flag", "utc", "value")

    def __init__(self, utc: float, value: float | None, flag: Flag, age_s: float) -> None:
        self.utc, self.value, self.flag, self.age_s = utc, value, flag, age_s

    @property
    def at(self) -> _Brief:
        return self

    @property
    def usable(self) -> bool:
        return self.value is not None and self.flag.usable


def _bare(columns: Columns) -> Iterator[Reading]:
    flags = {int(flag): flag for flag in Flag}
    for t_us, value, flag, age in zip(columns.t, columns.value, columns.flag, columns.age, strict=True):
        yield cast(Reading, _Brief(t_us / 1_000_000, value, flags[flag], age))


def summary_of(rows: HistoryRows, point: int, hour: int) -> HourSummary | None:
    """One hour worked out from its readings; None when it has none."""
    found = summaries(rows, point, rows.window(point, hour * HOUR_US, (hour + 1) * HOUR_US))
    return found[0] if found else None


# -- packing ------------------------------------------------------------------------------------------------------


def pack_hours(hours: Sequence[HourSummary]) -> tuple[str, bytes]:
    """JSON that describes the bytes, and the bytes.

    Exactly what they were but for two things, both on the safe side: the greatest age is rounded up to a
    millisecond, and the bounds of the medians outward to a tenth of the step the values come in.
    """
    fives = [five for hour in hours for five in (hour.fives or (None,) * FIVES)]
    low, high, low_median, high_median = (
        [None if five is None else five[place] for five in fives] for place in range(4)
    )
    decimals = decimals_of([one for one in (*low, *high) if one is not None])
    if decimals is not None:
        low_median = [_outward(one, decimals + 1, up=False) for one in low_median]
        high_median = [_outward(one, decimals + 1, up=True) for one in high_median]
    befores = [hour.before for hour in hours]
    columns: dict[str, Sequence[Any]] = {
        "hour": [round(hour.start / HOUR_S) for hour in hours],
        "counts": [hour.counts.get(flag, 0) for flag in FLAGS for hour in hours],
        "first": [hour.first for hour in hours], "last": [hour.last for hour in hours],
        "sum": [hour.sum for hour in hours],
        "oldest": [math.ceil(hour.oldest_s * _PARTS) if math.isfinite(hour.oldest_s) else None for hour in hours],
        "busiest": [hour.busiest for hour in hours],
        "before": [
            None if one is None else round(hour.start) * 1_000_000 - round(one.at.utc * 1_000_000)
            for hour, one in zip(hours, befores, strict=True)
        ],
        "before_value": [None if one is None else one.value for one in befores],
        "before_flag": [None if one is None else int(one.flag) for one in befores],
        "before_age": [None if one is None else one.age_s for one in befores],
        "low": low, "high": high, "low_median": low_median, "high_median": high_median,
    }  # fmt: skip
    about, data = [], b""
    for name in _HOUR:
        form, more = pack(columns[name])
        about.append(form)
        data += more
    return json.dumps([len(hours), *about], separators=(",", ":")), data


def unpack_hours(point: str, quantity: str, about: str, data: bytes, zone: tzinfo) -> list[HourSummary]:
    """The way back, oldest first. What stood before an hour is known by value, flag and age alone."""
    return unpacking(lambda: list(_unpacked(point, quantity, about, data, zone)))


def _unpacked(point: str, quantity: str, about: str, data: bytes, zone: tzinfo) -> Iterator[HourSummary]:
    n, *forms = json.loads(about)
    take = reader_of(data)
    counts = {"counts": n * len(FLAGS), **dict.fromkeys(_HOUR[-4:], n * FIVES)}
    found = {name: unpack(form, counts.get(name, n), take) for name, form in zip(_HOUR, forms, strict=True)}
    for name, up in (("low_median", False), ("high_median", True)):
        found[name] = [_loose(one, up=up) for one in found[name]]
    bounds = list(zip(*(found[name] for name in _HOUR[-4:]), strict=True))
    fives = [None if one[0] is None else Five(*one) for one in bounds]
    for place, hour in enumerate(found["hour"]):
        start, own = hour * HOUR_S, tuple(fives[place * FIVES : (place + 1) * FIVES])
        within = [five for five in own if five is not None]
        before = None
        if found["before"][place] is not None:
            utc = (hour * HOUR_US - found["before"][place]) / 1_000_000
            before = Reading(
                point, quantity, found["before_value"][place], None, Flag(found["before_flag"][place]), "",
                Moment(utc, utc, True, zone), "", age_s=float(found["before_age"][place]),
            )  # fmt: skip
        oldest = found["oldest"][place]
        yield HourSummary(
            point, start,
            {flag: many for at, flag in enumerate(FLAGS) if (many := found["counts"][at * n + place])},
            min((five.low for five in within), default=None), max((five.high for five in within), default=None),
            float(found["sum"][place]), found["first"][place], found["last"][place],
            math.inf if oldest is None else oldest / _PARTS, before, own, found["busiest"][place],
        )  # fmt: skip


def _outward(value: float | None, decimals: int, *, up: bool) -> float | None:
    if value is None or not math.isfinite(value):
        return value
    by = 10**decimals
    near = round(value * by)
    if abs(near / by - value) > math.ulp(value) and ((near / by < value) if up else (near / by > value)):
        near += 1 if up else -1
    return float(near / by)


def _loose(value: float | None, *, up: bool) -> float | None:
    """Two units in the last place further out: a middle of two numbers may lie beside its decimals by one."""
    for _ in range(2 if value is not None else 0):
        value = math.nextafter(cast(float, value), math.inf if up else -math.inf)
    return value


# -- in the file
# ----------------------------------------------------------------------------------------------------


def kept_hours(
    db: sqlite3.Connection, key: int, point: str, quantity: str, first: int, until: int, zone: tzinfo
) -> Iterator[HourSummary]:
    """The true summaries of a point's hours from one to before another, oldest first. Two questions, one state."""
    stale = {hour for (hour,) in db.execute(
        "SELECT hour FROM stale WHERE point = ? AND hour >= ? AND hour < ?", (key, first, until)
    )}  # fmt: skip
    for about, data in db.execute(
        "SELECT hours, hour_data FROM piece WHERE point = ? AND begin_us > ? AND begin_us < ? ORDER BY begin_us",
        (key, first * HOUR_US - DAY_US, until * HOUR_US),
    ).fetchall():
        for one in unpack_hours(point, quantity, about, data, zone):
            hour = round(one.start / HOUR_S)
            if first <= hour < until and hour not in stale:
                yield one


def mark_stale(db: sqlite3.Connection, rows: HistoryRows, point: int, hour: int) -> None:
    """Name the packed hours that are not true any more once readings of an hour have come or changed.

    The reading that stood when an hour began is part of its summary, so the next hour with readings goes too.
    """
    hours = [hour]
    following = rows.after(point, (hour + 1) * HOUR_US - 1, 2**62)
    if following is not None:
        hours.append(hour_of(following))
    for one in hours:
        db.execute(
            "INSERT OR IGNORE INTO stale SELECT ?1, ?2 WHERE EXISTS ("
            "SELECT 1 FROM piece WHERE point = ?1 AND begin_us > ?3 AND begin_us <= ?4 AND end_us > ?4)",
            (point, one, one * HOUR_US - DAY_US, one * HOUR_US),
        )
