"""Which alarms a record has the readings for; the others are left out, and it is said why."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator

from brinewatch.alarms.combined import Combined, Either
from brinewatch.alarms.condition import Condition
from brinewatch.alarms.features import ForecastOf
from brinewatch.alarms.rules import Alarm, Broken, Overdue

_FORECAST = "forecasts are not kept"


def sorted_out(
    alarms: Iterable[Alarm], points: Collection[str], done: bool
) -> tuple[list[Alarm], list[tuple[str, str]]]:
    """The alarms that can be rehearsed, and why each of the others cannot.

    points: those there are readings of; done: whether it is known when things were done (calibration). The alarm of
    a broken rule goes with its point without a word.
    """
    kept, left = [], []
    for alarm in alarms:
        if alarm.point not in points:
            why: str | None = f"there are no readings of {alarm.point}"
        else:
            why = next(_lacks(alarm.rule.condition, points, done), None)
        if why is None:
            kept.append(alarm)
        elif not isinstance(alarm.rule.condition, Broken):
            left.append((alarm.id, why))
    return kept, left


def _lacks(condition: Condition, points: Collection[str], done: bool) -> Iterator[str]:
    """What a condition cannot be told without, when it is not there."""
    if isinstance(condition, Combined):
        wanting = []
        for part in condition.parts:
            if part.where is not None and part.where.point not in points:
                wanting.append(f"there are no readings of {part.where.point}")
            elif (why := next(_lacks(part.condition, points, done), None)) is not None:
                wanting.append(why)
        # any of several can do without some of them
        if wanting and (not isinstance(condition, Either) or len(wanting) == len(condition.parts)):
            yield wanting[0]
        return
    for where in condition.inputs():
        if where.point not in points:
            yield f"there are no readings of {where.point}"
    if any(isinstance(one, ForecastOf) for one in condition.features()):
        yield _FORECAST
    if isinstance(condition, Overdue) and condition.since != "entry" and not done:
        yield f"it is not known when the last {condition.since} was"
