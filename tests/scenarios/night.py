"""The whole daemon on the simulated shed, over real wires, at the speed of its own work."""

from __future__ import annotations

import asyncio
import re
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

from brinewatch.clock import SteppingClock
from brinewatch.config import read_shed
from brinewatch.service import Daemon
from brinewatch.simulator.modem import ModemEmulator
from brinewatch.simulator.world import SimulatedShed

DEMO = Path(__file__).parents[2] / "deploy" / "examples" / "demo.toml"
EVENING = 1_790_200_800.0  # 2026-09-23 22:00 UTC
WREN, TEAL = "+447700900101", "+447700900102"


def shed_text() -> str:
    """The demo's shed with the delays of a real one, without broker and page."""
    text = DEMO.read_text(encoding="utf-8")
    text = re.sub(r"^\[broker\]\n[^\[]*", "", text, flags=re.MULTILINE)
    # the first value of a list begins with a bracket too
    text = re.sub(r"^\[\[(override|round|batch)\]\]\n(?:(?!\[).*\n)*", "", text, flags=re.MULTILINE)
    return text.replace("[page]\n", "[page]\nenabled = false\n")


def unhurried(text: str | None = None, every_s: float = 15.0) -> str:
    """The shed, or this one, with its probes read less often: for hours in which no single reading decides."""
    text = re.sub(r"^every_s = 1\b.*\n", "", text or shed_text(), flags=re.MULTILINE)
    return re.sub(r"^\[\[bus\.(?!hand)\w+\.probe\]\]\n", rf"\g<0>every_s = {every_s}\n", text, flags=re.MULTILINE)


class Night:
    """A shed, its modem and one daemon at a time."""

    def __init__(self, folder: Path, text: str) -> None:
        self.clock = SteppingClock(EVENING)
        self.folder = folder
        self.shed = SimulatedShed(self.clock, folder)
        self.modem = ModemEmulator(self.clock, link=folder / "ports" / "modem")
        (folder / "shed.toml").write_text(text, encoding="utf-8")
        self.said: list[str] = []
        self.daemon: Daemon
        self._task: asyncio.Task[None]

    async def begin(self) -> None:
        """Start a daemon, as after a boot of its process."""
        self.daemon = Daemon(read_shed(self.folder / "shed.toml"), self.clock, self.said.append)
        self._task = asyncio.create_task(self.daemon.run())
        await self.until(lambda: hasattr(self.daemon, "keeper") and self.daemon.overview().checked is not None)

    async def end(self) -> None:
        self.daemon.stop()
        driver = asyncio.create_task(self.clock.drive())
        try:
            await self._task
        finally:
            driver.cancel()
            await asyncio.gather(driver, return_exceptions=True)

    async def passes(self, seconds: float) -> None:
        await self.clock.drive(self.clock.now().mono + seconds)
        if self._task.done():
            self._task.result()

    async def until(self, seen: object, seconds: float = 120.0) -> None:
        """Let time pass second by second until `seen()`; AssertionError when it is not within `seconds`."""
        assert callable(seen)
        for _ in range(int(seconds) + 1):
            if seen():
                return
            await self.passes(1.0)
        raise AssertionError(f"not seen within {seconds} s; the daemon said: {self.said}")

    def texts(self, *words: str, to: str | None = None) -> list[str]:
        """What the phones got, with these words in it."""
        return [
            one.text for one in self.modem.sent if all(word in one.text for word in words) and to in (None, one.to)
        ]

    def standing(self) -> list[str]:
        return sorted(alarm.alarm for alarm in self.daemon.overview().alarms)


@asynccontextmanager
async def night(folder: Path, text: str | None = None, *, begin: bool = True) -> AsyncIterator[Night]:
    made = Night(folder, text or shed_text())
    await made.shed.start()
    await made.modem.start()
    try:
        if begin:
            await made.begin()
            await made.passes(30)
        yield made
        if begin:
            await made.end()
    finally:
        await made.modem.stop()
        await made.shed.stop()
