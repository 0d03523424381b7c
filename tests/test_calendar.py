"""Calendar work under stepped clocks and daylight saving."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from datetime import datetime
from zoneinfo import ZoneInfo

import pytest

from brinewatch.calendar import Calendar
from brinewatch.clock import SteppingClock

# the zone serves only for its rule: clocks go forward on 2026-03-29 01:00 UTC and back on 2026-10-25 01:00 UTC
# (EU Directive 2000/84/EC)
ZONE = ZoneInfo("Europe/Paris")


async def _run(start: datetime, days: float, jolt: Callable[[SteppingClock], None] | None = None) -> list[str]:
    clock = SteppingClock(start.timestamp(), ZONE)
    calendar = Calendar(clock)
    ran: list[str] = []

    async def job() -> None:
        ran.append(clock.now().local.isoformat(timespec="minutes"))
        if len(ran) == 1:
            raise RuntimeError("the first night goes wrong")

    calendar.at("night", job, hour=3, minute=30)
    task = asyncio.create_task(calendar.run())
    if jolt:
        await clock.drive(1000 + days * 43200)
        jolt(clock)
    await clock.drive(1000 + days * 86400)
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)
    return ran


async def test_a_job_runs_once_a_night_and_a_failing_night_does_not_end_it() -> None:
    ran = await _run(datetime(2026, 7, 1, 12, 0, tzinfo=ZONE), 3)
    assert ran == ["2026-07-02T03:30+02:00", "2026-07-03T03:30+02:00", "2026-07-04T03:30+02:00"]


@pytest.mark.parametrize(
    ("start", "nights"),
    [
        (datetime(2026, 3, 28, 12, 0, tzinfo=ZONE), ["2026-03-29T03:30+02:00", "2026-03-30T03:30+02:00"]),
        (datetime(2026, 10, 24, 12, 0, tzinfo=ZONE), ["2026-10-25T03:30+01:00", "2026-10-26T03:30+01:00"]),
    ],
)
async def test_daylight_saving_neither_skips_nor_doubles_a_night(start: datetime, nights: list[str]) -> None:
    assert await _run(start, 2.0) == nights


async def test_a_clock_set_back_does_not_stop_the_job_nor_repeat_the_night() -> None:
    # stepped back 6 h at noon of the 2nd: 03:30 of that day is behind both before and after
    ran = await _run(datetime(2026, 7, 1, 12, 0, tzinfo=ZONE), 2, lambda clock: clock.step_wall(-6 * 3600))
    assert ran == ["2026-07-02T03:30+02:00", "2026-07-03T03:30+02:00"]
    # stepped back 10 h at noon: the night comes again on the wall, not for the job
    ran = await _run(datetime(2026, 7, 1, 12, 0, tzinfo=ZONE), 2, lambda clock: clock.step_wall(-10 * 3600))
    assert ran == ["2026-07-02T03:30+02:00"]


async def test_a_clock_set_forward_over_the_hour_runs_the_job_once() -> None:
    ran = await _run(datetime(2026, 7, 1, 12, 0, tzinfo=ZONE), 2, lambda clock: clock.step_wall(86400))
    assert ran[0] == "2026-07-02T03:30+02:00"
    assert [line[:10] for line in ran] == ["2026-07-02", "2026-07-03", "2026-07-04"]


async def test_a_clock_set_forward_by_a_month_runs_the_job_once_and_not_thirty_times() -> None:
    ran = await _run(datetime(2026, 7, 1, 12, 0, tzinfo=ZONE), 2, lambda clock: clock.step_wall(30 * 86400))
    assert [line[:10] for line in ran] == ["2026-07-02", "2026-08-01", "2026-08-02"]


async def test_a_clock_a_year_ahead_for_some_nights_does_not_stop_the_job_for_that_year() -> None:
    clock = SteppingClock(datetime(2026, 7, 1, 12, 0, tzinfo=ZONE).timestamp(), ZONE)
    calendar = Calendar(clock)
    ran: list[str] = []

    async def job() -> None:
        ran.append(clock.now().local.isoformat(timespec="minutes"))

    calendar.at("night", job, hour=3, minute=30)
    task = asyncio.create_task(calendar.run())
    await clock.drive(1000 + 3600)
    clock.step_wall(365 * 86400.0)
    await clock.drive(1000 + 2.5 * 86400)
    clock.step_wall(-365 * 86400.0)
    ran.clear()
    await clock.drive(1000 + 5 * 86400)
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)
    assert ran == ["2026-07-04T03:30+02:00", "2026-07-05T03:30+02:00", "2026-07-06T03:30+02:00"]
