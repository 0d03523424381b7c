"""One thread for one file: the disk may hang, the event loop never does."""

from __future__ import annotations

import asyncio
import logging
import queue
import sys
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, TypeVar, cast

from brinewatch.ports import Clock

log = logging.getLogger(__name__)

# Each statement of an alarm's commit lets the interpreter go and has to get it back. Where the history's thread is
# packing meanwhile that takes a switch interval each time, and Python's own of 5 ms would add up to a tenth of a
# second.
_SWITCH_S = 0.0005
T = TypeVar("T")


@dataclass(slots=True, eq=False)
class _Job:
    work: Callable[[], Any]
    future: asyncio.Future[Any]
    abandoned: bool = field(default=False)


class StoreThread:
    """Work is done one piece after another, in the order it was given.

    Once a piece is overdue every further one is refused at once, until the thread comes back by itself.
    """

    def __init__(self, name: str, clock: Clock) -> None:
        self._name = name
        self._clock = clock
        self._queue: queue.SimpleQueue[_Job | None] = queue.SimpleQueue()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._ended: asyncio.Future[None] | None = None
        self._overdue = 0

    @property
    def stuck(self) -> bool:
        return self._overdue > 0

    def start(self) -> None:
        """Begin, once; a thread that hangs in the kernel does not keep the process from ending."""
        if self._loop is None:
            self._loop = asyncio.get_running_loop()
            self._ended = self._loop.create_future()
            sys.setswitchinterval(min(sys.getswitchinterval(), _SWITCH_S))
            threading.Thread(target=self._work, name=self._name, daemon=True).start()

    async def run(self, work: Callable[[], T], seconds: float) -> T:
        """The result of `work`, done in the thread. TimeoutError after `seconds`: it may still be done later."""
        if self._loop is None:
            raise RuntimeError(f"{self._name} is not started")
        if self._overdue:
            raise TimeoutError
        job = _Job(work, self._loop.create_future())
        self._queue.put(job)
        with self._clock.hold():
            try:
                async with self._clock.deadline(seconds):
                    return cast(T, await job.future)
            except TimeoutError:
                if job.future.done() and not job.future.cancelled():
                    return cast(T, job.future.result())  # it came in the same turn as the deadline
                job.abandoned = True
                self._overdue += 1
                raise

    async def stop(self, seconds: float) -> bool:
        """End after the work given so far; False when the thread hangs and is left to the kernel."""
        if self._loop is None or self._ended is None:
            return True
        self._queue.put(None)
        with self._clock.hold():
            try:
                async with self._clock.deadline(seconds):
                    await asyncio.shield(self._ended)
            except TimeoutError:
                return False
        self._loop = None
        return True

    def _work(self) -> None:
        loop, ended = self._loop, self._ended
        assert loop is not None
        assert ended is not None
        while (job := self._queue.get()) is not None:
            result, error = None, None
            if not job.abandoned:
                try:
                    result = job.work()
                except BaseException as caught:  # noqa: BLE001 - it is handed to whoever asked for the work
                    error = caught
            if not self._post(loop, self._finish, job, result, error):
                return
        self._post(loop, _end, ended)

    @staticmethod
    def _post(loop: asyncio.AbstractEventLoop, call: Callable[..., None], *values: Any) -> bool:
        try:
            loop.call_soon_threadsafe(call, *values)
        except RuntimeError:
            return False  # the loop is closed: nobody is left to be told
        return True

    def _finish(self, job: _Job, result: Any, error: BaseException | None) -> None:
        if job.abandoned:
            self._overdue -= 1
            log.warning("%s: overdue work came back%s", self._name, f", failed: {error}" if error else "")
        elif not job.future.done():
            if error is not None:
                job.future.set_exception(error)
            else:
                job.future.set_result(result)


def _end(ended: asyncio.Future[None]) -> None:
    if not ended.done():
        ended.set_result(None)
