"""Journals of every earlier version: brought up with all they held, and given a chain that says so."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from brinewatch.clock import SystemClock
from brinewatch.errors import StoreError
from brinewatch.store import schema
from brinewatch.store.journal import Journal
from brinewatch.store.journal_tables import JOURNAL, SEALED
from brinewatch.store.reader import StoreReader
from store.made import BOOT, NOW, event, message
from store.test_calibrations import record
from store.test_journal_trouble import clock, opened, spoil

EARLIER = range(1, len(JOURNAL))
CHAINLESS = range(1, 3)
ROWS = 200
# the columns of the first version
EVENT = (
    "id, happening, alarm, number, priority, title, point, quantity, state, value, limit_value, began_mono,"
    " began_utc, began_trusted, at_mono, at_utc, at_trusted, by_whom, detail, boot, committed_mono, committed_utc,"
    " committed_trusted, sent_mono, sent_utc, sent_trusted"
)


def earlier(folder: Path, version: int) -> Path:
    """A journal as that version wrote it."""
    path = folder / "journal.sqlite"
    with closing(schema.connect(path, "FULL")) as db:
        schema.migrate(db, JOURNAL[:version], str(path))
        db.execute("BEGIN")
        for number in range(1, ROWS + 1):
            at = NOW.utc - 1000 + number
            db.execute(
                f"INSERT INTO event ({EVENT}) VALUES (?, 'raised', 'air-lost@air.pressure', ?, 'critical',"
                " 'Air is failing', 'air.pressure', 'pressure', 'unacknowledged', 0.3, 8.0, 1, ?, 1, 2, ?, 1, '',"
                " ?, ?, 3, ?, 1, NULL, NULL, NULL)",
                (number, number, at - 15, at, "d" * 300, BOOT, at),
            )
        db.execute(
            "INSERT INTO message VALUES (5, 200, 'sms', '+447700900101', 'AIR STOPPED', 200, NULL, NULL, 1,"
            " 2, ?, 1, ?, 'waiting', '', 0, ?, ?)",
            (NOW.utc, BOOT, NOW.utc, NOW.utc),
        )
        db.execute("INSERT INTO remark VALUES (1, 'text in', 'from before', 1, 2, 1, 'boot')")
        db.execute("INSERT INTO entry VALUES (4, 'nursery.tan', 0.2, 'Wren', 1, 2, 1, 'boot', NULL)")
        db.execute("INSERT INTO memory VALUES ('a@p', '{\"number\": 3}')")
        db.execute("COMMIT")
    return path


@pytest.mark.parametrize("version", EARLIER)
async def test_everything_is_there_and_chained_and_the_next_is_chained_after_it(
    tmp_path: Path, version: int
) -> None:
    path = earlier(tmp_path, version)
    journal = Journal(path, clock(), boot=BOOT)
    resumed = await journal.open()
    assert resumed.notes == ()
    assert resumed.memories == {"a@p": {"number": 3}}
    assert [one.value for one in resumed.entries] == [0.2]
    assert resumed.waiting == 1
    assert journal.head is not None
    assert journal.head.link == ROWS + 4
    oldest = (await journal.recent(1000))[-1]
    assert oldest.event == event(
        1, value=0.3, began=oldest.event.began, at=oldest.event.at, detail="d" * 300, version=""
    )
    assert (oldest.event.incident, oldest.event.also, oldest.event.until) == (0, (), None)
    await journal.commit([event(900, incident=12, also=("NO FLOW",))], {}, [message(900)], NOW)
    assert (await journal.recent(1))[0].event.incident == 12
    await journal.close()
    with StoreReader(tmp_path, NOW.zone) as store:
        found = store.check_chain()
        assert (found.wrong, found.links) == (0, ROWS + 6)
        records = list(store.records(tuple(SEALED)))
    assert records[0].fields["body"] == (
        "The chain begins. Records from before are taken in as they stand: "
        f"{ROWS} of event, 1 of message, 1 of remark, 1 of entry."
    )
    assert [one.record for one in records[-2:]] == ["event", "message"]


@pytest.mark.parametrize("version", EARLIER)
async def test_a_damaged_one_is_salvaged_although_it_lacks_columns(tmp_path: Path, version: int) -> None:
    path = earlier(tmp_path, version)
    size = path.stat().st_size
    spoil(path, size * 5 // 10, size * 6 // 10)
    async with opened(tmp_path) as (journal, told):
        assert "of event" in told[0][1]
        found = [one.event.number for one in await journal.recent(1000)]
        assert 30 < len(found) < ROWS
        assert (await journal.entries())[0].value == 0.2
        assert await journal.calibrate(record(1), NOW)
    with StoreReader(tmp_path, NOW.zone) as store:
        assert store.check_chain().wrong == 0


@pytest.mark.parametrize("version", EARLIER)
def test_migration_cut_off_at_any_statement_leaves_the_version_before(tmp_path: Path, version: int) -> None:
    path = earlier(tmp_path, version)
    step = JOURNAL[version]
    with closing(schema.connect(path, "FULL")) as db:
        for place in range(1, len(step) + 1, 5):
            broken = (*step[:place], "INSERT INTO nowhere VALUES (1)")
            with pytest.raises(sqlite3.OperationalError, match="nowhere"):
                schema.migrate(db, [*JOURNAL[:version], broken], str(path))
            assert db.execute("PRAGMA user_version").fetchone() == (version,)
        schema.migrate(db, JOURNAL, str(path))
        assert db.execute("SELECT count(*) FROM event WHERE incident = 0 AND also = '[]'").fetchone() == (ROWS,)


async def test_upgrade_cut_off_before_the_chain_began_begins_it_at_the_next_opening(tmp_path: Path) -> None:
    path = earlier(tmp_path, 2)
    with closing(schema.connect(path, "FULL")) as db:
        schema.migrate(db, JOURNAL, str(path))
    with StoreReader(tmp_path, NOW.zone) as store:
        assert store.check_chain().wrong == ROWS + 3  # nothing is chained yet, and it is said
    journal = Journal(path, SystemClock(NOW.zone))
    await journal.open()
    await journal.close()
    with StoreReader(tmp_path, NOW.zone) as store:
        assert store.check_chain().wrong == 0


@pytest.mark.parametrize("version", CHAINLESS)
def test_reader_asks_for_the_daemon_first(tmp_path: Path, version: int) -> None:
    earlier(tmp_path, version)
    with (
        pytest.raises(StoreError, match=r"of an earlier version, without a chain\. Start the daemon once"),
        StoreReader(tmp_path, NOW.zone) as store,
    ):
        store.check_chain()
