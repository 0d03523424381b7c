"""The chain of the journal is followed each night while it grows, and an alarm tells who changed a record."""

from __future__ import annotations

import asyncio
from pathlib import Path

from brinewatch.chainwatch import ChainWatch
from brinewatch.clock import SteppingClock
from brinewatch.store.journal import Journal
from store.made import NOW
from store.test_chain import a_day, checked, shell


async def _night(clock: SteppingClock, one: ChainWatch) -> None:
    task = asyncio.create_task(one.night())
    driver = asyncio.create_task(clock.drive())
    await task
    driver.cancel()
    await asyncio.gather(driver, return_exceptions=True)


async def test_a_sound_chain_is_well_and_an_edit_is_told_once_with_where(tmp_path: Path) -> None:
    head = await a_day(tmp_path)
    clock, notes = SteppingClock(NOW.utc), list[str]()
    assert ChainWatch(tmp_path, clock, lambda: head, notes.append, stands=True).health[0] is None, (
        "a restart ends it"
    )
    one = ChainWatch(tmp_path, clock, lambda: head, notes.append)
    await _night(clock, one)
    assert one.health == (True, "")
    shell(tmp_path, "UPDATE event SET alarm = 'other@air.pressure' WHERE id = 1")
    assert checked(tmp_path).wrong
    for _ in range(2):
        await _night(clock, one)
        assert one.health[0] is False
        assert "is not what was written" in one.health[1]
    assert len(notes) == 1
    assert "event 1" in notes[0]


async def test_a_cut_off_end_shows_by_the_head_of_the_night_before(tmp_path: Path) -> None:
    head = await a_day(tmp_path)
    clock = SteppingClock(NOW.utc)
    one = ChainWatch(tmp_path, clock, lambda: None, lambda text: None)
    await _night(clock, one)
    shell(tmp_path, f"DELETE FROM chain WHERE link = {head.link}")
    await _night(clock, one)
    assert one.health[0] is False
    assert "cut off" in one.health[1]


async def test_a_journal_written_on_meanwhile_is_followed_in_pieces_to_its_end(tmp_path: Path) -> None:
    clock = SteppingClock(NOW.utc)
    journal = Journal(tmp_path / "journal.sqlite", clock)
    await journal.open()
    for number in range(450):  # more than two pieces
        await journal.note("test", f"line {number}", clock.now())
    one = ChainWatch(tmp_path, clock, lambda: journal.head, lambda text: None)
    task, driver = asyncio.create_task(one.night()), asyncio.create_task(clock.drive())
    while not task.done():
        await journal.note("test", "meanwhile", clock.now())
        await asyncio.sleep(0.005)
    driver.cancel()
    await asyncio.gather(driver, return_exceptions=True)
    await task
    assert one.health == (True, "")
    await journal.close()


async def test_a_journal_that_cannot_be_read_is_no_proof(tmp_path: Path) -> None:
    clock = SteppingClock(NOW.utc)
    one = ChainWatch(tmp_path / "gone", clock, lambda: None, lambda text: None)
    await _night(clock, one)
    assert one.health[0] is False
    assert "could not be followed" in one.health[1]
