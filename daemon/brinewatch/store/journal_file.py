"""The journal's SQLite file: one connection, used from one thread, every write a whole transaction on the disk."""

from __future__ import annotations

import contextlib
import json
import logging
import sqlite3
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from brinewatch.errors import StoreError
from brinewatch.messages import Delivery
from brinewatch.moment import Moment, utc_text
from brinewatch.ports import Clock
from brinewatch.signals.records import CalibrationRecord
from brinewatch.store import chain, schema
from brinewatch.store.journal_tables import JOURNAL
from brinewatch.store.rows import (
    CALIBRATIONS,
    ENTRY_COLUMNS,
    EVENT_COLUMNS,
    LATE,
    MEASURED,
    MESSAGE_COLUMNS,
    STANDS,
    Entry,
    Logged,
    Posted,
    Remark,
    Write,
    get_calibrations,
    get_entry,
    get_event,
    get_message,
    moment,
    put_committed,
)
from brinewatch.store.tray import REPORT_AGE_S, Part, Standing

log = logging.getLogger(__name__)

_TABLES = ("event", "message", "remark", "entry")


@dataclass(slots=True)
class Contents:
    """What an opened journal holds: what it knew, what is still to be done, and the next free row numbers."""

    memories: dict[str, dict[str, Any]] = field(default_factory=dict)
    saved: Moment | None = None
    saved_boot: str = ""
    next_number: int = 1
    entries: list[Entry] = field(default_factory=list)
    calibrations: list[CalibrationRecord] = field(default_factory=list)
    rules: dict[str, str] = field(default_factory=dict)
    open: list[Standing] = field(default_factory=list)
    parts: list[Part] = field(default_factory=list)
    expired: list[Standing] = field(default_factory=list)
    next_rows: dict[str, int] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)


class JournalFile:
    """Made anywhere, used in one thread only."""

    def __init__(self, path: Path, clock: Clock, boot: str) -> None:
        self._path = path
        self._clock = clock
        self._boot = boot
        self._db: sqlite3.Connection | None = None
        self._opened = False
        self._begin_words = ""
        self.head: chain.Head | None = None  # the newest link that is on the disk
        self.notes: list[str] = []
        self.found: Contents | None = None  # what an opening brought, until somebody takes it

    def open(self) -> None:
        """Open, make or mend the file, and read what it knew into `found`. StoreError when it cannot be used."""
        if not self._opened:
            self.found = self._open()
            self._opened = True

    def take(self) -> tuple[Contents | None, list[str]]:
        """What an opening brought and what went wrong with the file, once; from any thread while none writes."""
        found, self.found = self.found, None
        notes, self.notes = self.notes, []
        return found, notes

    def _open(self) -> Contents:
        try:
            self._path.parent.mkdir(parents=True, exist_ok=True)
            try:
                self._connect(check=True)
            except (sqlite3.DatabaseError, schema.Damaged) as error:
                if not schema.is_damage(error):
                    raise
                self._renew(error)
            try:
                self._chained()
                return self._contents()
            except sqlite3.DatabaseError as error:
                if not schema.is_damage(error):
                    raise
                self._renew(error)
                self._chained()
                return self._contents()
        except (sqlite3.Error, OSError) as error:
            self.close()
            raise schema.store_error(self._path, error) from error

    def _connect(self, *, check: bool) -> sqlite3.Connection:
        if self._db is None:
            db = schema.connect(self._path, "FULL")
            try:
                if check:
                    schema.check(db)
                schema.migrate(db, JOURNAL, str(self._path))
            except BaseException:
                db.close()
                raise
            self._db = db
        return self._db

    def _renew(self, error: BaseException) -> None:
        """Set the damaged file aside and begin a fresh one with every row that can still be read."""
        self.close()
        aside = schema.set_aside(self._path, self._clock.now())
        # the chain of the damaged file ends there: what is carried over begins another, which says so
        carried = schema.salvage(aside, self._connect(check=False), leave=("chain",))
        kept = ", ".join(f"{count} of {table}" for table, count in carried.items() if count) or "none"
        note = (
            f"The journal was damaged ({error}). It is set aside as {aside.name} and a fresh one is begun; "
            f"rows carried over: {kept}."
        )
        log.error("%s", note)
        self.notes.append(note)
        last = self.head or chain.end_of(aside)
        end = f" The chain before ended at {last}." if last else ""
        self._begin_words = f"{note}{end} What was carried over is taken in as it stands."

    def _chained(self) -> None:
        """See that the file has a chain; a disk that takes no writes stops nobody from reading one that has."""
        self.head = chain.head(self._connect(check=False))
        if self.head is None:
            self._transact(())

    def write(self, batch: Sequence[Write]) -> None:
        """All of a batch in one transaction; it is on the disk when this returns.

        A Write whose values no file can take is marked refused and left out, so that it does not stand before the
        others. Raises sqlite3.Error or OSError when nothing was written, or when that is not known.
        """
        self.open()
        try:
            self._transact(batch)
        except Exception as error:
            if schema.is_damage(error):
                self._renew(error)
                self._transact(batch)
            elif not schema.is_data_fault(error):
                raise
            elif len(batch) > 1:
                for one in batch:
                    self.write([one])
            else:
                batch[0].refused = str(error)
                log.error("The journal cannot record %s: %s", batch[0].statements, error)

    def _transact(self, batch: Sequence[Write]) -> None:
        db = self._connect(check=False)
        try:
            db.execute("BEGIN IMMEDIATE")
            # a file without a chain, fresh, of an earlier version or mended, is given one before all else
            head = chain.head(db) or chain.begin(db, self._begin_words, self._clock.now(), self._boot)
            for write in batch:
                made = []
                for sql, values, record in write.statements:
                    if db.execute(sql, values).rowcount == 1 and record:
                        made.append((record, values[0]))
                if write.events:
                    stamp = put_committed(write.events, self._clock.now())
                    db.execute(stamp.sql, stamp.values)
                head = chain.append(db, made, head)
            db.execute("COMMIT")
            self.head, self._begin_words = head, ""
        except BaseException as error:
            with contextlib.suppress(sqlite3.Error):
                schema.rollback(db)
            if schema.is_lost(error):
                self.close()
            raise

    def _contents(self) -> Contents:
        db, now = self._connect(check=False), self._clock.now()
        found = Contents(notes=self.notes)
        self.notes = []
        found.memories = self._json(db, "memory", found.notes)
        meta = self._json(db, "meta", found.notes)
        if "saved" in meta:
            mono, utc, trusted, found.saved_boot = meta["saved"]
            found.saved = Moment(mono, utc, trusted, now.zone)
        highest = db.execute("SELECT max(number) FROM event").fetchone()[0]
        found.next_number = meta.get("next_number", (highest or 0) + 1)
        found.rules = meta.get("rules", {})
        standing = STANDS.format("entry")
        corrected = f"SELECT corrects FROM entry WHERE corrects IS NOT NULL AND {standing}"  # noqa: S608 - our own words
        place = f"row_number() OVER (PARTITION BY point ORDER BY {MEASURED} DESC, id DESC) AS place"
        sound = f"SELECT id, {place} FROM entry WHERE id NOT IN ({corrected}) AND {standing}"  # noqa: S608
        newest = f"id IN (SELECT id FROM ({sound}) WHERE place = 1)"  # noqa: S608
        latest = f"SELECT {ENTRY_COLUMNS} FROM entry WHERE {newest} ORDER BY id"  # noqa: S608
        found.entries = [get_entry(row, now.zone) for row in db.execute(latest)]
        found.calibrations = get_calibrations(db.execute(CALIBRATIONS), found.notes)
        for table in _TABLES:
            found.next_rows[table] = 1 + (db.execute(f"SELECT max(id) FROM {table}").fetchone()[0] or 0)  # noqa: S608
        self._messages(db, now, found)
        return found

    @staticmethod
    def _json(db: sqlite3.Connection, table: str, notes: list[str]) -> dict[str, Any]:
        """Name to value of a two-column table; what the check of the whole file could not see is noted here."""
        read: dict[str, Any] = {}
        for key, body in db.execute(f"SELECT * FROM {table}"):  # noqa: S608 - our own names
            try:
                read[key] = json.loads(body)
            except ValueError:
                notes.append(f"What the journal kept of {key} cannot be read; it begins anew.")
        return read

    def _messages(self, db: sqlite3.Connection, now: Moment, found: Contents) -> None:
        standing: dict[int, Standing] = {}
        query = f"SELECT {MESSAGE_COLUMNS} FROM message"  # noqa: S608 - our own names
        for row in db.execute(f"{query} WHERE due_utc IS NOT NULL OR state = 'waiting' ORDER BY id"):
            one = standing[row[0]] = self._standing(row, now)
            expired = one.expires_mono is not None and one.expires_mono <= now.mono
            (found.expired if expired else found.open).append(one)
        oldest = now.utc - REPORT_AGE_S
        young = "SELECT * FROM reference WHERE sent_utc > ? OR sent_trusted = 0 ORDER BY message, try, part"
        for part in db.execute(young, (oldest,)).fetchall():
            row = db.execute(f"{query} WHERE id = ?", part[:1]).fetchone()
            if row is not None:
                one = standing.setdefault(part[0], self._standing(row, now))
                mono = part[4] if self._same_boot(part[7], part[4], now) else None
                found.parts.append(
                    Part(one, part[1], part[2], part[3], mono, part[5], bool(part[6]), Delivery(part[8]))
                )

    def _standing(self, row: Sequence[Any], now: Moment) -> Standing:
        posted = get_message(row)
        left = (
            None if posted.message.expires_utc is None else posted.message.expires_utc - posted.message.created_utc
        )
        expires = None
        if left is not None and self._same_boot(row[16], row[14], now):
            expires = row[14] + left
        elif left is not None and row[15] and now.trusted:
            expires = now.mono + left - (now.utc - row[5])
        return Standing(
            row[0], posted.message, row[13], posted.state, posted.detail, posted.tries, expires_mono=expires
        )

    def _same_boot(self, boot: str, mono: float, now: Moment) -> bool:
        return boot == self._boot and mono <= now.mono

    # -- asking -------------------------------------------------------------------------------------------------

    def _ask(self, query: str, *values: Any) -> list[Any]:
        return self._connect(check=False).execute(query, values).fetchall()

    def events(self, since_utc: float, until_utc: float, limit: int) -> list[Logged]:
        where = "WHERE at_utc >= ? AND at_utc < ? ORDER BY at_utc DESC, id DESC LIMIT ?"
        rows = self._ask(f"SELECT {EVENT_COLUMNS} FROM event {where}", since_utc, until_utc, limit)  # noqa: S608
        return [get_event(row, self._clock.now().zone) for row in rows]

    def recent(self, limit: int) -> list[Logged]:
        rows = self._ask(f"SELECT {EVENT_COLUMNS} FROM event ORDER BY id DESC LIMIT ?", limit)  # noqa: S608
        return [get_event(row, self._clock.now().zone) for row in rows]

    def outbox(self, limit: int) -> list[Posted]:
        rows = self._ask(f"SELECT {MESSAGE_COLUMNS} FROM message ORDER BY id DESC LIMIT ?", limit)  # noqa: S608
        return [get_message(row) for row in rows]

    def entries(self, point: str | None, limit: int) -> list[Entry]:
        where = f"WHERE (point = ?1 OR ?1 IS NULL) AND {STANDS.format('entry')} ORDER BY id DESC LIMIT ?2"
        rows = self._ask(f"SELECT {ENTRY_COLUMNS} FROM entry {where}", point, limit)  # noqa: S608
        return [get_entry(row, self._clock.now().zone) for row in rows]

    def entries_where(self, where: str, values: Sequence[Any], limit: int) -> list[Entry]:
        """Entries of which `where` is true, corrected and withdrawn ones too but for those that came too late, the
        newest measured first."""
        late = "SELECT 1 FROM withdrawn WHERE entry = entry.id AND detail = ?"
        query = f"SELECT {ENTRY_COLUMNS} FROM entry WHERE ({where}) AND NOT EXISTS ({late})"  # noqa: S608 - our own words
        rows = self._ask(f"{query} ORDER BY {MEASURED} DESC, id DESC LIMIT ?", *values, LATE, limit)
        return [get_entry(row, self._clock.now().zone) for row in rows]

    def remarks(self, limit: int) -> list[Remark]:
        rows = self._ask("SELECT * FROM remark ORDER BY id DESC LIMIT ?", limit)
        zone = self._clock.now().zone
        return [Remark(row[0], row[1], row[2], at, row[6]) for row in rows if (at := moment(row[3:6], zone))]

    def attend(self, work: Callable[[], Any]) -> Any:
        """Do a piece of asking, and say in words why it failed."""
        try:
            self.open()
            return work()
        except (sqlite3.Error, OSError) as error:
            raise schema.store_error(self._path, error) from error

    def close(self) -> None:
        if self._db is not None:
            db, self._db = self._db, None
            with contextlib.suppress(sqlite3.Error):
                db.close()


def expired_note(expired: Sequence[Standing]) -> str:
    """What to tell people of messages that could not go out in time."""
    oldest = min(one.message.created_utc for one in expired)
    return f"{len(expired)} messages could not go out while they were of use; the oldest is of {utc_text(oldest)}."


__all__ = ["Contents", "JournalFile", "StoreError", "expired_note"]
