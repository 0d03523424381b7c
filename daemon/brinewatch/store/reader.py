"""The files of a store, read beside the daemon that writes them, or without one. Nothing is ever written.

A write-ahead log lets readers in while the daemon writes (sqlite.org/wal.html), so years can be read without a word
to it. Where there is no log nobody has the file open: it is then opened as immutable, since an ordinary reader
would leave log files behind that belong to whoever asked, and the daemon could not open its own store any more.
"""

from __future__ import annotations

import heapq
import logging
import sqlite3
from collections.abc import Callable, Collection, Iterable, Iterator
from datetime import tzinfo
from pathlib import Path
from types import TracebackType
from typing import Any, TypeVar
from urllib.parse import quote

from brinewatch.alarms.events import AlarmEvent
from brinewatch.errors import StoreError
from brinewatch.messages import Delivery
from brinewatch.signals.records import CalibrationRecord
from brinewatch.store import chain, schema
from brinewatch.store.chain import Checked, Head, Record
from brinewatch.store.journal_tables import JOURNAL
from brinewatch.store.past_reader import Change, PastReader
from brinewatch.store.rows import (
    CALIBRATIONS,
    ENTRY_COLUMNS,
    EVENT_COLUMNS,
    MEASURED,
    MESSAGE_COLUMNS,
    Called,
    Entry,
    Fate,
    Logged,
    get_calibrations,
    get_entry,
    get_event,
    get_message,
)

T = TypeVar("T")

_EVER = 1e18  # seconds
_PIECE = 500  # links of the chain
_FATES = 20_000  # messages looked through

log = logging.getLogger(__name__)

_BUSY_S = 5.0
_CALIBRATIONS_SINCE, _CHAINED_SINCE, _MEASURED_SINCE = 2, 3, 4  # schema of the journal


class StoreReader(PastReader):
    """Use it as a context manager, from one thread. zone: the shed's. StoreError when a file cannot be read.

    What is asked of the history stands in PastReader.
    """

    def __init__(self, folder: Path, zone: tzinfo) -> None:
        super().__init__(folder / "history.sqlite", zone, self._file, _unreadable)
        self._journal = folder / "journal.sqlite"
        self._zone = zone
        self._open: dict[Path, sqlite3.Connection] = {}
        self._still: set[Path] = set()

    def __enter__(self) -> StoreReader:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        for db in self._open.values():
            db.close()
        self._db = None
        woken = [path for path in self._still if schema.log_of(path).exists()]
        self._open, self._still = {}, set()
        if woken and kind is None:
            raise StoreError("The daemon was started while the store was being read.", "Ask again.")

    def calibrations(self) -> tuple[CalibrationRecord, ...]:
        """Every calibration record that can be read; none when there is no journal yet."""
        if not self._journal.exists():
            return ()
        notes: list[str] = []
        [(version,)] = self._ask(self._journal, "PRAGMA user_version", ())
        if version < _CALIBRATIONS_SINCE:
            return ()
        records = get_calibrations(self._ask(self._journal, CALIBRATIONS, ()), notes)
        for note in notes:
            log.warning("%s", note)
        return tuple(records)

    # -- the journal ----------------------------------------------------------------------------------------------

    def records(
        self, tables: Collection[str], since_utc: float = -_EVER, until_utc: float = _EVER
    ) -> Iterator[Record]:
        """Records of these tables of the journal, of an instant from since to before until, in order of its chain,
        one after another."""
        version = self._chained()
        streams = [self._records(table, version, since_utc, until_utc) for table in tables]
        return heapq.merge(*streams, key=lambda record: record.link)

    def _records(self, table: str, version: int, since_utc: float, until_utc: float) -> Iterator[Record]:
        for row in self._ask(self._journal, chain.query(table, version), (table, since_utc, until_utc)):
            yield chain.get_record(table, row)

    def pieces(
        self,
        tables: Collection[str],
        since_utc: float = -_EVER,
        until_utc: float = _EVER,
        before: int | None = None,
    ) -> Iterator[tuple[int, list[Record]]]:
        """The same from the newest back, a piece of the chain at a time: its first link, and what it holds of them,
        the newest first. before: a link; only what stands before it."""
        version = self._chained()
        spans: list[tuple[Any, ...]] = []
        if since_utc <= -_EVER and until_utc >= _EVER:
            spans += self._ask(self._journal, "SELECT min(link), max(link) FROM chain", ())
        else:
            for table in tables:
                spans += self._ask(self._journal, chain.ends(table), (table, since_utc, until_utc))
        known = [(first, last) for first, last in spans if first is not None]
        if not known:
            return
        low, high = min(first for first, _ in known), 1 + max(last for _, last in known)
        high = high if before is None else min(high, before)
        while high > low:
            begin = max(low, high - _PIECE)
            found: list[Record] = []
            for table in tables:
                values = (table, begin, high, since_utc, until_utc)
                rows = self._ask(self._journal, chain.backward(table, version), values)
                found += [chain.get_record(table, row) for row in rows]
            yield begin, sorted(found, key=lambda record: -record.link)
            high = begin

    def incident(self, number: int) -> tuple[list[Logged], list[Called]]:
        """The events of one incident in order of the chain, and the messages they caused."""
        self._chained()
        order = "SELECT link FROM chain WHERE record = 'event' AND key = +event.id"
        query = f"SELECT {EVENT_COLUMNS} FROM event WHERE incident = ? ORDER BY ({order})"  # noqa: S608 - our own words
        events = [get_event(row, self._zone) for row in self._ask(self._journal, query, (number,))]
        query = (
            f"SELECT {MESSAGE_COLUMNS}, (SELECT min(sent_utc) FROM reference WHERE message = message.id)"  # noqa: S608
            " FROM message WHERE event = ? ORDER BY id"
        )
        calls = [
            Called(event.id, get_message(row), row[-1])
            for event in events
            for row in self._ask(self._journal, query, (event.id,))
        ]
        return events, calls

    def fates(self) -> list[Fate]:
        """What became of the newest messages, by way, address and state; none when there is no journal yet."""
        if not self._journal.exists():
            return []
        newest = "id > (SELECT max(id) FROM message) - ?"
        sent = "(SELECT min(sent_utc) FROM reference WHERE message = message.id)"
        query = (
            f"SELECT way, recipient, state, detail, changed_utc, {sent}, max(id) FROM message"  # noqa: S608
            f" WHERE {newest} GROUP BY way, recipient, state"
        )
        rows = self._ask(self._journal, query, (_FATES,))
        return [Fate(row[0], row[1], Delivery(row[2]), row[3], row[4], row[5]) for row in rows]

    def entries(self, points: Collection[str], since_utc: float = -_EVER, until_utc: float = _EVER) -> list[Entry]:
        """What was entered for these points and counts, measured from since to before until, the oldest first; none
        when there is no journal yet."""
        if not self._journal.exists() or not points:
            return []
        if self._chained() < _MEASURED_SINCE:
            return []
        where = f"point IN ({', '.join('?' * len(points))}) AND {MEASURED} >= ? AND {MEASURED} < ?"
        query = f"SELECT {ENTRY_COLUMNS} FROM entry WHERE {where} ORDER BY {MEASURED}, id"  # noqa: S608 - our own words
        rows = self._ask(self._journal, query, (*points, since_utc, until_utc))
        return [one for one in (get_entry(row, self._zone) for row in rows) if one.stands]

    def photos(self) -> set[str]:
        """The names of all photos that entries name, those that do not count too."""
        if not self._journal.exists() or self._chained() < _MEASURED_SINCE:
            return set()
        return {row[0] for row in self._ask(self._journal, "SELECT photo FROM entry WHERE photo IS NOT NULL", ())}

    def events(self, since_utc: float, until_utc: float) -> list[AlarmEvent]:
        """What alarms said from since to before until, in order."""
        self._chained()
        query = f"SELECT {EVENT_COLUMNS} FROM event WHERE at_utc >= ? AND at_utc < ? ORDER BY id"  # noqa: S608
        rows = self._ask(self._journal, query, (since_utc, until_utc))
        return [get_event(row, self._zone).event for row in rows]

    def check_chain(self, known: Iterable[Head] = ()) -> Checked:
        """Follow the chain of the journal from end to end. known: heads given out before."""
        self._chained()
        return self._whole(lambda db: chain.check(db, known))

    def follow_chain(self, walk: chain.Walk, most: int) -> bool:
        """A piece of the same, at most so many links, as the file is now; True when the walk is over."""
        self._chained()
        return self._whole(lambda db: walk.on(db, most))

    def _whole(self, work: Callable[[sqlite3.Connection], T]) -> T:
        """Asked in one transaction: all of the file at one instant."""
        db = self._file(self._journal)
        try:
            db.execute("BEGIN")
            try:
                return work(db)
            finally:
                db.execute("COMMIT")
        except (sqlite3.Error, OSError) as error:
            raise _unreadable(self._journal, error) from error

    def _chained(self) -> int:
        [(version,)] = self._ask(self._journal, "PRAGMA user_version", ())
        if version < _CHAINED_SINCE:
            raise StoreError(
                f"{self._journal} is of an earlier version, without a chain.",
                "Start the daemon once: it brings the file up.",
            )
        return int(version)

    def _ask(self, path: Path, query: str, values: tuple[Any, ...]) -> Iterator[tuple[Any, ...]]:
        try:
            for row in self._file(path).execute(query, values):  # noqa: UP028 - a cursor given up is not to be closed
                yield row
        except (sqlite3.Error, OSError) as error:
            raise _unreadable(path, error) from error

    def _file(self, path: Path) -> sqlite3.Connection:
        if path in self._open:
            return self._open[path]
        if not path.is_file():
            raise StoreError(f"There is no {path}.", "Has this shed been watched yet? Name its file with --shed.")
        still = not schema.log_of(path).exists()
        address = f"file:{quote(str(path.resolve()))}?mode=ro{'&immutable=1' if still else ''}"
        db = sqlite3.connect(address, uri=True, timeout=_BUSY_S, isolation_level=None)
        if path == self._journal:
            # text that is no UTF-8 is no reason to stop reading, and must not pass for what was written
            db.text_factory = lambda text: text.decode("utf-8", "surrogateescape")
        self._open[path] = db
        if still:
            self._still.add(path)
        known = len(JOURNAL if path == self._journal else schema.HISTORY)
        if _version(db) > known:
            raise schema.NewerStore(
                f"{path} has schema {_version(db)}, this program knows {known}.", "Use the program that wrote it."
            )
        return db


def _unreadable(path: Path, error: Exception) -> StoreError:
    code = (getattr(error, "sqlite_errorcode", None) or 0) & 0xFF
    if code in (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM) or isinstance(error, PermissionError):
        return StoreError(f"{path} cannot be opened for reading ({error}).", "Use the account of the daemon.")
    return schema.store_error(path, error)


def _version(db: sqlite3.Connection) -> int:
    return int(db.execute("PRAGMA user_version").fetchone()[0])


__all__ = ["Change", "StoreReader"]
