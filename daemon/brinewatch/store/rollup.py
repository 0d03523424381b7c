"""The hours of one point in eight numbers each, a month in one row, so that a year is read in a moment."""

from __future__ import annotations

import json
import sqlite3
from bisect import bisect_left
from collections.abc import Iterable
from dataclasses import dataclass, fields
from datetime import UTC, datetime, timedelta, tzinfo

from brinewatch.alarms.summary import HOUR_S, HourSummary
from brinewatch.store.history_hours import FLAGS, hour_of, summary_of, unpack_hours
from brinewatch.store.history_rows import HOUR_US, HistoryRows
from brinewatch.store.packing import pack, reader_of, unpack
from brinewatch.store.schema import unpacking

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(slots=True)
class Rollup:
    """Hours that have readings, oldest first, one list a column.

    hour: counted from 1970; passed, untested, suspect, failed, missing: readings by flag; low, high: of the usable
    readings (flag 1 or 3), None where there is none; total: their sum, 0.0 where there is none.
    """

    hour: list[int]
    passed: list[int]
    untested: list[int]
    suspect: list[int]
    failed: list[int]
    missing: list[int]
    low: list[float | None]
    high: list[float | None]
    total: list[float]

    @classmethod
    def none(cls) -> Rollup:
        return cls(*([] for _ in NAMES))

    def __len__(self) -> int:
        return len(self.hour)

    @property
    def usable(self) -> list[int]:
        """How many readings of each hour are in its low, high and total."""
        return list(map(int.__add__, self.passed, self.suspect))

    def put(self, one: HourSummary) -> None:
        """Take one hour in at its place, instead of what stood there."""
        hour = round(one.start / HOUR_S)
        row = (hour, *(one.counts.get(flag, 0) for flag in FLAGS), one.min, one.max, one.sum)
        place = bisect_left(self.hour, hour)
        there = place < len(self.hour) and self.hour[place] == hour
        for name, cell in zip(NAMES, row, strict=True):
            getattr(self, name)[place : place + there] = [cell]

    def take(self, other: Rollup, first: int, until: int) -> None:
        """Hours of another one, later than all here, from one to before another."""
        begin, end = bisect_left(other.hour, first), bisect_left(other.hour, until)
        for name in NAMES:
            column = getattr(other, name)
            getattr(self, name).extend(column if end - begin == len(column) else column[begin:end])


NAMES = tuple(field.name for field in fields(Rollup))


def month_of(hour: int) -> int:
    """Months from the year 0, of the UTC calendar."""
    at = _EPOCH + timedelta(hours=hour)
    return at.year * 12 + at.month - 1


def pack_rollup(one: Rollup) -> tuple[str, bytes]:
    """JSON that describes the bytes, and the bytes."""
    about, data = {}, b""
    for name in NAMES:
        about[name], more = pack(getattr(one, name))
        data += more
    return json.dumps(about, separators=(",", ":")), data


def unpack_rollup(about: str, data: bytes, count: int) -> Rollup:
    """The way back."""

    def work() -> Rollup:
        form, take = json.loads(about), reader_of(data)
        return Rollup(*(unpack(form[name], count, take) for name in NAMES))

    return unpacking(work)


def keep_hours(db: sqlite3.Connection, point: int, hours: Iterable[HourSummary]) -> None:
    """Put hours of a point into the rows of their months."""
    months: dict[int, Rollup] = {}
    for one in hours:
        month = month_of(round(one.start / HOUR_S))
        if month not in months:
            row = db.execute(
                "SELECT about, data, n FROM rollup WHERE point = ? AND month = ?", (point, month)
            ).fetchone()
            months[month] = Rollup.none() if row is None else unpack_rollup(*row)
        months[month].put(one)
    for month, rollup in months.items():
        db.execute(
            "INSERT OR REPLACE INTO rollup VALUES (?, ?, ?, ?, ?)",
            (point, month, len(rollup), *pack_rollup(rollup)),
        )


def rollup_of(
    db: sqlite3.Connection, rows: HistoryRows, point: int, first: int, until: int, zone: tzinfo
) -> Rollup:
    """All hours of a point from one to before another: from the months, and where those cannot know it yet from the
    pieces or the readings. Several questions, one state."""
    found = Rollup.none()
    if until <= first:
        return found
    if rows.packed:
        for row in db.execute(
            "SELECT about, data, n FROM rollup WHERE point = ? AND month >= ? AND month <= ? ORDER BY month",
            (point, month_of(first), month_of(until - 1)),
        ).fetchall():
            found.take(unpack_rollup(*row), first, until)
    stale: set[int] = set()
    if rows.packed:
        since, before = first * HOUR_US, until * HOUR_US
        for about, data in db.execute(
            "SELECT hours, hour_data FROM piece INDEXED BY piece_hours WHERE end_us - begin_us < 86400000000"
            " AND begin_us >= ? AND begin_us < ? AND point = ?",
            (since, before, point),
        ).fetchall():
            for one in unpack_hours("", "", about, data, zone):
                if first <= round(one.start / HOUR_S) < until:
                    found.put(one)
        stale.update(
            hour
            for (hour,) in db.execute(
                "SELECT hour FROM stale WHERE point = ?1 AND hour >= ?2 AND hour < ?3"
                " UNION SELECT first_us / 3600000000 FROM fresh"
                " WHERE point = ?1 AND last_us >= ?4 AND first_us < ?5",
                (point, first, until, since, before),
            )
        )
    if rows.has_old():
        stale.update(_old_hours(db, point, first, until))
    for hour in stale:
        if first <= hour < until and (summary := summary_of(rows, point, hour)) is not None:
            found.put(summary)
    return found


def _old_hours(db: sqlite3.Connection, point: int, first: int, until: int) -> Iterable[int]:
    """Hours with rows of an earlier schema, by skipping from one to the next."""
    since = first * HOUR_US
    while True:
        (t_us,) = db.execute(
            "SELECT min(t_us) FROM reading WHERE point = ? AND t_us >= ? AND t_us < ?",
            (point, since, until * HOUR_US),
        ).fetchone()
        if t_us is None:
            return
        yield hour_of(t_us)
        since = (hour_of(t_us) + 1) * HOUR_US
