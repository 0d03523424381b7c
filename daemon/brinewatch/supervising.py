"""Each part of the daemon runs on its own: one that fails or hangs is started again alone, and says so.

A part hangs when a wait for the outside outlives the time it was given: parts wait through the Clock, so the Clock
they are given keeps account (`Watched`). Nothing but the event loop itself looks: where that stands still nobody
is told that all is well.
"""

from __future__ import annotations

import asyncio
import logging
from collections import deque
from collections.abc import AsyncIterator, Awaitable, Callable, Coroutine, Iterator, Sequence
from contextlib import AbstractAsyncContextManager, asynccontextmanager, contextmanager
from contextvars import Context, ContextVar
from dataclasses import dataclass, field
from typing import Any

from brinewatch.errors import BrinewatchError
from brinewatch.moment import Moment
from brinewatch.ports import Clock

log = logging.getLogger(__name__)

Part = Callable[[], Awaitable[None]]
Say = Callable[[str], None]

_RESTART_FROM_S, _RESTART_TO_S = 1.0, 60.0
# past its deadline a wait is cancelled by itself; what is still there so much later does not obey
GRACE_S = 10.0
# a wait that names no deadline has this one
LONGEST_S = 150.0
# so many failures in so long are more than bad luck
_OFTEN, _LATELY_S = 3, 600.0
# without these the watch goes on seeing and calling
BESIDE = ("sign of life", "history", "calendar", "time-series server", "heartbeat", "control", "page", "record")
WORK = "a piece of work"
# the one part that is over some day
_ENDS = "record"
# how long parts are waited for at the end
_END_S = 30.0


@dataclass(eq=False, slots=True)
class Running:
    """One part, as it goes. timed, holds: by when each wait for the outside must be over, seconds of the loop."""

    name: str
    task: asyncio.Task[None] | None = None
    timed: dict[object, float] = field(default_factory=dict)
    holds: dict[object, float] = field(default_factory=dict)
    failures: deque[tuple[float, str]] = field(default_factory=lambda: deque(maxlen=_OFTEN))
    cut: bool = False
    restarts: int = 0

    def hangs(self, now: float) -> bool:
        """now: seconds of the loop. A wait without a deadline counts where there is none within it."""
        return any(until < now for until in (self.timed or self.holds).values())

    def often(self, now: float) -> bool:
        return len(self.failures) == _OFTEN and now - self.failures[0][0] <= _LATELY_S


@dataclass(frozen=True, slots=True)
class PartTold:
    """How a part fares. restarts: since the watch began; why, ago_s: of its last failure."""

    name: str
    hangs: bool
    often: bool
    restarts: int
    why: str
    ago_s: float | None


_PART: ContextVar[Running | None] = ContextVar("part", default=None)


class Watched:
    """A Clock that keeps account of what each part waits for outside; in real seconds, as deadlines are."""

    def __init__(self, clock: Clock, grace_s: float = GRACE_S) -> None:
        self._clock, self._grace_s = clock, grace_s
        self.now, self.sleep, self.sleep_until = clock.now, clock.sleep, clock.sleep_until

    def deadline(self, seconds: float) -> AbstractAsyncContextManager[object]:
        return self._deadline(seconds)

    @asynccontextmanager
    async def _deadline(self, seconds: float) -> AsyncIterator[None]:
        part = _PART.get()
        with _counted(part.timed if part else None, seconds + self._grace_s):
            async with self._clock.deadline(seconds):
                yield

    @contextmanager
    def hold(self) -> Iterator[None]:
        part = _PART.get()
        with _counted(part.holds if part else None, LONGEST_S), self._clock.hold():
            yield


@contextmanager
def _counted(waits: dict[object, float] | None, seconds: float) -> Iterator[None]:
    if waits is None:
        yield
        return
    key = object()
    waits[key] = asyncio.get_running_loop().time() + seconds
    try:
        yield
    finally:
        waits.pop(key, None)


class Parts:
    """All parts of one daemon, from `start` to `end`."""

    def __init__(self, clock: Clock, say: Say) -> None:
        self._clock, self._say = clock, say
        self._parts: list[Running] = []
        self._work = Running(WORK)
        self._spawned: set[asyncio.Task[Any]] = set()
        self._ending = False

    def start(self, parts: Sequence[tuple[str, Part]]) -> None:
        for name, part in parts:
            running = Running(name)
            running.task = asyncio.create_task(self._supervise(running, part), name=name)
            self._parts.append(running)

    def spawn(self, work: Coroutine[Any, Any, Any]) -> None:
        """A piece of work beside the parts; that it failed is said."""
        context = Context()
        context.run(_PART.set, self._work)
        task = asyncio.get_running_loop().create_task(work, context=context)
        self._spawned.add(task)
        task.add_done_callback(self._finished)

    def _finished(self, task: asyncio.Task[Any]) -> None:
        self._spawned.discard(task)
        if not task.cancelled() and task.exception() is not None:
            log.error("A piece of work failed", exc_info=task.exception())
            self._failed(self._work, f"{task.exception()}", f"A piece of work failed: {task.exception()}")

    async def end(self) -> None:
        """Stop them, the last first."""
        self._ending = True
        tasks = [*(part.task for part in reversed(self._parts) if part.task), *self._spawned]
        for task in tasks:
            task.cancel()
        if not tasks:
            return
        try:
            with self._clock.hold():
                async with self._clock.deadline(_END_S):
                    await asyncio.wait(tasks)
        except TimeoutError:
            log.error("Do not end: %s", ", ".join(task.get_name() for task in tasks if not task.done()))

    # -- how they are -------------------------------------------------------------------------------------------

    def look(self) -> list[str]:
        """The parts that hang, each told to end so that it is started again; empty: all came round in time."""
        now, hung = asyncio.get_running_loop().time(), []
        for part in (*self._parts, self._work):
            if not part.hangs(now):
                part.cut = False
                continue
            hung.append(part.name)
            if not part.cut and part.task is not None:
                part.cut = True
                part.task.cancel()
        return hung

    def health(self, now: Moment) -> dict[str, tuple[bool, str]]:
        """Whether parts hang or keep failing: "parts" that see and call, "extras" beside them."""
        ill: dict[str, list[str]] = {"parts": [], "extras": []}
        loop = asyncio.get_running_loop().time()
        for part in (*self._parts, self._work):
            said = ill["extras" if part.name in BESIDE else "parts"]
            if part.hangs(loop):
                said.append(f"{part.name} hangs")
            elif part.often(now.mono):
                said.append(f"{part.name} keeps failing: {part.failures[-1][1]}")
        return {key: (not said, "; ".join(said)) for key, said in ill.items()}

    def told(self, now: Moment) -> list[PartTold]:
        """How each part fares, in the order they were started; work beside them last."""
        loop = asyncio.get_running_loop().time()
        return [
            PartTold(
                one.name, one.hangs(loop), one.often(now.mono), one.restarts,
                one.failures[-1][1] if one.failures else "",
                now.mono - one.failures[-1][0] if one.failures else None,
            )
            for one in (*self._parts, self._work)
        ]  # fmt: skip

    # -- one of them --------------------------------------------------------------------------------------------

    async def _supervise(self, running: Running, part: Part) -> None:
        """Keep one part running: an error ends it, is said, and it is started again after a pause that grows."""
        _PART.set(running)
        pause = _RESTART_FROM_S
        while True:
            began = self._clock.now().mono
            try:
                await part()
                if running.name == _ENDS:
                    return
                self._failed(running, "it ended", f"{running.name} ended by itself and is started again.")
            except BrinewatchError as error:
                self._failed(running, f"{error}", f"{running.name}: {error}")
            except Exception as error:
                log.exception("The part %s failed", running.name)
                why = f"{type(error).__name__}: {error}"
                self._failed(running, why, f"{running.name} failed ({why}) and is started again.")
            except asyncio.CancelledError:
                if self._ending or not running.cut or running.task is None:
                    raise
                while running.task.uncancel() > 0:
                    pass
                self._failed(running, "it hung", f"{running.name} hung and is started again.")
            running.cut = False
            if self._clock.now().mono - began > _RESTART_TO_S:
                pause = _RESTART_FROM_S
            await self._clock.sleep(pause)
            pause = min(2 * pause, _RESTART_TO_S)

    def _failed(self, running: Running, why: str, said: str) -> None:
        running.failures.append((self._clock.now().mono, why))
        running.restarts += running is not self._work
        self._say(said)
