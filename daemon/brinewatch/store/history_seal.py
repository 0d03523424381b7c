"""Packing what is over: fresh readings into hours, hours into days, rows of an earlier schema into either.

Each call is one short transaction, so that writing never waits long, and leaves the file saying the same as before.
"""

from __future__ import annotations

import contextlib
import logging
import sqlite3
from collections.abc import Callable, Sequence
from itertools import groupby
from typing import Any

from brinewatch.alarms.summary import HourSummary, total_of
from brinewatch.store import schema
from brinewatch.store.columns import Columns, pack_axis, pack_body
from brinewatch.store.history_hours import counts_of, hour_of, pack_hours, summaries
from brinewatch.store.history_rows import DAY_US, HOUR_US, HistoryRows
from brinewatch.store.rollup import keep_hours

log = logging.getLogger(__name__)

_REST_US = 2 * HOUR_US  # a day is joined when it has been over for so long: what comes late has mostly come
_DAYS_AT_ONCE = 4
_THIN_AT_ONCE = 50

Span = tuple[int, int]  # microseconds


class Sealer:
    """Over the daemon's own connection. `due` holds the hours of points that have something to be packed.

    next_change: gives the next number of a change.
    """

    def __init__(self, db: sqlite3.Connection, rows: HistoryRows, next_change: Callable[[], int]) -> None:
        self._db = db
        self._rows = rows
        self._next_change = next_change
        self.due: set[tuple[int, int]] = set()  # point and hour
        self.look()

    def look(self) -> None:
        """See in the file what there is to be packed."""
        self.due.update(
            self._db.execute("SELECT point, first_us / 3600000000 FROM fresh UNION SELECT point, hour FROM stale")
        )

    def seal_hours(self, now_us: int, most: int) -> int:
        """Pack hours that are over, so many at most, and whole days of the past. Returns how many were packed."""
        over = hour_of(now_us)
        due = sorted((hour, point) for point, hour in self.due if hour < over)[:most]
        if not due:
            return 0
        spans: dict[Span, list[int]] = {}
        days = 0
        for hour, point in due:
            span = self._span(point, hour, now_us)
            points = spans.setdefault(span, [])
            if point not in points and days < _DAYS_AT_ONCE:
                points.append(point)
                days += span[1] - span[0] == DAY_US
        with transaction(self._db):
            for span, points in spans.items():
                self._seal(points, *span)
        before = len(self.due)
        for (begin, end), points in spans.items():
            hours = range(begin // HOUR_US, end // HOUR_US)
            self.due.difference_update((point, hour) for point in points for hour in hours)
        return before - len(self.due)

    def join_days(self, now_us: int, most: int) -> int:
        """Join the hours of days that are over, so many days of points at most. Returns how many were joined."""
        over = (now_us - _REST_US) // DAY_US * DAY_US
        row = self._db.execute(
            "SELECT min(begin_us) FROM piece INDEXED BY piece_hours WHERE end_us - begin_us < 86400000000"
        ).fetchone()
        if row[0] is None or row[0] // DAY_US * DAY_US >= over:
            return 0
        begin = row[0] // DAY_US * DAY_US
        points = [
            point
            for (point,) in self._db.execute(
                "SELECT DISTINCT point FROM piece INDEXED BY piece_hours WHERE end_us - begin_us < 86400000000"
                " AND begin_us < ? ORDER BY point",
                (begin + DAY_US,),
            )
        ][: min(most, _DAYS_AT_ONCE)]
        if points:
            with transaction(self._db):
                self._seal(points, begin, begin + DAY_US)
            joined = {(point, begin // HOUR_US + hour) for point in points for hour in range(24)}
            self.due.difference_update(joined)
        return len(points)

    def convert(self, now_us: int, most: int) -> int:
        """Pack rows of an earlier schema, of so many days (or hours of the last one) at most. Returns how many."""
        done = 0
        while done < min(most, _DAYS_AT_ONCE) and self._rows.has_old():
            found = self._db.execute(
                "SELECT id, (SELECT min(t_us) FROM reading WHERE point = point.id) AS oldest FROM point"
                " WHERE oldest IS NOT NULL ORDER BY oldest LIMIT 1"
            ).fetchone()
            if found is None:
                break
            point, oldest = found
            day = oldest // DAY_US * DAY_US
            if day + DAY_US + _REST_US <= now_us:
                span = (day, day + DAY_US)
            elif (hour_of(oldest) + 1) * HOUR_US <= now_us:
                span = self._span(point, hour_of(oldest), now_us)
            else:
                break
            with transaction(self._db):
                self._seal([point], *span)
            done += 1
        return done

    def thin(self, before_us: int) -> int:
        """Let go of the readings of some days that are over before an instant; their hours stay. Returns how
        many.
        """
        rows = self._db.execute(
            "SELECT piece.id FROM point JOIN piece ON piece.point = point.id AND piece.begin_us < ?1"
            " AND piece.end_us <= ?1 AND axis IS NOT NULL LIMIT ?2",
            (before_us, _THIN_AT_ONCE),
        ).fetchall()
        if rows:
            with transaction(self._db):
                # the newest change may be in what is let go of, and its number must not be given again
                self._db.execute("UPDATE state SET value = ? WHERE name = 'change'", (self._next_change(),))
                self._db.executemany("UPDATE piece SET axis = NULL WHERE id = ?", rows)
                self._db.executemany("DELETE FROM body WHERE piece = ?", rows)
                self._db.execute(
                    "DELETE FROM axis WHERE end_us <= ?"
                    " AND id NOT IN (SELECT axis FROM piece WHERE axis IS NOT NULL)",
                    (before_us,),
                )
        return len(rows)

    # -- one span -------------------------------------------------------------------------------------------------

    def _span(self, point: int, hour: int, now_us: int) -> Span:
        """The piece an hour lies in already; its day where that has been over for long; the hour itself."""
        begin = hour * HOUR_US
        row = self._db.execute(
            "SELECT begin_us, end_us FROM piece WHERE point = ? AND begin_us > ? AND begin_us <= ? AND end_us > ?",
            (point, begin - DAY_US, begin, begin),
        ).fetchone()
        day = begin // DAY_US * DAY_US
        if (row is None or row[1] - row[0] < DAY_US) and day + DAY_US + _REST_US <= now_us:
            return day, day + DAY_US
        return (begin, begin + HOUR_US) if row is None else (row[0], row[1])

    def _seal(self, points: Sequence[int], begin: int, end: int) -> None:
        for point in points:
            self._seal_one(point, begin, end)
        self._db.execute(
            "DELETE FROM axis WHERE begin_us >= ?1 AND begin_us < ?2"
            " AND NOT EXISTS (SELECT 1 FROM point JOIN piece ON piece.point = point.id AND piece.begin_us >= ?3"
            " AND piece.begin_us < ?2 WHERE piece.axis = axis.id)",
            (begin, end, begin - DAY_US),
        )

    def _seal_one(self, point: int, begin: int, end: int) -> None:
        db, inside = self._db, (point, begin, end)
        columns = self._rows.window(*inside)
        try:
            hours = summaries(self._rows, point, columns)
        except (ArithmeticError, ValueError) as error:
            # numbers nobody can sum: whoever asks for that hour is given its readings
            log.error("Readings of point %d cannot be summarised: %s", point, error)
            hours = []
        change = self._change(*inside)
        if self._drop_old(*inside):
            change = self._next_change()
        db.execute("DELETE FROM fresh WHERE point = ? AND first_us >= ? AND last_us < ?", inside)
        db.execute("DELETE FROM verdict WHERE point = ? AND t_us >= ? AND t_us < ?", inside)
        db.execute(
            "DELETE FROM stale WHERE point = ? AND hour >= ? AND hour < ?",
            (point, begin // HOUR_US, end // HOUR_US),
        )
        pieces = "FROM piece WHERE point = ? AND begin_us >= ? AND end_us <= ?"
        db.execute(f"DELETE FROM body WHERE piece IN (SELECT id {pieces})", inside)  # noqa: S608 - our own words
        db.execute(f"DELETE {pieces}", inside)
        if len(columns):
            self.put(point, begin, end, columns, hours, change)

    def put(
        self, point: int, begin: int, end: int, columns: Columns, hours: Sequence[HourSummary], change: int
    ) -> None:
        """Write one piece. Call it inside a transaction, where no other piece covers the span."""
        axis, on = self._axis(columns, begin, end)
        usable = [one for one in hours if one.min is not None and one.max is not None]
        values = (
            point, begin, end, columns.t[0], columns.t[-1], change, len(columns), *counts_of(columns.flag),
            min((one.min for one in usable if one.min is not None), default=None),
            max((one.max for one in usable if one.max is not None), default=None),
            total_of([one.sum for one in usable]), axis, *pack_hours(hours),
        )  # fmt: skip
        done = self._db.execute(  # its columns are named: the number comes by itself
            "INSERT INTO piece (point, begin_us, end_us, first_us, last_us, change, n, passed, untested, suspect,"
            " failed, missing, low, high, total, axis, hours, hour_data)"
            " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            values,
        )
        self._db.execute("INSERT INTO body VALUES (?, ?, ?)", (done.lastrowid, *pack_body(columns, on)))
        if end - begin == DAY_US:
            keep_hours(self._db, point, hours)

    def _change(self, point: int, begin: int, end: int) -> int:
        """The newest change of what goes into the piece: whoever had it before has the piece, too."""
        (known,) = self._db.execute(
            "SELECT max(change) FROM (SELECT change FROM fresh WHERE point = ?1 AND first_us >= ?2 AND last_us < ?3"
            " UNION ALL SELECT change FROM piece WHERE point = ?1 AND begin_us >= ?2 AND begin_us < ?3"
            " UNION ALL SELECT change FROM verdict WHERE point = ?1 AND t_us >= ?2 AND t_us < ?3)",
            (point, begin, end),
        ).fetchone()
        return int(known or 0)

    def _drop_old(self, point: int, begin: int, end: int) -> bool:
        if not self._rows.has_old():
            return False
        inside, db = (point, begin, end), self._db
        for flag, many in db.execute(
            "SELECT flag, count(*) FROM reading WHERE point = ? AND t_us >= ? AND t_us < ? GROUP BY flag", inside
        ).fetchall():
            db.execute("UPDATE tally SET n = n - ? WHERE point = ? AND flag = ?", (many, point, flag))
        gone = db.execute("DELETE FROM reading WHERE point = ? AND t_us >= ? AND t_us < ?", inside).rowcount
        return gone > 0

    def _axis(self, columns: Columns, begin: int, end: int) -> tuple[int, list[list[int]] | None]:
        """The stamps in the file: those of other points of the same span where they are the same, or hold these."""
        about, data = pack_axis(columns)
        there = self._db.execute(
            "SELECT id, n, about, data FROM axis WHERE begin_us = ? AND end_us = ? ORDER BY id", (begin, end)
        ).fetchall()
        for key, n, *packed in there:
            if n == len(columns) and packed == [about, data]:
                return int(key), None
        own = list(zip(columns.t, columns.mono, columns.trusted, strict=True))
        for key, n, *packed in there[:8]:
            if n > len(columns):
                every = list(zip(*self._rows.axis(key, n, *packed), strict=True))
                on = _within(own, every)
                if on is not None:
                    return int(key), on
        done = self._db.execute(
            "INSERT INTO axis (begin_us, end_us, n, about, data) VALUES (?, ?, ?, ?, ?)",
            (begin, end, len(columns), about, data),
        )
        return int(done.lastrowid or 0), None


def _within(own: Sequence[Any], every: Sequence[Any]) -> list[list[int]] | None:
    """Which of all stamps are one's own, as runs [count, 1 or 0]; None when not all are, or it would take much
    room.
    """
    mine = set(own)
    marks = [int(one in mine) for one in every]
    if sum(marks) != len(own):
        return None
    runs = [[sum(1 for _ in group), mark] for mark, group in groupby(marks)]
    return runs if len(runs) * 8 <= len(own) + 16 else None


class transaction:  # noqa: N801 - used as a word of its own
    """BEGIN IMMEDIATE to COMMIT, or back to the beginning."""

    def __init__(self, db: sqlite3.Connection) -> None:
        self._db = db

    def __enter__(self) -> None:
        self._db.execute("BEGIN IMMEDIATE")

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        if kind is None:
            self._db.execute("COMMIT")
        else:
            with contextlib.suppress(sqlite3.Error):
                schema.rollback(self._db)
