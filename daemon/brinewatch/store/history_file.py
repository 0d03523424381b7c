"""The history's SQLite file: one row a reading, keyed by point and microsecond; used from one thread."""

from __future__ import annotations

import contextlib
import logging
import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import tzinfo
from pathlib import Path
from typing import Any

from brinewatch.moment import Moment
from brinewatch.ports import Clock
from brinewatch.readings import Flag, Reading
from brinewatch.store import history_hours, schema
from brinewatch.store.rows import clean, real

log = logging.getLogger(__name__)

# A whole check reads every page: years of readings would keep a small computer busy for minutes at each start.
# Beyond this size damage is found when a page is met, and the file is set aside then.
_CHECK_BYTES = 64 * 2**20

COLUMNS = (
    "reading.t_us, reading.mono, reading.trusted, value, raw, flag, uncertainty, age_s,"
    " (SELECT body FROM word WHERE id = reason), (SELECT body FROM word WHERE id = probe),"
    " (SELECT body FROM word WHERE id = calibration), (SELECT body FROM word WHERE id = basis)"
)


@dataclass(frozen=True, slots=True)
class Verdict:
    """A flag that could only be given in hindsight."""

    point: str
    t_us: int
    flag: Flag
    reason: str


@dataclass(slots=True)
class Written:
    """What became of a batch.

    new: rows; repeated: point and instant were met before; homeless: verdicts on a reading nobody has; refused:
    values that no file can take.
    """

    new: int = 0
    repeated: int = 0
    homeless: int = 0
    refused: int = 0


def microseconds(utc: float) -> int:
    """POSIX seconds as the whole microseconds that name a reading."""
    return round(utc * 1_000_000)


class HistoryFile:
    """Made anywhere, used in one thread only."""

    def __init__(self, path: Path, clock: Clock) -> None:
        self._path = path
        self._clock = clock
        self._db: sqlite3.Connection | None = None
        self._points: dict[str, int] = {}
        self._words: dict[str, int] = {}
        # hours of points that have no summary yet, and how far back all are known to have one
        self._open_hours: set[tuple[int, int]] = set()
        self._looked_back: dict[int, int] = {}
        self.notes: list[str] = []

    def open(self) -> dict[str, Reading]:
        """Open or make the file, and return the newest reading of each point. StoreError when it cannot be used."""
        try:
            try:
                self._connect(check=True)
                return self.latest()
            except (sqlite3.DatabaseError, schema.Damaged) as error:
                if not schema.is_damage(error):
                    raise
                self._renew(error)
                return self.latest()
        except (sqlite3.Error, OSError) as error:
            self.close()
            raise schema.store_error(self._path, error) from error

    def _connect(self, *, check: bool = False) -> sqlite3.Connection:
        if self._db is None:
            self._path.parent.mkdir(parents=True, exist_ok=True)
            db = schema.connect(self._path, "NORMAL", shrinks=True)
            try:
                if check and self._path.stat().st_size <= _CHECK_BYTES:
                    schema.check(db)
                schema.migrate(db, schema.HISTORY, str(self._path))
                self._points, self._words = {}, {}
            except BaseException:
                db.close()
                raise
            self._db = db
        return self._db

    def _renew(self, error: BaseException) -> None:
        self.close()
        self._open_hours, self._looked_back = set(), {}
        aside = schema.set_aside(self._path, self._clock.now())
        self._connect()
        note = f"The history was damaged ({error}). It is set aside as {aside.name}; a fresh one is begun."
        log.error("%s", note)
        self.notes.append(note)

    def write(self, batch: Sequence[Reading | Verdict]) -> Written:
        """A batch in one transaction. Raises sqlite3.Error or OSError when nothing of it was written."""
        try:
            return self._transact(batch)
        except Exception as error:
            if schema.is_damage(error):
                self._renew(error)
                return self._transact(batch)
            if not schema.is_data_fault(error):
                raise
            if len(batch) > 1:  # one that no file can take must not stand before the others
                parts = [self.write([item]) for item in batch]
                return Written(*(sum(getattr(part, key) for part in parts) for key in Written.__dataclass_fields__))
            log.error("The history cannot record %s: %s", batch[0], error)
            return Written(refused=1)

    def _transact(self, batch: Sequence[Reading | Verdict]) -> Written:
        db, done = self._connect(), Written()
        tally: dict[tuple[int, int], int] = {}
        touched: dict[int, set[int]] = {}
        try:
            db.execute("BEGIN IMMEDIATE")
            for item in batch:
                if isinstance(item, Verdict):
                    done.homeless += not self._revise(db, item, tally, touched)
                elif self._insert(db, item, tally, touched):
                    done.new += 1
                else:
                    done.repeated += 1
            add = "INSERT INTO tally VALUES (?, ?, ?) ON CONFLICT DO UPDATE SET n = n + excluded.n"
            db.executemany(add, [(point, flag, count) for (point, flag), count in tally.items()])
            for point, hours in touched.items():
                hours |= history_hours.forget(db, point, hours)
            db.execute("COMMIT")
        except BaseException as error:
            with contextlib.suppress(sqlite3.Error):
                schema.rollback(db)
            self._points, self._words = {}, {}  # names met in this batch were rolled back with it
            if schema.is_lost(error):
                self.close()
            raise
        self._open_hours.update((point, hour) for point, hours in touched.items() for hour in hours)
        return done

    def _insert(
        self, db: sqlite3.Connection, one: Reading, tally: dict[tuple[int, int], int], touched: dict[int, set[int]]
    ) -> bool:
        """The first reading of a point and instant stands; only a verdict may change it."""
        if one.point not in self._points:
            db.execute("INSERT OR IGNORE INTO point (name, quantity) VALUES (?, ?)", (one.point, one.quantity))
            self._points.update(db.execute("SELECT name, id FROM point WHERE name = ?", (one.point,)))
        point = self._points[one.point]
        values = (
            point, microseconds(one.at.utc), one.at.mono, one.at.trusted, real(one.value), real(one.raw),
            int(one.flag), None, real(one.uncertainty), one.age_s,
            *(self._word(db, text) for text in (one.reason, one.probe, one.calibration, one.basis)),
        )  # fmt: skip
        marks = ", ".join("?" * len(values))
        if db.execute(f"INSERT OR IGNORE INTO reading VALUES ({marks})", values).rowcount < 1:  # noqa: S608
            return False
        key = (point, int(one.flag))
        tally[key] = tally.get(key, 0) + 1
        touched.setdefault(point, set()).add(history_hours.hour_of(microseconds(one.at.utc)))
        return True

    def _revise(
        self, db: sqlite3.Connection, verdict: Verdict, tally: dict[tuple[int, int], int],
        touched: dict[int, set[int]],
    ) -> bool:  # fmt: skip
        query = "SELECT reading.point, flag FROM reading JOIN point ON point.id = reading.point"
        key = (verdict.point, verdict.t_us)
        row = db.execute(f"{query} WHERE point.name = ? AND t_us = ?", key).fetchone()
        if row is None:
            return False
        flag, reason = int(verdict.flag), self._word(db, verdict.reason)
        change = "UPDATE reading SET live_flag = coalesce(live_flag, flag), flag = ?, reason = ?"
        db.execute(f"{change} WHERE point = ? AND t_us = ?", (flag, reason, row[0], verdict.t_us))
        for changed, by in ((row[1], -1), (flag, 1)):
            tally[row[0], changed] = tally.get((row[0], changed), 0) + by
        touched.setdefault(row[0], set()).add(history_hours.hour_of(verdict.t_us))
        return True

    def _word(self, db: sqlite3.Connection, text: str) -> int | None:
        if not text:
            return None
        if text not in self._words:
            if len(self._words) > 5000:  # a reason that never repeats must not fill the memory
                self._words.clear()
            db.execute("INSERT OR IGNORE INTO word (body) VALUES (?)", (clean(text),))
            self._words[text] = db.execute("SELECT id FROM word WHERE body = ?", (clean(text),)).fetchone()[0]
        return self._words[text]

    # -- hours --------------------------------------------------------------------------------------------------

    def sum_up(self, now_us: int, most: int) -> int:
        """Summarise hours that are over and have no summary, at most so many; returns how many were done."""
        over = history_hours.hour_of(now_us)
        due = sorted(one for one in self._open_hours if one[1] < over)[:most]
        self._sum_up(due)
        return len(due)

    def sum_up_before(self, most: int) -> int:
        """The same for hours of the past, of each point from the newest back; returns how many were looked at."""
        db, todo, looked = self._connect(), [], 0
        for (point,) in db.execute("SELECT id FROM point").fetchall():
            hour = self._looked_back.get(point, history_hours.NEVER)
            while looked < most and (before := history_hours.hour_before(db, point, hour)) is not None:
                hour, looked = before, looked + 1
                self._looked_back[point] = hour
                if (point, hour) not in self._open_hours and not history_hours.is_kept(db, point, hour):
                    todo.append((point, hour))
        self._sum_up(todo)
        return looked

    def _sum_up(self, hours: Sequence[tuple[int, int]]) -> None:
        if not hours:
            return
        db = self._connect()
        try:
            db.execute("BEGIN IMMEDIATE")
            for point, hour in hours:
                try:
                    history_hours.sum_up(db, point, hour)
                except (ArithmeticError, ValueError) as error:
                    # numbers nobody can sum: whoever asks for that hour is given its readings
                    log.error("Hour %d of point %d cannot be summarised: %s", hour, point, error)
            db.execute("COMMIT")
        except BaseException:
            with contextlib.suppress(sqlite3.Error):
                schema.rollback(db)
            raise
        self._open_hours.difference_update(hours)

    # -- asking -------------------------------------------------------------------------------------------------

    def latest(self) -> dict[str, Reading]:
        db = self._connect()
        found = {}
        for name, quantity, point in db.execute("SELECT name, quantity, id FROM point").fetchall():
            query = f"SELECT {COLUMNS} FROM reading WHERE point = ? ORDER BY t_us DESC LIMIT 1"  # noqa: S608
            for row in db.execute(query, (point,)):
                found[name] = get_reading(name, quantity, row, self._clock.now().zone)
        return found

    def read(self, point: str, since_us: int, until_us: int, limit: int) -> list[Reading]:
        db = self._connect()
        named = db.execute("SELECT id, quantity FROM point WHERE name = ?", (point,)).fetchone()
        if named is None:
            return []
        query = f"SELECT {COLUMNS} FROM reading WHERE point = ? AND t_us >= ? AND t_us < ? ORDER BY t_us LIMIT ?"  # noqa: S608
        rows, zone = db.execute(query, (named[0], since_us, until_us, limit)), self._clock.now().zone
        return [get_reading(point, named[1], row, zone) for row in rows]

    def counts(self) -> dict[Flag, int]:
        rows = self._connect().execute("SELECT flag, sum(n) FROM tally GROUP BY flag")
        return {Flag(flag): count for flag, count in rows if count}

    def tidy(self) -> None:
        """Give freed pages back and fold the log into the file; a batch at a time, so that it ends soon."""
        db = self._connect()
        # as a script: a plain execute takes the first step only, which frees a single page
        db.executescript("PRAGMA incremental_vacuum(2000)")
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()

    def close(self) -> None:
        if self._db is not None:
            db, self._db = self._db, None
            with contextlib.suppress(sqlite3.Error):
                db.close()


def get_reading(point: str, quantity: str, row: Sequence[Any], zone: tzinfo) -> Reading:
    """A row of COLUMNS."""
    t_us, mono, trusted, value, raw, flag, uncertainty, age, reason, probe, calibration, basis = row
    at = Moment(mono, t_us / 1_000_000, bool(trusted), zone)
    return Reading(
        point, quantity, value, raw, Flag(flag), reason or "", at, probe or "", uncertainty,
        calibration or "", age, basis or "",
    )  # fmt: skip
