"""Every trouble over the wires with the loss of air in its midst, and many kills: how often a promise was broken.

The nights are those of tests/faults/matrix.py, at the speed of their own work; the kills those of
tests/faults/test_kills.py, of a real process that commits and sends. The goal of each is none.
"""

from __future__ import annotations

import asyncio
import logging
import random
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

from row import Row

TESTS = Path(__file__).parents[2] / "tests"
KILLS = 10_000
QUICK_TROUBLES, QUICK_KILLS = 10, 40
_NIGHT_S = 180.0


def measure(quick: bool) -> Iterator[Row]:
    sys.path[:0] = [str(TESTS), str(TESTS / "faults")]
    logging.disable(logging.CRITICAL)
    from matrix import TROUBLES, try_it

    chosen = TROUBLES[:: len(TROUBLES) // QUICK_TROUBLES] if quick else TROUBLES
    wrong, lived, called = [], 0.0, 0
    for trouble in chosen:
        with tempfile.TemporaryDirectory() as folder:
            try:
                found = asyncio.run(_bounded(try_it(Path(folder), trouble)))
            except Exception as error:  # noqa: BLE001 - a night that breaks off has kept no promise
                wrong.append(f"{trouble.name}: {type(error).__name__}: {error}")
                continue
        wrong += [f"{trouble.name}: {one}" for one in found.wrong]
        lived, called = lived + found.lived_s, called + len(found.called)
    for line in wrong:
        print(line, file=sys.stderr)
    what = f"promises broken in {len(chosen)} troubles, {lived / 3600:.1f} h lived, {called} calls"
    yield Row("faults", what, float(len(wrong)), "", goal=0.0)
    count = QUICK_KILLS if quick else KILLS
    yield Row("faults", f"chains broken or messages lost in {count} kills", float(_kills(count)), "", goal=0.0)


async def _bounded(night: object) -> object:
    return await asyncio.wait_for(night, _NIGHT_S)  # type: ignore[arg-type]


def _kills(count: int) -> int:
    """Kills after which the chain did not hold, and alarms or messages that were promised and never came."""
    from test_kills import CHILD, chain_holds, lines, live_and_die

    chance, broken = random.Random(20261125), 0  # noqa: S311 - moments of kills, guards nothing
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for life in range(count):
            live_and_die(folder, life, chance)
            try:
                # following a chain takes as long as it is; every hundredth life is enough for a long run
                if count <= QUICK_KILLS or life % 100 == 99:
                    chain_holds(folder)
            except AssertionError as error:
                print(f"kill {life}: {error}", file=sys.stderr)
                broken += 1
        subprocess.run(  # noqa: S603 - our own script
            [sys.executable, str(CHILD), name, "1", "drain"], check=True, timeout=600
        )
        chain_holds(folder)
        told, wire = lines(folder / "told"), lines(folder / "wire")
        promised = {(words[3], words[4], words[1]) for words in told if words[0] == "committed"}
        sent = {(words[0], words[1], words[2]) for words in wire}
        return broken + len(promised - sent)
