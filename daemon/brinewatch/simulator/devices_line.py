"""A probe that speaks lines of text: unasked once a second, or when asked."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from pathlib import Path
from typing import Literal

from brinewatch.moment import Moment
from brinewatch.ports import Clock
from brinewatch.simulator.terminal import PtyEnd

LineFault = Literal["silent", "garbled", "short"]


class _LineProbe:
    """What both kinds share. text: the line without its end, or None while the probe is out."""

    def __init__(
        self, link: Path, clock: Clock, text: Callable[[Moment], str | None], end: bytes, backlog: int
    ) -> None:
        self.port = PtyEnd(link, self._on_bytes, backlog=backlog)
        self.fault: LineFault | None = None
        self._clock = clock
        self._text = text
        self._end = end

    def _say(self) -> None:
        text = None if self.fault == "silent" else self._text(self._clock.now())
        if text is None:
            return
        line = text.encode("ascii") + self._end
        if self.fault == "garbled":
            # a byte hit by a spark, out of ASCII, and a figure lost
            middle = len(line) // 2
            line = line[: middle - 1] + b"\xb7" + line[middle + 1 :]
        elif self.fault == "short":
            line = line[: len(line) // 2] + self._end
        self.port.write(line)

    def _on_bytes(self, data: bytes) -> None:
        """Nothing said to it matters."""


class FreeRunningProbe(_LineProbe):
    """Says its line every second, whether anybody listens or not."""

    def __init__(
        self, link: Path, clock: Clock, text: Callable[[Moment], str | None], *, end: bytes = b"\r\n",
        every_s: float = 1.0,
    ) -> None:  # fmt: skip
        super().__init__(link, clock, text, end, backlog=0)
        self._every_s = every_s
        self._task: asyncio.Task[None] | None = None

    def start(self) -> None:
        self.port.plug()
        self._task = asyncio.get_running_loop().create_task(self._talk(), name=f"talk on {self.port.port}")

    async def stop(self) -> None:
        if self._task is not None:
            self._task.cancel()
            await asyncio.gather(self._task, return_exceptions=True)
            self._task = None
        self.port.unplug()

    async def _talk(self) -> None:
        due = self._clock.now().mono
        while True:
            self._say()
            due += self._every_s
            await self._clock.sleep_until(due)


class PolledProbe(_LineProbe):
    """Says its line when it hears the request."""

    def __init__(
        self, link: Path, clock: Clock, text: Callable[[Moment], str | None], *, request: bytes = b"R\r",
        end: bytes = b"\r\n",
    ) -> None:  # fmt: skip
        super().__init__(link, clock, text, end, backlog=65536)
        self._request = request
        self._heard = b""

    def start(self) -> None:
        self.port.plug()

    async def stop(self) -> None:
        self.port.unplug()

    def _on_bytes(self, data: bytes) -> None:
        self._heard += data
        while self._request in self._heard:
            self._heard = self._heard.partition(self._request)[2]
            self._say()
        self._heard = self._heard[-len(self._request) :]
