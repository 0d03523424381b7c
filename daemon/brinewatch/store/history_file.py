"""The history's SQLite file: readings packed by point, hour and day (deploy/guides/history-file.md).

Used from one thread. A batch is only ever appended; packing is done later, in `sum_up`.
"""

from __future__ import annotations

import contextlib
import logging
import sqlite3
from collections import OrderedDict
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from brinewatch.errors import StoreError
from brinewatch.ports import Clock
from brinewatch.readings import Flag, Reading
from brinewatch.store import carry, schema
from brinewatch.store.columns import Columns, as_kept, microseconds, pack_axis, pack_body
from brinewatch.store.history_hours import FLAGS, counts_of, hour_of, mark_stale
from brinewatch.store.history_rows import DAY_US, HOUR_US, HistoryRows
from brinewatch.store.history_seal import Sealer
from brinewatch.store.rows import clean

log = logging.getLogger(__name__)

# A whole check reads every page: years of readings would keep a small computer busy for minutes at each start.
# Beyond this size it is done beside the watch (see History).
CHECK_BYTES = 16 * 2**20

_EVER_US = 2**62
_WORDS_KEPT, _HOURS_KNOWN = 5000, 96
_COUNTS = "passed, untested, suspect, failed, missing"


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

    new: readings; repeated: point and instant were met before; homeless: verdicts on a reading nobody has; refused:
    values that no file can take.
    """

    new: int = 0
    repeated: int = 0
    homeless: int = 0
    refused: int = 0


class HistoryFile:
    """Made anywhere, used in one thread only."""

    def __init__(self, path: Path, clock: Clock) -> None:
        self._path = path
        self._clock = clock
        self._db: sqlite3.Connection | None = None
        self._points: dict[str, int] = {}
        self._words: dict[str, int] = {}
        self._newest: dict[int, int] = {}
        self._stamps: OrderedDict[tuple[int, int], set[int]] = OrderedDict()
        self._change = 0
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
                if check and self._path.stat().st_size < CHECK_BYTES:
                    schema.check(db)
                schema.migrate(db, schema.HISTORY, str(self._path))
                self._rows = HistoryRows(db)
                self._sealer = Sealer(db, self._rows, self._next_change)
                self._change = _newest_change(db)
                self._forget()
            except BaseException:
                db.close()
                raise
            self._db = db
        return self._db

    def _forget(self) -> None:
        """What was met in a transaction that was rolled back went with it."""
        self._points, self._words, self._newest = {}, {}, {}
        self._stamps.clear()
        self._rows.forget()

    def _next_change(self) -> int:
        self._change += 1
        return self._change

    def _renew(self, error: BaseException) -> None:
        self.close()
        aside = schema.set_aside(self._path, self._clock.now())
        db = self._connect()
        note = f"The history was damaged ({error}). It is set aside as {aside.name}; a fresh one is begun."
        if carry.begin(db, aside):
            note += " What can be read of the old one is carried over, a piece at a time."
        self._change = _newest_change(db)
        self._forget()
        log.error("%s", note)
        self.notes.append(note)

    # -- writing --------------------------------------------------------------------------------------------------

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
        fresh: dict[tuple[int, int], Columns] = {}  # by hour and point
        touched: set[tuple[int, int]] = set()
        try:
            db.execute("BEGIN IMMEDIATE")
            for item in batch:
                if isinstance(item, Verdict):
                    done.homeless += not self._revise(db, item, fresh, touched)
                elif self._take(db, as_kept(item), fresh):
                    done.new += 1
                else:
                    done.repeated += 1
            for (hour, point), columns in sorted(fresh.items(), key=lambda one: one[0]):
                columns.sort()
                if self._is_late(db, point, hour):
                    touched.add((point, hour))
                values = (
                    self._next_change(), point, columns.t[0], columns.t[-1], len(columns), *counts_of(columns.flag),
                    *pack_axis(columns), *pack_body(columns),
                )  # fmt: skip
                db.execute(f"INSERT INTO fresh VALUES ({', '.join('?' * len(values))})", values)  # noqa: S608
            for point, hour in touched:
                mark_stale(db, self._rows, point, hour)
            db.execute("COMMIT")
        except BaseException as error:
            with contextlib.suppress(sqlite3.Error):
                schema.rollback(db)
            self._forget()
            if schema.is_lost(error):
                self.close()
            raise
        self._sealer.due.update((point, hour) for hour, point in fresh)
        if touched:
            self._sealer.look()
        return done

    def _take(self, db: sqlite3.Connection, one: Reading, fresh: dict[tuple[int, int], Columns]) -> bool:
        """The first reading of a point and instant stands; only a verdict may change it."""
        t_us = microseconds(one.at.utc)
        if abs(t_us) >= _EVER_US:
            raise OverflowError(f"no clock shows {one.at.utc:g} s")
        point = self._point(db, one)
        if point not in self._newest:
            self._newest[point] = -_EVER_US if (last := self._rows.before(point, _EVER_US)) is None else last
        hour = hour_of(t_us)
        known = self._stamps.get((point, hour))
        if t_us > self._newest[point]:
            self._newest[point] = t_us
            if known is not None:
                known.add(t_us)
        else:
            if known is None:
                known = self._known(db, point, hour, fresh)
            if t_us in known or self._is_thinned(db, point, hour):
                return False
            known.add(t_us)
        columns = fresh.get((hour, point))
        if columns is None:
            columns = fresh[hour, point] = Columns.none()
        columns.put(one, self._word)
        return True

    def _known(
        self, db: sqlite3.Connection, point: int, hour: int, fresh: dict[tuple[int, int], Columns]
    ) -> set[int]:
        found = set(self._rows.window(point, hour * HOUR_US, (hour + 1) * HOUR_US).t)
        if (hour, point) in fresh:
            found.update(fresh[hour, point].t)
        self._stamps[point, hour] = found
        if len(self._stamps) > _HOURS_KNOWN:
            self._stamps.popitem(last=False)
        return found

    def _is_thinned(self, db: sqlite3.Connection, point: int, hour: int) -> bool:
        """Whether only the hours are left of that time: nobody knows any more what was read then."""
        query = (
            "SELECT 1 FROM piece WHERE point = ? AND begin_us > ? AND begin_us <= ? AND end_us > ? AND axis IS NULL"
        )
        begin = hour * HOUR_US
        return db.execute(query, (point, begin - DAY_US, begin, begin)).fetchone() is not None

    def _is_late(self, db: sqlite3.Connection, point: int, hour: int) -> bool:
        """Whether that hour, or one after it, is packed already."""
        query = "SELECT 1 FROM piece WHERE point = ? AND begin_us > ? AND end_us > ? LIMIT 1"
        return db.execute(query, (point, hour * HOUR_US - DAY_US, hour * HOUR_US)).fetchone() is not None

    def _revise(
        self, db: sqlite3.Connection, verdict: Verdict, fresh: dict[tuple[int, int], Columns],
        touched: set[tuple[int, int]],
    ) -> bool:  # fmt: skip
        row = db.execute("SELECT id FROM point WHERE name = ?", (verdict.point,)).fetchone()
        if row is None:
            return False
        (point,), hour, flag = row, hour_of(verdict.t_us), int(verdict.flag)
        here = fresh.get((hour, point))
        if here is not None and verdict.t_us in here.t:
            here.judge(here.t.index(verdict.t_us), flag, self._word(verdict.reason))
            return True
        there = self._rows.window(point, verdict.t_us, verdict.t_us + 1)
        if not len(there):
            return False
        db.execute(
            "INSERT INTO verdict VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT DO UPDATE SET"
            " flag = excluded.flag, reason = excluded.reason, change = excluded.change",
            (point, verdict.t_us, flag, self._word(verdict.reason), there.flag[0], self._next_change()),
        )
        touched.add((point, hour))
        return True

    def _point(self, db: sqlite3.Connection, one: Reading) -> int:
        if one.point not in self._points:
            db.execute("INSERT OR IGNORE INTO point (name, quantity) VALUES (?, ?)", (one.point, one.quantity))
            self._points.update(db.execute("SELECT name, id FROM point WHERE name = ?", (one.point,)))
        return self._points[one.point]

    def _word(self, text: str) -> int | None:
        if not text:
            return None
        if text not in self._words:
            if len(self._words) > _WORDS_KEPT:  # a reason that never repeats must not fill the memory
                self._words.clear()
            db = self._connect()
            db.execute("INSERT OR IGNORE INTO word (body) VALUES (?)", (clean(text),))
            self._words[text] = db.execute("SELECT id FROM word WHERE body = ?", (clean(text),)).fetchone()[0]
        return self._words[text]

    # -- care -----------------------------------------------------------------------------------------------------

    def sum_up(self, now_us: int, most: int) -> int:
        """Pack hours that are over, and days, at most so many; returns how many were done."""
        return self._care(lambda sealer: sealer.seal_hours(now_us, most) or sealer.join_days(now_us, most))

    def sum_up_before(self, most: int) -> int:
        """Pack rows of an earlier version, at most so many days of points; returns how many were done."""
        now_us = microseconds(self._clock.now().utc)
        return self._care(lambda sealer: sealer.convert(now_us, most))

    def carry_over(self, most: int) -> int:
        """Carry over so much of a damaged file that was set aside; returns how much, 0 at the end."""
        db = self._connect()
        looked, words = carry.go_on(db, self._rows, self._path.parent, most, self.write)
        if words:
            self.notes.append(words)
        if looked:
            self._forget()
            self._sealer.look()
        return looked

    def thin(self, before_us: int) -> int:
        """Let go of readings before an instant, some days of them; their hours are kept. Returns how many."""
        return self._care(lambda sealer: sealer.thin(before_us))

    def _care(self, work: Callable[[Sealer], int]) -> int:
        self._connect()
        try:
            return work(self._sealer)
        except Exception as error:
            self._forget()
            if schema.is_damage(error):
                self._renew(error)
                return 0
            if schema.is_lost(error):
                self.close()
            raise

    def renew(self, found: str) -> None:
        """Set the file aside for damage somebody else found in it, and begin a fresh one."""
        self._renew(schema.Damaged(found))

    def tidy(self) -> bool:
        """Give some freed pages back, and at the end fold the log into the file. False when there was nothing
        left.
        """
        db = self._connect()
        # as a script: a plain execute takes the first step only, which frees a single page
        (free,) = db.execute("PRAGMA freelist_count").fetchone()
        db.executescript("PRAGMA incremental_vacuum(500)")
        if 0 < db.execute("PRAGMA freelist_count").fetchone()[0] < free:
            return True
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
        return False

    # -- asking -------------------------------------------------------------------------------------------------

    def latest(self) -> dict[str, Reading]:
        self._connect()
        found = {}
        for name, (point, quantity) in self._rows.points().items():
            last = self._rows.before(point, _EVER_US)
            if last is not None:
                rows = self._rows.window(point, last, last + 1)
                found[name] = next(rows.readings(name, quantity, self._rows.word, self._clock.now().zone))
        return found

    def read(self, point: str, since_us: int, until_us: int, limit: int) -> list[Reading]:
        """Readings from since to before until, oldest first, so many at most."""
        self._connect()
        named, found = self._rows.point(point), list[Reading]()
        while named is not None and len(found) < limit:
            begin = self._rows.after(named[0], since_us - 1, until_us)
            if begin is None:
                break
            since_us = min(until_us, (begin // DAY_US + 1) * DAY_US)
            rows = self._rows.window(named[0], begin, since_us).part(0, limit - len(found))
            found += rows.readings(point, named[1], self._rows.word, self._clock.now().zone)
        return found

    def counts(self) -> dict[Flag, int]:
        db, found = self._connect(), dict.fromkeys(FLAGS, 0)
        for table in ("fresh", "piece"):
            sums = ", ".join(f"sum({name})" for name in _COUNTS.split(", "))
            for flag, many in zip(FLAGS, db.execute(f"SELECT {sums} FROM {table}").fetchone(), strict=True):  # noqa: S608
                found[flag] += many or 0
        for flag, was in db.execute("SELECT flag, was FROM verdict"):
            found[Flag(flag)] += 1
            found[Flag(was)] -= 1
        for flag, many in db.execute("SELECT flag, sum(n) FROM tally GROUP BY flag"):
            found[Flag(flag)] += many
        return {flag: many for flag, many in found.items() if many}

    def close(self) -> None:
        if self._db is not None:
            db, self._db = self._db, None
            with contextlib.suppress(sqlite3.Error):
                db.close()


def _newest_change(db: sqlite3.Connection) -> int:
    (found,) = db.execute(
        "SELECT max(value) FROM (SELECT max(change) AS value FROM fresh UNION ALL SELECT max(change) FROM piece"
        " UNION ALL SELECT max(change) FROM verdict UNION ALL SELECT value FROM state WHERE name = 'change')"
    ).fetchone()
    return int(found or 0)


__all__ = ["CHECK_BYTES", "HistoryFile", "StoreError", "Verdict", "Written", "microseconds"]
