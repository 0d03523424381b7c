"""The two SQLite files: their tables, how they come to be, and what is done when one is damaged.

Every number of a schema is one transaction: a file is either at a number or at the one before, never between.
"""

from __future__ import annotations

import os
import sqlite3
import zlib
from collections.abc import Callable, Collection, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal, TypeVar
from urllib.parse import quote

from brinewatch.errors import StoreError
from brinewatch.moment import Moment
from brinewatch.store.history_tables import PACKED
from brinewatch.wholefile import sync

T = TypeVar("T")
Step = tuple[str, ...]  # the statements that lead from one schema number to the next

_BUSY_S = 5.0  # how long SQLite itself waits for another process's lock


class NewerStore(StoreError):
    """The file was written by a later version of this program, or by another program altogether."""


class Damaged(Exception):
    """The file is not sound; told inside the store only, which then sets it aside."""


# live_flag: the flag as it was when read, where a later verdict changed it
_READING = """
CREATE TABLE reading (
  point INTEGER NOT NULL, t_us INTEGER NOT NULL, mono REAL NOT NULL, trusted INTEGER NOT NULL,
  value REAL, raw REAL, flag INTEGER NOT NULL, live_flag INTEGER, uncertainty REAL, age_s REAL NOT NULL,
  reason INTEGER, probe INTEGER, calibration INTEGER, basis INTEGER,
  PRIMARY KEY (point, t_us)) WITHOUT ROWID"""

_TALLY = """
CREATE TABLE tally (
  point INTEGER NOT NULL, flag INTEGER NOT NULL, n INTEGER NOT NULL, PRIMARY KEY (point, flag)) WITHOUT ROWID"""

# hour: counted from 1970; fives: packed, see history_hours; before: the reading that stood when the hour began
_HOUR = """
CREATE TABLE hour (
  point INTEGER NOT NULL, hour INTEGER NOT NULL,
  passed INTEGER NOT NULL, untested INTEGER NOT NULL, suspect INTEGER NOT NULL, failed INTEGER NOT NULL,
  missing INTEGER NOT NULL, low REAL, high REAL, total REAL NOT NULL, first REAL, last REAL, oldest_s REAL NOT NULL,
  fives BLOB NOT NULL, busiest INTEGER NOT NULL,
  before_us INTEGER, before_value REAL, before_flag INTEGER, before_age_s REAL,
  PRIMARY KEY (point, hour)) WITHOUT ROWID"""

HISTORY: tuple[Step, ...] = (
    (
        "CREATE TABLE point (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE, quantity TEXT NOT NULL)",
        # reasons, probes, calibrations and bases repeat for months: each text is kept once
        "CREATE TABLE word (id INTEGER PRIMARY KEY, body TEXT NOT NULL UNIQUE)",
        _READING,
        _TALLY,
    ),
    # raw was the number on the wire, and is now what the probe said in the quantity's unit: so far, the value
    ("UPDATE reading SET raw = value WHERE raw IS NOT NULL",),
    (_HOUR,),
    PACKED,
)


def connect(
    path: Path, synchronous: Literal["FULL", "NORMAL"], *, shrinks: bool = False, rights: int = 0o640
) -> sqlite3.Connection:
    """One connection in WAL mode, in autocommit: transactions are begun and ended in so many words.

    shrinks: let a fresh file give freed pages back (auto_vacuum = incremental); rights: of a fresh file.
    """
    fresh = not path.exists()
    if fresh:
        os.close(os.open(path, os.O_CREAT | os.O_WRONLY, rights))  # the usual one holds people's phone numbers
        sync(path.parent)  # or a power cut could take the whole new file away
    db = sqlite3.connect(path, timeout=_BUSY_S, isolation_level=None)
    try:
        if shrinks and fresh:
            db.execute("PRAGMA auto_vacuum = INCREMENTAL")
        mode = db.execute("PRAGMA journal_mode = WAL").fetchone()[0]
        if mode != "wal":
            raise StoreError(f"{path} cannot keep a write-ahead log.", "Put the data folder on a local disk.")
        db.execute(f"PRAGMA synchronous = {synchronous}")
    except BaseException:
        db.close()
        raise
    return db


def migrate(db: sqlite3.Connection, steps: Sequence[Step], name: str) -> None:
    """Bring a file up to the newest schema, one transaction a step. NewerStore when it is beyond or foreign."""
    version: int = db.execute("PRAGMA user_version").fetchone()[0]
    if version > len(steps):
        raise NewerStore(
            f"{name} has schema {version}, this program knows {len(steps)}.",
            "Install the program that wrote it, or name another data folder.",
        )
    if version == 0 and db.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]:
        raise NewerStore(f"{name} holds tables of another program.", "Name another data folder.")
    for number in range(version, len(steps)):
        db.execute("BEGIN IMMEDIATE")
        try:
            for statement in steps[number]:
                db.execute(statement)
            db.execute(f"PRAGMA user_version = {number + 1}")
            db.execute("COMMIT")
        except BaseException:
            rollback(db)
            raise


def check(db: sqlite3.Connection) -> None:
    """Damaged when SQLite's own quick check finds anything."""
    found = [row[0] for row in db.execute("PRAGMA quick_check(3)")]
    if found != ["ok"]:
        raise Damaged("; ".join(str(line) for line in found))


def look_over(path: Path, least: int) -> str:
    """SQLite's quick check of a file of so many bytes at least, over a connection of its own beside whoever writes;
    what it found, empty when sound."""
    if not path.is_file() or path.stat().st_size < least:
        return ""
    db = connect_beside(path)
    try:
        check(db)
    except (Damaged, sqlite3.DatabaseError) as error:
        if is_damage(error):
            return str(error)
        raise
    finally:
        db.close()
    return ""


def log_of(path: Path) -> Path:
    """The write-ahead log of a file; it is there while somebody has the file open."""
    return path.with_name(path.name + "-wal")


def connect_beside(path: Path) -> sqlite3.Connection:
    """A connection that only reads, beside the daemon's own. Where nobody has the file open it is read as
    immutable: else log files would be left behind that belong to whoever asked.
    """
    still = "" if log_of(path).exists() else "&immutable=1"
    address = f"file:{quote(str(path.resolve()))}?mode=ro{still}"
    return sqlite3.connect(address, uri=True, timeout=_BUSY_S, isolation_level=None)


def rollback(db: sqlite3.Connection) -> None:
    if db.in_transaction:
        db.execute("ROLLBACK")


def is_lost(error: BaseException) -> bool:
    """Whether the connection itself is not to be trusted any more and must be made anew at the next try."""
    code = getattr(error, "sqlite_errorcode", None) or 0
    return (code & 0xFF) in (sqlite3.SQLITE_IOERR, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY)


def is_damage(error: BaseException) -> bool:
    """Whether an error means that the file itself is broken, not the disk full or the lock taken."""
    code = getattr(error, "sqlite_errorcode", None) or 0
    return isinstance(error, Damaged) or (code & 0xFF) in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)


def unpacking(work: Callable[[], T]) -> T:
    """What `work` unpacks. Damaged when the bytes are not what was packed: SQLite itself keeps no sums of them."""
    try:
        return work()
    except (ValueError, KeyError, IndexError, TypeError, ArithmeticError, AttributeError, zlib.error) as error:
        raise Damaged(f"packed readings cannot be unpacked: {error}") from error


def is_data_fault(error: BaseException) -> bool:
    """Whether the values are at fault, so that trying again can never help."""
    return isinstance(
        error,
        (
            sqlite3.IntegrityError,
            sqlite3.ProgrammingError,
            sqlite3.DataError,
            UnicodeError,
            OverflowError,
            TypeError,
        ),
    )


def store_error(path: Path, error: BaseException) -> StoreError:
    """The words for a failure of the file."""
    if isinstance(error, StoreError):
        return error
    code = (getattr(error, "sqlite_errorcode", None) or 0) & 0xFF
    if code == sqlite3.SQLITE_FULL:
        return StoreError(f"No room to write {path}.", "Free some disk space; what waits is written by itself.")
    if code == sqlite3.SQLITE_BUSY:
        return StoreError(f"{path} is locked by another program.", "Close whatever holds it open for writing.")
    if code in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN) or isinstance(error, PermissionError):
        return StoreError(
            f"{path} cannot be written ({error}).", "Let this program's user write to the data folder."
        )
    return StoreError(f"{path} failed ({error}).", "Look at the disk: it may be full, worn out or gone.")


def set_aside(path: Path, now: Moment) -> Path:
    """Move a damaged file and its log out of the way, under a name with the time; nothing is thrown away."""
    stamp = datetime.fromtimestamp(now.utc, UTC).strftime("%Y%m%dT%H%M%SZ")
    aside, again = path.with_name(f"{path.stem}.damaged-{stamp}{path.suffix}"), 1
    while aside.exists():
        again += 1
        aside = path.with_name(f"{path.stem}.damaged-{stamp}-{again}{path.suffix}")
    for tail in ("-wal", "-shm", ""):
        part = path.with_name(path.name + tail)
        if part.exists():
            part.rename(aside.with_name(aside.name + tail))
    sync(path.parent)
    return aside


def salvage(aside: Path, into: sqlite3.Connection, leave: Collection[str] = ()) -> dict[str, int]:
    """Copy every row that can still be read into a fresh file: from the front, then from the back.

    leave: tables not to be carried over. Returns rows carried over by table.
    """
    carried: dict[str, int] = {}
    tables = [row[0] for row in into.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
    old = sqlite3.connect(aside, timeout=_BUSY_S, isolation_level=None)
    try:
        for table in tables:
            if table in leave:
                continue
            # a file of an earlier schema lacks columns, or the table: what it has is carried over all the same
            here = _columns(old, table)
            columns = [column for column in _columns(into, table) if column in here]
            if not columns:
                continue
            names = ", ".join(name for name, _ in columns)
            marks = ", ".join("?" * len(columns))
            keys = [name for name, pk in sorted(columns, key=lambda column: column[1]) if pk]
            into.execute("BEGIN IMMEDIATE")
            for way in ("", " DESC"):
                order = ", ".join(key + way for key in keys)
                try:
                    for row in old.execute(f"SELECT {names} FROM {table} ORDER BY {order}"):  # noqa: S608 - our own names
                        done = into.execute(f"INSERT OR IGNORE INTO {table} ({names}) VALUES ({marks})", row)  # noqa: S608
                        carried[table] = carried.get(table, 0) + max(0, done.rowcount)
                except sqlite3.Error:
                    continue  # as far as this direction goes
                break
            into.execute("COMMIT")
    except sqlite3.Error:
        rollback(into)
    finally:
        old.close()
    return carried


def _columns(db: sqlite3.Connection, table: str) -> list[tuple[str, int]]:
    """Name of each column, and its place in the primary key from 1, or 0."""
    return list(db.execute("SELECT name, pk FROM pragma_table_info(?)", (table,)))
