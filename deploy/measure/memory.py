"""What the daemon costs on the board: memory, processor and open files, with 20 channels once a second.

A process of its own, started as the service starts it, on the simulated gpio tree; memory against a bare Python.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from row import Row

CHANNELS = 20
# performance goals of the project
MEMORY_GOAL_MB, SHARE_GOAL = 60.0, 0.5
HEAD = """
[shed]
key = "quay"
name = "Gannet Quay"
short_name = "QUAY"
time_zone = "Etc/UTC"
altitude_m = 4
[page]
port = 0
[bus.inputs]
kind = "gpio"
chip = "files"
device = "gpio"
[[rules]]
file = "watch.toml"
[[rules]]
file = "plumbing.toml"
"""
_TICK = os.sysconf("SC_CLK_TCK")
_PAGE_MB = os.sysconf("SC_PAGE_SIZE") / 1e6


def measure(quick: bool) -> Iterator[Row]:
    environ = {**os.environ, "PYTHONNODEBUGRANGES": "1", "MALLOC_ARENA_MAX": "1"}
    settle_s, lived_s = (15.0, 25.0) if quick else (120.0, 600.0)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        _shed(folder)
        bare = subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE, env=environ)
        daemon = subprocess.Popen(  # noqa: S603 - our own program
            [sys.executable, "-m", "brinewatch", "run", str(folder / "shed.toml")], env=environ,
            stdout=subprocess.DEVNULL,
        )  # fmt: skip
        try:
            time.sleep(settle_s)
            files, spent, began = _files(daemon.pid), _spent_s(daemon.pid), time.monotonic()
            most = _files(daemon.pid)
            while time.monotonic() - began < lived_s:
                time.sleep(1.0)
                most = max(most, _files(daemon.pid))
            share = 100.0 * (_spent_s(daemon.pid) - spent) / (time.monotonic() - began)
            resident, reference = _resident_mb(daemon.pid), _resident_mb(bare.pid)
            if daemon.poll() is not None:
                raise RuntimeError("the daemon ended by itself")
        finally:
            for one in (bare, daemon):
                one.terminate()
                one.wait(60)
    what = f"{CHANNELS} channels at 1 Hz for {lived_s:.0f} s"
    yield Row("memory", f"resident, {what}", resident, "MB", goal=MEMORY_GOAL_MB)
    yield Row("memory", "resident, against a bare Python", resident, "MB", reference, "a Python that waits")
    yield Row("memory", "share of one core", share, "%", goal=SHARE_GOAL)
    yield Row(
        "memory", "open files, most after settling", float(most), "", float(files), "after settling", goal=1.2
    )


def _resident_mb(pid: int) -> float:
    return int(Path(f"/proc/{pid}/statm").read_text().split()[1]) * _PAGE_MB


def _spent_s(pid: int) -> float:
    words = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(words[11]) + int(words[12])) / _TICK


def _files(pid: int) -> int:
    return len(list(Path(f"/proc/{pid}/fd").iterdir()))


def _shed(folder: Path) -> None:
    """A shed of raceways with one input each on files, and a page; nobody to call."""
    parts = [HEAD]
    for line in range(CHANNELS):
        (folder / "gpio" / str(line)).mkdir(parents=True)
        (folder / "gpio" / str(line) / "value").write_text("1\n")
        (folder / "gpio" / str(line) / "edges").write_text("0\n")
        parts.append(
            f'[[water]]\nkey = "tank-{line}"\nname = "Tank {line}"\nkind = "animals"\nwatch = ["level_switch"]\n'
            f'[[bus.inputs.probe]]\nname = "float-{line}"\nevery_s = 1\n'
            f'[[bus.inputs.probe.channel]]\npoint = "tank-{line}.level_switch"\nline = {line}\n'
        )
    (folder / "shed.toml").write_text("".join(parts), encoding="utf-8")
