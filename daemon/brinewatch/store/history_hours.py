"""What each hour of each point comes to, kept beside the readings so that a rehearsal need not read them all.

A row is there only while it is true of the readings as they stand: what is written later, or changed in hindsight,
takes away the rows it touches in the same transaction, and they are worked out again.
"""

from __future__ import annotations

import math
import sqlite3
import struct
import zlib
from collections.abc import Sequence
from datetime import UTC, tzinfo
from typing import Any

from brinewatch.alarms.summary import FIVES, HOUR_S, Five, HourSummary, summarise
from brinewatch.moment import Moment
from brinewatch.readings import Flag, Reading

HOUR_US = int(HOUR_S) * 1_000_000
NEVER = 2**31  # an hour nobody will see

# counts by flag, in the order of their columns
_FLAGS = (Flag.PASS, Flag.NOT_EVALUATED, Flag.SUSPECT, Flag.FAIL, Flag.MISSING)
_FIVES = struct.Struct(f"<{4 * FIVES}d")
_NONE = (math.nan,) * 4

HOUR_COLUMNS = (
    "hour, passed, untested, suspect, failed, missing, low, high, total, first, last, oldest_s, fives, busiest,"
    " before_us, before_value, before_flag, before_age_s"
)
_PUT = f"INSERT OR REPLACE INTO hour (point, {HOUR_COLUMNS}) VALUES ({', '.join('?' * 19)})"  # noqa: S608 - our own names
_WITHIN = "SELECT t_us, value, flag, age_s FROM reading WHERE point = ? AND t_us >= ? AND t_us < ? ORDER BY t_us"
_BEFORE = "SELECT t_us, value, flag, age_s FROM reading WHERE point = ? AND t_us < ? ORDER BY t_us DESC LIMIT 1"


def hour_of(t_us: int) -> int:
    """The hour an instant lies in, counted from 1970."""
    return t_us // HOUR_US


def forget(db: sqlite3.Connection, point: int, hours: set[int]) -> set[int]:
    """Take away what is no longer true once readings of these hours have come or changed; returns which hours.

    The reading that stood when an hour began is part of its row, so the next hour with readings goes too.
    """
    gone: set[int] = set()
    for hour in hours:
        kept = db.execute("SELECT hour FROM hour WHERE point = ? AND hour >= ? LIMIT 1", (point, hour)).fetchone()
        if kept is None:
            continue
        later = "SELECT min(t_us) FROM reading WHERE point = ? AND t_us >= ?"
        (following,) = db.execute(later, (point, (hour + 1) * HOUR_US)).fetchone()
        last = hour if following is None else hour_of(following)
        took = db.execute(
            "DELETE FROM hour WHERE point = ? AND hour >= ? AND hour <= ? RETURNING hour", (point, hour, last)
        )
        gone.update(row[0] for row in took)
    return gone


def sum_up(db: sqlite3.Connection, point: int, hour: int) -> bool:
    """Work out one hour of a point from its readings and keep it. False when there is none: then it has no row."""
    begin = hour * HOUR_US
    readings = [_bare(row) for row in db.execute(_WITHIN, (point, begin, begin + HOUR_US))]
    if not readings:
        return False
    before = db.execute(_BEFORE, (point, begin)).fetchone()
    found = summarise("", hour * HOUR_S, readings, None if before is None else _bare(before))
    fives = _FIVES.pack(*(number for five in found.fives for number in (five or _NONE)))
    values = (
        point, hour, *(found.counts.get(flag, 0) for flag in _FLAGS), found.min, found.max, found.sum, found.first,
        found.last, found.oldest_s, zlib.compress(fives), found.busiest,
        *((None,) * 4 if before is None else before),
    )  # fmt: skip
    db.execute(_PUT, values)
    return True


def is_kept(db: sqlite3.Connection, point: int, hour: int) -> bool:
    """Whether the hour has a row."""
    return db.execute("SELECT 1 FROM hour WHERE point = ? AND hour = ?", (point, hour)).fetchone() is not None


def hour_before(db: sqlite3.Connection, point: int, hour: int) -> int | None:
    """The newest hour before this one that has readings of the point."""
    (t_us,) = db.execute(
        "SELECT max(t_us) FROM reading WHERE point = ? AND t_us < ?", (point, hour * HOUR_US)
    ).fetchone()
    return None if t_us is None else hour_of(t_us)


def get_hour(point: str, quantity: str, row: Sequence[Any], zone: tzinfo) -> HourSummary:
    """A row of HOUR_COLUMNS. What stood before the hour is known by value, flag and age alone."""
    hour, counts, (low, high, total, first, last, oldest_s, packed, busiest) = row[0], row[1:6], row[6:14]
    before = None if row[14] is None else _bare((row[14], row[15], row[16], row[17]), point, quantity, zone)
    numbers = _FIVES.unpack(zlib.decompress(packed))
    fives = tuple(
        None if math.isnan(numbers[place]) else Five(*numbers[place : place + 4])
        for place in range(0, 4 * FIVES, 4)
    )
    found = {flag: count for flag, count in zip(_FLAGS, counts, strict=True) if count}
    return HourSummary(point, hour * HOUR_S, found, low, high, total, first, last, oldest_s, before, fives, busiest)


def _bare(row: Sequence[Any], point: str = "", quantity: str = "", zone: tzinfo = UTC) -> Reading:
    """A reading with all that a summary is made of. row: t_us, value, flag, age_s."""
    utc = row[0] / 1_000_000
    return Reading(point, quantity, row[1], None, Flag(row[2]), "", Moment(utc, utc, True, zone), "", age_s=row[3])
