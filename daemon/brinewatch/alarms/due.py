"""When time alone can next change an alarm: so that a delay ends at its instant, not at the next scan."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from brinewatch.alarms.causes import ack_expires_s, consequences, repeat_s
from brinewatch.alarms.events import State
from brinewatch.alarms.memory import AlarmMemory, Memory
from brinewatch.alarms.rules import Alarm
from brinewatch.moment import Moment
from brinewatch.readings import Reading


def next_due(alarms: Sequence[Alarm], memory: Memory, readings: Mapping[str, Reading], now: Moment) -> float | None:
    """The nearest monotonic second after `now` at which a step could bring news; None when time alone cannot."""
    held = consequences(memory.alarms, {alarm.id: alarm for alarm in alarms})
    found = (
        due
        for alarm in alarms
        for due in _dues(alarm, memory.alarms.get(alarm.id), readings.get(alarm.point), held.get(alarm.id, ()))
        if due > now.mono
    )
    times = list(found)
    if memory.attended is not None and memory.attended.until.mono > now.mono:
        times.append(memory.attended.until.mono)
    return min(times, default=None)


def _dues(alarm: Alarm, one: AlarmMemory | None, reading: Reading | None, held: Sequence[Alarm]) -> Iterator[float]:
    rule = alarm.rule
    if reading is not None and reading.usable:
        # a hair past it: at its very age limit a reading is still judged
        yield reading.at.mono - reading.age_s + alarm.max_age_s + 1e-3
    if one is None:
        return
    if one.pending is not None:
        unread = alarm.max_age_s if rule.about_data and reading is None else 0.0
        yield one.pending.mono + (rule.off_delay_s if one.active else rule.on_delay_s + unread)
    if one.until is not None and one.state.aside:
        yield one.until.mono
    if (
        one.state is State.UNACKNOWLEDGED
        and one.called is not None
        and (every := repeat_s(alarm, held)) is not None
    ):
        yield one.called.mono + every
    if one.state is State.ACKNOWLEDGED and one.answered is not None:
        expires = ack_expires_s(alarm, held)
        if expires is not None:
            yield one.answered.mono + expires
