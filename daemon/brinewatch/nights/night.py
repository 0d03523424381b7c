"""A night out of readings and events. Pure: who reads them is not its business."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from brinewatch.alarms.events import AlarmEvent, Happening, Priority, State
from brinewatch.moment import Moment
from brinewatch.readings import Flag, Reading

# a reading of the coverage speaks for the minute before it, and a little more
_SPEAKS_FOR_S = 90.0
_GOOD = (Flag.PASS, Flag.NOT_EVALUATED)


@dataclass(frozen=True, slots=True)
class Span:
    """Of one point: lowest, highest and mean of the good readings in the quantity's own unit; None without any.

    missing: share of the time no good reading speaks for (0 to 1); doubtful, failed: how many readings were; line:
    (POSIX seconds, lowest, highest) of stretches of the night, for a plot.
    """

    point: str
    low: float | None
    high: float | None
    mean: float | None
    missing: float
    doubtful: int
    failed: int
    line: tuple[tuple[float, float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class Called:
    """One activation people were called for. over: when it was over; None: it stood at the end of the night."""

    number: int
    alarm: str
    title: str
    point: str
    priority: Priority
    called: Moment
    over: Moment | None
    times: int
    answered: Moment | None
    by: str
    value: float | None
    incident: int = 0


@dataclass(frozen=True, slots=True)
class Night:
    """air: share of the time the air was on, and share in which that is known; None where no probe tells; watch:
    share of the time every critical alarm was provably able to call, None when it was not measured; gaps: why not,
    the longest first; calls: what people were called for; quiet: what waited for the morning; told: POSIX
    seconds when it was put together; notes: what is changed of the rules here, when it was put together.
    """

    shed: str
    short: str
    begin: Moment
    end: Moment
    told: float
    spans: tuple[Span, ...]
    air: tuple[float, float] | None
    calls: tuple[Called, ...]
    quiet: tuple[Called, ...]
    watch: float | None
    gaps: tuple[tuple[str, float], ...]
    notes: tuple[str, ...] = ()

    @property
    def standing(self) -> tuple[Called, ...]:
        return tuple(one for one in self.calls if one.over is None)

    @property
    def well(self) -> bool:
        """Nothing called, nothing stands, and the watch can say so."""
        known = all(span.missing < 0.05 for span in self.spans)
        return not self.calls and self.watch is not None and self.watch >= 0.99 and known


def span_of(
    point: str, readings: Iterable[Reading], begin: float, end: float, age_s: float, parts: int = 120
) -> Span:
    """What a point did between two instants. age_s: for how long one reading speaks."""
    low = high = None
    total, count, doubtful, failed, known = 0.0, 0, 0, 0, 0.0
    until = begin
    width = (end - begin) / parts
    line: dict[int, tuple[float, float]] = {}
    for one in readings:
        if one.flag not in _GOOD or one.value is None:
            doubtful += one.flag is Flag.SUSPECT
            failed += one.flag is Flag.FAIL
            continue
        value, at = one.value, one.at.utc
        low = value if low is None or value < low else low
        high = value if high is None or value > high else high
        total, count = total + value, count + 1
        known += max(0.0, min(end, at + age_s) - max(until, at))
        until = max(until, min(end, at + age_s))
        place = min(parts - 1, int((at - begin) / width))
        before = line.get(place, (value, value))
        line[place] = (min(before[0], value), max(before[1], value))
    return Span(
        point, low, high, total / count if count else None, 1.0 - known / (end - begin), doubtful, failed,
        tuple((begin + (place + 0.5) * width, *ends) for place, ends in sorted(line.items())),
    )  # fmt: skip


def share_above(
    readings: Iterable[Reading], limit: float, begin: float, end: float, age_s: float
) -> tuple[float, float]:
    """Share of the time the last good reading was at or above a limit, and share in which there was one at all."""
    above, known, last = 0.0, 0.0, None
    for one in [*readings, None]:
        at = end if one is None else one.at.utc
        if last is not None and last.value is not None:
            spoken = max(0.0, min(at, last.at.utc + age_s, end) - max(last.at.utc, begin))
            known += spoken
            above += spoken if last.value >= limit else 0.0
        if one is not None:
            last = one if one.flag in _GOOD else None
    return min(1.0, above / (end - begin)), min(1.0, known / (end - begin))


def watched(readings: Iterable[Reading], begin: float, end: float) -> tuple[float | None, list[tuple[str, float]]]:
    """The share of the time that was covered, and why it was not: reason and seconds, the longest first."""
    covered, last, any_at_all = 0.0, begin, False
    gaps: dict[str, float] = {}
    for one in readings:
        if one.value is None:
            continue
        any_at_all = True
        spoken = min(one.at.utc - last, _SPEAKS_FOR_S)
        silent = one.at.utc - last - spoken
        if silent > 0:
            gaps["nothing ran"] = gaps.get("nothing ran", 0.0) + silent
        covered += spoken * one.value / 100.0
        if one.value < 100.0:
            gaps[one.reason] = gaps.get(one.reason, 0.0) + spoken * (1.0 - one.value / 100.0)
        last = one.at.utc
    if not any_at_all:
        return None, []
    if end - last > _SPEAKS_FOR_S:
        gaps["nothing ran"] = gaps.get("nothing ran", 0.0) + end - last
    else:
        covered += end - last  # the last minute is told after the night
    return min(1.0, covered / (end - begin)), sorted(gaps.items(), key=lambda gap: -gap[1])


def calls_of(events: Iterable[AlarmEvent], begin: float, end: float) -> list[Called]:
    """What people were called for between two instants, or before and it still stood, in the order of the calls.

    events: in order, from long enough before that what stood at the beginning was raised in them.
    """
    standing: dict[str, Called] = {}
    ended: list[Called] = []
    for one in events:
        if not one.alarm or one.at.utc >= end:
            continue
        known = standing.get(one.alarm)
        if one.happening.calls:
            if known is None or known.number != one.number:
                known = Called(
                    one.number,
                    one.alarm,
                    one.title,
                    one.point,
                    one.priority,
                    one.at,
                    None,
                    0,
                    None,
                    "",
                    one.value,
                    one.incident,
                )
            urgent = min(known.priority, one.priority, key=lambda priority: priority.rank)
            standing[one.alarm] = replace(known, times=known.times + 1, priority=urgent, over=None)
        elif known is not None:
            if one.happening is Happening.ACKNOWLEDGED and known.answered is None:
                known = replace(known, answered=one.at, by=one.by)
            if one.state in (State.NORMAL, State.RETURNED):
                known = replace(known, over=known.over or one.at)
            standing[one.alarm] = known
            if one.state is State.NORMAL:
                ended.append(standing.pop(one.alarm))
    found = [one for one in (*ended, *standing.values()) if one.over is None or one.over.utc >= begin]
    return sorted(found, key=lambda call: (call.called.utc, call.number))
