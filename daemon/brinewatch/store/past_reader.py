"""The history as a file, read beside the daemon that writes it: the half of `StoreReader` that is about readings.

Every question sees one state of the file, and none holds a transaction open while its answer is being worked on.
"""

from __future__ import annotations

import heapq
import math
import sqlite3
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import tzinfo
from pathlib import Path
from typing import TypeVar

from brinewatch.alarms.summary import HOUR_S, HourSummary
from brinewatch.readings import Reading
from brinewatch.store.columns import Columns, microseconds
from brinewatch.store.history_hours import kept_hours
from brinewatch.store.history_rows import DAY_US, HistoryRows
from brinewatch.store.rollup import Rollup, rollup_of
from brinewatch.store.schema import Damaged

T = TypeVar("T")

_EVER_US = 2**61
_PIECES_KEPT = 32  # unpacked days of points: a rehearsal comes back to the same day for every hour of it
_CHANGES = """
SELECT change, name, quantity, first_us, last_us + 1 FROM (
  SELECT * FROM (
    SELECT change, point, first_us, last_us FROM fresh WHERE change > ?1 ORDER BY change LIMIT ?2)
  UNION ALL SELECT * FROM (
    SELECT change, point, first_us, last_us FROM piece INDEXED BY piece_changed
    WHERE change > ?1 AND axis IS NOT NULL ORDER BY change LIMIT ?2)
  UNION ALL SELECT * FROM (
    SELECT change, point, t_us, t_us FROM verdict WHERE change > ?1 ORDER BY change LIMIT ?2))
JOIN point ON point.id = point ORDER BY change LIMIT ?2"""


@dataclass(frozen=True, slots=True)
class Change:
    """Readings of a point that were written, or judged anew, at one go: all there are from since to until.

    number: see PastReader.changes; since_us, until_us: microseconds from 1970, until not included.
    """

    number: int
    point: str
    quantity: str
    since_us: int
    until_us: int


class PastReader:
    """connect: opens the file, or gives back the connection there is; unreadable: makes a failure into words."""

    def __init__(
        self, path: Path, zone: tzinfo, connect: Callable[[Path], sqlite3.Connection],
        unreadable: Callable[[Path, Exception], Exception],
    ) -> None:  # fmt: skip
        self._path = path
        self._zone = zone
        self._connect = connect
        self._unreadable = unreadable
        self._rows: HistoryRows | None = None
        self._db: sqlite3.Connection | None = None
        self._names: dict[str, tuple[int, str]] = {}

    # -- what there is
    # ----------------------------------------------------------------------------------------------

    def points(self) -> dict[str, str]:
        """Every point there are readings of, with its quantity."""
        found = self._at_once(lambda db, rows: rows.points())
        return {name: quantity for name, (_, quantity) in found.items()}

    def last(self, point: str, until_utc: float) -> Reading | None:
        """The newest reading of a point at or before an instant."""
        until_us = microseconds(until_utc)

        def work(db: sqlite3.Connection, rows: HistoryRows) -> Columns | None:
            named = self._named(rows, point)
            found = None if named is None else rows.before(named[0], until_us)
            return None if named is None or found is None else rows.window(named[0], found, found + 1)

        columns = self._at_once(work)
        return None if columns is None else next(self._readings(point, columns), None)

    def following(self, after_utc: float, before_utc: float) -> float | None:
        """When any point at all was read next after an instant and before another; None when there was none."""
        after, before = microseconds(after_utc), microseconds(before_utc)

        def work(db: sqlite3.Connection, rows: HistoryRows) -> int | None:
            found, soonest = None, before
            for key, _ in rows.points().values():
                one = rows.after(key, after, soonest)
                if one is not None:
                    found = soonest = one
            return found

        found = self._at_once(work)
        return None if found is None else found / 1_000_000

    # -- readings
    # ---------------------------------------------------------------------------------------------------

    def readings(self, points: Sequence[str], since_utc: float, until_utc: float) -> Iterator[Reading]:
        """Readings of several points from since to before until, in order of time, one after another.

        At the same instant they come in the order of `points`.
        """
        streams = [self._stream(point, since_utc, until_utc) for point in points]
        return heapq.merge(*streams, key=lambda reading: reading.at.utc)

    def _stream(self, point: str, since_utc: float, until_utc: float) -> Iterator[Reading]:
        for columns in self.columns(point, since_utc, until_utc):
            yield from self._readings(point, columns)

    def columns(self, point: str, since_utc: float, until_utc: float) -> Iterator[Columns]:
        """The same readings of one point as columns, a UTC day (or a part of it) at a time: much sooner than one by
        one. Words are numbers here: `word` tells them. The lists are not to be changed."""
        return self._windows(point, since_utc, until_utc, lambda rows, *span: rows.window(*span))

    def values(
        self, point: str, since_utc: float, until_utc: float
    ) -> Iterator[tuple[list[int], list[float | None], list[int]]]:
        """Stamps (microseconds from 1970), values and flags of a point, a UTC day (or a part of it) at a time.

        The soonest way to every value. The lists are not to be changed.
        """
        return self._windows(point, since_utc, until_utc, lambda rows, *span: rows.values(*span))

    def word(self, number: int | None) -> str:
        """The text behind a number in `columns`: of a reason, probe, calibration or basis."""
        return self._at_once(lambda db, rows: rows.word(number))

    def _windows(
        self, point: str, since_utc: float, until_utc: float, look: Callable[[HistoryRows, int, int, int], T]
    ) -> Iterator[T]:
        since_us, until_us = microseconds(since_utc), microseconds(until_utc)
        while since_us < until_us:

            def work(db: sqlite3.Connection, rows: HistoryRows, since_us: int = since_us) -> tuple[int, T] | None:
                named = self._named(rows, point)
                begin = None if named is None else rows.after(named[0], since_us - 1, until_us)
                if named is None or begin is None:
                    return None
                end = min(until_us, (begin // DAY_US + 1) * DAY_US)
                return end, look(rows, named[0], begin, end)

            found = self._at_once(work)
            if found is None:
                return
            since_us = found[0]
            yield found[1]

    # -- hours
    # ------------------------------------------------------------------------------------------------------

    def hours(self, point: str, since_utc: float, until_utc: float) -> Iterator[HourSummary]:
        """The summaries there are of a point's hours that begin from since to before until, oldest first.

        An hour without a summary has no readings, or has not been summarised (yet).
        """
        first, until = math.ceil(since_utc / HOUR_S), math.ceil(until_utc / HOUR_S)
        step = 31 * 24
        for begin in range(first, until, step):

            def work(db: sqlite3.Connection, rows: HistoryRows, begin: int = begin) -> list[HourSummary]:
                named = self._named(rows, point) if rows.packed else None
                if named is None:
                    return []
                return list(kept_hours(db, named[0], point, named[1], begin, min(until, begin + step), self._zone))

            yield from self._at_once(work)

    def rollup(self, point: str, since_utc: float, until_utc: float) -> Rollup:
        """All hours of a point that begin from since to before until, in eight numbers each: counts by flag, and
        low, high and total of the usable readings. True of the readings as they stand, late ones and verdicts
        included; a year takes about a millisecond. Hours without readings are not in it.
        """
        first, until = math.ceil(since_utc / HOUR_S), math.ceil(until_utc / HOUR_S)

        def work(db: sqlite3.Connection, rows: HistoryRows) -> Rollup:
            named = self._named(rows, point)
            return Rollup.none() if named is None else rollup_of(db, rows, named[0], first, until, self._zone)

        return self._at_once(work)

    # -- what is new
    # ------------------------------------------------------------------------------------------------

    def file(self) -> str:
        """A name that this file shares with no other: a position in `changes` is one in this file only. After
        damage a fresh file is begun, and it has another name. Empty for a file of an earlier version (start the
        daemon).
        """
        found = self._at_once(
            lambda db, rows: (
                db.execute("SELECT value FROM state WHERE name = 'file'").fetchone() if rows.packed else None
            )
        )
        return str(found[0]) if found else ""

    def changes(self, after: int = 0, most: int = 1000) -> list[Change]:
        """What was written or judged anew since a position, in the order of its numbers, so many at most.

        A durable position: whoever has done with all changes up to a number has seen every reading that was written
        before it, in the state it had then; late readings and verdicts in hindsight come as new, higher numbers.
        Packing hours and days gives no new numbers, so positions hold through it; but who was in the middle of what
        became one piece is given the whole piece (at most a day of a point) once more. From position 0 on come all
        readings there are, so the first time is no different: oldest written first, and at least once each. The
        readings of a change are those of `columns` or `readings` from since to until: as they are now, which may be
        newer than the number. Rows of an earlier version get their numbers as the daemon packs them.
        """

        def work(db: sqlite3.Connection, rows: HistoryRows) -> list[Change]:
            if not rows.packed:
                return []
            return [Change(*row) for row in db.execute(_CHANGES, (after, most))]

        return self._at_once(work)

    def newest_change(self) -> int:
        """The number of the newest change, 0 when there is none: how far `changes` goes now."""

        def work(db: sqlite3.Connection, rows: HistoryRows) -> int:
            if not rows.packed:
                return 0
            (found,) = db.execute(
                "SELECT max(c) FROM (SELECT max(change) AS c FROM fresh UNION ALL SELECT max(change) FROM piece"
                " UNION ALL SELECT max(change) FROM verdict)"
            ).fetchone()
            return int(found or 0)

        return self._at_once(work)

    # -- one state
    # ----------------------------------------------------------------------------------------------------

    def _at_once(self, work: Callable[[sqlite3.Connection, HistoryRows], T]) -> T:
        try:
            db = self._connect(self._path)
            if self._db is not db or self._rows is None:
                self._db, self._rows, self._names = db, HistoryRows(db, _PIECES_KEPT), {}
            if db.in_transaction:
                return work(db, self._rows)
            db.execute("BEGIN")
            try:
                return work(db, self._rows)
            finally:
                db.execute("COMMIT")
        except (sqlite3.Error, OSError, Damaged) as error:
            raise self._unreadable(self._path, error) from error

    def _named(self, rows: HistoryRows, point: str) -> tuple[int, str] | None:
        if point not in self._names and (found := rows.point(point)) is not None:
            self._names[point] = found
        return self._names.get(point)

    def _readings(self, point: str, columns: Columns) -> Iterator[Reading]:
        assert self._rows is not None
        quantity = self._names[point][1]
        return columns.readings(point, quantity, self._rows.word, self._zone)
