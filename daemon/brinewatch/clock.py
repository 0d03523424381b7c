"""The only reader of the clock, and the only sleeper.

SystemClock is life. SteppingClock lets weeks pass in minutes: whenever nothing outside is being waited for and
every task sleeps, time jumps to the next sleeper, so the whole daemon runs unchanged at the speed of its own work.
"""

from __future__ import annotations

import asyncio
import ctypes
import heapq
import time
from collections.abc import Iterator
from contextlib import AbstractAsyncContextManager, contextmanager
from datetime import UTC, tzinfo
from pathlib import Path

from brinewatch.moment import Moment

# systemd-timesyncd touches this file at each synchronisation (systemd-timesyncd.service(8))
_TIMESYNC = Path("/run/systemd/timesync/synchronized")
_STA_UNSYNC = 0x40  # adjtimex(2)
_TRUST_EVERY_S = 10.0


def _kernel_synchronised() -> bool:
    """Whether the kernel says its clock follows a reference (adjtimex with modes 0; needs no privilege)."""
    words = (ctypes.c_long * 64)()  # struct timex is 208 bytes; modes, the first word, stays 0
    try:
        state = ctypes.CDLL(None, use_errno=True).adjtimex(ctypes.byref(words))
    except (OSError, AttributeError):
        return False
    status = ctypes.cast(ctypes.byref(words, 5 * ctypes.sizeof(ctypes.c_long)), ctypes.POINTER(ctypes.c_int))[0]
    return state not in (-1, 5) and not status & _STA_UNSYNC


def clock_source() -> tuple[str, float | None]:
    """What this computer's clock follows, in words ("" for nothing), and when it was last set, POSIX seconds, where
    that is known."""
    try:
        return "the time service of the system", _TIMESYNC.stat().st_mtime
    except OSError:
        return ("a reference, as the kernel says" if _kernel_synchronised() else ""), None


class SystemClock:
    """Real time. Monotonic time is CLOCK_MONOTONIC, which the event loop sleeps on too."""

    def __init__(self, zone: tzinfo = UTC) -> None:
        self._zone = zone
        self._trusted = False
        self._trust_checked = float("-inf")

    def now(self) -> Moment:
        mono = time.monotonic()
        if mono - self._trust_checked >= _TRUST_EVERY_S:
            self._trusted = _TIMESYNC.exists() or _kernel_synchronised()
            self._trust_checked = mono
        return Moment(mono, time.time(), self._trusted, self._zone)

    async def sleep(self, seconds: float) -> None:
        await asyncio.sleep(max(0.0, seconds))

    async def sleep_until(self, mono: float) -> None:
        await asyncio.sleep(max(0.0, mono - time.monotonic()))

    def deadline(self, seconds: float) -> AbstractAsyncContextManager[object]:
        return asyncio.timeout(seconds)

    @contextmanager
    def hold(self) -> Iterator[None]:
        yield


class SteppingClock:
    """Time that jumps to the next sleeper. Run `drive()` as a task beside the work.

    Tasks that wait for the outside (a wire, a disk, a thread) do so inside `hold()`, and time stands still
    meanwhile; `step_wall` moves the wall clock alone, as a time server would.
    """

    # turns of the event loop after which every chain of hand-overs between tasks has come to rest
    _SETTLE_TURNS = 25

    def __init__(self, utc: float, zone: tzinfo = UTC, *, mono: float = 1000.0, trusted: bool = True) -> None:
        self._mono = mono
        self._offset = utc - mono
        self._zone = zone
        self.trusted = trusted
        self._sleepers: list[tuple[float, int, asyncio.Future[None]]] = []
        self._count = 0
        self._holds = 0
        self._answers = 0
        self._stir = asyncio.Event()

    def now(self) -> Moment:
        return Moment(self._mono, self._mono + self._offset, self.trusted, self._zone)

    def step_wall(self, seconds: float) -> None:
        self._offset += seconds

    async def sleep(self, seconds: float) -> None:
        await self.sleep_until(self._mono + max(0.0, seconds))

    async def sleep_until(self, mono: float) -> None:
        if mono <= self._mono:
            await asyncio.sleep(0)
            return
        future: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self._count += 1
        heapq.heappush(self._sleepers, (mono, self._count, future))
        self._stir.set()
        await future

    def deadline(self, seconds: float) -> AbstractAsyncContextManager[object]:
        return asyncio.timeout(seconds)

    @contextmanager
    def hold(self) -> Iterator[None]:
        self._holds += 1
        try:
            yield
        finally:
            self._holds -= 1
            self._answers += 1
            self._stir.set()

    async def _settle(self) -> None:
        turns, seen = 0, self._answers
        while turns < self._SETTLE_TURNS:
            await asyncio.sleep(0)
            turns += 1
            if self._answers != seen:  # an answer came in between: what it sets going must come to rest too
                turns, seen = 0, self._answers

    async def drive(self, until: float = float("inf")) -> None:
        """Let time pass until monotonic `until`; returns there, with everything at rest."""
        while True:
            await self._settle()
            if self._holds or (not self._sleepers and until == float("inf")):
                self._stir.clear()
                await self._stir.wait()
                continue
            mono = self._sleepers[0][0] if self._sleepers else float("inf")
            if mono > until:
                self._mono = until
                return
            self._mono = max(self._mono, mono)
            while self._sleepers and self._sleepers[0][0] <= self._mono:
                future = heapq.heappop(self._sleepers)[2]
                if not future.done():
                    future.set_result(None)
