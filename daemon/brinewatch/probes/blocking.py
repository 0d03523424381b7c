"""Reads that may block in the kernel, kept out of the event loop.

A thread cannot be stopped, so each probe has at most one of its own: while it hangs, the probe has no answer, and
no other probe, bus or pool waits behind it.
"""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from brinewatch.errors import NoAnswer, PortLost
from brinewatch.ports import Clock

T = TypeVar("T")


class BlockingReader:
    """Runs one blocking call a probe at a time, each in a thread of its own."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._busy: set[str] = set()

    async def call(self, key: str, work: Callable[[], T]) -> T:
        """The result of `work`; NoAnswer at once while an earlier call for `key` still hangs."""
        if key in self._busy:
            raise NoAnswer(
                "The earlier reading still hangs in the kernel.", "If it stays so, check the wiring and restart."
            )
        loop = asyncio.get_running_loop()
        future: asyncio.Future[T] = loop.create_future()

        def settle(result: T | None, error: Exception | None) -> None:
            self._busy.discard(key)
            if future.done():
                return  # given up meanwhile; a late result is never used
            if error is not None:
                future.set_exception(error)
            else:
                future.set_result(result)  # type: ignore[arg-type]

        def run() -> None:
            result, error = None, None
            try:
                result = work()
            except Exception as caught:  # noqa: BLE001 - carried over to the waiting task
                error = caught
            try:
                loop.call_soon_threadsafe(settle, result, error)
            except RuntimeError:
                return  # the loop ended while the kernel held us

        self._busy.add(key)
        threading.Thread(target=run, name=f"read {key}", daemon=True).start()
        with self._clock.hold():
            return await future


class TreeBus:
    """A bus of files that the kernel shows under one folder; nothing is kept open between two readings.

    missing: what is said when the folder is not there, with {root} in it, and what to do then.
    """

    missing = ("There is nothing at {root}.", "")

    def __init__(self, name: str, clock: Clock, root: Path) -> None:
        self.name = name
        self._clock = clock
        self._root = root
        self._reader = BlockingReader(clock)

    async def open(self) -> None:
        if not self._root.is_dir():
            what, hint = self.missing
            raise PortLost(what.format(root=self._root), hint)

    async def close(self) -> None:
        """Nothing is kept open."""


def read_text(path: str, what: str, limit: int = 4096) -> str:
    """A kernel file as ASCII text. PortLost when it is not there, NoAnswer when reading it fails."""
    try:
        with open(path, "rb", buffering=0) as file:
            data = file.read(limit) or b""
    except FileNotFoundError as error:
        raise PortLost(f"{what} is not there ({path}).", "Check its wiring and its name.") from error
    except OSError as error:
        raise NoAnswer(f"{what} cannot be read: {error.strerror or error}.", "Check its wiring.") from error
    return data.decode("ascii", errors="replace")
