"""When time alone can next change an alarm: so that a delay ends at its instant, not at the next scan."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from math import inf

from brinewatch.alarms.causes import TOGETHER_S, ack_expires_s, consequences, repeat_s
from brinewatch.alarms.condition import HAIR_S
from brinewatch.alarms.events import State
from brinewatch.alarms.memory import AlarmMemory, Memory
from brinewatch.alarms.rules import Alarm, View, dues
from brinewatch.moment import Moment
from brinewatch.readings import Reading


def next_due(alarms: Sequence[Alarm], memory: Memory, readings: Mapping[str, Reading], now: Moment) -> float | None:
    """The nearest monotonic second after `now` at which a step could bring news; None when time alone cannot."""
    held = consequences(memory.alarms, {alarm.id: alarm for alarm in alarms})
    view = View(readings, now)
    # several alarms look at one reading, which grows too old for all of them at once
    ages = {(alarm.point, alarm.max_age_s) for alarm in alarms}
    times = [due for point, max_age_s in ages if (due := _too_old(readings.get(point), max_age_s)) > now.mono]
    for alarm in alarms:
        one = memory.alarms.get(alarm.id)
        times += [due for due in _dues(alarm, one, view, held.get(alarm.id, ())) if due > now.mono]
    if memory.attended is not None and memory.attended.until.mono > now.mono:
        times.append(memory.attended.until.mono)
    return min(times, default=None)


def _too_old(reading: Reading | None, max_age_s: float) -> float:
    if reading is None or not reading.usable:
        return -inf
    return reading.at.mono - reading.age_s + max_age_s + HAIR_S


def _dues(alarm: Alarm, one: AlarmMemory | None, view: View, held: Sequence[Alarm]) -> Iterator[float]:
    rule = alarm.rule
    view.parts = one.parts if one is not None else {}
    yield from dues(alarm, view)
    if one is None:
        return
    if one.pending is not None:
        unread = rule.condition.unread_s(view)
        yield one.pending.mono + (rule.off_delay_s if one.active else rule.on_delay_s + unread)
    if one.until is not None and one.state.aside:
        yield one.until.mono
    if one.lost is not None:
        yield one.lost.mono + TOGETHER_S
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
