"""From the loss of air to the text in the modem, through the whole daemon at real time over pseudo-terminals.

The daemon, the simulated shed and its modem share one process and one core here, so the shed's own work is in the
figures. What a pseudo-terminal has not got, a real line's 115200 baud and a modem's own slowness, is not in them.
"""

from __future__ import annotations

import asyncio
import os
import re
import sqlite3
import statistics
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from brinewatch.alarms.events import Happening
from brinewatch.clock import SystemClock
from brinewatch.config import read_shed
from brinewatch.service import Daemon
from brinewatch.simulator.modem import ModemEmulator
from brinewatch.simulator.world import SimulatedShed
from row import Row

DEMO = Path(__file__).parents[1] / "examples" / "demo.toml"
DELAY_S = 0.2
# performance goals of the project: 99 of 100
COMMIT_GOAL_MS, PROMPT_GOAL_MS = 50.0, 200.0
_SOON_S = 20.0
AIR = ("air-stopped@", "motor-current-low@", "air-rise-small@", "air-line-open@")


def measure(quick: bool) -> Iterator[Row]:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        commits = bare_commits(folder / "bare.sqlite", 200)
        round_trip = bare_round_trips(200)
        losses, committed, prompts, scan_s = asyncio.run(nights(folder, 8 if quick else 120))
    count = len(prompts)
    over = [1e3 * (loss - DELAY_S - scan_s) for loss in losses]
    yield Row(
        "latency", f"air loss to committed outbox, beyond a scan of {scan_s:g} s and the on-delay, p99 of {count}",
        max(0.0, high(over)), "ms", goal=COMMIT_GOAL_MS,
    )  # fmt: skip
    yield Row(
        "latency", f"alarm committed to the modem's prompt, p99 of {count}", 1e3 * high(prompts), "ms",
        goal=PROMPT_GOAL_MS,
    )  # fmt: skip
    yield Row(
        "latency", "alarm seen to committed outbox, p50", 1e3 * statistics.median(committed), "ms",
        1e3 * statistics.median(commits), "a bare durable commit of one row",
    )  # fmt: skip
    yield Row(
        "latency", "alarm committed to the modem's prompt, p50", 1e3 * statistics.median(prompts), "ms",
        1e3 * statistics.median(round_trip), "a bare round trip over a pseudo-terminal",
    )  # fmt: skip


def high(values: Sequence[float]) -> float:
    """The 99th of a hundred; of fewer the highest."""
    ordered = sorted(values)
    return ordered[min(len(ordered) - 1, int(0.99 * len(ordered)))]


def shed_text() -> str:
    """The demo's shed without broker and page, calling as fast as it can."""
    text = re.sub(r"^\[broker\]\n[^\[]*", "", DEMO.read_text(encoding="utf-8"), flags=re.MULTILINE)
    text = re.sub(r"^(on_delay_s|off_delay_s) = .*$", rf"\1 = {DELAY_S}", text, flags=re.MULTILINE)
    return text.replace("[page]\n", "[page]\nenabled = false\n")


async def nights(folder: Path, count: int) -> tuple[list[float], list[float], list[float], float]:
    """Seconds from each loss of air to the commit, from the alarm to its commit, from there to the prompt."""
    clock = SystemClock()
    shed, modem = SimulatedShed(clock, folder), ModemEmulator(clock, link=folder / "ports" / "modem")
    await shed.start()
    await modem.start()
    (folder / "shed.toml").write_text(shed_text(), encoding="utf-8")
    read = read_shed(folder / "shed.toml")
    scan_s = min(probe.every for bus in read.buses.values() for probe in bus.probe)
    daemon = Daemon(read, clock, lambda line: None)
    task = asyncio.create_task(daemon.run())
    losses, committed, prompts = [], [], []
    try:
        await until(lambda: hasattr(daemon, "keeper") and daemon.overview().checked is not None)
        await asyncio.sleep(3.0)
        for night in range(count):
            await asyncio.sleep(0.37 * (night % 3))  # not always at the same moment of a scan
            before, lost = len(modem.sent), clock.now().mono
            await shed.faults.on("blower-stop")
            await until(lambda before=before: any("AIR STOPPED" in one.text for one in modem.sent[before:]))
            text = next(one for one in modem.sent[before:] if "AIR STOPPED" in one.text)
            logged = [one for one in await daemon.journal.recent(20) if one.event.happening is Happening.RAISED]
            one = next(one for one in logged if f"Reply OK {one.event.number}" in text.text)
            assert one.committed is not None
            losses.append(one.committed.mono - lost)
            committed.append(one.committed.mono - one.event.at.mono)
            prompts.append(text.prompt_at.mono - one.committed.mono)
            await shed.faults.off("blower-stop")
            # what else stands by then, such as that this happens so often, is no matter
            while any(one.alarm.startswith(AIR) for one in daemon.overview().alarms):
                modem.receive("+447700900101", "OK ALL")
                await asyncio.sleep(0.5)
    finally:
        daemon.stop()
        await task
        await modem.stop()
        await shed.stop()
    return losses, committed, prompts, scan_s


async def until(seen: Callable[[], bool]) -> None:
    ends = time.monotonic() + _SOON_S
    while not seen():
        if time.monotonic() > ends:
            raise TimeoutError("the simulated night did not go on as it should")
        await asyncio.sleep(0.02)


def bare_commits(path: Path, count: int) -> list[float]:
    db = sqlite3.connect(path, isolation_level=None)
    db.execute("PRAGMA journal_mode = WAL")
    db.execute("PRAGMA synchronous = FULL")
    db.execute("CREATE TABLE one (id INTEGER PRIMARY KEY, body TEXT)")
    spent = []
    for _ in range(count):
        began = time.perf_counter()
        db.execute("INSERT INTO one (body) VALUES ('x')")
        spent.append(time.perf_counter() - began)
    db.close()
    return spent


def bare_round_trips(count: int) -> list[float]:
    ours, theirs = os.openpty()
    spent = []
    for _ in range(count):
        began = time.perf_counter()
        os.write(ours, b"AT\r")
        os.read(theirs, 64)
        os.write(theirs, b"OK\r\n")
        os.read(ours, 64)
        spent.append(time.perf_counter() - began)
    os.close(ours)
    os.close(theirs)
    return spent
