"""Every trouble over the wires with the loss of air in its midst, and many kills: how often a promise was broken.

The nights are those of tests/faults/matrix.py, at the speed of their own work; the kills those of
tests/faults/kills.py, of a real process that commits and sends. The goal of each is none. Work is shared among all
cores; what breaks in a night is tried once more, alone: waits for a wire are real seconds, and a machine that does
much besides can let them run out.
"""

from __future__ import annotations

import asyncio
import logging
import os
import sys
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from typing import TYPE_CHECKING

from row import Row

if TYPE_CHECKING:
    from tests.faults.matrix import Found

TESTS = Path(__file__).parents[2] / "tests"
# a folder's file grows with its kills, and so does the time to open it: many folders, a batch of kills each
KILLS, BATCH = 10_000, 100
QUICK_TROUBLES, QUICK_KILLS = 10, 100
# the chain is followed after every so many kills, and after each batch
FOLLOW_EVERY = 4
_NIGHT_S = 300.0


def measure(quick: bool) -> Iterator[Row]:
    _path()
    from tests.faults.matrix import TROUBLES

    chosen = range(0, len(TROUBLES), len(TROUBLES) // QUICK_TROUBLES) if quick else range(len(TROUBLES))
    with ProcessPoolExecutor(os.cpu_count(), get_context("spawn")) as pool:
        nights = dict(zip(chosen, pool.map(_night, chosen), strict=True))
        again = [place for place, found in nights.items() if found.wrong]
    nights |= {place: _night(place) for place in again}
    wrong = [f"{found.trouble}: {one}" for found in nights.values() for one in found.wrong]
    _say(wrong)
    lived, called = sum(one.lived_s for one in nights.values()), sum(len(one.called) for one in nights.values())
    what = f"promises broken in {len(nights)} troubles, {lived / 3600:.1f} h lived, {called} calls"
    yield Row("faults", f"{what}, {len(again)} tried again alone", float(len(wrong)), "", goal=0.0)
    yield from _kills(QUICK_KILLS if quick else KILLS)


def _path() -> None:
    sys.path[:0] = [str(TESTS.parent), str(TESTS)]
    logging.disable(logging.CRITICAL)


def _night(place: int) -> Found:
    _path()
    from tests.faults.matrix import TROUBLES, Found, try_it

    with tempfile.TemporaryDirectory() as folder:
        try:
            return asyncio.run(_bounded(try_it(Path(folder), TROUBLES[place])))
        except Exception as error:  # noqa: BLE001 - a night that breaks off has kept no promise
            return Found(TROUBLES[place].name, [f"{type(error).__name__}: {error}"])


async def _bounded(night: object) -> Found:
    return await asyncio.wait_for(night, _NIGHT_S)  # type: ignore[arg-type]


def _kills(count: int) -> Iterator[Row]:
    began = time.perf_counter()
    batches = [(first, min(BATCH, count - first)) for first in range(0, count, BATCH)]
    wrong: list[str] = []
    busy = alarms = 0
    with ProcessPoolExecutor(os.cpu_count(), get_context("spawn")) as pool:
        for found, worked, made in pool.map(_batch, batches):
            wrong += found
            busy, alarms = busy + worked, alarms + made
    _say(wrong)
    what = f"chains broken, alarms or messages lost in {count:,} kills, {busy:,} in the midst of work"
    yield Row("faults", f"{what}, {alarms:,} alarms", float(len(wrong)), "", goal=0.0)
    yield Row(
        "faults", "a kill, with all that is checked after it", 1e3 * (time.perf_counter() - began) / count, "ms"
    )


def _batch(task: tuple[int, int]) -> tuple[list[str], int, int]:
    """So many kills in a folder of their own: promises broken, lives that did some work, alarms that came to be."""
    _path()
    from tests.faults.kills import Lives, lines

    first, count = task
    with tempfile.TemporaryDirectory() as name:
        lives, wrong = Lives(Path(name), 1_000_000 + 1000 * first), list[str]()
        try:
            for life in range(count):
                lives.live_and_die()
                if life % FOLLOW_EVERY == 0:
                    wrong += [f"after kill {first + life}: {one}" for one in lives.follow()]
            wrong += [f"kills {first} to {first + count}: {one}" for one in lives.close()]
        except Exception as error:  # noqa: BLE001 - a batch that breaks off has kept no promise
            return [*wrong, f"kills from {first}: {type(error).__name__}: {error}"], lives.busy, 0
        finally:
            lives.stop()
        committed = {words[1] for words in lines(Path(name) / "told") if words[0] == "committed"}
        return wrong, lives.busy, len(committed)


def _say(wrong: list[str]) -> None:
    for line in wrong:
        print(f"faults: {line}", file=sys.stderr)
