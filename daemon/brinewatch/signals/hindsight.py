"""The final flag: what a stretch of record looks like once what came after it is known.

The live flag stands as it was given. In hindsight a spike is marked, and where a test could speak only after a
while (a flat line after hours, unsteadiness, drift of the day's mean) the stretch that led there is marked too.
Numbers of one instrument that do not fit each other are laid to the likelier culprit (consistency), and an
instrument whose conductivity cell is in air is in air altogether. Rows wait as long as the slowest test asked for
looks back, so what is kept does not grow with the record.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from brinewatch.moment import Moment
from brinewatch.readings import Flag, Reading, Sample, quantity_of
from brinewatch.signals.consistency import HINDSIGHT_S, RELATIONS, Consistency
from brinewatch.signals.drifting import DAY_S, DRIFT_DAYS, drift_began, drift_verdict
from brinewatch.signals.flags import worst
from brinewatch.signals.limits import Quality
from brinewatch.signals.movement import mended_verdict, unsteady_verdict
from brinewatch.signals.quality import QualityMemory, judge
from brinewatch.signals.sensor_faults import IN_AIR
from brinewatch.signals.still import flat_line

Verdict = tuple[Flag, str]
_SOUND: Verdict = (Flag.PASS, "")

_IN_AIR = "The instrument was out of the water: its conductivity cell hardly conducted."
_SHALLOW_M = 0.15
_INSTANT_S = 1e-6
_MOST_ROWS = 20_000  # three days at 13 s; what is sampled faster is held back for less long


@dataclass(slots=True)
class Row:
    """One instant of the record: the readings as judged live, and the final flag and reason of each."""

    at: Moment
    live: Mapping[str, Reading]
    final: dict[str, Verdict]

    def worsen(self, point: str, verdict: Verdict) -> None:
        """One more doubt about a point; what has no value stays as it is."""
        if point in self.final:
            (was, said), (flag, reason) = self.final[point], verdict
            if was.usable and reason not in said:
                self.final[point] = (worst((was, flag)), f"{said} {reason}".strip())


class Hindsight:
    """Judges a record row by row, and gives the rows back in order when nothing later can change them.

    settings: of each point; the points belong to one instrument or one body of water; wait: False gives each row
    back with the next, for who wants the live flags alone.
    """

    def __init__(self, settings: Mapping[str, Quality], *, wait: bool = True) -> None:
        self._settings = settings
        self._memory: dict[str, QualityMemory] = {}
        self._stretches: dict[str, frozenset[str]] = {}
        self._waiting: deque[Row] = deque()
        self._at: dict[float, Row] = {}
        points = {quantity_of(point): point for point in settings}
        self._relations = [Consistency(one) for one in RELATIONS if all(key in points for key in one.needs)]
        self._points = points
        self._wait_s = max((_looks_back_s(one) for one in settings.values()), default=0.0)
        if self._relations:
            self._wait_s = max(self._wait_s, HINDSIGHT_S)
        if not wait:
            self._wait_s, self._relations = 0.0, []

    def take(self, samples: Mapping[str, Sample], at: Moment) -> Iterator[Row]:
        """Judge one row; yields the earlier rows that are final now."""
        live: dict[str, Reading] = {}
        before = dict(self._memory)
        for point, sample in samples.items():
            live[point], self._memory[point], spike = judge(
                sample, self._settings[point], self._memory.get(point), at
            )
            if spike is not None:
                self._mark(point, spike.at.mono, spike.at.mono, (spike.flag, spike.reason))
        row = Row(at, live, {point: (one.flag, one.reason) for point, one in live.items()})
        self._waiting.append(row)
        self._at[at.mono] = row
        for point in samples:
            self._mark_stretches(point, at.mono)
        values = {one.quantity: one.value for one in live.values() if one.usable and one.value is not None}
        if _all_in_air(values):
            # what was seen in air is no measure of what comes back in water
            self._memory = {point: replace(one, last=None, before=None) for point, one in before.items()}
            for point in samples:
                row.worsen(point, (Flag.SUSPECT, _IN_AIR))
            values = {}
        for relation in self._relations:
            self._blame(relation, relation.take(values, at.mono))
        while at.mono - self._waiting[0].at.mono > self._wait_s or len(self._waiting) > _MOST_ROWS:
            yield self._gone()

    def close(self) -> Iterator[Row]:
        """The rows still waiting."""
        for relation in self._relations:
            self._blame(relation, relation.close())
        while self._waiting:
            yield self._gone()

    def _gone(self) -> Row:
        row = self._waiting.popleft()
        self._at.pop(row.at.mono, None)
        return row

    def _blame(self, relation: Consistency, verdicts: Sequence[tuple[float, str, str]]) -> None:
        for mono, likelier, reason in verdicts:
            row = self._at.get(mono)
            if row is not None:
                # another test that doubts one of them, then or now, knows better than its past alone
                culprit = self._doubted(relation, row) or self._doubted(relation, self._waiting[-1]) or likelier
                row.worsen(self._points[culprit], (Flag.SUSPECT, reason))

    def _doubted(self, relation: Consistency, row: Row) -> str:
        """The one member of a relation that is doubted in a row; "" when there is none, or several."""
        found = [key for key in relation.members if row.final.get(self._points[key], _SOUND)[0] is not Flag.PASS]
        return found[0] if len(found) == 1 else ""

    def _mark_stretches(self, point: str, mono: float) -> None:
        """Where a slow test has begun to doubt, doubt the stretch it looked at."""
        found = dict(_stretches(self._memory.get(point), self._settings[point], mono))
        for name in found.keys() - self._stretches.get(point, frozenset()):
            since, until, verdict = found[name]
            self._mark(point, since, until, verdict)
        self._stretches[point] = frozenset(found)

    def _mark(self, point: str, since: float, until: float, verdict: Verdict) -> None:
        """Worsen what waits of a point from `since` to `until`."""
        for row in reversed(self._waiting):
            if row.at.mono < since:
                break
            if row.at.mono <= until:
                row.worsen(point, verdict)


def _all_in_air(values: Mapping[str, float]) -> bool:
    """Whether conductivity, and salinity and depth where there are any, all say that there is no water."""
    cells = [values[key] < limit for key, limit in IN_AIR.items() if key in values]
    return bool(cells) and all(cells) and values.get("depth", 0.0) < _SHALLOW_M


def _looks_back_s(settings: Quality) -> float:
    spans = [0.0, settings.flat_after_s or 0.0, settings.unsteady.over_s if settings.unsteady else 0.0]
    if settings.drift is not None:
        spans.append(DRIFT_DAYS * DAY_S)
    if settings.spike is not None:
        spans.append(1.0)
    return max(spans)


def _stretches(
    memory: QualityMemory | None, settings: Quality, mono: float
) -> Iterator[tuple[str, tuple[float, float, Verdict]]]:
    """Each slow test that doubts now: its name, since when, until when, and its verdict."""
    if memory is None or memory.last is None or memory.last.at.mono != mono:
        return
    if settings.flat_after_s is not None and memory.still.lows:
        flag, reason = flat_line(memory.still, mono, settings)
        if flag is not Flag.PASS:
            yield "flat", (memory.still.began, mono, (Flag.SUSPECT, reason))
    unsteady = unsteady_verdict(memory.movement, mono, settings)
    if unsteady[0] is not Flag.PASS and settings.unsteady is not None and memory.movement.restless is not None:
        jumps = [part.begins for part in memory.movement.restless.parts if part.highest > 0.0]
        yield "unsteady", (jumps[0], mono, unsteady)
    drift = drift_verdict(memory.movement.days, memory.last.quantity, settings.drift)
    if drift[0] is not Flag.PASS:
        yield "drift", (drift_began(memory.movement.days, mono), mono, drift)
    mended = mended_verdict(memory.movement)
    if mended is not None:
        jumped, verdict = mended
        yield "mended", (jumped - DAY_S, jumped - _INSTANT_S, verdict)
