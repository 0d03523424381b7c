"""The connection to `accounts.sqlite`, and what is done when the disk under it does not take it any more.

The daemon goes on from memory then: whoever has an account can log in and answer the alarm that this very fault is.
What is changed meanwhile is forgotten; a command, whose only work is to change something, fails instead.
"""

from __future__ import annotations

import contextlib
import logging
import os
import shutil
import sqlite3
import tempfile
from collections.abc import Iterator
from pathlib import Path

from brinewatch.errors import StoreError
from brinewatch.store import schema
from brinewatch.store.accounts_tables import ACCOUNTS, NAME

log = logging.getLogger(__name__)

_SHM = Path("/dev/shm")  # noqa: S108 - memory that looks like a disk; what lies there a moment is its owner's alone


class AccountsDisk:
    """from_memory: go on from memory where the disk fails. Used from one thread."""

    def __init__(self, folder: Path, *, from_memory: bool) -> None:
        self.path = folder / NAME
        self.in_memory = False
        self._from_memory = from_memory
        self._gone = False
        self._db: sqlite3.Connection | None = None

    def close(self) -> None:
        if self._db is not None:
            db, self._db = self._db, None
            with contextlib.suppress(sqlite3.Error):
                db.close()

    def back(self) -> bool:
        """Try a disk that is gone again. Whether it came back; what was changed in memory is then forgotten."""
        if not self.in_memory:
            return False
        try:
            db = self._on_disk()
            try:
                db.execute("INSERT OR REPLACE INTO state VALUES ('back', '1')")
            except BaseException:
                db.close()
                raise
        except (sqlite3.Error, OSError, StoreError):
            return False
        self.close()
        self._db, self.in_memory, self._gone = db, False, False
        return True

    @contextlib.contextmanager
    def _asked(self) -> Iterator[sqlite3.Connection]:
        try:
            if self._db is None:
                self._db = self._connected()
            yield self._db
        except (sqlite3.Error, OSError, schema.Damaged) as error:
            if self._db is not None:
                with contextlib.suppress(sqlite3.Error):
                    schema.rollback(self._db)
            self.close()
            # what failed is said; from the next on, memory is gone by
            self._gone = self._gone or schema.is_lost(error) or _is_full(error)
            raise schema.store_error(self.path, error) from error

    @contextlib.contextmanager
    def _changing(self) -> Iterator[sqlite3.Connection]:
        """All of it or nothing."""
        with self._asked() as db:
            db.execute("BEGIN IMMEDIATE")
            try:
                yield db
                db.execute("COMMIT")
            except BaseException:
                schema.rollback(db)
                raise

    def _connected(self) -> sqlite3.Connection:
        if not (self._gone and self._from_memory):
            try:
                return self._on_disk()
            except (sqlite3.Error, OSError, StoreError) as error:
                if not self._from_memory or isinstance(error, schema.NewerStore) or schema.is_damage(error):
                    raise
                log.error("%s", schema.store_error(self.path, error))
        db = self._copied()
        self.in_memory = True
        return db

    def _on_disk(self) -> sqlite3.Connection:
        folder = self.path.parent
        folder.mkdir(parents=True, exist_ok=True)
        fresh = not self.path.exists()
        db = schema.connect(self.path, "FULL", rights=0o600)
        try:
            if fresh and os.geteuid() == 0:  # made by hand beside a daemon that has a user of its own
                owner = folder.stat()
                os.chown(self.path, owner.st_uid, owner.st_gid)
            schema.migrate(db, ACCOUNTS, str(self.path))
            db.execute("BEGIN IMMEDIATE")  # a disk gone read-only shows here
            db.execute("CREATE TABLE probe (x)")
            db.execute("ROLLBACK")
        except BaseException:
            db.close()
            raise
        return db

    def _copied(self) -> sqlite3.Connection:
        """What the file says, in memory: with its log, which only a file that can be written can take in."""
        db = sqlite3.connect(":memory:", isolation_level=None)
        try:
            with tempfile.TemporaryDirectory(dir=_SHM if _SHM.is_dir() else None) as folder:
                for tail in ("", "-wal"):
                    part = self.path.with_name(NAME + tail)
                    if _is_there(part):
                        shutil.copyfile(part, Path(folder) / part.name)
                copy = sqlite3.connect(Path(folder) / NAME, isolation_level=None)
                with contextlib.closing(copy):
                    copy.backup(db)
            schema.migrate(db, ACCOUNTS, str(self.path))
        except BaseException:
            db.close()
            raise
        return db


def _is_there(path: Path) -> bool:
    """Whether anything is there. OSError when nobody knows: that must not pass for there being no accounts."""
    try:
        path.stat()
    except (FileNotFoundError, NotADirectoryError):
        return False
    return True


def _is_full(error: BaseException) -> bool:
    return (getattr(error, "sqlite_errorcode", None) or 0) & 0xFF == sqlite3.SQLITE_FULL
