"""What the history writes on the card, and what its own work costs an alarm that comes meanwhile."""

from __future__ import annotations

import asyncio
import math
import os
import shutil
import sqlite3
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from datetime import UTC
from pathlib import Path

import numpy as np

from brinewatch.alarms.events import AlarmEvent, Happening, Priority, State
from brinewatch.clock import SteppingClock, SystemClock
from brinewatch.messages import Message
from brinewatch.moment import Moment
from brinewatch.readings import Flag, Reading, quantity_of
from brinewatch.store.backup import back_up
from brinewatch.store.history import History
from brinewatch.store.history_file import HistoryFile, microseconds
from brinewatch.store.journal import Journal
from made_shed import SIGNALS
from row import Row

START = 1_767_225_600.0  # 2026-01-01 00:00 UTC
EVERY_S = 5.0
BLOCKS, LATEST_S = 1 / 30, 0.05  # goals
_FLUSH_S = 30  # how long Linux lets written pages lie before it puts them on the disk (vm.dirty_expire_centisecs)
ROW_TABLE = "CREATE TABLE point (channel INTEGER, t INTEGER, value REAL, PRIMARY KEY (channel, t)) WITHOUT ROWID"


def blocks(quick: bool) -> Iterator[Row]:
    """Some hours of scans written as the daemon writes them, and as rows committed at every scan."""
    hours = 3 if quick else 25
    with _disk() as (folder, written, how):
        ours = written(lambda: _as_the_daemon(folder, hours)) / hours
        rows = written(lambda: _as_rows(folder, 1))
    what = f"written in an hour, batches of 60 s, hours packed ({how})"
    yield Row("storage", what, ours / 1e6, "MB/h", rows / 1e6, "a row per point, a commit each scan", BLOCKS)


def _scans(hour: int, chance: np.random.Generator) -> Iterator[tuple[float, list[float]]]:
    for scan in range(int(3600 / EVERY_S)):
        utc = START + hour * 3600 + scan * EVERY_S + 2.5 + float(chance.normal(0, 0.002))
        yield (
            round(utc, 6),
            [
                round(round(one.middle / one.count + float(chance.normal(0, one.noise))) * one.count, 3)
                for one in SIGNALS.values()
            ],
        )


def _as_the_daemon(folder: Path, hours: int) -> None:
    file = HistoryFile(folder / "history.sqlite", SteppingClock(START))
    file.open()
    chance, batch = np.random.default_rng(1), list[Reading]()
    for hour in range(hours):
        for scan, (utc, values) in enumerate(_scans(hour, chance)):
            at = Moment(round(utc - START + 5000, 6), utc, True, UTC)
            batch += [
                Reading(point, quantity_of(point), value, value, Flag.PASS, "", at, "probe", 0.05, "c1")
                for point, value in zip(SIGNALS, values, strict=True)
            ]
            if (scan + 1) % 12 == 0:
                file.write(batch)
                batch = []
                file.sum_up(microseconds(utc), 40)
                _settle(folder)
    file.sum_up(microseconds(START + hours * 3600), 40)
    _settle(folder)
    file.close()


def _as_rows(folder: Path, hours: int) -> None:
    with closing(sqlite3.connect(folder / "rows.sqlite", isolation_level=None)) as db:
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("PRAGMA synchronous = NORMAL")
        db.execute(ROW_TABLE)
        # a table that has been filled for a while: each channel's newest rows lie in a page of their own
        old = [(channel, n, 1.0) for channel in range(len(SIGNALS)) for n in range(2000)]
        db.executemany("INSERT INTO point VALUES (?, ?, ?)", old)
        for hour in range(hours):
            for scan, (utc, values) in enumerate(_scans(hour, np.random.default_rng(1))):
                db.execute("BEGIN")
                rows = [(channel, microseconds(utc), value) for channel, value in enumerate(values)]
                db.executemany("INSERT INTO point VALUES (?, ?, ?)", rows)
                db.execute("COMMIT")
                if (scan + 1) % (_FLUSH_S // EVERY_S) == 0:
                    _settle(folder)
        _settle(folder)


def _settle(folder: Path) -> None:
    """Put on the disk what was written, as the kernel does by itself after a while."""
    fd = os.open(folder, os.O_RDONLY)
    try:
        os.syncfs(fd) if hasattr(os, "syncfs") else os.sync()
    finally:
        os.close(fd)


Written = Callable[[Callable[[], None]], float]


@contextmanager
def _disk() -> Iterator[tuple[Path, Written, str]]:
    """A small file system of its own whose blocks can be counted; without the rights to it, what the kernel says
    this process wrote (which overstates small writes, for both alike).
    """
    with tempfile.TemporaryDirectory(prefix="brinewatch-disk-") as name:
        folder, image = Path(name) / "disk", Path(name) / "image"
        folder.mkdir()
        device = _mounted(image, folder)
        try:
            yield folder, _counter(device), "blocks of a loop device" if device else "by /proc/self/io"
        finally:
            if device:
                _run("umount", str(folder))
                _run("losetup", "-d", device)


def _mounted(image: Path, folder: Path) -> str:
    if os.geteuid() != 0 or not all(map(shutil.which, ("losetup", "mkfs.ext4", "mount"))):
        return ""
    with image.open("wb") as file:
        file.truncate(512 * 2**20)
    if (
        _run("mkfs.ext4", "-q", str(image)) is None
        or (device := _run("losetup", "-f", "--show", str(image))) is None
    ):
        return ""
    if _run("mount", device, str(folder)) is None:
        _run("losetup", "-d", device)
        return ""
    return device


def _run(*words: str) -> str | None:
    done = subprocess.run(words, capture_output=True, text=True, check=False)  # noqa: S603 - our own words
    return done.stdout.strip() if done.returncode == 0 else None


def _counter(device: str) -> Written:
    def count() -> int:
        if device:  # field 7: sectors of 512 bytes written (kernel.org, Documentation/block/stat.rst)
            return 512 * int(Path(f"/sys/block/{Path(device).name}/stat").read_text().split()[6])
        lines = dict(line.split(": ") for line in Path("/proc/self/io").read_text().splitlines())
        return int(lines["write_bytes"])

    def written(work: Callable[[], None]) -> float:
        os.sync()
        before = count()
        work()
        os.sync()
        return count() - before

    return written


# -- alarms meanwhile
# -------------------------------------------------------------------------------------------------


def alarms(quick: bool) -> Iterator[Row]:
    """An alarm every twentieth of a second, each with its message, while the history writes, packs, gives room back
    and both files are backed up; how long each commit took.
    """
    seconds = 6.0 if quick else 30.0
    with _disk() as (folder, _, how):
        alone = asyncio.run(_commits(folder / "alone", seconds / 3, busy=False))
        busy = asyncio.run(_commits(folder / "busy", seconds, busy=True))
    where = "on a disk of its own" if how.startswith("blocks") else "in the temporary folder"
    yield Row("storage", f"latest of {len(busy)} alarm commits, history at work ({where})", max(busy) * 1e3, "ms",
              goal=LATEST_S * 1e3)  # fmt: skip
    yield Row("storage", "99 of 100 alarm commits, history at work", _most(busy) * 1e3, "ms", _most(alone) * 1e3,
              "the history at rest")  # fmt: skip


def _most(took: list[float]) -> float:
    return sorted(took)[math.floor(0.99 * (len(took) - 1))]


async def _commits(folder: Path, seconds: float, *, busy: bool) -> list[float]:
    clock = SystemClock()
    journal, history = (
        Journal(folder / "journal.sqlite", clock),
        History(folder / "history.sqlite", clock, most=10**6),
    )
    await journal.open()
    await history.open()
    work = asyncio.create_task(_at_work(history, folder)) if busy else None
    took: list[float] = []
    begin = time.perf_counter()
    number = 0
    while time.perf_counter() - begin < seconds:
        number += 1
        now = clock.now()
        event = AlarmEvent(
            Happening.RAISED, "air-lost@air.pressure", number, Priority.CRITICAL, "Air is failing", "air.pressure",
            "air_pressure", State.UNACKNOWLEDGED, 0.3, 8.0, now, now, "", "",
        )  # fmt: skip
        message = Message(
            id=f"memory-{number}",
            way="sms",
            to="+447700900101",
            text="Air is failing",
            number=number,
            created_utc=now.utc,
        )
        began = time.perf_counter()
        await journal.commit([event], {}, [message], now)
        took.append(time.perf_counter() - began)
        await asyncio.sleep(0.05)
    if work is not None:
        work.cancel()
        await asyncio.gather(work, return_exceptions=True)
    await history.close()
    await journal.close()
    return took


async def _at_work(history: History, folder: Path) -> None:
    """Hours of readings as fast as they go, and all the care a history is given."""
    chance, hour = np.random.default_rng(2), 0
    while True:
        for utc, values in _scans(hour, chance):
            at = Moment(round(utc - START + 5000, 6), utc - 400 * 86400.0, True, UTC)
            history.add([
                Reading(point, quantity_of(point), value, value, Flag.PASS, "", at, "probe", 0.05, "c1")
                for point, value in zip(SIGNALS, values, strict=True)
            ])  # fmt: skip
            await asyncio.sleep(0.001)
        hour += 1
        await history.flush()
        await history.sum_up()
        await history.tidy()
        for name in ("history", "journal"):
            await asyncio.to_thread(back_up, folder / f"{name}.sqlite", folder / f"{name}.copy.sqlite")
