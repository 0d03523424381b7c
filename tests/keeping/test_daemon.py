"""The whole daemon on the simulated shed, and a service manager that listens: what is fed for and what is not."""

from __future__ import annotations

import asyncio
import os
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from brinewatch.clock import SystemClock
from brinewatch.config import read_shed
from brinewatch.overview import AlarmView
from brinewatch.ports import Bus
from brinewatch.probes.build import build_bus
from brinewatch.readings import Sample
from brinewatch.service import Daemon
from brinewatch.simulator.modem import ModemEmulator
from brinewatch.simulator.world import SimulatedShed
from keeping.manager import Heard, listening
from scenarios.night import shed_text

QUICK = """
[[override]]
rule = "parts-failing"
on_delay_s = 1
off_delay_s = 1
why = "a test is short"
"""


class Quick(Daemon):
    grace_s = 0.2


class Stubborn:
    """A driver that does not end when its time is up, nor when it is told to."""

    def __init__(self, bus: Bus) -> None:
        self.name, self._bus = bus.name, bus
        self.obeys = asyncio.Event()
        self.obeys.set()

    async def open(self) -> None:
        await self._bus.open()

    async def close(self) -> None:
        await self._bus.close()

    async def read(self, probe: str) -> Sequence[Sample]:
        while not self.obeys.is_set():
            try:
                await self.obeys.wait()
            except asyncio.CancelledError:
                continue
        return await self._bus.read(probe)


@dataclass
class Watch:
    daemon: Daemon
    shed: SimulatedShed
    heard: Heard
    stubborn: Stubborn

    def standing(self) -> Sequence[AlarmView]:
        return self.daemon.overview().alarms

    async def fed_for(self, seconds: float) -> int:
        before = self.heard.said("WATCHDOG=1")
        await asyncio.sleep(seconds)
        return self.heard.said("WATCHDOG=1") - before


@asynccontextmanager
async def watching(folder: Path, monkeypatch: pytest.MonkeyPatch) -> AsyncIterator[Watch]:
    address = f"@brinewatch-daemon-{os.getpid()}"
    monkeypatch.setenv("NOTIFY_SOCKET", address)
    monkeypatch.setenv("WATCHDOG_USEC", "600000")
    clock = SystemClock()
    (folder / "shed.toml").write_text(shed_text() + QUICK, encoding="utf-8")
    shed, modem = SimulatedShed(clock, folder), ModemEmulator(clock, link=folder / "ports" / "modem")
    await shed.start()
    await modem.start()
    read = read_shed(folder / "shed.toml")
    buses = {name: build_bus(name, one, clock, folder) for name, one in read.buses.items()}
    stubborn = Stubborn(buses["w1"])
    with listening(address) as heard:
        daemon = Quick(read, clock, lambda line: None, {**buses, "w1": stubborn})
        running = asyncio.create_task(daemon.run())
        try:
            await heard.until(lambda: heard.said("READY=1") == 1)
            yield Watch(daemon, shed, heard, stubborn)
        finally:
            stubborn.obeys.set()
            daemon.stop()
            await running
            await modem.stop()
            await shed.stop()
        assert heard.said("STOPPING=1") == 1


async def test_a_bus_that_fails_is_an_alarm_and_is_fed_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    async with watching(tmp_path, monkeypatch) as watch:
        assert await watch.fed_for(1.0) >= 3
        await watch.shed.faults.on("probe-unplugged", "rs485")
        await watch.shed.faults.on("probe-unplugged", "air-pressure")
        await watch.heard.until(lambda: bool(watch.daemon.keeper.latest["raceway.oxygen"].flag.usable is False))
        assert await watch.fed_for(1.5) >= 5
        assert not any(one.startswith("STATUS=Hangs") for said in watch.heard.all for one in said)


async def test_a_part_that_hangs_is_not_fed_for_and_is_an_alarm(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with watching(tmp_path, monkeypatch) as watch:
        watch.stubborn.obeys.clear()
        await watch.heard.until(lambda: watch.heard.said("STATUS=Hangs: bus w1") >= 2, 15.0)
        assert await watch.fed_for(1.5) == 0
        await watch.heard.until(lambda: any(one.stage == "parts" for one in watch.standing()))
        # the alarms, the air and the phones do not wait for it
        assert watch.daemon.keeper.latest["manifold.air_pressure"].at.mono > watch.daemon.clock.now().mono - 2.5
        watch.stubborn.obeys.set()
        assert await watch.fed_for(1.5) >= 3
