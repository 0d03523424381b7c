"""A copy of the store on another disk while the daemon writes on, read back before it counts; and the way back.

SQLite's own backup copies a file page by page (sqlite.org/backup.html). A read transaction held meanwhile keeps the
copy at one state of the file: without it every commit of the daemon would make the copy begin again. In WAL mode a
reader delays no writer.
"""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
from collections.abc import Callable, Sequence
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from urllib.parse import quote

from brinewatch.alarms.altered import FILE as OVERRIDES
from brinewatch.errors import StoreError
from brinewatch.moment import Moment, utc_text
from brinewatch.store import chain, photos, schema
from brinewatch.store.history_rows import HistoryRows
from brinewatch.store.journal_tables import JOURNAL
from brinewatch.store.photos import copy_photos
from brinewatch.wholefile import sync

FILES = ("journal.sqlite", "history.sqlite")
ABOUT = "backup.json"
PROOFS = "commissioning.json"  # always written whole: it is copied as any file
_PAGES, _PAUSE_S = 128, 0.01  # a slice, and the rest after it, so that a slow card is free for others between
_STAMP = "%Y%m%dT%H%M%SZ"

Tell = Callable[[str, int, int], None]  # file, pages done, pages in all


@dataclass(frozen=True, slots=True)
class Copied:
    """One file of a backup. pages: of its database; records: links of the journal's chain, or readings."""

    name: str
    bytes: int
    records: int


def back_up_store(
    data: Path, to: Path, now: Moment, tell: Tell = lambda name, done, pages: None, keep: int = 0
) -> tuple[Path, list[Copied]]:
    """Copy journal, history and the limits changed here into a new folder below `to`, and read both back; photos,
    which never change, into one beside it. keep: of such folders, how many are left there, the oldest going first;
    0 leaves all. StoreError when a copy is not what it should be; one of the journal or the history is then marked
    as unfinished and counts for nothing.
    """
    stamp = datetime.fromtimestamp(now.utc, UTC).strftime(_STAMP)
    folder, unfinished = to / f"brinewatch-{stamp}", to / f"brinewatch-{stamp}.unfinished"
    try:
        if not to.is_dir():
            raise StoreError(f"There is no folder {to}.", "Is the disk mounted there? Make the folder on it first.")
        if folder.exists():
            raise StoreError(f"{folder} exists already.", "Wait a second, or name another folder.")
        _room(data, to)
        unfinished.mkdir(exist_ok=True)
        done = [back_up(data / name, unfinished / name, tell) for name in FILES if (data / name).exists()]
        if not done:
            raise StoreError(f"There is nothing to back up in {data}.", "Has this shed been watched yet?")
        if (data / PROOFS).exists():
            shutil.copyfile(data / PROOFS, unfinished / PROOFS)
            sync(unfinished / PROOFS)
        about = {
            "made": utc_text(now.utc),
            "files": {one.name: {"bytes": one.bytes, "records": one.records} for one in done},
        }
        (unfinished / ABOUT).write_text(json.dumps(about, indent=2) + "\n", encoding="utf-8")
        sync(unfinished / ABOUT)
        if (data / OVERRIDES).is_file():  # written anew as a whole each time, so that a copy is one state of it
            shutil.copyfile(data / OVERRIDES, unfinished / OVERRIDES)
            sync(unfinished / OVERRIDES)
        unfinished.rename(folder)
        sync(to)
        _let_go(to, keep)
        copy_photos(data / photos.FOLDER, to / photos.BACKUP)
    except (sqlite3.Error, OSError) as error:
        raise StoreError(
            f"The backup to {to} failed ({error}).", "Look at that disk: it may be full, write-protected or gone."
        ) from error
    return folder, done


def back_up(source: Path, target: Path, tell: Tell = lambda name, done, pages: None) -> Copied:
    """Copy one file as it stands now, and read the copy back. StoreError when the copy is not sound."""
    target.unlink(missing_ok=True)
    still = not schema.log_of(source).exists()
    with closing(schema.connect_beside(source)) as old, closing(sqlite3.connect(target)) as new:
        old.execute("BEGIN")
        old.execute("SELECT count(*) FROM sqlite_master").fetchone()  # from here on it stands still for this copy
        old.backup(
            new, pages=_PAGES, sleep=_PAUSE_S,
            progress=lambda status, left, pages: tell(source.name, pages - left, pages),
        )  # fmt: skip
        old.execute("COMMIT")
    if still and schema.log_of(source).exists():
        raise StoreError("The daemon was started while its store was being copied.", "Back up again.")
    sync(target)
    with target.open("rb") as file:  # what is read back comes from the disk, not from memory
        os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)
    return looked_over(target)


def looked_over(path: Path) -> Copied:
    """Read a whole copy: SQLite's check, the journal's chain, every packed reading. StoreError with what is
    wrong.
    """
    steps = JOURNAL if path.name.startswith("journal") else schema.HISTORY
    try:
        with closing(_still(path)) as db:
            version = int(db.execute("PRAGMA user_version").fetchone()[0])
            if version > len(steps):
                raise schema.NewerStore(
                    f"{path} has schema {version}, this program knows {len(steps)}.",
                    "Use the program that wrote it.",
                )
            schema.check(db)
            records = _journal(db, version) if steps is JOURNAL else _readings(db)
    except (sqlite3.DatabaseError, schema.Damaged) as error:
        raise StoreError(f"{path} is not sound ({error}).", "Do not rely on it; take another copy.") from error
    return Copied(path.name, path.stat().st_size, records)


def _journal(db: sqlite3.Connection, version: int) -> int:
    if version < 3:  # before there was a chain
        return int(db.execute("SELECT count(*) FROM event").fetchone()[0])
    found = chain.check(db, ())
    if found.wrong:
        raise schema.Damaged(f"{found.wrong} records are not as they were written")
    return found.links


def _readings(db: sqlite3.Connection) -> int:
    rows, count = HistoryRows(db, kept=1), 0
    for point, _ in rows.points().values():
        since = rows.after(point, -(2**61), 2**61)
        while since is not None:
            until = (since // 86_400_000_000 + 1) * 86_400_000_000
            count += len(rows.window(point, since, until))
            since = rows.after(point, until - 1, 2**61)
    return count


def restore_store(backup: Path, data: Path, now: Moment) -> tuple[list[Copied], list[Path]]:
    """Put the files of a backup in place of those of a data folder nobody has open. Each is read over first, and
    what was there is set aside, not thrown away. Returns what came, and what was set aside.
    """
    found = [backup / name for name in FILES if (backup / name).is_file()]
    if backup.name.endswith(".unfinished") or not found or backup.resolve() == data.resolve():
        raise StoreError(
            f"{backup} is no finished backup.", f"Name another folder that holds {' and '.join(FILES)}."
        )
    copied = [looked_over(path) for path in found]
    stamp = datetime.fromtimestamp(now.utc, UTC).strftime(_STAMP)
    aside: list[Path] = []
    try:
        data.mkdir(parents=True, exist_ok=True)
        for path in found:
            part = data / f"{path.name}.part"
            shutil.copyfile(path, part)
            part.chmod(0o640)
            _name_anew(part)
            sync(part)
        for path in found:  # all of them are there: now they change places
            own = data / path.name
            for tail in ("-wal", "-shm", ""):
                there = own.with_name(own.name + tail)
                if there.exists():
                    kept = data / f"{own.stem}.before-restore-{stamp}{own.suffix}{tail}"
                    there.rename(kept)
                    aside += [kept] if not tail else []
            (data / f"{path.name}.part").rename(own)
        if (backup / PROOFS).is_file():
            own = data / PROOFS
            if own.exists():
                aside.append(own.rename(own.with_name(f"{own.stem}.before-restore-{stamp}{own.suffix}")))
            shutil.copyfile(backup / PROOFS, own)
        copy_photos(backup.parent / photos.BACKUP, data / photos.FOLDER)
        aside += _limits_back(backup, data, stamp)
        sync(data)
    except OSError as error:
        raise StoreError(f"{data} cannot be restored ({error}).", "Look at that disk: it may be full.") from error
    return copied, aside


def _limits_back(backup: Path, data: Path, stamp: str) -> list[Path]:
    """The limits changed here as they were then, or none. Returns what was set aside."""
    own, part, aside = data / OVERRIDES, data / f"{OVERRIDES}.part", list[Path]()
    comes = (backup / OVERRIDES).is_file()
    if comes:
        shutil.copyfile(backup / OVERRIDES, part)
        part.chmod(0o640)
        sync(part)
    if own.exists():
        aside.append(own.rename(data / f"{own.stem}.before-restore-{stamp}{own.suffix}"))
    if comes:
        part.rename(own)
    return aside


def _name_anew(path: Path) -> None:
    """Give a history that is put back a name of its own: its numbers of changes go on from those of the backup, and
    a position in the file it replaces must not be taken for one in this."""
    with closing(sqlite3.connect(path)) as db:
        if db.execute("SELECT 1 FROM sqlite_master WHERE name = 'fresh'").fetchone():
            db.execute("UPDATE state SET value = lower(hex(randomblob(8))) WHERE name = 'file'")
            db.commit()


def _room(data: Path, to: Path) -> None:
    needed = sum((data / name).stat().st_size for name in FILES if (data / name).exists())
    free = shutil.disk_usage(to).free
    if free < needed:
        raise StoreError(
            f"{to} has {free / 2**20:.0f} MiB free, the store takes {needed / 2**20:.0f} MiB.",
            "Delete old backups there, or use a larger disk.",
        )


def _let_go(to: Path, keep: int) -> None:
    if keep:
        made = sorted(one for one in to.glob("brinewatch-*Z") if (one / ABOUT).is_file())
        for old in made[:-keep]:
            shutil.rmtree(old, ignore_errors=True)
    for left in to.glob("brinewatch-*Z.unfinished"):  # of a backup that was cut off
        shutil.rmtree(left, ignore_errors=True)


def _still(path: Path) -> sqlite3.Connection:
    """A file nobody writes."""
    return sqlite3.connect(f"file:{quote(str(path.resolve()))}?mode=ro&immutable=1", uri=True, isolation_level=None)


def newest(to: Path) -> Path | None:
    """The newest finished backup below a folder."""
    made: Sequence[Path] = sorted(one for one in to.glob("brinewatch-*Z") if (one / ABOUT).is_file())
    return made[-1] if made else None
