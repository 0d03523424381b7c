"""Runs a series through the streaming tests, for comparison with what looks at it whole."""

from __future__ import annotations

from collections.abc import Sequence

from brinewatch.moment import Moment
from brinewatch.readings import Flag, Reading, Sample
from brinewatch.signals.quality import Quality, QualityMemory, judge

START = Moment(1000.0, 1_700_000_000.0, True)


def readings(
    values: Sequence[float | None],
    settings: Quality,
    every_s: float = 60.0,
    point: str = "nursery.turbidity",
    start: Moment = START,
) -> tuple[list[Reading], list[Reading | None], QualityMemory]:
    """Every live reading, every verdict in hindsight (of the reading before), and the memory at the end."""
    memory = QualityMemory()
    live: list[Reading] = []
    verdicts: list[Reading | None] = []
    for number, value in enumerate(values):
        at = start.later(number * every_s)
        flag = Flag.PASS if value is not None else Flag.MISSING
        reading, memory, verdict = judge(Sample(point, value, value, at, "probe", flag), settings, memory, at)
        live.append(reading)
        verdicts.append(verdict)
    return live, verdicts, memory


def live_flags(
    values: Sequence[float | None], settings: Quality, every_s: float = 60.0, point: str = "nursery.turbidity"
) -> list[int]:
    """The live flag of each value."""
    return [int(one.flag) for one in readings(values, settings, every_s, point)[0]]


def final_flags(
    values: Sequence[float | None], settings: Quality, every_s: float = 60.0, point: str = "nursery.turbidity"
) -> list[int]:
    """The flag of each value once the next is known."""
    live, verdicts, _ = readings(values, settings, every_s, point)
    final = [int(one.flag) for one in live]
    for number, verdict in enumerate(verdicts):
        if verdict is not None:
            final[number - 1] = int(verdict.flag)
    return final
