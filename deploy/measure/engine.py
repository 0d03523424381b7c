"""One step of the alarm engine over a shed's worth of alarms, against a plain loop that only compares numbers."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

from brinewatch.alarms.engine import Memory, step
from brinewatch.config import read_shed
from brinewatch.moment import Moment
from brinewatch.readings import Flag, Reading, quantity_of
from row import Row

# judgement: at one step a second on a machine ten times slower this is a thousandth of its time
GOAL = 40.0
SHED = Path(__file__).parents[1] / "examples" / "demo.toml"


def measure(quick: bool) -> Iterator[Row]:
    from zoneinfo import ZoneInfo

    alarms = read_shed(SHED).alarms
    zone, steps = ZoneInfo("UTC"), 500 if quick else 5000
    points = sorted({alarm.point for alarm in alarms})
    values = {"mains": 1.0, "level_switch": 1.0, "health": 1.0, "air_pressure": 12.0, "air_rise": 2.0}
    limits = [(alarm.point, alarm.limit or 0.0) for alarm in alarms]
    memory, spent, plain = Memory(), 0.0, 0.0
    for number in range(steps):
        now = Moment(1000.0 + number, 1.79e9 + number, True, zone)
        readings = {
            point: Reading(point, quantity_of(point), value, value, Flag.PASS, "", now, "probe")
            for point in points
            for value in [values.get(quantity_of(point), 8.0 + 0.001 * number)]
        }
        began = time.perf_counter()
        memory = step(alarms, memory, readings, now).memory
        spent += time.perf_counter() - began
        began = time.perf_counter()
        for point, limit in limits:
            value = readings[point].value
            _ = value is not None and value < limit
        plain += time.perf_counter() - began
    yield Row(
        "engine", f"one step of {len(alarms)} alarms", 1e6 * spent / steps, "us", 1e6 * plain / steps,
        "comparing each value with its limit", GOAL,
    )  # fmt: skip
