"""Ten million spoiled inputs to every parser that eats bytes from outside: none may crash or give a wrong value.

The inputs are those of tests/fuzz, each made from its number alone, so that what is found here can be tried there.
The time to parse one is held against the time to make it; there is no goal for speed, only for crashes and values.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING

from row import Row

if TYPE_CHECKING:
    from tests.fuzz.every import Tally

QUICK, WHOLE = 250_000, 10_000_000
_PIECES = 24  # of each target's inputs, so that all cores end at about the same time


def measure(quick: bool) -> Iterator[Row]:
    sys.path.insert(0, str(Path(__file__).parents[2]))
    from tests.fuzz.every import TARGETS, Tally, count_of

    tasks = []
    for place, target in enumerate(TARGETS):
        count = count_of(target, QUICK if quick else WHOLE)
        step = max(1, -(-count // _PIECES))
        tasks += [(place, first, min(count, first + step)) for first in range(0, count, step)]
    tallies = [Tally(target.name) for target in TARGETS]
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        for (place, _, _), tally in zip(tasks, pool.map(_piece, tasks), strict=True):
            tallies[place].add(tally)
    for tally in tallies:
        for number, kind, given, what in tally.bad:
            print(f"fuzz, {tally.name}, input {number}: {kind}: {what}\n  {given}", file=sys.stderr)
        yield _row(tally)
    inputs = sum(tally.inputs for tally in tallies)
    yield Row("fuzz", f"crashes in {inputs:,} inputs", sum(tally.crashes for tally in tallies), "crashes", goal=0)
    yield Row("fuzz", f"wrong values in {inputs:,} inputs", sum(tally.wrong for tally in tallies), "values", goal=0)


def _piece(task: tuple[int, int, int]) -> Tally:
    from tests.fuzz.every import TARGETS, run

    place, first, end = task
    return run(TARGETS[place], range(first, end))


def _row(tally: Tally) -> Row:
    a_second = tally.inputs / (tally.making_s + tally.parsing_s)
    what = f"{tally.name}: {tally.inputs:,} inputs, {tally.accepted:,} accepted, {a_second:,.0f} a second and core"
    making_us, parsing_us = (1e6 * seconds / tally.inputs for seconds in (tally.making_s, tally.parsing_s))
    return Row("fuzz", what, parsing_us, "us an input", making_us, "making the input")
