"""The whole daemon, as a process of its own on real wires, killed again and again while the air is off."""

from __future__ import annotations

import asyncio
import random
import re
import signal
import sys
from datetime import UTC
from pathlib import Path

from brinewatch.clock import SystemClock
from brinewatch.errors import StoreError
from brinewatch.simulator.modem import ModemEmulator
from brinewatch.simulator.world import SimulatedShed
from brinewatch.store.journal import Journal
from brinewatch.store.reader import StoreReader
from scenarios.night import WREN, shed_text

LIVES = 4
ON_DELAY_S = 3


async def _life(folder: Path) -> asyncio.subprocess.Process:
    return await asyncio.create_subprocess_exec(
        sys.executable, "-m", "brinewatch", "run", str(folder / "shed.toml"),
        stdout=asyncio.subprocess.DEVNULL, stderr=asyncio.subprocess.DEVNULL,
    )  # fmt: skip


async def _answers(folder: Path) -> bool:
    """Whether the daemon is up: a socket a killed one left behind refuses."""
    try:
        _, writer = await asyncio.open_unix_connection(folder / "data" / "control.sock")
    except OSError:
        return False
    writer.close()
    await writer.wait_closed()
    return True


def _follow(folder: Path) -> int:
    """How many links the chain has, every one of them whole; 0: the daemon died before there was one."""
    try:
        with StoreReader(folder / "data", UTC) as store:
            found = store.check_chain()
    except StoreError as error:
        if "There is no" not in error.what and "of an earlier version" not in error.what:
            raise
        return 0
    assert found.faults == []
    return found.links


async def test_kills_at_random_moments_neither_hide_the_alarm_nor_give_it_a_second_number(tmp_path: Path) -> None:
    chance = random.Random(20260923)
    clock = SystemClock()
    override = f'\n[[override]]\nrule = "air-stopped"\non_delay_s = {ON_DELAY_S}\nwhy = "a test is short"\n'
    (tmp_path / "shed.toml").write_text(shed_text() + override, encoding="utf-8")
    shed, modem = SimulatedShed(clock, tmp_path), ModemEmulator(clock, link=tmp_path / "ports" / "modem")
    await shed.start()
    await modem.start()

    def calls() -> list[str]:
        return [one.text for one in modem.sent if "AIR STOPPED" in one.text and one.to == WREN]

    followed = 0
    try:
        await shed.faults.on("blower-stop")
        for life in range(LIVES):
            daemon = await _life(tmp_path)
            # every other one dies on its way up; no life alone watches for as long as the on-delay
            for _ in range(600 * (life % 2)):
                if await _answers(tmp_path):
                    break
                await asyncio.sleep(0.05)
            await asyncio.sleep(chance.uniform(0.3, 1.5))
            daemon.send_signal(signal.SIGKILL)
            await daemon.wait()
            followed += _follow(tmp_path)
        daemon = await _life(tmp_path)
        for _ in range(400):
            if calls() and await _answers(tmp_path):
                break
            await asyncio.sleep(0.05)
        daemon.send_signal(signal.SIGTERM)
        assert await daemon.wait() == 0
    finally:
        await modem.stop()
        await shed.stop()
    assert calls(), "short lives and a long one, and nobody was called"
    numbers = {found[1] for text in calls() if (found := re.search(r"Reply OK (\d+)", text))}
    assert len(numbers) == 1
    journal = Journal(tmp_path / "data" / "journal.sqlite", clock)
    await journal.open()
    raised = [
        one for one in await journal.recent(200)
        if one.event.alarm == "air-stopped@manifold.air_pressure" and one.event.happening.value == "raised"
    ]  # fmt: skip
    await journal.close()
    assert len(raised) == 1
    assert _follow(tmp_path) > 0
    assert followed > 0, "no life left a chain to follow"
