"""The history: every reading kept, none of them ever in the way."""

from __future__ import annotations

import asyncio
import math
import sqlite3
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from brinewatch.clock import SteppingClock
from brinewatch.errors import StoreError
from brinewatch.ports import History as HistoryPort
from brinewatch.readings import Flag, Reading
from brinewatch.store import schema
from brinewatch.store.history import History
from brinewatch.store.history_rows import HistoryRows
from brinewatch.store.schema import NewerStore
from store.made import NOW, reading

POINT = "nursery.temperature"
Told = list[tuple[bool, str]]


def clock() -> SteppingClock:
    return SteppingClock(NOW.utc, mono=NOW.mono)


@asynccontextmanager
async def opened(folder: Path, **changes: Any) -> AsyncIterator[tuple[History, Told]]:
    told: Told = []
    history = History(folder / "history.sqlite", clock(), on_health=lambda *words: told.append(words), **changes)
    told.extend((True, note) for note in await history.open())
    try:
        yield history, told
    finally:
        await history.close()


async def everything(history: History, point: str = POINT) -> list[Reading]:
    return await history.read(point, 0.0, 4e9)


async def inside(history: History, sql: str) -> Any:
    connection = history._file._connect()
    return await history._thread.run(lambda: connection.execute(sql).fetchall(), 5.0)


async def test_reading_comes_back_as_it_was(tmp_path: Path) -> None:
    whole = reading(
        flag=Flag.SUSPECT, reason="jumped by 3 °C", uncertainty=0.05, calibration="two-point of 2026-10-01",
        age_s=10800.0, basis="as N, TAN 3 h old", raw=1450.0,
    )  # fmt: skip
    async with opened(tmp_path) as (history, _):
        port: HistoryPort = history
        port.add([whole])
        assert await everything(history) == [whole]
    async with opened(tmp_path) as (history, _):
        assert await everything(history) == [whole]
        assert await history.latest() == {POINT: whole}


# IEEE 754 doubles at the edges: a third, the smallest subnormal, the largest finite, a sum that is not 0.3
@pytest.mark.parametrize("value", [1 / 3, 5e-324, 1.7976931348623157e308, 0.1 + 0.2, -273.15, math.inf])
async def test_numbers_are_kept_exactly(tmp_path: Path, value: float) -> None:
    async with opened(tmp_path) as (history, _):
        history.add([reading(value=value)])
    async with opened(tmp_path) as (history, _):
        (one,) = await everything(history)
        assert one.value is not None
        assert one.value.hex() == value.hex()


async def test_no_value_and_not_a_number_are_both_no_value(tmp_path: Path) -> None:
    async with opened(tmp_path) as (history, _):
        history.add([reading(value=None, flag=Flag.MISSING, reason="no answer within 0.5 s")])
        history.add([reading(at=NOW.later(5), value=math.nan, flag=Flag.FAIL)])
        assert [one.value for one in await everything(history)] == [None, None]


async def test_first_reading_of_an_instant_stands(tmp_path: Path) -> None:
    async with opened(tmp_path) as (history, _):
        history.add([reading(value=14.0)])
        await history.flush()
        history.add(
            [reading(value=99.0), reading(at=NOW.later(0.001), value=14.1), reading("shed.temperature", value=9.0)]
        )
        assert [one.value for one in await everything(history)] == [14.0, 14.1]
        assert history.repeated == 1
        assert await history.counts() == {Flag.PASS: 3}


@pytest.mark.parametrize("flushed", [True, False])
async def test_verdict_in_hindsight_changes_flag_and_reason_only(tmp_path: Path, flushed: bool) -> None:
    """QARTOD spike test: the sample in the middle can be judged only when the next has come (IOOS, test 6)."""
    spike = reading(value=19.5)
    async with opened(tmp_path) as (history, _):
        history.add([reading(at=NOW.later(-5)), spike])
        if flushed:
            await history.flush()
        verdict = replace(spike, value=None, flag=Flag.FAIL, reason="spike of 5 °C")
        history.revise(verdict)
        expected = replace(spike, flag=Flag.FAIL, reason="spike of 5 °C")
        assert (await everything(history))[1] == expected
        assert (await history.latest())[POINT] == expected
        assert await history.counts() == {Flag.PASS: 1, Flag.FAIL: 1}
        history.revise(replace(spike, flag=Flag.SUSPECT, reason="looked at again"))
        assert await history.counts() == {Flag.PASS: 1, Flag.SUSPECT: 1}
    with closing(schema.connect(tmp_path / "history.sqlite", "NORMAL")) as db:
        kept = HistoryRows(db).window(1, 0, 2**61)
        assert (kept.flag, kept.live) == ([1, 3], [None, 1])


async def test_verdict_on_a_reading_nobody_has_harms_nothing(tmp_path: Path) -> None:
    async with opened(tmp_path) as (history, _):
        history.add([reading()])
        history.revise(reading(at=NOW.later(1), flag=Flag.FAIL))
        history.revise(reading("other.temperature", flag=Flag.FAIL))
        assert await history.counts() == {Flag.PASS: 1}


async def test_span_takes_its_beginning_and_not_its_end(tmp_path: Path) -> None:
    async with opened(tmp_path) as (history, _):
        history.add([reading(at=NOW.later(5.0 * n), value=float(n)) for n in range(10)])
        found = await history.read(POINT, NOW.utc + 10, NOW.utc + 25)
        assert [one.value for one in found] == [2.0, 3.0, 4.0]
        assert await history.read("nobody.temperature", 0, 4e9) == []


async def test_more_than_memory_should_hold_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("brinewatch.store.history._READ_MOST", 3)
    async with opened(tmp_path) as (history, _):
        history.add([reading(at=NOW.later(n)) for n in range(4)])
        assert len(await history.read(POINT, NOW.utc, NOW.utc + 3)) == 3
        with pytest.raises(StoreError, match="Ask for a shorter one"):
            await everything(history)


async def test_batches_are_written_by_themselves(tmp_path: Path) -> None:
    time = clock()
    history = History(tmp_path / "history.sqlite", time, batch_s=60.0)
    await history.open()
    tasks = [asyncio.create_task(history.run())]
    for minute in range(3):
        history.add([reading(at=NOW.later(60.0 * minute))])
        await time.drive(until=NOW.mono + 60.0 * (minute + 1) + 1)
        with closing(schema.connect(tmp_path / "history.sqlite", "NORMAL")) as db:
            assert len(HistoryRows(db).window(1, 0, 2**61)) == minute + 1
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)
    await history.close()


async def test_latest_newer_than_the_file_wins_at_opening(tmp_path: Path) -> None:
    async with opened(tmp_path) as (history, _):
        history.add([reading(), reading("shed.temperature", value=9.0)])
    history = History(tmp_path / "history.sqlite", clock())
    history.add([reading(at=NOW.later(60), value=15.0)])
    await history.open()
    assert {point: one.value for point, one in (await history.latest()).items()} == {
        POINT: 15.0,
        "shed.temperature": 9.0,
    }
    await history.close()


# -- bad disks --


async def test_full_disk_loses_nothing_it_need_not_and_counts_what_it_does(tmp_path: Path) -> None:
    async with opened(tmp_path, most=50) as (history, told):
        history.add([reading(at=NOW)])
        await history.flush()
        await inside(history, "PRAGMA max_page_count = 1")
        for n in range(1, 400):
            history.add([reading(at=NOW.later(n), value=float(n), reason=f"{n} {'x' * 200}")])
            if not await history.flush():
                break
        full = n
        assert told[0][0] is False
        assert "No room" in told[0][1]
        found = await everything(history)
        assert [one.value for one in found] == [14.5, *map(float, range(1, full + 1))]
        late = [reading(at=NOW.later(1000 + n), value=float(n), reason=f"{n} {'y' * 900}") for n in range(80)]
        history.add(late)
        assert history.dropped == 31
        assert not await history.flush()
        await inside(history, "PRAGMA max_page_count = 1000000")
        assert await history.flush()
        assert told[-1] == (True, "31 readings have been lost so far.")
        assert [one.value for one in await everything(history)][-50:] == [float(n) for n in range(30, 80)]
        assert sum((await history.counts()).values()) == full + 50


async def test_locked_file_is_given_up_at_the_deadline_and_written_once_when_free(tmp_path: Path) -> None:
    async with opened(tmp_path, deadline_s=0.2) as (history, told):
        history.add([reading()])
        with closing(sqlite3.connect(tmp_path / "history.sqlite", isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            assert not await history.flush()
            history.add([reading(at=NOW.later(5))])  # takes no time, whatever the disk does
            assert not await history.flush()
            assert "did not answer within 0.2 s" in told[0][1]
            other.execute("COMMIT")
        async with asyncio.timeout(20):
            while not await history.flush():
                await asyncio.sleep(0.02)
        assert [one.at for one in await everything(history)] == [NOW, NOW.later(5)]
        assert await history.counts() == {Flag.PASS: 2}
        assert [well for well, _ in told] == [False, True]


async def test_damaged_file_is_set_aside_and_a_fresh_one_begun(tmp_path: Path) -> None:
    (tmp_path / "history.sqlite").write_bytes(b"\xa5" * 8192)
    async with opened(tmp_path) as (history, told):
        (aside,) = tmp_path.glob("history.damaged-*.sqlite")
        assert aside.name in told[0][1]
        history.add([reading()])
        assert len(await everything(history)) == 1


async def test_damage_met_while_running_costs_no_reading_in_hand(tmp_path: Path) -> None:
    async with opened(tmp_path) as (history, told):
        history.add([reading(at=NOW.later(n)) for n in range(500)])
        await history.flush()
        with closing(sqlite3.connect(tmp_path / "history.sqlite")) as db:
            db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        (tmp_path / "history.sqlite").write_bytes(b"\xa5" * 8192)
        history.add([reading(at=NOW.later(1000))])
        assert [one.at for one in await everything(history)] == [NOW.later(1000)]
        assert [well for well, _ in told] == [False, True]
        assert list(tmp_path.glob("history.damaged-*.sqlite"))


async def test_newer_file_is_refused_and_left_as_it_is(tmp_path: Path) -> None:
    async with opened(tmp_path) as (history, _):
        history.add([reading()])
    with closing(sqlite3.connect(tmp_path / "history.sqlite", isolation_level=None)) as db:
        db.execute("PRAGMA user_version = 99")
    with pytest.raises(NewerStore, match="has schema 99, this program knows"):
        await History(tmp_path / "history.sqlite", clock()).open()
    assert not list(tmp_path.glob("*damaged*"))


async def test_folder_that_is_not_there_keeps_nobody_from_watching(tmp_path: Path) -> None:
    (tmp_path / "data").write_text("in the way")
    async with opened(tmp_path / "data") as (history, told):
        assert [well for well, _ in told] == [False, True]  # by health, and as a note at the start
        history.add([reading()])
        assert not await history.flush()
        (tmp_path / "data").unlink()
        assert await history.flush()
        assert len(await everything(history)) == 1


async def test_instant_no_file_can_take_stands_in_nobodys_way(tmp_path: Path) -> None:
    async with opened(tmp_path) as (history, _):
        history.add([reading(at=replace(NOW, utc=1e300)), reading()])
        assert [one.at for one in await everything(history)] == [NOW]


async def test_nights_care_gives_room_back(tmp_path: Path) -> None:
    async with opened(tmp_path) as (history, told):
        for batch in range(0, 5000, 10):
            history.add([reading(at=NOW.later(n)) for n in range(batch, batch + 10)])
            await history.flush()
        for table in ("fresh", "piece", "axis"):
            await inside(history, f"DELETE FROM {table}")
        before = (await inside(history, "PRAGMA freelist_count"))[0][0]
        await history.tidy()
        assert before > 0
        assert (await inside(history, "PRAGMA freelist_count"))[0][0] == 0
        assert not (tmp_path / "history.sqlite-wal").stat().st_size
        assert told == []


async def test_asking_before_opening_says_so(tmp_path: Path) -> None:
    history = History(tmp_path / "history.sqlite", clock())
    history.add([reading()])
    with pytest.raises(StoreError, match="Open the history first"):
        await history.counts()
