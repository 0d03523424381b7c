"""Time that can be stepped: order, holding still while the outside is awaited, and wall-clock steps."""

from __future__ import annotations

import asyncio
from datetime import UTC, datetime

import pytest

from brinewatch.clock import SteppingClock, SystemClock
from brinewatch.moment import Moment, span_text, utc_text


async def test_stepping_clock_wakes_sleepers_in_order_of_time() -> None:
    clock = SteppingClock(0.0)
    heard: list[tuple[str, float]] = []

    async def tick(name: str, every: float) -> None:
        for _ in range(4):
            await clock.sleep(every)
            heard.append((name, clock.now().mono - 1000))

    async with asyncio.TaskGroup() as group:
        group.create_task(tick("ten", 10))
        group.create_task(tick("seven", 7))
        await clock.drive(1100)
    assert heard == [
        ("seven", 7), ("ten", 10), ("seven", 14), ("ten", 20),
        ("seven", 21), ("seven", 28), ("ten", 30), ("ten", 40),
    ]  # fmt: skip
    assert clock.now().mono == 1100


async def test_a_week_of_seconds_passes_without_waiting_for_it() -> None:
    clock = SteppingClock(0.0)
    minutes = 0

    async def count() -> None:
        nonlocal minutes
        for _ in range(7 * 24 * 60):
            await clock.sleep(60)
            minutes += 1

    task = asyncio.create_task(count())
    await clock.drive(1000 + 7 * 86400)
    await task
    assert minutes == 7 * 24 * 60
    assert clock.now().utc == 7 * 86400


async def test_time_stands_still_while_the_outside_is_awaited() -> None:
    clock = SteppingClock(0.0)
    answered_at = None

    async def ask() -> None:
        nonlocal answered_at
        with clock.hold():
            await asyncio.to_thread(lambda: None)
            await asyncio.sleep(0.02)
        answered_at = clock.now().mono

    async with asyncio.TaskGroup() as group:
        group.create_task(ask())
        group.create_task(clock.sleep(3600))
        await clock.drive(5000)
    assert answered_at == 1000


async def test_time_stands_still_for_what_an_answer_sets_going() -> None:
    clock = SteppingClock(0.0)
    done_at = None

    async def work() -> None:
        nonlocal done_at
        for _ in range(10):  # many quick answers in a row, each with work after it
            with clock.hold():
                await asyncio.sleep(0)
            for _ in range(20):
                await asyncio.sleep(0)
        done_at = clock.now().mono

    async with asyncio.TaskGroup() as group:
        group.create_task(work())
        group.create_task(clock.sleep(3600))
        await clock.drive(5000)
    assert done_at == 1000


async def test_a_step_of_the_wall_clock_moves_no_sleeper() -> None:
    clock = SteppingClock(1_000_000.0)
    task = asyncio.create_task(clock.sleep(10))
    await clock.drive(1005)
    clock.step_wall(-3600)
    assert clock.now().utc == 1_000_005 - 3600
    assert not task.done()
    await clock.drive(1010)
    assert task.done()


async def test_a_deadline_ends_a_wait_for_the_outside() -> None:
    clock = SteppingClock(0.0)
    with pytest.raises(TimeoutError):
        async with clock.deadline(0.01):
            await asyncio.Event().wait()


async def test_the_real_clock_agrees_with_the_machine() -> None:
    clock = SystemClock()
    before = datetime.now(UTC).timestamp()
    first = clock.now()
    await clock.sleep(0.01)
    await clock.sleep_until(first.mono + 0.02)
    second = clock.now()
    assert before <= first.utc <= datetime.now(UTC).timestamp()
    assert second.mono - first.mono >= 0.02
    assert isinstance(first.trusted, bool)


def test_instants_and_spans_read_as_people_write_them() -> None:
    # 2016-12-31T23:59:60Z was a leap second (IERS Bulletin C 52); POSIX time has no name for it
    assert utc_text(1483228799.9996) == "2017-01-01T00:00:00.000Z"
    assert utc_text(0.0) == "1970-01-01T00:00:00.000Z"
    assert [span_text(s) for s in (0.4, 45, 99, 720, 11400, 3600 * 50)] == [
        "0 s", "45 s", "99 s", "12 min", "3 h 10 min", "2 d 2 h",
    ]  # fmt: skip
    assert Moment(1.0, 2.0, True).later(3.0) == Moment(4.0, 5.0, True)
