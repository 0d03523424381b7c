"""Copies of the store while it is written, read back; and the way back."""

from __future__ import annotations

import json
import sqlite3
import threading
from contextlib import closing
from datetime import UTC
from pathlib import Path

import pytest

from brinewatch.clock import SteppingClock
from brinewatch.errors import StoreError
from brinewatch.moment import Moment
from brinewatch.readings import Reading
from brinewatch.store.backup import PROOFS, back_up, back_up_store, newest, restore_store
from brinewatch.store.history_file import HistoryFile, microseconds
from brinewatch.store.journal import Journal
from brinewatch.store.reader import StoreReader
from store.made import BOOT, NOW, event, message, reading


def record(many: int, since: float = 0.0) -> list[Reading]:
    return [
        reading(at=Moment(n, NOW.utc + since + n * 60.0, True, UTC), value=14 + n % 9 / 10) for n in range(many)
    ]


async def watched(data: Path, many: int = 3000) -> HistoryFile:
    journal = Journal(data / "journal.sqlite", SteppingClock(NOW.utc), boot=BOOT)
    await journal.open()
    await journal.commit([event(n) for n in range(20)], {}, [message(3)], NOW)
    await journal.close()
    file = HistoryFile(data / "history.sqlite", SteppingClock(NOW.utc))
    file.open()
    file.write(record(many))
    while file.sum_up(microseconds(NOW.utc + many * 60.0), 50):
        pass
    return file


def readings(data: Path) -> list[Reading]:
    with StoreReader(data, UTC) as store:
        return list(store.readings(["nursery.temperature"], 0, 4e9))


async def test_copy_holds_all_and_goes_back(tmp_path: Path) -> None:
    data, disk = tmp_path / "data", tmp_path / "disk"
    data.mkdir()
    disk.mkdir()
    file = await watched(data)
    (data / PROOFS).write_text("proven then", encoding="utf-8")
    folder, done = back_up_store(data, disk, NOW)
    (data / PROOFS).write_text("proven later", encoding="utf-8")
    assert [(one.name, one.records) for one in done] == [("journal.sqlite", 22), ("history.sqlite", 3000)]
    assert json.loads((folder / "backup.json").read_text())["files"]["history.sqlite"]["records"] == 3000
    file.write(record(10, 1e6))  # what came after the backup is not in it
    file.close()
    assert newest(disk) == folder
    copied, aside = restore_store(folder, data, NOW)
    assert (data / PROOFS).read_text(encoding="utf-8") == "proven then"
    assert aside[-1].read_text(encoding="utf-8") == "proven later"
    assert aside.pop().name.startswith("commissioning.before-restore-")
    assert [one.records for one in copied] == [22, 3000]
    assert readings(data) == record(3000)
    with StoreReader(data, UTC) as store:
        assert store.check_chain().wrong == 0
    with closing(sqlite3.connect(aside[1])) as db:  # and what was there is not lost
        assert db.execute("SELECT sum(n) FROM (SELECT n FROM fresh UNION ALL SELECT n FROM piece)").fetchone() == (
            3010,
        )
    file.open()  # the daemon goes on with it
    assert file.write(record(10, 1e6)).new == 10
    file.close()


async def test_limits_changed_here_go_with_the_copy_and_come_back_with_it(tmp_path: Path) -> None:
    data, disk = tmp_path / "data", tmp_path / "disk"
    data.mkdir()
    disk.mkdir()
    (await watched(data, 10)).close()
    without, _ = back_up_store(data, disk, NOW)
    (data / "overrides.toml").write_text("change = 3\n", encoding="utf-8")
    folder, _ = back_up_store(data, disk, NOW.later(60.0))
    (data / "overrides.toml").write_text("change = 4\n", encoding="utf-8")
    _, aside = restore_store(folder, data, NOW.later(120.0))
    assert (data / "overrides.toml").read_text(encoding="utf-8") == "change = 3\n"
    assert [one.read_text(encoding="utf-8") for one in aside if one.suffix == ".toml"] == ["change = 4\n"]
    restore_store(without, data, NOW.later(180.0))
    assert not (data / "overrides.toml").exists()


async def test_copy_is_one_state_although_the_daemon_writes_on(tmp_path: Path) -> None:
    """Without a state held still the copy begins again at each commit of another connection (sqlite.org/c3ref/
    backup_finish.html), and would here never come to an end."""
    data = tmp_path / "data"
    data.mkdir()
    file = await watched(data, 40_000)
    file.close()
    opened = threading.Event()
    begun, ended, wrote = threading.Event(), threading.Event(), list[int]()
    restarts, last = 0, 0

    def write() -> None:
        own = HistoryFile(data / "history.sqlite", SteppingClock(NOW.utc))
        own.open()
        opened.set()
        begun.wait(10)
        while not ended.is_set():
            own.write(record(5, 1e7 + 1e4 * len(wrote)))
            wrote.append(5)
        own.close()

    def tell(name: str, done: int, pages: int) -> None:
        nonlocal restarts, last
        begun.set()
        restarts, last = restarts + (done < last), done

    thread = threading.Thread(target=write)
    thread.start()
    opened.wait(10)
    try:
        copied = back_up(data / "history.sqlite", tmp_path / "history.sqlite", tell)
    finally:
        begun.set()
        ended.set()
        thread.join()
    assert restarts == 0
    assert wrote
    assert copied.records == 40_000
    assert readings(tmp_path) == record(40_000)


async def test_copy_that_is_not_sound_counts_for_nothing(tmp_path: Path) -> None:
    data, disk = tmp_path / "data", tmp_path / "disk"
    data.mkdir()
    disk.mkdir()
    (await watched(data)).close()
    with closing(sqlite3.connect(data / "history.sqlite")) as db:  # bytes that SQLite cannot know to be wrong
        db.execute("UPDATE body SET data = zeroblob(length(data)) WHERE piece = (SELECT max(piece) FROM body)")
        db.commit()
    with pytest.raises(StoreError, match="is not sound"):
        back_up_store(data, disk, NOW)
    assert newest(disk) is None
    (left,) = disk.iterdir()
    with pytest.raises(StoreError, match="no finished backup"):
        restore_store(left, data, NOW)


async def test_edited_journal_is_told_by_its_copy(tmp_path: Path) -> None:
    data, disk = tmp_path / "data", tmp_path / "disk"
    data.mkdir()
    disk.mkdir()
    (await watched(data)).close()
    with closing(sqlite3.connect(data / "journal.sqlite")) as db:
        for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            db.execute(f"DROP TRIGGER {name}")
        db.execute("UPDATE event SET value = 99 WHERE id = 3")
        db.commit()
    with pytest.raises(StoreError, match="1 records are not as they were written"):
        back_up_store(data, disk, NOW)


async def test_old_copies_go_and_cut_off_ones_too(tmp_path: Path) -> None:
    data, disk = tmp_path / "data", tmp_path / "disk"
    data.mkdir()
    disk.mkdir()
    (await watched(data, 100)).close()
    (disk / "brinewatch-20260101T000000Z.unfinished").mkdir()
    (disk / "holiday photos").mkdir()
    made = [back_up_store(data, disk, NOW.later(86400.0 * night), keep=2)[0] for night in range(4)]
    assert sorted(disk.iterdir()) == sorted([*made[-2:], disk / "holiday photos"])


async def test_copy_during_which_the_daemon_is_started_is_taken_again(tmp_path: Path) -> None:
    data = tmp_path / "data"
    data.mkdir()
    (await watched(data)).close()
    files: list[HistoryFile] = []

    def tell(name: str, done: int, pages: int) -> None:
        if not files:
            files.append(HistoryFile(data / "history.sqlite", SteppingClock(NOW.utc)))
            files[0].open()

    with pytest.raises(StoreError, match="was started while its store was being copied"):
        back_up(data / "history.sqlite", tmp_path / "history.sqlite", tell)
    assert back_up(data / "history.sqlite", tmp_path / "history.sqlite").records == 3000
    files[0].close()


def test_what_cannot_be_copied_says_why(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match=r"There is no folder .*nowhere\. Is the disk mounted there"):
        back_up_store(tmp_path, tmp_path / "nowhere", NOW)
    with pytest.raises(StoreError, match="nothing to back up"):
        back_up_store(tmp_path, tmp_path, NOW)
    with pytest.raises(StoreError, match="no finished backup"):
        restore_store(tmp_path, tmp_path / "data", NOW)
