"""The modem notifier at a desk: on a simulated modem over a pseudo-terminal, with all it says written down."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from brinewatch.clock import SteppingClock, SystemClock
from brinewatch.messages import DeliveryReport, Inbound, Message, Receipt
from brinewatch.notify.sms import SmsModemSettings, SmsNotifier
from brinewatch.simulator.modem import ModemEmulator

KEEPER = "+447700900101"
# generous: it only says that something does not hang
SOON = 20.0
UTC = 1_800_000_000.0


@dataclass
class Desk:
    """A notifier, its modem, and everything that came of them."""

    modem: ModemEmulator
    settings: SmsModemSettings
    clock: SystemClock | SteppingClock
    inbound: list[Inbound] = field(default_factory=list)
    reports: list[DeliveryReport] = field(default_factory=list)
    health: list[tuple[bool, str]] = field(default_factory=list)
    refusing: int = 0
    on_text: Callable[[], None] = lambda: None
    notifier: SmsNotifier = field(init=False)
    _running: asyncio.Task[None] | None = None

    def __post_init__(self) -> None:
        self.make_anew()

    def make_anew(self, pin_tried: Path | None = None) -> None:
        """As after a restart of the daemon: nothing of the process before is known."""
        self.notifier = SmsNotifier(
            self.settings,
            self.clock,
            self._take,
            self.reports.append,
            lambda ok, why: self.health.append((ok, why)),
            pin_tried=pin_tried,
        )

    def _take(self, text: Inbound) -> None:
        if self.refusing:
            self.refusing -= 1
            raise RuntimeError("the journal is full")
        self.inbound.append(text)
        self.on_text()

    def start(self) -> None:
        self._running = asyncio.create_task(self.notifier.run())

    async def stop(self) -> None:
        if self._running is not None:
            self._running.cancel()
            await asyncio.gather(self._running, return_exceptions=True)

    async def until(self, reached: Callable[[], object]) -> None:
        async with asyncio.timeout(SOON):
            while not reached():
                await asyncio.sleep(0.005)

    async def up(self) -> None:
        await self.until(lambda: self.health and self.health[-1][0])

    async def down(self) -> None:
        await self.until(lambda: self.health and not self.health[-1][0])

    async def send(self, text: str, to: str = KEEPER) -> Receipt:
        async with asyncio.timeout(SOON):
            return await self.notifier.send(Message("1", "sms", to, text, 12, UTC))

    def texts(self) -> list[str]:
        return [text.text for text in self.inbound]


@asynccontextmanager
async def desk(
    folder: Path,
    *,
    stepping: SteppingClock | None = None,
    pin: str | None = None,
    report_after_s: float | None = 0.01,
    start: bool = True,
    **settings: Any,
) -> AsyncIterator[Desk]:
    """A desk with the modem plugged in; the notifier runs unless start is False."""
    clock = stepping or SystemClock()
    modem = ModemEmulator(clock, folder / "modem", pin=pin, report_after_s=report_after_s)
    await modem.start()
    one = Desk(modem, SmsModemSettings(port=modem.port, **settings), clock)
    try:
        if start:
            one.start()
        yield one
    finally:
        await one.stop()
        await modem.stop()


async def pass_time(clock: SteppingClock, seconds: float) -> None:
    """Let stepped time run on, with everything that happens in it."""
    async with asyncio.timeout(SOON * 2):
        await clock.drive(clock.now().mono + seconds)


async def pass_time_until(clock: SteppingClock, reached: Callable[[], object]) -> None:
    """Let stepped time run on piece by piece until it is so: what comes unasked comes at its own pace."""
    for _ in range(1000):
        if reached():
            return
        await pass_time(clock, 0.1)
        await asyncio.sleep(0.002)
    raise AssertionError("it did not come to be")
