"""The chain of the journal: made with every record, and broken visibly by whoever changes one.

SHA-256 is FIPS 180-4; that ours is the same one is checked with the system's own sha256sum (coreutils).
"""

from __future__ import annotations

import asyncio
import json
import sqlite3
import subprocess
from collections.abc import Sequence
from contextlib import closing
from hashlib import sha256
from pathlib import Path

import pytest

from brinewatch.alarms.events import Happening, State
from brinewatch.errors import StoreError
from brinewatch.messages import Delivery
from brinewatch.store import owed
from brinewatch.store.chain import Checked, Head, backward, ends, query, unchained
from brinewatch.store.journal_tables import OPEN, SEALED
from brinewatch.store.reader import StoreReader
from brinewatch.store.rows import put_withdrawn
from store.made import BOOT, NOW, event, message
from store.test_calibrations import record
from store.test_journal_trouble import fill, inside, many, opened, spoil, until

RULES = {"air-lost@air.pressure": '{"when":{"below":8.0}}', "ph-low@tank.ph": '{"when":{"below":7.6}}'}


def checked(folder: Path, *known: Head) -> Checked:
    with StoreReader(folder, NOW.zone) as store:
        return store.check_chain(known)


async def a_day(folder: Path) -> Head:
    """A journal with records of every kind, closed; its head."""
    async with opened(folder) as (journal, _):
        await journal.begin(RULES, NOW)
        told = event(incident=7, also=("NO FLOW", "Ö2"), version="abc123")
        sms, _ = await journal.commit([told], {}, [message(), message(way="mqtt", to="shed/7", payload="{}")], NOW)
        await journal.note("text in", "Wren wrote 'OK 7'", NOW.later(4))
        taken = event(happening=Happening.ACKNOWLEDGED, state=State.ACKNOWLEDGED, by="Wren", at=NOW.later(5))
        await journal.commit([taken], {}, [], NOW.later(5))
        await journal.settle(sms, Delivery.SENT, NOW.later(6), references=[4])
        wrong = await journal.enter("nursery.tan", 0.4, "Wren", NOW.later(7))
        await journal.enter("nursery.tan", 0.2, "Wren", NOW.later(8), corrects=wrong.id)
        await journal._owed.record([put_withdrawn(wrong.id, NOW.later(9), BOOT)])
        await journal.calibrate(record(1), NOW.later(9))
        assert journal.head is not None
        return journal.head


def shell(folder: Path, *statements: str) -> None:
    """What somebody does with a database shell who takes the triggers away first."""
    with closing(sqlite3.connect(folder / "journal.sqlite", isolation_level=None)) as db:
        for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            db.execute(f"DROP TRIGGER {name}")
        for statement in statements:
            db.execute(statement)


async def test_everything_written_is_chained_in_the_order_it_was_written(tmp_path: Path) -> None:
    head = await a_day(tmp_path)
    found = checked(tmp_path)
    assert (found.wrong, found.faults, found.head) == (0, [], head)
    with StoreReader(tmp_path, NOW.zone) as store:
        kinds = [one.record for one in store.records(tuple(SEALED))]
    assert kinds == [
        "beginning", "remark", "rule", "rule", "event", "message", "message", "remark", "event", "entry", "entry",
        "withdrawn", "calibration",
    ]  # fmt: skip
    assert found.links == head.link == len(kinds)


async def test_anybody_can_follow_the_chain_with_other_tools(tmp_path: Path) -> None:
    """By the words of the module alone: the hash before and the sealed text, through another SHA-256."""
    head = await a_day(tmp_path)
    before = "0" * 64
    with closing(sqlite3.connect(tmp_path / "journal.sqlite")) as db:
        db.row_factory = sqlite3.Row
        for link, table, key, digest in db.execute("SELECT * FROM chain ORDER BY link").fetchall():
            its = {"rule": "version", "withdrawn": "entry"}.get(table, "id")
            row = dict(db.execute(f"SELECT * FROM {table} WHERE {its} = ?", (key,)).fetchone())
            for later in OPEN.get(table, ()):
                del row[later]
            kept = {name: value for name, value in row.items() if value is not None}
            text = json.dumps({**kept, "link": link, "record": table}, sort_keys=True, separators=(",", ":"))
            done = subprocess.run(["sha256sum"], input=(before + text).encode(), capture_output=True, check=True)
            assert done.stdout.split()[0].decode() == digest
            before = digest
    assert before == head.hash


async def test_what_is_known_later_does_not_break_it(tmp_path: Path) -> None:
    async with opened(tmp_path) as (journal, _):
        (sms,) = await journal.commit([event()], {}, [message()], NOW)
        head = journal.head
        await journal.settle(sms, Delivery.WAITING, NOW, detail="no network", retry_at_utc=NOW.utc + 1)
        await journal.settle(sms, Delivery.SENT, NOW.later(60), references=[3])
        assert journal.head == head
        (logged,) = await journal.recent()
        assert (logged.committed, logged.sent) == (NOW, NOW.later(60))
    assert checked(tmp_path).wrong == 0


COLUMNS = [(table, column) for table, its in SEALED.items() for column in its.columns if column != its.key]


@pytest.mark.parametrize(("table", "column"), COLUMNS)
async def test_every_sealed_field_that_is_changed_shows_once_and_where(
    tmp_path: Path, table: str, column: str
) -> None:
    await a_day(tmp_path)
    with closing(sqlite3.connect(tmp_path / "journal.sqlite")) as db:
        link, key, was = db.execute(
            f"SELECT link, key, {column} FROM chain JOIN {table} AS one ON one.{SEALED[table].key} = chain.key"
            " WHERE record = ? LIMIT 1",
            (table,),
        ).fetchone()
    new = "'another'" if isinstance(was, str) else "3.5" if was is None else f"{was + 1}"
    shell(tmp_path, f"UPDATE {table} SET {column} = {new} WHERE {SEALED[table].key} = '{key}'")
    found = checked(tmp_path)
    assert found.wrong == 1
    assert found.faults[0].startswith(f"link {link}: {table} {key}")
    assert found.faults[0].endswith("is not what was written: it, or its link, was changed.")


OUT = "the records there were taken out, and their hashes with them."
PAST = "stands in no link: it was put in past the chain."
OTHER = "is not what was written: it, or its link, was changed."
FIRST, SECOND = (sha256(body.encode()).hexdigest()[:12] for body in RULES.values())
TEXT_IN = f"link 8: remark 2 (text in, 2026-11-25T09:46:44.250Z) {OTHER}"
TAKEN = "event 2 (acknowledged air-lost@air.pressure air.pressure, 2026-11-25T09:46:45.250Z)"
RAISED = "event 1 (raised air-lost@air.pressure air.pressure, 2026-11-25T09:46:40.250Z)"
FIRST_RULE = f"rule {FIRST} (air-lost@air.pressure, 2026-11-25T09:46:40.250Z)"
SECOND_RULE = f"rule {SECOND} (ph-low@tank.ph, 2026-11-25T09:46:40.250Z)"
DONE: Sequence[tuple[str, Sequence[str]]] = [
    ("DELETE FROM event WHERE id = 2", ["link 9: event 2 is gone: it was deleted."]),
    ("DELETE FROM chain WHERE link = 9", [f"link 9 is missing: {OUT}", f"{TAKEN} {PAST}"]),
    (
        "DELETE FROM chain WHERE link IN (8, 9); DELETE FROM event WHERE id = 2; DELETE FROM remark WHERE id = 2",
        [f"links 8 to 9 are missing: {OUT}"],
    ),
    (
        "INSERT INTO remark VALUES (77, 'text in', 'All is well.', 1, 2e9, 1, 'b')",
        [f"remark 77 (text in, 2033-05-18T03:33:20.000Z) {PAST}"],
    ),
    (
        "UPDATE chain SET record = 'recipe' WHERE link = 3",
        [
            "link 3 names a record of 'recipe', which there is not: the link was changed.",
            f"{FIRST_RULE} {PAST}",
        ],
    ),
    ("UPDATE remark SET body = x'ff00' WHERE id = 2", [TEXT_IN]),
    ("UPDATE remark SET body = CAST(x'ff' AS TEXT) WHERE id = 2", [TEXT_IN]),
    (
        "UPDATE chain SET hash = 'f00' WHERE link = 4",
        [f"link 4: {SECOND_RULE} {OTHER}", f"link 5: {RAISED} {OTHER}"],
    ),
]


@pytest.mark.parametrize(("statements", "faults"), DONE)
async def test_what_was_done_to_the_file_is_said(tmp_path: Path, statements: str, faults: Sequence[str]) -> None:
    await a_day(tmp_path)
    shell(tmp_path, *statements.split("; "))
    found = checked(tmp_path)
    assert found.faults == faults
    assert found.wrong == len(faults)


async def test_cut_off_end_and_chain_made_anew_show_by_a_head_given_out_before(tmp_path: Path) -> None:
    head = await a_day(tmp_path)
    assert checked(tmp_path, head, Head.of(str(head).upper())).wrong == 0
    shell(tmp_path, f"DELETE FROM chain WHERE link = {head.link}", "DELETE FROM calibration")
    assert checked(tmp_path).wrong == 0  # nothing in the file itself can tell
    assert checked(tmp_path, head).faults == [
        f"link {head.link}, which was given out, is missing: the chain was cut off before it."
    ]
    shell(tmp_path, "UPDATE event SET by_whom = 'Teal' WHERE id = 2", "DELETE FROM chain")
    async with opened(tmp_path) as (journal, _):
        await journal.note("filler", "one more", NOW)
    again = checked(tmp_path, Head(9, head.hash))
    assert again.faults == ["link 9 is not the one that was given out: the chain up to there was made anew."]
    with StoreReader(tmp_path, NOW.zone) as store:
        first, old = store.records(["beginning"])
    assert (first.link, old.link) == (1, 2)
    assert first.fields["body"].startswith("The chain begins. Records from before are taken in as they stand: 1 of")


@pytest.mark.parametrize("text", ["", "12", "12:abc", "x:" + "0" * 64, "1:" + "g" * 64, "-1:" + "0" * 64])
def test_a_head_that_is_none_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="expected a number, a colon and 64 hexadecimal digits"):
        Head.of(text)


async def test_many_faults_are_counted_and_the_first_named(tmp_path: Path) -> None:
    await many(tmp_path)
    shell(tmp_path, "UPDATE event SET limit_value = 5")
    found = checked(tmp_path)
    assert (found.wrong, len(found.faults)) == (300, 100)


@pytest.mark.parametrize("table", SEALED)
async def test_a_long_journal_is_read_by_its_indexes(tmp_path: Path, table: str) -> None:
    """Without the index on the key, a check takes the square of the number of records (sqlite.org/eqp.html)."""
    await a_day(tmp_path)
    with closing(sqlite3.connect(tmp_path / "journal.sqlite")) as db:
        plan = [row[3] for row in db.execute(f"EXPLAIN QUERY PLAN {query(table)}", (table, 0, 1))]
        loose = [row[3] for row in db.execute(f"EXPLAIN QUERY PLAN {unchained(table)}", (table,))]
        spans = [row[3] for row in db.execute(f"EXPLAIN QUERY PLAN {ends(table)}", (table, 0, 1))]
        back = [row[3] for row in db.execute(f"EXPLAIN QUERY PLAN {backward(table)}", (table, 1, 9, 0, 1))]
    assert any("chain_record (record=? AND key=?)" in step for step in plan)
    assert any("chain_record (record=? AND key=?)" in step for step in loose)
    assert any("chain_record (record=? AND key=?)" in step for step in spans)
    # a piece from the end costs what the piece costs: found by its links, its records by their keys, sorted already
    assert back[0] == "SEARCH chain USING INTEGER PRIMARY KEY (rowid>? AND rowid<?)"
    assert back[1].startswith("SEARCH one USING")
    assert len(back) == 2


# -- the file itself refuses --


@pytest.mark.parametrize("table", sorted({*SEALED, "chain"} - {"calibration"}))
async def test_no_record_is_changed_deleted_or_replaced(tmp_path: Path, table: str) -> None:
    await a_day(tmp_path)
    with closing(sqlite3.connect(tmp_path / "journal.sqlite", isolation_level=None)) as db:
        rows = db.execute(f"SELECT * FROM {table}").fetchall()
        columns = ("link", "record", "key", "hash") if table == "chain" else SEALED[table].columns
        for column in columns:
            with pytest.raises(sqlite3.IntegrityError, match="neither changed nor deleted"):
                db.execute(f"UPDATE {table} SET {column} = 7")
        with pytest.raises(sqlite3.IntegrityError, match="neither changed nor deleted"):
            db.execute(f"DELETE FROM {table}")
        marks = ", ".join("?" * len(rows[0]))
        for place in range(len(rows[0])):
            forged = [*rows[0]]
            if forged[place] is not None and place != 0:
                forged[place] = "forged"
            db.execute(f"INSERT OR REPLACE INTO {table} VALUES ({marks})", forged)
        assert db.execute(f"SELECT * FROM {table}").fetchall() == rows
    assert checked(tmp_path).wrong == 0


async def test_replace_under_another_number_does_not_take_the_same_event_away(tmp_path: Path) -> None:
    """An event is known by more than its number: replacing by the other index would delete the row behind it."""
    await a_day(tmp_path)
    with closing(sqlite3.connect(tmp_path / "journal.sqlite", isolation_level=None)) as db:
        rows = db.execute("SELECT * FROM event").fetchall()
        marks = ", ".join("?" * len(rows[0]))
        db.execute(f"INSERT OR REPLACE INTO event VALUES ({marks})", [900, *rows[0][1:]])
        db.execute(f"INSERT OR REPLACE INTO chain VALUES (900, 'event', {rows[0][0]}, 'x')")
        assert db.execute("SELECT * FROM event").fetchall() == rows
    assert checked(tmp_path).wrong == 0


async def test_committed_and_sent_are_filled_once(tmp_path: Path) -> None:
    await a_day(tmp_path)
    with closing(sqlite3.connect(tmp_path / "journal.sqlite", isolation_level=None)) as db:
        for what in ("committed", "sent"):
            with pytest.raises(sqlite3.IntegrityError, match="neither changed nor deleted"):
                db.execute(f"UPDATE event SET {what}_utc = 5 WHERE id = 1")
        db.execute("UPDATE event SET sent_mono = 1, sent_utc = 5, sent_trusted = 1 WHERE id = 2")
        with pytest.raises(sqlite3.IntegrityError, match="neither changed nor deleted"):
            db.execute("UPDATE event SET sent_utc = 6 WHERE id = 2")


# -- a bad disk --


async def test_what_was_owed_is_chained_in_order_when_it_is_written(tmp_path: Path) -> None:
    async with opened(tmp_path) as (journal, _):
        await journal.commit([event(1)], {}, [], NOW)
        await fill(journal)
        before = journal.head
        for number in (2, 3, 4):
            with pytest.raises(StoreError):
                await journal.commit(
                    [event(number, at=NOW.later(number))], {}, [message(number)], NOW.later(number)
                )
        assert journal.head == before
        await inside(journal, "PRAGMA max_page_count = 1000000")
        assert await journal.reconcile()
    with StoreReader(tmp_path, NOW.zone) as store:
        events = [one.fields["number"] for one in store.records(["event"])]
        assert events == [1, 2, 3, 4]
    assert checked(tmp_path).wrong == 0


async def test_late_commit_and_its_repetition_make_one_link(tmp_path: Path) -> None:
    async with opened(tmp_path, deadline=0.3) as (journal, _):
        with closing(sqlite3.connect(tmp_path / "journal.sqlite", isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            with pytest.raises(StoreError):
                await journal.commit([event(2)], {}, [message(2)], NOW)
            other.execute("COMMIT")
        await until(lambda: not journal._thread.stuck)
        await journal.commit([event(2), event(3, alarm="other@p")], {}, [], NOW.later(5))
    found = checked(tmp_path)
    assert (found.wrong, found.links) == (0, 4)  # the beginning, two events, one message


async def test_entry_that_came_too_late_is_withdrawn_and_both_stand(tmp_path: Path) -> None:
    async with opened(tmp_path, deadline=0.3) as (journal, _):
        first = await journal.enter("nursery.tan", 0.1, "Wren", NOW)
        with closing(sqlite3.connect(tmp_path / "journal.sqlite", isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            with pytest.raises(StoreError):
                await journal.enter("nursery.tan", 0.4, "Wren", NOW, corrects=first.id)
            other.execute("COMMIT")
        await until(lambda: not journal._thread.stuck)
        assert await journal.reconcile()
        # what was withdrawn corrects nothing either
        assert [(one.value, one.corrected) for one in await journal.entries()] == [(0.1, False)]
    with StoreReader(tmp_path, NOW.zone) as store:
        kinds = [(one.record, one.key) for one in store.records(["entry", "withdrawn"])]
    assert kinds == [("entry", 1), ("entry", 2), ("withdrawn", 2)]
    assert checked(tmp_path).wrong == 0


async def test_records_lost_for_good_are_counted_in_the_journal(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(owed, "OWED", 10)
    async with opened(tmp_path) as (journal, told):
        with closing(sqlite3.connect(tmp_path / "journal.sqlite", isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            writing = asyncio.gather(*(journal.note("filler", str(number), NOW) for number in range(15)))
            await asyncio.sleep(0.1)
            other.execute("COMMIT")
        await writing
        texts = [one.text for one in reversed(await journal.remarks())]
        lost = [text for text in texts if "records were lost while the journal could not be written" in text]
        assert len(lost) == 1
        assert int(lost[0].split()[0]) + len(texts) - 1 == 15
        assert [well for well, _ in told] == [False, True]
    assert checked(tmp_path).wrong == 0


async def test_damaged_file_ends_its_chain_and_the_new_one_says_so(tmp_path: Path) -> None:
    await many(tmp_path)
    with StoreReader(tmp_path, NOW.zone) as store:
        head = store.check_chain().head
    size = (tmp_path / "journal.sqlite").stat().st_size
    spoil(tmp_path / "journal.sqlite", size * 3 // 10, size * 4 // 10)
    async with opened(tmp_path) as (journal, _):
        await journal.commit([event(301, at=NOW.later(301))], {}, [], NOW)
    found = checked(tmp_path)
    assert found.wrong == 0
    with StoreReader(tmp_path, NOW.zone) as store:
        new, old = store.records(["beginning"])
        events = [one.fields["number"] for one in store.records(["event"])]
    assert old.fields["body"] == "The journal begins."
    assert new.fields["body"].startswith("The journal was damaged (")
    assert f"The chain before ended at {head}." in new.fields["body"]
    assert new.fields["body"].endswith("What was carried over is taken in as it stands.")
    assert new.link == 1
    assert events == sorted(events)
    assert events[-1] == 301
    assert checked(tmp_path, head or Head(0, "")).wrong == 1  # what was given out before is not in the new chain


async def test_damage_met_while_running_begins_a_chain_too(tmp_path: Path) -> None:
    await many(tmp_path)
    async with opened(tmp_path) as (journal, _):
        head = journal.head
        spoil(tmp_path / "journal.sqlite", 0)
        await journal.commit([event(900)], {}, [message(900)], NOW)
        assert journal.head is not None
        assert journal.head != head
    with StoreReader(tmp_path, NOW.zone) as store:
        new = next(store.records(["beginning"]))
    assert f"The chain before ended at {head}." in new.fields["body"]
    assert checked(tmp_path).wrong == 0


async def test_watch_begun_from_memory_is_chained_when_the_disk_comes(tmp_path: Path) -> None:
    from brinewatch.store.journal import Journal
    from store.test_journal_trouble import clock

    (tmp_path / "data").write_text("in the way")
    journal = Journal(tmp_path / "data" / "journal.sqlite", clock(), boot="next")
    with pytest.raises(StoreError):
        await journal.open()
    assert journal.head is None
    assert not await journal.begin(RULES, NOW)
    with pytest.raises(StoreError):
        await journal.commit([event(2)], {}, [message(2)], NOW)
    (tmp_path / "data").unlink()
    assert await journal.reconcile()
    head = journal.head
    await journal.close()
    found = checked(tmp_path / "data")
    assert (found.wrong, found.head) == (0, head)
    assert found.links == 6  # beginning, remark, two rules, event, message
