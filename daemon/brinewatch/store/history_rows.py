"""Readings out of a history's file, wherever in it they lie: packed, fresh, or as rows of an earlier schema.

One home for the daemon's own connection and for readers beside it. Each call must see one state of the file:
callers that are not the only one to write begin a transaction around it.
"""

from __future__ import annotations

import sqlite3
from bisect import bisect_left, bisect_right
from collections import OrderedDict
from collections.abc import Iterator
from typing import Any

from brinewatch.store.columns import Columns, unpack_axis, unpack_body, unpack_stamps, unpack_values
from brinewatch.store.schema import unpacking

HOUR_US = 3_600_000_000
DAY_US = 24 * HOUR_US
Axis = tuple[list[int], list[float], list[int]]  # stamps, monotonic stamps, trusted

PACKED_SINCE = 4  # schema
_SAID_SINCE = 2  # schema: before, raw was the number on the wire and nothing was calibrated
_WORDS_KEPT = 5000
_AXES_KEPT = 4

_OLD = (
    "t_us, mono, trusted, raw, value, flag, live_flag, uncertainty, age_s, reason, probe, calibration, basis"
    " FROM reading WHERE point = ?"
)
_FRESH = "change, n, stamps, stamp_data, about, data FROM fresh WHERE point = ? AND last_us >= ? AND first_us < ?"
_PIECE = (
    "piece.id, piece.n, body.about, body.data, axis.id, axis.n, axis.about, axis.data,"
    " first_us, last_us"
    " FROM piece JOIN body ON body.piece = piece.id JOIN axis ON axis.id = piece.axis"
    " WHERE point = ? AND piece.begin_us > ? AND piece.begin_us < ? AND last_us >= ? AND first_us < ?"
)


class HistoryRows:
    """Over one open connection. kept: how many unpacked pieces are held for the next question."""

    def __init__(self, db: sqlite3.Connection, kept: int = 2) -> None:
        self._db = db
        self._kept = kept
        self._version = int(db.execute("PRAGMA user_version").fetchone()[0])
        self._words: dict[int, str] = {}
        self._axes: OrderedDict[int, Axis] = OrderedDict()
        self._stamps: OrderedDict[int, list[int]] = OrderedDict()
        self._pieces: OrderedDict[int, Columns] = OrderedDict()
        self._has_old: bool | None = None

    @property
    def packed(self) -> bool:
        """Whether the file is of a schema that packs."""
        return self._version >= PACKED_SINCE

    def has_old(self) -> bool:
        """Whether there are rows of an earlier schema still. Once there are none there will never be any."""
        if self._has_old is not False:
            self._has_old = self._db.execute("SELECT 1 FROM reading LIMIT 1").fetchone() is not None
        return self._has_old

    def points(self) -> dict[str, tuple[int, str]]:
        """Number and quantity of each point by its name."""
        rows = self._db.execute("SELECT name, id, quantity FROM point ORDER BY name")
        return {name: (key, quantity) for name, key, quantity in rows}

    def point(self, name: str) -> tuple[int, str] | None:
        """Number and quantity of a point."""
        return self._db.execute("SELECT id, quantity FROM point WHERE name = ?", (name,)).fetchone()  # type: ignore[no-any-return]

    def word(self, number: int | None) -> str:
        """The text of a word."""
        if number is None:
            return ""
        if number not in self._words:
            if len(self._words) > _WORDS_KEPT:  # a reason that never repeats must not fill the memory
                self._words.clear()
            row = self._db.execute("SELECT body FROM word WHERE id = ?", (number,)).fetchone()
            self._words[number] = row[0] if row else ""
        return self._words[number]

    # -- readings -----------------------------------------------------------------------------------------------

    def window(self, point: int, since_us: int, until_us: int) -> Columns:
        """All readings of a point from since to before until, oldest first. Its lists are not to be changed."""
        parts = list(self._parts(point, since_us, until_us))
        if len(parts) == 1:
            found = parts[0]
        else:
            found = Columns.none()
            for part in parts:
                found.add(part)
            found.sort()
        if self.packed:
            found = self._judged(found, point, since_us, until_us)
        return found

    def _parts(self, point: int, since_us: int, until_us: int) -> Iterator[Columns]:
        if self.packed:
            span = (point, since_us - DAY_US, until_us, since_us, until_us)
            for row in self._db.execute(f"SELECT {_PIECE} ORDER BY piece.begin_us", span).fetchall():
                yield _cut(self._piece(row, since_us, until_us), since_us, until_us)
            for _, n, stamps, stamp_data, about, data in self._db.execute(
                f"SELECT {_FRESH} ORDER BY change",
                (point, since_us, until_us),
            ).fetchall():
                axis = unpack_axis(stamps, stamp_data, n)
                yield _cut(unpack_body(axis, about, data, n), since_us, until_us)
        if self.has_old():
            rows = self._db.execute(
                f"SELECT {_OLD} AND t_us >= ? AND t_us < ? ORDER BY t_us",
                (point, since_us, until_us),
            ).fetchall()
            if rows:
                found = Columns(*(list(column) for column in zip(*rows, strict=True)))
                if self._version < _SAID_SINCE:
                    found.raw = [
                        None if raw is None else value for raw, value in zip(found.raw, found.value, strict=True)
                    ]
                yield found

    def _piece(self, row: tuple[Any, ...], since_us: int, until_us: int) -> Columns:
        """Unpacked, and held for the next question when this one was about a part of it only."""
        key, whole = row[0], since_us <= row[8] and row[9] < until_us
        if key in self._pieces:
            self._pieces.move_to_end(key)
            return self._pieces[key]
        found = unpacking(lambda: unpack_body(self.axis(*row[4:8]), row[2], row[3], row[1]))
        if not whole:
            self._pieces[key] = found
            if len(self._pieces) > self._kept:
                self._pieces.popitem(last=False)
        return found

    def axis(self, key: int, count: int, about: str, data: bytes) -> Axis:
        """The stamps of a row of `axis`, held for the next point that was read with this one."""
        if key not in self._axes:
            self._axes[key] = unpacking(lambda: unpack_axis(about, data, count))
            if len(self._axes) > _AXES_KEPT:
                self._axes.popitem(last=False)
        return self._axes[key]

    def _stamps_of(self, key: int, count: int, about: str, data: bytes) -> list[int]:
        """The same without what `values` does not tell."""
        if key in self._axes:
            return self._axes[key][0]
        if key not in self._stamps:
            self._stamps[key] = unpacking(lambda: unpack_stamps(about, data, count))
            if len(self._stamps) > _AXES_KEPT:
                self._stamps.popitem(last=False)
        return self._stamps[key]

    def forget(self) -> None:
        """Numbers of rows that were taken back may be given again."""
        self._axes.clear()
        self._stamps.clear()
        self._pieces.clear()

    def _judged(self, found: Columns, point: int, since_us: int, until_us: int) -> Columns:
        verdicts = self._db.execute(
            "SELECT t_us, flag, reason FROM verdict WHERE point = ? AND t_us >= ? AND t_us < ?",
            (point, since_us, until_us),
        ).fetchall()
        if not verdicts:
            return found
        copy = Columns.none()
        copy.add(found)
        for t_us, flag, reason in verdicts:
            place = bisect_left(copy.t, t_us)
            if place < len(copy) and copy.t[place] == t_us:
                copy.judge(place, flag, reason)
        return copy

    def values(self, point: int, since_us: int, until_us: int) -> tuple[list[int], list[float | None], list[int]]:
        """Stamps, values and flags of a point from since to before until, as `window` gives them, sooner."""
        row = self._only(point, since_us, until_us)
        if row is None:
            found = self.window(point, since_us, until_us)
            return found.t, found.value, found.flag
        stamps = self._stamps_of(*row[4:8])
        value, flag = unpacking(lambda: unpack_values(row[2], row[3], row[1]))
        begin, end = bisect_left(stamps, since_us), bisect_left(stamps, until_us)
        if end - begin == len(stamps):
            return stamps, value, flag
        return stamps[begin:end], value[begin:end], flag[begin:end]

    def _only(self, point: int, since_us: int, until_us: int) -> tuple[Any, ...] | None:
        """The one piece that holds the whole span as it is, with an axis of its own rows; None when it is not
        so.
        """
        if not self.packed or self.has_old():
            return None
        span = (point, since_us - DAY_US, until_us, since_us, until_us)
        rows = self._db.execute(f"SELECT {_PIECE} LIMIT 2", span).fetchall()
        if len(rows) != 1 or rows[0][1] != rows[0][5] or rows[0][0] in self._pieces:
            return None
        other = self._db.execute(
            "SELECT 1 FROM fresh WHERE point = ?1 AND last_us >= ?2 AND first_us < ?3"
            " UNION ALL SELECT 1 FROM verdict WHERE point = ?1 AND t_us >= ?2 AND t_us < ?3 LIMIT 1",
            (point, since_us, until_us),
        ).fetchone()
        return rows[0] if other is None else None

    # -- where there are any --------------------------------------------------------------------------------------

    def before(self, point: int, until_us: int) -> int | None:
        """The newest stamp of a point at or before an instant."""
        best: int | None = None
        if self.packed:
            for first, last in self._db.execute(
                "SELECT first_us, last_us FROM fresh WHERE point = ? AND first_us <= ? ORDER BY last_us DESC",
                (point, until_us),
            ).fetchall():
                best = self._latest(point, first, last, until_us, best)
            row = self._db.execute(
                "SELECT first_us, last_us FROM piece WHERE point = ? AND begin_us <= ? AND axis IS NOT NULL"
                " AND first_us <= ? ORDER BY begin_us DESC LIMIT 1",
                (point, until_us, until_us),
            ).fetchone()
            if row is not None:
                best = self._latest(point, row[0], row[1], until_us, best)
        if self.has_old():
            (old,) = self._db.execute(
                "SELECT max(t_us) FROM reading WHERE point = ? AND t_us <= ?", (point, until_us)
            ).fetchone()
            best = old if best is None or (old is not None and old > best) else best
        return best

    def _latest(self, point: int, first: int, last: int, until_us: int, best: int | None) -> int | None:
        """The newest stamp up to an instant of one part that lies between first and last."""
        if best is not None and best >= min(last, until_us):
            return best
        if last > until_us:
            stamps = self.window(point, first, until_us + 1).t
            last = stamps[-1] if stamps else first
        return last if best is None or last > best else best

    def after(self, point: int, after_us: int, before_us: int) -> int | None:
        """The oldest stamp of a point after an instant and before another."""
        found: list[int] = []
        if self.packed:
            begun = self._db.execute(
                "SELECT min(first_us) FROM fresh WHERE point = ? AND first_us > ?", (point, after_us)
            ).fetchone()[0]
            row = self._db.execute(
                "SELECT first_us FROM piece WHERE point = ? AND begin_us > ? AND axis IS NOT NULL AND first_us > ?"
                " ORDER BY begin_us LIMIT 1",
                (point, after_us - DAY_US, after_us),
            ).fetchone()
            found += [one for one in (begun, row[0] if row else None) if one is not None]
            lasts = self._db.execute(
                "SELECT max(last_us) FROM fresh WHERE point = ?1 AND first_us <= ?2 AND last_us > ?2"
                " UNION ALL SELECT max(last_us) FROM piece WHERE point = ?1 AND begin_us > ?3 AND begin_us <= ?2"
                " AND axis IS NOT NULL AND first_us <= ?2 AND last_us > ?2",
                (point, after_us, after_us - DAY_US),
            ).fetchall()
            last = max((one for (one,) in lasts if one is not None), default=None)
            if last is not None:  # a part that had begun goes on: the next one may be inside it
                stamps = self.window(point, after_us + 1, min([*found, last]) + 1).t
                found += stamps[:1]
        if self.has_old():
            (old,) = self._db.execute(
                "SELECT min(t_us) FROM reading WHERE point = ? AND t_us > ?", (point, after_us)
            ).fetchone()
            found += [] if old is None else [old]
        best = min(found, default=None)
        return None if best is None or best >= before_us else best


def _cut(columns: Columns, since_us: int, until_us: int) -> Columns:
    begin, end = bisect_left(columns.t, since_us), bisect_right(columns.t, until_us - 1)
    return columns.part(begin, end)
