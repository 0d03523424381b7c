"""Rules rehearsed on a month of readings, against stepping every one of them; the same events are a condition.

Readings are made from a seed as they are asked for and handed over in order; the making is counted on neither side,
nor is the summing up of hours, which the history does beside the watch.
"""

from __future__ import annotations

import random
import tempfile
import time
from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import UTC
from pathlib import Path

from brinewatch.alarms.events import AlarmEvent
from brinewatch.alarms.rules import Alarm
from brinewatch.alarms.summary import HOUR_S, HourSummary, summarise
from brinewatch.clock import SteppingClock
from brinewatch.moment import Moment
from brinewatch.readings import Flag, Reading, quantity_of
from brinewatch.rehearsal.answers import Answers
from brinewatch.rehearsal.plain import step_all
from brinewatch.rehearsal.quick import Quick
from brinewatch.rehearsal.record import Kept
from brinewatch.rehearsal.scans import Scans
from brinewatch.rehearse.stored import Stored
from brinewatch.store.history_file import HistoryFile, microseconds
from brinewatch.store.reader import StoreReader
from made_shed import MIXES, SIGNALS, Signal, alarms_of, forecast_keys
from row import Row

START = 1_793_404_800.0  # 2026-10-31 00:00 UTC
EVERY_S = 5.0
SCANS = int(HOUR_S / EVERY_S)
_KEPT = {3: 2000, 30: 100}  # by days: hours of points held in memory at once
GOAL = 1 / 15
# a rehearsal of a store finds readings before its first hour too
BEFORE_H = 4
FIRST = START - BEFORE_H * HOUR_S


def measure(quick: bool) -> Iterator[Row]:
    days = 3 if quick else 30
    # stepping slopes takes long: two days are enough to see the ratio
    lengths = {name: days - (quick and name != next(iter(MIXES))) for name in MIXES}
    mixes = {name: alarms_of(text) for name, text in MIXES.items()}
    forecasts = {key: one for alarms in mixes.values() for key, one in forecast_keys(alarms).items()}
    made = MadeUp({**SIGNALS, **forecasts}, days)
    for name, alarms in mixes.items():
        rules = sum(alarm.rule.source != "built in" for alarm in alarms)
        fast, quickly = _timed(alarms, made, lengths[name], plainly=False)
        slow, plainly = _timed(alarms, made, lengths[name], plainly=True)
        if fast != slow:
            raise SystemExit(
                f"rehearsal, {name}: {len(fast)} events, {len(slow)} by stepping; they are not the same"
            )
        size = f"{lengths[name]} days x {len(SIGNALS)} channels x {EVERY_S:g} s"
        what = f"{name}: {rules} rules, {size}, {len(fast)} events"
        yield Row("rehearsal", what, quickly, "s", plainly, "stepping every sample", GOAL)
    yield _from_the_store(mixes["plain limits"], made)


def _from_the_store(alarms: Sequence[Alarm], made: MadeUp) -> Row:
    """A day of the same readings written to a history's file and rehearsed out of it, both ways."""
    with tempfile.TemporaryDirectory(prefix="brinewatch-bench-") as name:
        folder, points = Path(name), list(SIGNALS)
        file = HistoryFile(folder / "history.sqlite", SteppingClock(START))
        file.open()
        file.write(list(made.readings(points, FIRST, START + 24 * HOUR_S)))
        while file.sum_up(microseconds(START + 25 * HOUR_S), 100):
            pass
        file.close()
        took = []
        for plainly in (False, True):
            with StoreReader(folder, UTC) as store:
                until = START + 24 * HOUR_S
                scans = Scans(alarms, Stored(store, until, Kept({})), UTC, Answers(900.0))
                began = time.perf_counter()
                step_all(scans, START, until) if plainly else Quick(scans).run(START, until)
                took.append(
                    (time.perf_counter() - began, [(one.alarm, one.happening, one.at) for one in scans.events])
                )
        (quickly, fast), (slowly, slow) = took
        if fast != slow:
            raise SystemExit("rehearsal, from the store: the events are not the same")
        return Row("rehearsal", "plain limits, one day out of the history's file", quickly, "s", slowly,
                   "reading and stepping every sample", GOAL)  # fmt: skip


def _timed(alarms: Sequence[Alarm], made: MadeUp, days: int, *, plainly: bool) -> tuple[list[AlarmEvent], float]:
    """What was said, and seconds without the making of readings."""
    scans = Scans(alarms, made, UTC, Answers(900.0))
    making, began = made.making_s, time.perf_counter()
    until = START + days * 24 * HOUR_S
    if plainly:
        step_all(scans, START, until)
    else:
        Quick(scans).run(START, until)
    return scans.events, time.perf_counter() - began - (made.making_s - making)


class MadeUp:
    """A record in which every point is read at every scan, forecasts once a minute."""

    def __init__(self, signals: Mapping[str, Signal], days: int) -> None:
        self._signals = signals
        self._made: dict[tuple[str, float], list[Reading]] = {}
        self._stamps: dict[float, list[float]] = {}
        self.making_s = 0.0
        self._kept = _KEPT[days]
        self._summaries: dict[tuple[str, float], HourSummary] = {}
        for point in signals:
            before: Reading | None = None
            for hour in range(-BEFORE_H, days * 24):
                start = START + hour * HOUR_S
                readings = self._hour(point, start)
                self._summaries[point, start] = summarise(point, start, readings, before)
                before = readings[-1]

    def hour(self, point: str, start: float) -> HourSummary | None:
        return self._summaries.get((point, start))

    def readings(self, points: Sequence[str], since: float, until: float) -> Iterator[Reading]:
        start = since // HOUR_S * HOUR_S
        while start < until:
            with self._making():
                runs = [self._hour(point, start) for point in points if point in self._signals and start >= FIRST]
                together = sorted((one for run in runs for one in run), key=lambda one: one.at.utc)
                stamps = [one.at.utc for one in together]
                wanted = together[bisect_left(stamps, since) : bisect_left(stamps, until)]
            yield from wanted
            start += HOUR_S

    def last(self, point: str, before: float) -> Reading | None:
        start = before // HOUR_S * HOUR_S
        while point in self._signals and start >= FIRST:
            with self._making():
                readings = self._hour(point, start)
                stamps = [one.at.utc for one in readings]
            place = bisect_left(stamps, before)
            if place:
                return readings[place - 1]
            start -= HOUR_S
        return None

    def following(self, after: float, before: float) -> float | None:
        start = after // HOUR_S * HOUR_S
        stamps = [*self._scan_stamps(start), *self._scan_stamps(start + HOUR_S)]
        found = stamps[bisect_right(stamps, after)]
        return found if found < before else None

    @contextmanager
    def _making(self) -> Iterator[None]:
        began = time.perf_counter()
        yield
        self.making_s += time.perf_counter() - began

    def _scan_stamps(self, start: float) -> list[float]:
        found = self._stamps.get(start)
        if found is None:
            chance = random.Random(f"stamps {start}")  # noqa: S311 - made-up readings
            found = [start + EVERY_S * scan + chance.uniform(0.0, 0.002) for scan in range(SCANS)]
            self._stamps[start] = found
        return found

    def _hour(self, point: str, start: float) -> list[Reading]:
        found = self._made.get((point, start))
        if found is None:
            while len(self._made) >= self._kept:
                del self._made[next(iter(self._made))]
            found = self._made[point, start] = self._make(point, start)
        return found

    def _make(self, point: str, start: float) -> list[Reading]:
        signal, quantity = self._signals[point], quantity_of(point.partition("~")[0])
        chance = random.Random(f"{point} {start}")  # noqa: S311 - as above
        stamps = self._scan_stamps(start)[:: 12 if "~" in point else 1]
        values = signal.values(stamps, start - START, chance)
        return [
            Reading(point, quantity, value, value, Flag.PASS, "", Moment(utc, utc, True, UTC), "probe")
            for utc, value in zip(stamps, values, strict=True)
        ]
