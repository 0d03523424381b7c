"""Work that belongs to the calendar: at half past three each night, on the first of the month.

APScheduler's triggers know the calendar, daylight saving included; its scheduler is not used, because its jobs stop
when the wall clock steps back. Here every wait is at most a minute of monotonic time and the next instant is worked
out anew from the shed's calendar, so a step of the clock re-arms every job by itself. A job whose instant was
stepped over runs once; one whose day comes twice does not run twice.
"""

from __future__ import annotations

import logging
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING

from brinewatch.ports import Clock

if TYPE_CHECKING:
    from apscheduler.triggers.cron import CronTrigger

log = logging.getLogger(__name__)

_LOOK_EVERY_S = 60.0
# a run that lies further ahead than this was at an instant of a clock that was wrong
_WRONG_AHEAD_S = 2 * 86400.0


@dataclass(slots=True)
class _Job:
    name: str
    trigger: CronTrigger
    work: Callable[[], Awaitable[None]]
    ran: datetime | None = field(default=None)
    due: datetime | None = field(default=None)


class Calendar:
    """Runs jobs at the shed's local time. A job that fails is logged and runs again at its next time."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._jobs: list[_Job] = []

    def at(self, name: str, work: Callable[[], Awaitable[None]], **when: int | str) -> None:
        """Add a job: `when` as in crontab (month, day, day_of_week, hour, minute)."""
        from apscheduler.triggers.cron import CronTrigger

        self._jobs.append(_Job(name, CronTrigger(timezone=self._clock.now().zone, **when), work))

    async def run(self) -> None:
        for job in self._jobs:
            job.due = self._next(job)
        while True:
            now = self._clock.now()
            waits = [(job.due - now.local).total_seconds() for job in self._jobs if job.due]
            await self._clock.sleep(max(0.0, min([_LOOK_EVERY_S, *waits])))
            for job in self._jobs:
                await self._look(job)

    async def _look(self, job: _Job) -> None:
        now = self._clock.now().local
        if job.due is not None and now >= job.due:
            job.ran = job.due
            try:
                await job.work()
            except Exception:
                log.exception("The calendar job %s failed; it runs again at its next time.", job.name)
        job.due = self._next(job)

    def _next(self, job: _Job) -> datetime | None:
        """The next instant from now, never one already run: a clock set back does not repeat the night's work."""
        # counted from now and not from the last run: after a step over many days one run is enough
        now = self._clock.now().local
        due: datetime | None = job.trigger.get_next_fire_time(None, now)
        if job.ran is not None and (job.ran - now).total_seconds() > _WRONG_AHEAD_S:
            job.ran = None  # else a clock that was a year ahead for a night would stop the job for that year
        if due is not None and job.ran is not None and due <= job.ran:
            due = job.trigger.get_next_fire_time(job.ran, job.ran)
        return due
