"""What people enter: kept with when and how it was measured, corrected without losing what was said first."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from brinewatch.store import schema
from brinewatch.store.journal import Draft
from brinewatch.store.journal_tables import JOURNAL
from brinewatch.store.reader import StoreReader
from store.made import BOOT, NOW
from store.test_journal import opened

EARLIER = NOW.utc - 7200.0
TAN = Draft("nursery.tan", 0.4, EARLIER, "0,4", "new kit", "ab12.jpg", "form-1")
DEATHS = Draft("nursery.deaths", 2.0, EARLIER, "2", form="form-1")


async def test_what_was_said_comes_back_after_a_restart(tmp_path: Path) -> None:
    async with opened(tmp_path) as (journal, _):
        tan, deaths = await journal.enter_all([TAN, DEATHS], "Wren", NOW)
        assert (tan.measured.utc, tan.measured.mono) == (EARLIER, NOW.mono - 7200.0)
    async with opened(tmp_path) as (journal, resumed):
        assert await journal.entered() == [deaths, tan]
        assert await journal.entries_of("form-1") == [tan, deaths]
        assert await journal.entry(tan.id) == tan
        assert await journal.entry(99) is None
        assert [(one.point, one.measured.utc) for one in resumed.entries] == [
            ("nursery.tan", EARLIER), ("nursery.deaths", EARLIER)
        ]  # fmt: skip
        assert (tan.typed, tan.note, tan.photo) == ("0,4", "new kit", "ab12.jpg")


async def test_the_newest_is_what_was_measured_last_not_what_was_entered_last(tmp_path: Path) -> None:
    async with opened(tmp_path) as (journal, _):
        await journal.enter("nursery.tan", 0.2, "Wren", NOW)
        await journal.enter_all([replace(TAN, form="late")], "Wren", NOW.later(60))
    async with opened(tmp_path) as (_, resumed):
        assert [one.value for one in resumed.entries] == [0.2]


async def test_what_is_taken_back_stays_to_be_seen_and_counts_no_more(tmp_path: Path) -> None:
    async with opened(tmp_path) as (journal, _):
        (tan,) = await journal.enter_all([TAN], "Wren", NOW)
        assert await journal.take_back(tan.id, "Wren: the other tank", NOW.later(5))
        assert await journal.entered() == [replace(tan, withdrawn="Wren: the other tank")]
        assert await journal.entries() == []
    async with opened(tmp_path) as (_, resumed):
        assert resumed.entries == ()
    with StoreReader(tmp_path, NOW.zone) as store:
        assert store.entries(["nursery.tan"]) == []
        assert store.check_chain().wrong == 0


async def test_entries_are_found_by_when_they_were_measured_and_what_of(tmp_path: Path) -> None:
    async with opened(tmp_path) as (journal, _):
        await journal.enter_all([TAN, DEATHS], "Wren", NOW)
        right = await journal.enter("nursery.tan", 0.3, "Wren", NOW)
        assert [one.value for one in await journal.entered(EARLIER, NOW.utc)] == [2.0, 0.4]
        assert await journal.entered(points=["nursery.tan"], limit=1) == [right]
    with StoreReader(tmp_path, NOW.zone) as store:
        assert [one.value for one in store.entries(["nursery.tan"])] == [0.4, 0.3]
        assert store.entries([]) == []
    with StoreReader(tmp_path / "none", NOW.zone) as store:
        assert store.entries(["nursery.tan"]) == []


@pytest.mark.parametrize("column", ["measured_utc", "typed", "note", "photo", "form", "value", "corrects"])
async def test_the_file_itself_refuses_to_change_what_was_entered(tmp_path: Path, column: str) -> None:
    async with opened(tmp_path) as (journal, _):
        await journal.enter_all([TAN], "Wren", NOW)
    with closing(sqlite3.connect(tmp_path / "journal.sqlite")) as db:
        for change in (f"UPDATE entry SET {column} = 1", "DELETE FROM entry"):
            with pytest.raises(sqlite3.IntegrityError, match="neither changed nor deleted"):
                db.execute(change)


async def test_what_was_said_of_an_entry_is_in_the_chain(tmp_path: Path) -> None:
    async with opened(tmp_path) as (journal, _):
        await journal.enter_all([TAN], "Wren", NOW)
    with closing(sqlite3.connect(tmp_path / "journal.sqlite")) as db:
        db.execute("DROP TRIGGER entry_says_unchanged")
        db.execute("UPDATE entry SET note = 'old kit'")
        db.commit()
    with StoreReader(tmp_path, NOW.zone) as store:
        found = store.check_chain()
    assert found.wrong == 1
    assert "entry 1 (nursery.tan" in found.faults[0]


async def test_a_chained_journal_of_before_is_read_as_it_is_and_its_chain_holds_after(tmp_path: Path) -> None:
    """Columns that came later are in no hash of before, and a reader does not miss them."""
    async with opened(tmp_path) as (journal, _):
        await journal.enter("nursery.tan", 0.2, "Wren", NOW)
        await journal.note("text in", "hello", NOW)
    path = tmp_path / "journal.sqlite"
    with closing(sqlite3.connect(path)) as new:
        rows = {
            table: new.execute(f"SELECT * FROM {table}").fetchall() for table in ("beginning", "remark", "chain")
        }
        (entry,) = new.execute("SELECT * FROM entry").fetchall()
    path.unlink()
    with closing(schema.connect(path, "FULL")) as db:
        schema.migrate(db, JOURNAL[:3], str(path))
        rows["entry"] = [entry[:9]]
        for table, its in rows.items():
            for row in its:
                db.execute(f"INSERT INTO {table} VALUES ({', '.join('?' * len(row))})", row)
    with StoreReader(tmp_path, NOW.zone) as store:
        assert store.check_chain().wrong == 0
        (record,) = store.records(["entry"])
        assert (record.fields["value"], record.fields["note"]) == (0.2, None)
        assert store.entries(["nursery.tan"]) == []
    async with opened(tmp_path, boot=BOOT) as (journal, resumed):
        assert [one.value for one in resumed.entries] == [0.2]
        await journal.enter_all([TAN], "Wren", NOW)
    with StoreReader(tmp_path, NOW.zone) as store:
        assert store.check_chain().wrong == 0
