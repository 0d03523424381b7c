"""The journal on a bad disk: full, slow, damaged, gone. Hearing comes before recording, and nothing is lost."""

from __future__ import annotations

import asyncio
import os
import sqlite3
import tempfile
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from brinewatch.clock import SteppingClock
from brinewatch.errors import StoreError
from brinewatch.messages import Delivery
from brinewatch.store.journal import Journal
from brinewatch.store.schema import NewerStore
from store.made import BOOT, NOW, event, message, report

Told = list[tuple[bool, str]]


def clock() -> SteppingClock:
    """Time stands at NOW; deadlines on the disk are real seconds all the same."""
    return SteppingClock(NOW.utc, mono=NOW.mono)


@asynccontextmanager
async def opened(folder: Path, deadline: float = 5.0) -> AsyncIterator[tuple[Journal, Told]]:
    told: Told = []
    journal = Journal(
        folder / "journal.sqlite", clock(), deadline, lambda well, words: told.append((well, words)), BOOT
    )
    resumed = await journal.open()
    told.extend((True, note) for note in resumed.notes)
    try:
        yield journal, told
    finally:
        await journal.close()


async def inside(journal: Journal, sql: str) -> Any:
    """Say something to the journal's own connection, in its own thread."""
    connection = journal._file._connect(check=False)
    return await journal._thread.run(lambda: connection.execute(sql).fetchall(), 5.0)


async def until(condition: Callable[[], bool]) -> None:
    async with asyncio.timeout(20):
        while not condition():
            await asyncio.sleep(0.01)


async def numbers(journal: Journal) -> list[int]:
    return [one.event.number for one in reversed(await journal.recent())]


# -- full disk --


async def fill(journal: Journal) -> int:
    """Write until there is no room; returns how many remarks that took, the refused one with them.

    sqlite.org/pragma.html#pragma_max_page_count; SQLITE_FULL is what a full disk gives too (rescode.html#full).
    """
    await inside(journal, "PRAGMA max_page_count = 1")
    for count in range(1, 200):
        if not await journal.note("filler", "x" * 500, NOW):
            return count
    pytest.fail("the file never became full")


async def test_full_disk_holds_no_message_back_and_loses_no_event(tmp_path: Path) -> None:
    async with opened(tmp_path) as (journal, told):
        await journal.commit([event(1)], {}, [], NOW)
        count = await fill(journal)
        with pytest.raises(StoreError, match=r"No room to write .*Free some disk space"):
            await journal.commit([event(2)], {"a@p": {"number": 2}}, [message(2)], NOW)
        assert await journal.due("sms", NOW) == []  # whoever made it sends it from memory
        assert [well for well, _ in told] == [False]
        sent = replace(message(2), recorded=False)
        await journal.settle(sent, Delivery.SENT, NOW.later(3), references=[5])
        await inside(journal, "PRAGMA max_page_count = 1000000")
        assert await journal.reconcile()
        assert [well for well, _ in told] == [False, True]
        assert await numbers(journal) == [1, 2]
        assert len(await journal.remarks(1000)) == count
        (posted,) = await journal.outbox()
        assert (posted.state, posted.message.recorded) == (Delivery.SENT, False)
        assert (await journal.recent(1))[0].sent == NOW.later(3)
        assert await journal.report(report(5, Delivery.DELIVERED, NOW.later(9)))
    async with opened(tmp_path) as (journal, _):
        assert await journal.due("sms", NOW) == []


async def test_events_handed_in_again_after_a_failure_are_not_doubled(tmp_path: Path) -> None:
    async with opened(tmp_path) as (journal, _):
        await fill(journal)
        with pytest.raises(StoreError):
            await journal.commit([event(2)], {}, [message(2)], NOW)
        await inside(journal, "PRAGMA max_page_count = 1000000")
        await journal.commit([event(2), event(3, alarm="other@p")], {}, [], NOW.later(5))
        assert await numbers(journal) == [2, 3]
        assert len(await journal.outbox()) == 1


async def test_unrecorded_message_that_is_to_be_tried_again_is_due_from_memory(tmp_path: Path) -> None:
    async with opened(tmp_path) as (journal, _):
        await fill(journal)
        with pytest.raises(StoreError):
            await journal.commit([event(2)], {}, [message(2)], NOW)
        unrecorded = replace(message(2), recorded=False)
        await journal.settle(unrecorded, Delivery.WAITING, NOW, detail="no network", retry_at_utc=NOW.utc + 5)
        assert await journal.due("sms", NOW.later(4)) == []
        assert await journal.due("sms", NOW.later(5)) == [unrecorded]


async def test_message_recorded_before_the_disk_failed_is_still_handed_out(tmp_path: Path) -> None:
    async with opened(tmp_path) as (journal, _):
        (sms,) = await journal.commit([event(2)], {}, [message(2)], NOW)
        await fill(journal)
        assert await journal.due("sms", NOW) == [sms]
        await journal.settle(sms, Delivery.SENT, NOW)
        assert await journal.due("sms", NOW) == []  # sent once, although the disk does not know it yet


async def test_unsettled_unrecorded_message_is_due_after_a_restart(tmp_path: Path) -> None:
    async with opened(tmp_path) as (journal, _):
        await fill(journal)
        with pytest.raises(StoreError):
            await journal.commit([event(2)], {}, [message(2)], NOW)
        await inside(journal, "PRAGMA max_page_count = 1000000")
    async with opened(tmp_path) as (journal, _):
        (again,) = await journal.due("sms", NOW)
        assert (again.number, again.recorded) == (2, False)


async def test_entry_that_was_refused_does_not_appear_later(tmp_path: Path) -> None:
    async with opened(tmp_path) as (journal, _):
        await fill(journal)
        with pytest.raises(StoreError, match="No room"):
            await journal.enter("nursery.tan", 0.4, "Runa" * 500, NOW)
        await inside(journal, "PRAGMA max_page_count = 1000000")
        assert await journal.reconcile()
        assert await journal.entries() == []


# -- slow disk --


async def test_slow_commit_is_given_up_at_the_deadline_and_ends_late_without_doubling(tmp_path: Path) -> None:
    """Another program's write lock stands for the hanging disk (sqlite.org/lang_transaction.html, IMMEDIATE)."""
    async with opened(tmp_path, deadline=0.3) as (journal, told):
        (known,) = await journal.commit([event(1)], {}, [message(1)], NOW)
        with closing(sqlite3.connect(tmp_path / "journal.sqlite", isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            with pytest.raises(StoreError, match=r"did not answer within 0\.3 s"):
                await journal.commit([event(2)], {"a@p": {"number": 2}}, [message(2)], NOW)
            assert journal._thread.stuck
            # from here on nothing waits: each is refused or kept at once while the disk hangs
            with pytest.raises(StoreError):
                await journal.commit([event(3)], {}, [message(3)], NOW)
            assert not await journal.keep({"b@p": {"pending": 1}}, NOW)
            assert await journal.due("sms", NOW) == [known]
            await journal.settle(known, Delivery.SENT, NOW)
            await journal.settle(replace(message(2), recorded=False), Delivery.SENT, NOW)
            with pytest.raises(StoreError):
                await journal.recent()
            assert journal._thread.stuck
            other.execute("COMMIT")
        await until(lambda: not journal._thread.stuck)
        assert await journal.reconcile()
        assert [well for well, _ in told] == [False, True]
        assert await numbers(journal) == [1, 2, 3]
        assert await journal.due("sms", NOW) == []
        assert {(one.message.number, one.state, one.message.recorded) for one in await journal.outbox()} == {
            (1, Delivery.SENT, True),
            (2, Delivery.SENT, False),
            (3, Delivery.WAITING, False),
        }
    journal = Journal(tmp_path / "journal.sqlite", clock(), boot=BOOT)
    resumed = await journal.open()
    assert resumed.memories == {"a@p": {"number": 2}, "b@p": {"pending": 1}}
    # only what was never settled is sent again
    assert [one.number for one in await journal.due("sms", NOW)] == [3]
    await journal.close()


async def test_late_commit_alone_hands_nothing_out(tmp_path: Path) -> None:
    """The commit ends after its caller was told that it failed and before anything else was asked."""
    async with opened(tmp_path, deadline=0.3) as (journal, _):
        with closing(sqlite3.connect(tmp_path / "journal.sqlite", isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            with pytest.raises(StoreError):
                await journal.commit([event(2)], {}, [message(2)], NOW)
            other.execute("COMMIT")
            await until(lambda: not journal._thread.stuck)
            assert other.execute("SELECT number FROM event").fetchall() == [(2,)]
        assert await journal.due("sms", NOW) == []
        (posted,) = await journal.outbox()
        assert not posted.message.recorded


# -- damage --


def spoil(path: Path, since: int, until: int | None = None) -> None:
    """Overwrite part of a file, as a worn card does; its log is folded in first so that the damage counts."""
    with closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    end = path.stat().st_size if until is None else until
    with path.open("r+b") as file:
        file.seek(since)
        file.write(b"\xa5" * (end - since))


async def many(folder: Path, count: int = 300) -> None:
    async with opened(folder) as (journal, _):
        events = [event(number, at=NOW.later(number), detail="d" * 300) for number in range(1, count + 1)]
        await journal.commit(events, {"a@p": {"number": 7}}, [message(count)], NOW)


async def test_partly_damaged_file_is_set_aside_and_what_can_be_read_carried_over(tmp_path: Path) -> None:
    await many(tmp_path)
    size = (tmp_path / "journal.sqlite").stat().st_size
    spoil(tmp_path / "journal.sqlite", size * 3 // 10, size * 4 // 10)
    async with opened(tmp_path) as (journal, told):
        (note,) = [words for _, words in told]
        aside = [path.name for path in tmp_path.glob("journal.damaged-*.sqlite")]
        assert len(aside) == 1
        assert aside[0] in note
        kept = await numbers(journal)
        found = [one.event for one in await journal.events(0, 1e12)]
        assert 30 < len(found) < 300
        assert all(one.title == "Air is failing" for one in found)
        assert kept[-1] == 300  # the newest, read from the back
        assert len(await journal.due("sms", NOW)) == 1
        await journal.commit([event(301, at=NOW.later(301))], {}, [], NOW)
        assert (await numbers(journal))[-1] == 301


@pytest.mark.parametrize("content", [b"no database at all", b"\xa5" * 8192])
async def test_file_that_is_no_database_is_set_aside(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "journal.sqlite").write_bytes(content)
    async with opened(tmp_path) as (journal, told):
        assert "rows carried over: none" in told[0][1]
        await journal.commit([event(1)], {}, [], NOW)
        assert await numbers(journal) == [1]
    (aside,) = tmp_path.glob("journal.damaged-*.sqlite")
    assert aside.read_bytes() == content


async def test_damage_met_while_running_loses_no_event_memory_or_message(tmp_path: Path) -> None:
    await many(tmp_path)
    async with opened(tmp_path) as (journal, told):
        spoil(tmp_path / "journal.sqlite", 0)
        (sms,) = await journal.commit([event(900)], {"b@p": {"number": 900}}, [message(900)], NOW)
        assert (await numbers(journal))[-1] == 900
        assert [well for well, _ in told] == [False, True]
        assert "set aside" in told[0][1]
        assert sms in await journal.due("sms", NOW)
    journal = Journal(tmp_path / "journal.sqlite", clock(), boot=BOOT)
    resumed = await journal.open()
    assert resumed.memories == {"a@p": {"number": 7}, "b@p": {"number": 900}}
    assert [one.number for one in await journal.due("sms", NOW)] == [300, 900]
    await journal.close()


async def test_memory_that_cannot_be_read_is_said_and_the_others_stay(tmp_path: Path) -> None:
    async with opened(tmp_path) as (journal, _):
        await journal.keep({"a@p": {"number": 1}, "b@p": {"number": 2}}, NOW)
        await inside(journal, "UPDATE memory SET body = '{\"num' WHERE alarm = 'a@p'")
    journal = Journal(tmp_path / "journal.sqlite", clock())
    resumed = await journal.open()
    assert resumed.memories == {"b@p": {"number": 2}}
    assert resumed.notes == ("What the journal kept of a@p cannot be read; it begins anew.",)
    await journal.close()


# -- not ours to use --


@pytest.mark.parametrize("sql", ["PRAGMA user_version = 99", "PRAGMA user_version = 0"])
async def test_newer_or_foreign_file_is_refused_and_left_as_it_is(tmp_path: Path, sql: str) -> None:
    async with opened(tmp_path) as (journal, _):
        await journal.commit([event(1)], {}, [], NOW)
    with closing(sqlite3.connect(tmp_path / "journal.sqlite", isolation_level=None)) as db:
        db.execute(sql)
    with pytest.raises(NewerStore, match=r"[Nn]ame another data folder"):
        await Journal(tmp_path / "journal.sqlite", clock()).open()
    assert not list(tmp_path.glob("*damaged*"))
    with closing(sqlite3.connect(tmp_path / "journal.sqlite")) as db:
        assert db.execute("SELECT number FROM event").fetchall() == [(1,)]


async def test_folder_that_cannot_be_written_is_said_in_words() -> None:
    with tempfile.TemporaryDirectory() as name:
        Path(name).chmod(0o555)
        root = os.geteuid() == 0
        journal = Journal(Path(name) / "journal.sqlite", clock())
        if root:
            os.seteuid(65534)
        try:
            with pytest.raises(StoreError, match=r"cannot be written .*Let this program's user write"):
                await journal.open()
        finally:
            if root:
                os.seteuid(0)
            Path(name).chmod(0o755)
        await journal.close()


async def test_watch_begun_without_a_journal_records_once_the_disk_is_there(tmp_path: Path) -> None:
    async with opened(tmp_path / "data") as (journal, _):
        await journal.commit([event(1)], {"a@p": {"number": 1}}, [message(1)], NOW)
    (tmp_path / "data").rename(tmp_path / "unplugged")
    (tmp_path / "data").write_text("in the way")
    told: Told = []
    journal = Journal(
        tmp_path / "data" / "journal.sqlite", clock(), on_health=lambda *words: told.append(words), boot="next"
    )
    with pytest.raises(StoreError):
        await journal.open()
    with pytest.raises(StoreError):
        await journal.commit([event(2, at=NOW.later(60))], {"b@p": {"number": 2}}, [message(2)], NOW.later(60))
    await journal.settle(replace(message(2), recorded=False), Delivery.SENT, NOW.later(61))
    (tmp_path / "data").unlink()
    (tmp_path / "unplugged").rename(tmp_path / "data")
    assert await journal.reconcile()
    assert [well for well, _ in told] == [False, True]
    assert await numbers(journal) == [1, 2]
    assert [one.number for one in await journal.due("sms", NOW.later(70))] == [1]
    await journal.close()
    async with opened(tmp_path / "data") as (journal, _):
        assert await numbers(journal) == [1, 2]
        assert {one.message.number: one.state for one in await journal.outbox()} == {
            1: Delivery.WAITING,
            2: Delivery.SENT,
        }
