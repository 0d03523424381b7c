"""A record through the whole daemon, faster than life, and what came of it."""

from __future__ import annotations

import asyncio
import statistics
import tempfile
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from brinewatch.clock import SteppingClock, SystemClock
from brinewatch.config import ShedFile
from brinewatch.errors import BrinewatchError
from brinewatch.moment import utc_text
from brinewatch.probes.build import build_bus
from brinewatch.probes.recorded import RecordedBus
from brinewatch.quantities import QUANTITIES
from brinewatch.readings import quantity_of
from brinewatch.service import Daemon
from brinewatch.store.history import History
from brinewatch.terminal import print_table

_DAY = 86400.0


@dataclass(frozen=True, slots=True)
class Agreement:
    """Two points over the instants both have a value: difference of the first from the second, as percent of it."""

    first: str
    second: str
    pairs: int
    p05: float
    median: float
    p95: float


def agreement(first: str, second: str, left: Mapping[float, float], right: Mapping[float, float]) -> Agreement:
    """How two series of the same water agree; left and right map an instant to a value."""
    ratios = sorted(100 * (left[t] - right[t]) / right[t] for t in left.keys() & right.keys() if right[t] > 0)
    if len(ratios) < 2:
        raise BrinewatchError(f"{first} and {second} have no two instants in common.")
    cuts = statistics.quantiles(ratios, n=20, method="inclusive")
    return Agreement(first, second, len(ratios), cuts[0], statistics.median(ratios), cuts[-1])


async def replay(shed: ShedFile, say: Callable[[str], None]) -> int:
    """Live through the record of `shed.replay` and print the summary. Its store is kept only as long as it runs."""
    assert shed.replay is not None
    record = build_bus(shed.replay.bus, shed.buses[shed.replay.bus], SystemClock(), shed.folder)
    assert isinstance(record, RecordedBus)
    first, last = record.span
    clock = SteppingClock(first, shed.zone)
    with tempfile.TemporaryDirectory(prefix="brinewatch-replay-") as folder:
        kept = replace(shed, store=shed.store.model_copy(update={"folder": folder}))
        daemon = Daemon(kept, clock, lambda line: None)
        say(f"Playing {record.rows} rows from {utc_text(first)} to {utc_text(last)} through the daemon.")
        async with asyncio.TaskGroup() as group:
            driver = group.create_task(clock.drive())
            teller = group.create_task(_tell(clock, first, last, say))
            await group.create_task(daemon.run())
            driver.cancel()
            teller.cancel()
        history = History(kept.data / "history.sqlite", SystemClock())
        await history.open()
        try:
            await _summary(daemon, history, first, last, say)
        finally:
            await history.close()
    return 0


async def _tell(clock: SteppingClock, first: float, last: float, say: Callable[[str], None]) -> None:
    days = (last - first) / _DAY
    for tenth in range(1, 10):
        await clock.sleep_until(clock.now().mono + (last - first) / 10)
        say(f"  day {tenth * days / 10:.0f} of {days:.0f}")


async def _summary(daemon: Daemon, history: History, first: float, last: float, say: Callable[[str], None]) -> None:
    points = [f"{s.settings.key}.{q}" for s in daemon.shed.stages if s.path != "watch" for q in s.settings.watch]
    derived = {one.point for one in daemon.shed.derivations}
    series: dict[str, dict[float, float]] = {}
    rows: list[dict[str, Any]] = []
    for point in points:
        readings = await history.read(point, first, last + _DAY)
        flags = Counter(int(reading.flag) for reading in readings)
        series[point] = {r.at.utc: r.value for r in readings if r.value is not None and r.flag.usable}
        quantity = QUANTITIES[quantity_of(point)]
        values = sorted(series[point].values())
        row: dict[str, Any] = {"point": point + (" *" if point in derived else ""), "unit": quantity.unit}
        row |= {f"flag {flag}": flags.get(flag, 0) for flag in (1, 2, 3, 4, 9)}
        if len(values) > 1:
            cuts = statistics.quantiles(values, n=20, method="inclusive")
            spread = (values[0], cuts[0], statistics.median(values), cuts[-1], values[-1])
            digits = quantity.decimals
            row |= {k: f"{v:.{digits}f}" for k, v in zip(_SPREAD, spread, strict=True)}
        rows.append(row)
    print_table(
        ["point", "unit", *(f"flag {f}" for f in (1, 2, 3, 4, 9)), *_SPREAD],
        rows,
        title="Readings by QARTOD flag and range of the usable ones (* derived)",
    )
    raised = Counter((event.priority.value, event.title, event.point) for event in daemon.called)
    alarms: Sequence[Mapping[str, Any]] = [
        {"priority": p, "alarm": title, "point": point, "called": count}
        for (p, title, point), count in sorted(raised.items())
    ]
    if alarms:
        print_table(
            ["priority", "alarm", "point", "called"],
            alarms,
            title="Alarms, and how often each would have called with nobody answering",
        )
    else:
        say("No alarm was raised.")
    assert daemon.shed.replay is not None
    for one, other in daemon.shed.replay.compare:
        found = agreement(one, other, series[one], series[other])
        say(
            f"{one} against {other}, {found.pairs} pairs: median {found.median:+.2f} %, "
            f"5th to 95th percentile {found.p05:+.2f} to {found.p95:+.2f} %."
        )
    if daemon.history.dropped:
        raise BrinewatchError(f"{daemon.history.dropped} readings did not reach the history.")


_SPREAD = ("lowest", "5 %", "median", "95 %", "highest")
