"""Weeks with troubles by chance at the wire, a year at the level of readings: every promise broken, and figures.

The lives are those of tests/faults/soak.py and year.py, in virtual time; each runs in a process of its own, so that
what its memory does is seen. The goal of promises broken is none, and of memory and open files that they stay: the
middle of the last quarter of a life against that of its first.
"""

from __future__ import annotations

import asyncio
import logging
import os
import statistics
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from typing import TYPE_CHECKING

from row import Row

if TYPE_CHECKING:
    from tests.faults.soak import Summary
    from tests.faults.year import Came

TESTS = Path(__file__).parents[2] / "tests"
# lives at the wire: the number their chance comes from, and days; then days at the level of readings
WHOLE, YEAR_DAYS = tuple((number, 7.0) for number in range(1, 5)), 366.0
QUICK, QUICK_YEAR_DAYS = ((1, 0.1), (2, 0.1)), 8.0
GROWTH_GOAL, FILES_GOAL = 1.1, 1.1


def measure(quick: bool) -> Iterator[Row]:
    _path()
    lives, days = (QUICK, QUICK_YEAR_DAYS) if quick else (WHOLE, YEAR_DAYS)
    with ProcessPoolExecutor(os.cpu_count(), get_context("spawn"), max_tasks_per_child=1) as pool:
        year = pool.submit(_year, days)
        weeks = list(pool.map(_life, lives))
        yield from _wire_rows(weeks)
        yield from _year_rows(year.result())


def _path() -> None:
    sys.path[:0] = [str(TESTS.parent), str(TESTS)]
    logging.disable(logging.CRITICAL)


def _life(task: tuple[int, float]) -> Summary:
    _path()
    from tests.faults.soak import soak

    with tempfile.TemporaryDirectory() as folder:
        return asyncio.run(soak(Path(folder), *task))


def _year(days: float) -> Came:
    _path()
    from tests.faults.year import year

    with tempfile.TemporaryDirectory() as folder:
        return asyncio.run(year(Path(folder), 1, days))


def _wire_rows(weeks: Sequence[Summary]) -> Iterator[Row]:
    days = sum(one.days for one in weeks)
    faults = sum((one.faults for one in weeks), Counter[str]())
    kinds = ", ".join(f"{count} {kind}" for kind, count in faults.most_common())
    wrong = [line for one in weeks for line in one.wrong]
    _say("at the wire", wrong)
    needed, called = sum(one.needed for one in weeks), sum(one.called for one in weeks)
    what = f"at the wire, {days:.1f} days, {sum(faults.values())} faults ({kinds}): promises broken"
    yield Row("soak", what, float(len(wrong)), "", goal=0.0)
    calls, died = sum(one.calls for one in weeks), sum(one.kills + one.power_cuts for one in weeks)
    yield Row("soak", f"losses of the air to be called and not called, of {needed}; {calls} calls in all, "
              f"{died} kills and power cuts", float(needed - called), "", goal=0.0)  # fmt: skip
    times = [second for one in weeks for second in one.to_call_s]
    late = [second for one in weeks for second in one.late_s]
    yield Row("soak", "worst from the loss to the text, ways open", max(times, default=0.0), "s", goal=90.0)
    yield Row("soak", "worst from the way's return to the text", max(late, default=0.0), "s", goal=900.0)
    for one in weeks:
        yield from _flat(f"{one.days:.1f} days at the wire", one.memory_mb, one.files)
    written = sum(one.written_mb for one in weeks)
    yield Row("soak", "journal, history and the rest on the disk, a day at the wire", written / days, "MB")


def _year_rows(came: Came) -> Iterator[Row]:
    kinds = ", ".join(f"{count} {kind}" for kind, count in came.spells.most_common())
    _say("at the level of readings", came.wrong)
    what = f"{came.days:.0f} days of {came.readings:,} readings ({kinds}): promises broken"
    yield Row("soak", what, float(len(came.wrong)), "", goal=0.0)
    yield Row("soak", f"losses of the air to be called and not called, of {came.needed}; {came.calls} calls in "
              f"all, {came.restarts} restarts", float(came.needed - came.called), "", goal=0.0)  # fmt: skip
    yield Row("soak", "worst from the loss to the call, scanned every 5 min", max(came.to_call_s, default=0.0), "s",
              goal=320.0)  # fmt: skip
    yield from _flat(f"{came.days:.0f} days of readings", came.memory_mb, came.files)
    yield Row("soak", f"journal and history of {came.days:.0f} days of readings", came.written_mb, "MB")


def _flat(what: str, memory_mb: Sequence[float], files: Sequence[int]) -> Iterator[Row]:
    quarter = max(1, len(memory_mb) // 4)
    if len(memory_mb) < 2:
        return
    first, last = statistics.median(memory_mb[:quarter]), statistics.median(memory_mb[-quarter:])
    # what is compiled and imported at need comes early; a life of less than a day shows that and nothing else
    goal = GROWTH_GOAL if len(memory_mb) >= 20 else None
    yield Row("soak", f"memory, {what}", last, "MB", first, "its first quarter", goal=goal)
    opened, left = float(statistics.median(files[:quarter])), float(statistics.median(files[-quarter:]))
    yield Row("soak", f"open files, {what}", left, "", opened, "its first quarter", goal=FILES_GOAL)


def _say(where: str, wrong: Sequence[str]) -> None:
    for line in wrong:
        print(f"soak, {where}: {line}", file=sys.stderr)
