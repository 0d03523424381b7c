"""The quick way: an hour is stepped only for the alarms of which its summaries do not prove that nothing happens.

An alarm rests through an hour when no delay of it runs, its condition is proven to stay as the alarm is, and
nothing that goes by time (a call again, an answer) falls into it. Where only the last fails it is stepped at those
instants alone. With an alarm that is stepped go those that may explain it, or be explained by it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from brinewatch.alarms.causes import ack_expires_s, consequences, repeat_s
from brinewatch.alarms.events import State
from brinewatch.alarms.features import Feature, Features, ForecastOf, StartsOf
from brinewatch.alarms.memory import AlarmMemory
from brinewatch.alarms.rules import Alarm, Broken, proves
from brinewatch.alarms.summary import HOUR_S, Hours, HourSummary
from brinewatch.rehearsal.scans import Scans, Stretch, inputs_of, newest


@dataclass(frozen=True, slots=True)
class Work:
    """How much had to be stepped: hours in all, and by alarm how many of them."""

    hours: int
    stepped: Mapping[str, int]


class Quick:
    """One rehearsal. The alarms, the record and what comes of them are in `scans`."""

    def __init__(self, scans: Scans) -> None:
        self._scans = scans
        self._inputs = {alarm.id: inputs_of(alarm) for alarm in scans.alarms}
        self._explained: dict[str, list[str]] = {}
        for alarm in scans.alarms:
            for cause in alarm.causes:
                self._explained.setdefault(cause, []).append(alarm.id)
        self._by_id = {alarm.id: alarm for alarm in scans.alarms}
        self._broken = {alarm.point: alarm for alarm in scans.alarms if isinstance(alarm.rule.condition, Broken)}
        self._rows = _Rows(scans, self._inputs)
        self._fed = _Fed(scans, -math.inf)
        self._hours = 0
        self._stepped: dict[str, int] = {}

    @property
    def work(self) -> Work:
        return Work(self._hours, self._stepped)

    def run(self, since: float, until: float) -> None:
        """From since to before until, a stretch of time in which there was a watch."""
        self._fed = _Fed(self._scans, since)
        start = since // HOUR_S * HOUR_S
        while start < until:
            self._hour(start, max(start, since), min(start + HOUR_S, until), afresh=start <= since)
            start += HOUR_S

    def _hour(self, start: float, begin: float, end: float, *, afresh: bool) -> None:
        self._hours += 1
        summaries = self._rows.at(start)
        awake, timed = self._awake(Hours(summaries, start, self._scans.zone), end)
        if awake:
            self._step(self._with_causes(awake | timed), begin, end, afresh=afresh)
        elif timed:
            self._at_times(timed, begin, end)

    def _awake(self, hours: Hours, end: float) -> tuple[set[str], set[str]]:
        """The alarms that must be stepped, and those to which only time can bring something."""
        awake, timed = set(), set()
        memory = self._scans.memory
        held = consequences(memory.alarms, self._by_id) if _any_held(memory.alarms) else {}
        for alarm in self._scans.alarms:
            key = alarm.id
            one = memory.alarms.get(key)
            if one is not None and (one.pending is not None or one.state is State.SUPPRESSED):
                awake.add(key)
                continue
            active = one is not None and one.active
            if isinstance(alarm.rule.condition, Broken):
                rests = not active
            else:
                hours.parts = one.parts if one is not None else {}
                rests = proves(alarm, hours, active) is active
            if not rests:
                awake.add(key)
            elif one is not None and self._due(alarm, one, held.get(key, ())) < end:
                timed.add(key)
        return awake, timed

    def _due(self, alarm: Alarm, one: AlarmMemory, held: Sequence[Alarm]) -> float:
        """When time alone next brings something to an alarm that rests."""
        answer = self._scans.answers.due_of(alarm.id)
        found = [math.inf if answer is None else answer]
        if one.state is State.UNACKNOWLEDGED and one.called is not None:
            every = repeat_s(alarm, held)
            found.append(math.inf if every is None else one.called.mono + every)
        if one.state is State.ACKNOWLEDGED and one.answered is not None:
            expires = ack_expires_s(alarm, held)
            found.append(math.inf if expires is None else one.answered.mono + expires)
        return min(found)

    def _with_causes(self, awake: set[str]) -> set[str]:
        """Also the active alarms that may explain one of these, or be explained by it, and so on."""
        memory, found, todo = self._scans.memory.alarms, set(awake), list(awake)
        while todo:
            key = todo.pop()
            one = memory.get(key)
            near = [*self._by_id[key].causes, *self._explained.get(key, ())]
            if one is not None and one.state is State.SUPPRESSED and one.reason in self._by_id:
                near.append(one.reason)
            for other in near:
                there = memory.get(other)
                if other not in found and there is not None and there.active:
                    found.add(other)
                    todo.append(other)
        return found

    def _step(self, keys: set[str], begin: float, end: float, *, afresh: bool) -> None:
        scans = self._scans
        points = {self._by_id[key].point for key in keys}
        keys |= {alarm.id for point, alarm in self._broken.items() if point in points}
        judged = [alarm for alarm in scans.alarms if alarm.id in keys]
        inputs = list(dict.fromkeys(point for alarm in judged for point in self._inputs[alarm.id]))
        for alarm in judged:
            self._stepped[alarm.id] = self._stepped.get(alarm.id, 0) + 1
        windows = {one.key: one for alarm in judged for one in alarm.rule.condition.features()}
        features = [self._fed.up_to(begin, one) for one in windows.values() if not isinstance(one, ForecastOf)]
        readings = newest(scans.record, inputs, begin)
        for one in features:
            readings.update(one.readings)
        Stretch(scans, judged, readings, features).play(
            scans.record.readings(inputs, begin, end), begin, end, afresh=afresh
        )
        self._fed.until(end, windows)

    def _at_times(self, keys: set[str], begin: float, end: float) -> None:
        """Step alarms that rest when time brings them something: no reading changes what they say."""
        scans = self._scans
        while True:
            memory = scans.memory.alarms
            held = consequences(memory, self._by_id) if _any_held(memory) else {}
            dues = {key: self._due(self._by_id[key], memory[key], held.get(key, ())) for key in keys}
            due = min(dues.values(), default=math.inf)
            if due >= end:
                return
            judged = [alarm for alarm in scans.alarms if dues.get(alarm.id) == due]
            inputs = [point for alarm in judged for point in self._inputs[alarm.id]]
            # what was read at that very instant has been taken in before
            readings = newest(scans.record, inputs, math.nextafter(due, math.inf))
            Stretch(scans, judged, readings, ()).look(max(due, begin))


def _any_held(memory: Mapping[str, AlarmMemory]) -> bool:
    return any(one.state is State.SUPPRESSED for one in memory.values())


class _Rows:
    """The summaries of the hours that proofs look at, by point, in a row up to the hour in question."""

    def __init__(self, scans: Scans, inputs: Mapping[str, Sequence[str]]) -> None:
        self._record = scans.record
        self._needed: dict[str, int] = {}
        for alarm in scans.alarms:
            hours = 1 + math.ceil(alarm.rule.condition.reach_s() / HOUR_S)
            for point in inputs[alarm.id]:
                self._needed[point] = max(hours, self._needed.get(point, 1))
        self._rows: dict[str, list[HourSummary]] = {point: [] for point in self._needed}

    def at(self, start: float) -> Mapping[str, Sequence[HourSummary]]:
        for point, needed in self._needed.items():
            rows = self._rows[point]
            if not rows or rows[-1].start != start - HOUR_S:
                rows = self._rows[point] = []
                for back in range(needed - 1, 0, -1):
                    self._add(rows, point, start - back * HOUR_S)
            self._add(rows, point, start)
            if len(rows) > 2 * needed:
                del rows[:-needed]
        return self._rows

    def _add(self, rows: list[HourSummary], point: str, start: float) -> None:
        row = self._record.hour(point, start)
        if row is None:
            rows.clear()
        else:
            rows.append(row)


class _Fed:
    """The windows that stepped alarms look up, fed with what they reach back to when hours were left out."""

    def __init__(self, scans: Scans, since: float) -> None:
        self._record = scans.record
        self._since = since
        self._windows: dict[str, tuple[Features, float]] = {}

    def up_to(self, begin: float, feature: Feature) -> Features:
        kept = self._windows.get(feature.key)
        if kept is not None and kept[1] == begin:
            return kept[0]
        features = Features((feature,))
        reach_s = features.reach[feature.point]
        since = begin - reach_s
        if isinstance(feature, StartsOf):
            since = max(self._certain(feature, since), self._since - reach_s)
        features.replay(self._record.readings([feature.point], since, begin))
        self._windows[feature.key] = (features, begin)
        return features

    def until(self, end: float, keys: Mapping[str, Feature]) -> None:
        for key in keys:
            if key in self._windows:
                self._windows[key] = (self._windows[key][0], end)

    def _certain(self, feature: StartsOf, since: float) -> float:
        """When it was last certain, at or before an instant, whether what is counted held: a deadband may make that
        hang on readings of long ago."""
        start = since // HOUR_S * HOUR_S
        while start > self._since:
            row = self._record.hour(feature.point, start)
            if row is None:
                return self._since
            here = Hours({row.point: (row,)}, start, point=row.point, band=feature.band)
            if row.usable and feature.condition.proves(here) is not None:
                return min(start, since)
            start -= HOUR_S
        return -math.inf
