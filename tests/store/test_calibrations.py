"""Calibration records in the journal: kept for ever as they were, on a bad disk too, and read beside the daemon."""

from __future__ import annotations

import gc
import os
import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from brinewatch.clock import SteppingClock
from brinewatch.errors import StoreError
from brinewatch.signals.records import CalibrationPoint, CalibrationRecord, Cleaning, Reference, Visit
from brinewatch.store import schema
from brinewatch.store.history import History
from brinewatch.store.journal import Journal
from brinewatch.store.journal_tables import JOURNAL
from brinewatch.store.reader import StoreReader
from store.made import BOOT, NOW, event, reading
from store.test_journal_trouble import clock, fill, inside, opened, spoil, until

POINT = CalibrationPoint(Reference.AIR_SATURATED, 8.21, 8.47, 0.03, 0.004, 14.2, "air at 1012.3 hPa")


def record(number: int = 1, **changes: object) -> CalibrationRecord:
    base = CalibrationRecord(
        f"nursery.oxygen@{number}", "nursery.oxygen", "sonde", Visit.CALIBRATION, NOW.utc + number,
        NOW.utc + number, "Wren", (POINT,), 0.26, 1.0, 0.05, NOW.utc + 86400 * 30,
        cleaning=Cleaning(8.0, 8.1, None, None), remark="half Δ",
    )  # fmt: skip
    return replace(base, **changes)  # type: ignore[arg-type]


async def test_record_comes_back_whole_after_a_restart(tmp_path: Path) -> None:
    first, second = record(1), record(2, replaces="nursery.oxygen@1", ramp=True, effective_utc=NOW.utc - 5)
    async with opened(tmp_path) as (journal, _):
        assert journal.calibrations() == ()
        assert await journal.calibrate(first, NOW)
        assert await journal.calibrate(second, NOW)
        before = journal.calibrations()
        assert journal.calibrations() is before  # the same object while nothing is added
    async with opened(tmp_path) as (journal, _):
        assert journal.calibrations() == (first, second) == before


async def test_an_id_is_taken_once(tmp_path: Path) -> None:
    async with opened(tmp_path) as (journal, _):
        await journal.calibrate(record(1), NOW)
        with pytest.raises(StoreError, match=r"record nursery\.oxygen@1 already"):
            await journal.calibrate(record(1, offset=9.0), NOW)
        assert [one.offset for one in journal.calibrations()] == [0.26]


@pytest.mark.parametrize(
    ("sql", "said"),
    [
        ("UPDATE calibration SET body = '{}'", "never changed"),
        ("UPDATE calibration SET effective_utc = 0", "never changed"),
        ("DELETE FROM calibration", "never deleted"),
        ("DELETE FROM calibration WHERE id = 'nursery.oxygen@1'", "never deleted"),
    ],
)
async def test_the_file_itself_refuses_every_change(tmp_path: Path, sql: str, said: str) -> None:
    async with opened(tmp_path) as (journal, _):
        await journal.calibrate(record(1), NOW)
    with closing(sqlite3.connect(tmp_path / "journal.sqlite")) as db:
        with pytest.raises(sqlite3.IntegrityError, match=said):
            db.execute(sql)
        assert db.execute("SELECT count(*) FROM calibration").fetchone() == (1,)


async def test_replace_does_not_get_round_it(tmp_path: Path) -> None:
    """sqlite.org/lang_conflict.html: REPLACE deletes the old row without firing delete triggers."""
    async with opened(tmp_path) as (journal, _):
        await journal.calibrate(record(1), NOW)
    with closing(sqlite3.connect(tmp_path / "journal.sqlite")) as db:
        before = db.execute("SELECT * FROM calibration").fetchall()
        db.execute("INSERT OR REPLACE INTO calibration VALUES ('nursery.oxygen@1', 'x', 0, 0, '{}', 0, 0, 0, '')")
        assert db.execute("SELECT * FROM calibration").fetchall() == before


async def test_journal_of_the_version_before_is_brought_up_with_all_it_held(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    with closing(schema.connect(path, "FULL")) as db:
        schema.migrate(db, JOURNAL[:1], str(path))
        assert db.execute("PRAGMA user_version").fetchone() == (1,)
        db.execute("INSERT INTO memory VALUES ('a@p', '{\"number\": 3}')")
        db.execute("INSERT INTO remark VALUES (1, 'text', 'from before', 1, 2, 1, 'boot')")
    async with opened(tmp_path) as (journal, told):
        assert told == []
        assert journal.calibrations() == ()
        assert [one.text for one in await journal.remarks()] == ["from before"]
        assert await journal.calibrate(record(1), NOW)
    journal = Journal(path, clock(), boot=BOOT)
    assert (await journal.open()).memories == {"a@p": {"number": 3}}
    assert journal.calibrations() == (record(1),)
    await journal.close()


async def test_migration_cut_off_in_the_middle_leaves_the_version_before(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    with closing(schema.connect(path, "FULL")) as db:
        schema.migrate(db, JOURNAL[:1], str(path))
        broken = (*JOURNAL[1], "INSERT INTO nowhere VALUES (1)")
        with pytest.raises(sqlite3.OperationalError, match="nowhere"):
            schema.migrate(db, [JOURNAL[0], broken], str(path))
        assert db.execute("SELECT count(*) FROM sqlite_master WHERE name LIKE 'calibration%'").fetchone() == (0,)
    async with opened(tmp_path) as (journal, _):
        assert await journal.calibrate(record(1), NOW)


async def test_on_a_full_disk_a_record_counts_at_once_and_is_written_when_there_is_room(tmp_path: Path) -> None:
    async with opened(tmp_path) as (journal, told):
        await fill(journal)
        assert not await journal.calibrate(record(1), NOW)
        assert journal.calibrations() == (record(1),)
        assert [well for well, _ in told] == [False]
        await inside(journal, "PRAGMA max_page_count = 1000000")
        assert await journal.reconcile()
        assert await inside(journal, "SELECT id FROM calibration") == [("nursery.oxygen@1",)]
    async with opened(tmp_path) as (journal, _):
        assert journal.calibrations() == (record(1),)


async def test_on_a_hanging_disk_too(tmp_path: Path) -> None:
    async with opened(tmp_path, deadline=0.3) as (journal, _):
        with closing(sqlite3.connect(tmp_path / "journal.sqlite", isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            assert not await journal.calibrate(record(1), NOW)
            assert not await journal.calibrate(record(2), NOW)
            assert journal.calibrations() == (record(1), record(2))
            other.execute("COMMIT")
        await until(lambda: not journal._thread.stuck)
        assert await journal.reconcile()
    async with opened(tmp_path) as (journal, _):
        assert journal.calibrations() == (record(1), record(2))


async def test_a_record_no_file_can_take_does_not_count(tmp_path: Path) -> None:
    async with opened(tmp_path) as (journal, _):
        with pytest.raises(StoreError, match="cannot be kept"):
            await journal.calibrate(record(1, point=["no", "text"]), NOW)
        assert journal.calibrations() == ()
        assert await journal.calibrate(record(2), NOW)


async def test_records_are_carried_out_of_a_damaged_file(tmp_path: Path) -> None:
    kept = [record(number, remark="r" * 400) for number in range(1, 60)]
    async with opened(tmp_path) as (journal, _):
        for one in kept:
            await journal.calibrate(one, NOW)
        await journal.commit([event(n, at=NOW.later(n), detail="d" * 300) for n in range(1, 200)], {}, [], NOW)
    size = (tmp_path / "journal.sqlite").stat().st_size
    spoil(tmp_path / "journal.sqlite", size * 8 // 10, size * 85 // 100)  # among the events, which came later
    async with opened(tmp_path) as (journal, told):
        assert "59 of calibration" in told[0][1]
        assert journal.calibrations() == tuple(kept)


async def test_damage_met_while_running_loses_no_record(tmp_path: Path) -> None:
    async with opened(tmp_path) as (journal, told):
        await journal.calibrate(record(1), NOW)
        spoil(tmp_path / "journal.sqlite", 0)
        assert await journal.calibrate(record(2), NOW)
        assert [well for well, _ in told] == [False, True]
    async with opened(tmp_path) as (journal, _):
        assert journal.calibrations() == (record(1), record(2))


async def test_watch_begun_without_the_disk_learns_the_old_records_and_keeps_the_new(tmp_path: Path) -> None:
    async with opened(tmp_path / "data") as (journal, _):
        await journal.calibrate(record(1), NOW)
    (tmp_path / "data").rename(tmp_path / "unplugged")
    (tmp_path / "data").write_text("in the way")
    journal = Journal(tmp_path / "data" / "journal.sqlite", clock(), boot="next")
    with pytest.raises(StoreError):
        await journal.open()
    assert not await journal.calibrate(record(2), NOW)
    (tmp_path / "data").unlink()
    (tmp_path / "unplugged").rename(tmp_path / "data")
    assert await journal.reconcile()
    assert journal.calibrations() == (record(1), record(2))
    await journal.close()
    async with opened(tmp_path / "data") as (journal, _):
        assert journal.calibrations() == (record(1), record(2))


async def test_record_that_cannot_be_read_is_said_and_the_others_count(tmp_path: Path) -> None:
    async with opened(tmp_path) as (journal, _):
        await journal.calibrate(record(1), NOW)
        row = "('nursery.ph@7', 'nursery.ph', 0, 0, '{\"id\": 1', 0, 0, 0, '')"
        await inside(journal, f"INSERT INTO calibration VALUES {row}")
    async with opened(tmp_path) as (journal, told):
        assert journal.calibrations() == (record(1),)
        assert "record nursery.ph@7 of nursery.ph cannot be read" in told[0][1]


# -- read beside the daemon --


async def stored(folder: Path) -> History:
    history = History(folder / "history.sqlite", SteppingClock(NOW.utc, mono=NOW.mono))
    await history.open()
    history.add([reading(at=NOW.later(n), value=14.0 + n / 10) for n in range(5)])
    history.add([reading("nursery.oxygen", at=NOW.later(n + 0.5), value=8.0 + n / 10) for n in range(5)])
    await history.flush()
    return history


async def test_reader_sees_what_is_written_while_the_daemon_goes_on_writing(tmp_path: Path) -> None:
    history = await stored(tmp_path)
    async with opened(tmp_path) as (journal, _):
        await journal.calibrate(record(1), NOW)
        with StoreReader(tmp_path, NOW.zone) as store:
            assert store.calibrations() == (record(1),)
            assert store.points() == {"nursery.oxygen": "oxygen", "nursery.temperature": "temperature"}
            found = store.readings(["nursery.temperature", "nursery.oxygen"], NOW.utc + 1, NOW.utc + 3)
            first = next(found)
            history.add([reading(at=NOW.later(60))])
            assert await history.flush()
            await journal.calibrate(record(2), NOW)
            assert [one.value for one in (first, *found)] == [14.1, 8.1, 14.2, 8.2]
            assert (await history.read("nursery.temperature", NOW.utc + 1, NOW.utc + 2)) == [first]
            newest = store.last("nursery.temperature", NOW.utc + 100)
            assert newest is not None
            assert newest.at.utc == NOW.utc + 60
            assert store.last("nursery.oxygen", NOW.utc) is None
    await history.close()


async def test_reader_given_up_in_the_middle_ends_without_a_word(tmp_path: Path) -> None:
    """As when the rows go to a pipe whose reader has had enough; what a generator cannot raise fails the test."""
    await (await stored(tmp_path)).close()
    with StoreReader(tmp_path, NOW.zone) as store:
        found = store.readings(["nursery.temperature", "nursery.oxygen"], 0, 1e12)
        assert next(found).value == 14.0
    del found
    gc.collect()


async def test_reader_of_a_store_at_rest_leaves_no_file_behind(tmp_path: Path) -> None:
    await (await stored(tmp_path)).close()
    async with opened(tmp_path) as (journal, _):
        await journal.calibrate(record(1), NOW)
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    assert set(before) == {"history.sqlite", "journal.sqlite"}
    with StoreReader(tmp_path, NOW.zone) as store:
        assert len(store.calibrations()) == 1
        assert len(list(store.readings(["nursery.temperature"], 0, 1e12))) == 5
        assert {path.name for path in tmp_path.iterdir()} == set(before)
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == before


async def test_reader_of_a_store_at_rest_says_when_the_daemon_woke_meanwhile(tmp_path: Path) -> None:
    await (await stored(tmp_path)).close()
    store = StoreReader(tmp_path, NOW.zone).__enter__()
    assert len(list(store.readings(["nursery.temperature"], 0, 1e12))) == 5
    history = await stored(tmp_path)
    with pytest.raises(StoreError, match=r"started while the store was being read\. Ask again"):
        store.__exit__(None, None, None)
    await history.close()


async def test_reader_after_a_kill_sees_what_is_still_in_the_log(tmp_path: Path) -> None:
    history = await stored(tmp_path)
    killed = tmp_path / "killed"
    killed.mkdir()
    for name in ("history.sqlite", "history.sqlite-wal"):  # as the disk is found after the power was cut
        (killed / name).write_bytes((tmp_path / name).read_bytes())
    await history.close()
    with StoreReader(killed, NOW.zone) as store:
        assert len(list(store.readings(["nursery.temperature"], 0, 1e12))) == 5


def test_reader_says_what_is_not_there_or_not_ours(tmp_path: Path) -> None:
    with StoreReader(tmp_path, NOW.zone) as store:
        assert store.calibrations() == ()
        with pytest.raises(StoreError, match=r"There is no .*history\.sqlite"):
            store.points()
    (tmp_path / "history.sqlite").write_bytes(b"no database at all, but long enough to look")
    with StoreReader(tmp_path, NOW.zone) as store, pytest.raises(StoreError, match="not a database"):
        store.points()
    (tmp_path / "history.sqlite").unlink()
    with closing(schema.connect(tmp_path / "history.sqlite", "NORMAL")) as db:
        db.execute("PRAGMA user_version = 99")
    with StoreReader(tmp_path, NOW.zone) as store, pytest.raises(StoreError, match="schema 99"):
        store.points()


async def test_reader_without_the_right_to_read_is_told_so(tmp_path: Path) -> None:
    await (await stored(tmp_path)).close()
    (tmp_path / "history.sqlite").chmod(0)
    root = os.geteuid() == 0
    if root:
        for folder in [tmp_path, *list(tmp_path.parents)[:3]]:
            folder.chmod(folder.stat().st_mode | 0o055)
        os.seteuid(65534)
    try:
        with StoreReader(tmp_path, NOW.zone) as store, pytest.raises(StoreError, match="account of the daemon"):
            store.points()
    finally:
        if root:
            os.seteuid(0)


async def test_history_of_the_version_before_had_the_wires_number_for_raw(tmp_path: Path) -> None:
    """Version 1 kept the counts of a converter beside degC; nothing was calibrated: the probe said the value."""
    path = tmp_path / "history.sqlite"
    with closing(schema.connect(path, "NORMAL", shrinks=True)) as db:
        schema.migrate(db, schema.HISTORY[:1], str(path))
        db.execute("INSERT INTO point VALUES (1, 'nursery.temperature', 'temperature')")
        row = "(1, ?, 0, 1, ?, ?, 1, NULL, NULL, 0, NULL, NULL, NULL, NULL)"
        for second, value, raw in ((1, 14.5, 2931.0), (2, None, 7.0), (3, 14.7, None)):
            db.execute(f"INSERT INTO reading VALUES {row}", (second * 1_000_000, value, raw))
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    with StoreReader(tmp_path, NOW.zone) as store:
        before = list(store.readings(["nursery.temperature"], 0, 10))
    history = History(path, SteppingClock(NOW.utc))
    assert await history.open() == ()
    after = await history.read("nursery.temperature", 0, 10)
    await history.close()
    assert [(one.value, one.raw) for one in before] == [(14.5, 14.5), (None, None), (14.7, None)]
    assert before == after
