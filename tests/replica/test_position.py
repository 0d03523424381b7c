"""How far the replica is, through whatever happens to the history and to the file that says it."""

from __future__ import annotations

import sqlite3
from collections.abc import AsyncIterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from brinewatch.errors import StoreError
from brinewatch.moment import Moment
from brinewatch.store.backup import back_up_store, restore_store
from brinewatch.store.series.feed import Batch, Feed
from brinewatch.store.series.lines import Refused
from brinewatch.store.series.position import NAME, Position, SeriesFile
from replica.past import BEGAN, Shed

POINT = "raceway.oxygen"


@pytest.fixture
async def shed(tmp_path: Path) -> AsyncIterator[Shed]:
    (tmp_path / "data").mkdir()
    async with Shed(tmp_path / "data").open() as one:
        yield one


def feed_of(shed: Shed, file: SeriesFile) -> Feed:
    return Feed(shed.folder, shed.clock.now().zone, shed.key, file)


def taken(feed: Feed, now: Moment, most: int = 1000) -> list[Batch]:
    """All there is, as if a server took it."""
    found = []
    while (batch := feed.next(now, most)) is not None:
        found.append(batch)
        feed.done(batch, batch.refused, now)
    return found


def told(batches: list[Batch]) -> list[int]:
    return [line.t_us for batch in batches for line in batch.lines]


async def test_batches_are_bounded_and_miss_nothing(shed: Shed) -> None:
    with shed.file() as file:
        feed = feed_of(shed, file)
        feed.begin(shed.clock.now())
        await shed.read([POINT, "raceway.ph"], 500)
        batches = taken(feed, shed.clock.now(), most=64)
        assert max(len(batch.lines) for batch in batches) <= 64
        assert sorted(told(batches)) == sorted(
            line.t_us for point in (POINT, "raceway.ph") for line in shed.told(point)
        )
        assert feed.next(shed.clock.now(), 64) is None


async def test_it_goes_on_in_the_middle_of_a_change(shed: Shed) -> None:
    now = shed.clock.now()
    with shed.file() as file:
        feed = feed_of(shed, file)
        feed.begin(now)
        await shed.read([POINT], 500)
        first = feed.next(now, 100)
        assert first is not None
        feed.done(first, [], now)
        feed.rest(now)
    with shed.file() as file:
        feed = feed_of(shed, file)
        assert feed.begin(now) == ()
        rest = told(taken(feed, now, 100))
    assert told([first]) + rest == [line.t_us for line in shed.told(POINT)]


async def test_packing_sends_nothing_twice_that_was_settled(shed: Shed) -> None:
    with shed.file() as file:
        feed = feed_of(shed, file)
        feed.begin(shed.clock.now())
        await shed.read([POINT], 500)
        assert len(told(taken(feed, shed.clock.now()))) == 500
        await shed.clock.drive(shed.clock.now().mono + 3 * 86400)
        await shed.history.sum_up()
        assert told(taken(feed, shed.clock.now())) == []


async def test_a_history_that_went_back_in_a_power_cut_is_followed(shed: Shed) -> None:
    """Its last changes never reached the disk: their numbers are given out anew, to other readings."""
    now = shed.clock.now()
    with shed.file() as file:
        feed = feed_of(shed, file)
        feed.begin(now)
        await shed.read([POINT], 10)
        taken(feed, now)
        feed.rest(now)
        position = file.position()
        assert position is not None
        file.move(replace(position, number=position.number + 5))
    with shed.file() as file:
        feed = feed_of(shed, file)
        feed.begin(now)
        await shed.read([POINT], 10, began=BEGAN + 3600)
        assert len(told(taken(feed, now))) == 10


async def test_what_a_backup_brought_back_is_sent_whole(shed: Shed, tmp_path: Path) -> None:
    (tmp_path / "usb").mkdir()
    now = shed.clock.now()
    with shed.file() as file:
        feed = feed_of(shed, file)
        feed.begin(now)
        await shed.read([POINT], 10)
        folder, _ = back_up_store(shed.folder, tmp_path / "usb", now)
        await shed.read([POINT], 10, began=BEGAN + 3600)
        taken(feed, now)
        feed.rest(now)
    await shed.history.close()
    restore_store(folder, shed.folder, now)
    await shed.history.open()
    # as many changes again as were lost: by their numbers alone nobody could tell
    await shed.read([POINT], 10, began=BEGAN + 7200)
    with shed.file() as file:
        feed = feed_of(shed, file)
        (note,) = feed.begin(now)
        assert "another file" in note
        assert len(told(taken(feed, now))) == 20


async def test_a_damaged_file_is_set_aside_and_everything_sent_again(shed: Shed) -> None:
    now = shed.clock.now()
    with shed.file() as file:
        feed = feed_of(shed, file)
        feed.begin(now)
        await shed.read([POINT], 10)
        taken(feed, now)
        feed.rest(now)
    path = shed.folder / NAME
    path.write_bytes(b"not a database at all" * 300)
    with shed.file() as file:
        feed = feed_of(shed, file)
        (note,) = feed.begin(now)
        assert "set aside" in note
        assert len(told(taken(feed, now))) == 10
    assert list(shed.folder.glob("series.damaged-*.sqlite"))


async def test_the_first_time_what_was_read_before_is_left_to_the_back_fill(shed: Shed) -> None:
    await shed.read([POINT], 10)
    with shed.file() as file:
        feed = feed_of(shed, file)
        (note,) = feed.begin(shed.clock.now())
        assert "brinewatch series backfill" in note
        await shed.read([POINT], 3, began=BEGAN + 3600)
        assert len(told(taken(feed, shed.clock.now()))) == 3


async def test_a_history_that_could_not_be_opened_at_first_is_sent_from_its_beginning(tmp_path: Path) -> None:
    shed = Shed(tmp_path)
    with shed.file() as file:
        feed = feed_of(shed, file)
        assert feed.begin(shed.clock.now()) == ()
        assert feed.next(shed.clock.now(), 100) is None
        async with shed.open():
            await shed.read([POINT], 10)
            assert len(told(taken(feed, shed.clock.now()))) == 10


def test_what_was_refused_is_named_in_spans(tmp_path: Path) -> None:
    with SeriesFile(tmp_path) as file:
        file.set_aside(
            [
                Refused("a.b", 1, "old"),
                Refused("a.b", 2, "old"),
                Refused("a.c", 2, "old"),
                Refused("a.b", 3, "bad"),
            ],
            7.0,
        )
        file.set_aside([Refused("a.b", 1, "old"), Refused("a.b", 2, "old")], 8.0)  # met again: no second row
        file.set_aside([Refused("a.c", t_us, "old") for t_us in (7, 9)], 9.0)  # goes on: the row grows
        spans = file.refused()
        assert [(one.point, one.first_us, one.last_us, one.n, one.reason) for one in spans] == [
            ("a.b", 1, 2, 2, "old"), ("a.c", 2, 9, 3, "old"), ("a.b", 3, 3, 1, "bad"),
        ]  # fmt: skip
        assert file.refused_count() == 6
        file.forget(spans[0])
        assert file.refused_count() == 4


def test_a_file_of_a_later_version_is_left_alone(tmp_path: Path) -> None:
    with SeriesFile(tmp_path) as file:
        file.move(Position("x", 5, 1.0))
    with closing(sqlite3.connect(tmp_path / NAME)) as db:
        db.execute("PRAGMA user_version = 99")
    with SeriesFile(tmp_path) as file, pytest.raises(StoreError, match="schema 99"):
        file.position()
