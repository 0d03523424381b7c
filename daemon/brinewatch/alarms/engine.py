"""The alarm engine: one pure step from (memory, readings, orders, now) to (memory, events).

Delays run on monotonic time. Readings are judged as they stand at `now`; a reading no limit may be judged by
neither starts, stops nor ends a delay, so an alarm can be late by bad data but not lost by it. What follows from a
known cause joins its incident and does not call by itself.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

from brinewatch.alarms.causes import (
    ATTENDED_REASON,
    Seen,
    ack_expires_s,
    breaks_through,
    cause_of,
    consequences,
    held_back,
    repeat_s,
)
from brinewatch.alarms.events import AlarmEvent, Command, State
from brinewatch.alarms.memory import ATTENDED, AlarmMemory, Memory, resume
from brinewatch.alarms.orders import end_by_time, obey
from brinewatch.alarms.rules import Alarm, Broken, View, judge
from brinewatch.alarms.scan import Scan
from brinewatch.alarms.states import Cue
from brinewatch.moment import Moment
from brinewatch.readings import Reading

_NO_PARTS: Mapping[str, Moment] = {}

__all__ = ["AlarmMemory", "Memory", "Step", "resume", "step"]


@dataclass(frozen=True, slots=True)
class Step:
    """What one step came to. changed: ids of the alarms whose memory must be written down."""

    memory: Memory
    events: tuple[AlarmEvent, ...]
    changed: frozenset[str]


def step(
    alarms: Sequence[Alarm],
    memory: Memory,
    readings: Mapping[str, Reading],
    now: Moment,
    commands: Sequence[Command] = (),
    held: Collection[str] = (),
) -> Step:
    """Judge every alarm once.

    alarms: as `bind` gave them (each point with its data alarm and its alarm for a broken rule); readings: the
    newest of each point, a point without one is missing; commands: orders since the last step, carried out first;
    held: points nothing can be told of now: their alarms stay as they are, those about data too.
    """
    scan = Scan(alarms, memory, readings, now, held)
    _retire(scan)
    for command in commands:
        obey(scan, command)
    seen = _judged(scan)
    _move(scan, seen)
    end_by_time(scan)
    changed = {key for key, one in scan.memory.items() if one is not memory.alarms.get(key)}
    if scan.attended is not memory.attended:
        changed.add(ATTENDED)
    if not changed:
        return Step(memory, tuple(scan.events), frozenset())
    return Step(Memory(scan.memory, scan.serial, scan.attended), tuple(scan.events), frozenset(changed))


def _retire(scan: Scan) -> None:
    """Alarms the settings no longer have must not stand for ever, nor go without a word."""
    for key, one in scan.before.alarms.items():
        idle = not (one.state.standing or one.state.aside) and one.pending is None and not one.active
        if key in scan.known or idle:
            continue
        scan.apply(key, Cue.RETIRED, detail="no longer in the settings")
        scan.memory[key] = replace(scan.memory[key], active=False, pending=None, confirm=False)


# -- what the conditions say --------------------------------------------------------------------------------------


def _judged(scan: Scan) -> dict[str, Seen]:
    """Every alarm's condition after its delays, before any state moves."""
    seen: dict[str, Seen] = {}
    last = []
    view = View(scan.readings, scan.now)
    for alarm in scan.alarms:
        if isinstance(alarm.rule.condition, Broken):
            last.append(alarm)
        else:
            _judge(scan, view, alarm, seen)
    watched = {alarm.point for alarm in last}
    for point, reason in scan.broken.items():
        if point not in watched:
            raise RuntimeError(f"a rule of {point} cannot be judged and no alarm watches for that: {reason}")
    for alarm in last:
        if alarm.point in scan.broken or alarm.id in scan.memory:
            _judge(scan, view, alarm, seen)
    return seen


def _judge(scan: Scan, view: View, alarm: Alarm, seen: dict[str, Seen]) -> None:
    key, rule = alarm.id, alarm.rule
    one = scan.memory.get(key)
    parts = one.parts if one is not None else _NO_PARTS
    view.parts = parts
    verdict: bool | None
    if alarm.point in scan.held:
        verdict = None
    elif isinstance(rule.condition, Broken):
        verdict = alarm.point in scan.broken
    else:
        holding = one is not None and one.active != (one.pending is not None)
        try:
            verdict = judge(alarm, view, holding)
        except Exception as error:  # noqa: BLE001 - whatever it was, it becomes an alarm of its own
            scan.broken.setdefault(alarm.point, f"{rule.key}: {type(error).__name__}: {error}")
            verdict, view.parts = None, parts
    if one is None:
        if not verdict and not view.parts:
            return  # nothing to remember of an alarm that never was
        one = AlarmMemory(key)
    if view.parts is not parts:
        one = replace(one, parts=view.parts)
    one = _timed(alarm, one, verdict, view)
    scan.memory[key] = one
    seen[key] = Seen(alarm, one, verdict)


def _timed(alarm: Alarm, one: AlarmMemory, verdict: bool | None, view: View) -> AlarmMemory:
    """The condition after its delays: on-delay before it counts, off-delay before it is over."""
    if verdict is None:
        return one
    if verdict == one.active:
        return one if one.pending is None else replace(one, pending=None, confirm=False)
    now, delay, unread = view.now, alarm.rule.off_delay_s, 0.0
    if verdict:
        unread = alarm.rule.condition.unread_s(view)
        delay = alarm.rule.on_delay_s + unread
    since = one.pending or now
    # what has not been read yet confirms nothing
    if (one.confirm and not unread) or now.mono >= since.mono + delay:
        began = since if verdict else one.began
        return replace(one, active=verdict, pending=None, confirm=False, began=began)
    return one if one.pending is not None else replace(one, pending=since)


# -- what comes of it ---------------------------------------------------------------------------------------------


def _move(scan: Scan, seen: dict[str, Seen]) -> None:
    """Release what has lost its cause, find causes for what is new, then let every alarm move: causes first."""
    for key, one in seen.items():
        if one.memory.state is State.SUPPRESSED and one.memory.active and not _explained(scan, one, seen):
            _release(scan, seen, key)
    joins: dict[str, Seen] = {}
    for one in list(seen.values()):
        if one.new and (cause := cause_of(seen[one.alarm.id], seen)) is not None:
            joins[one.alarm.id] = cause
    for cause in {cause.alarm.id: cause for cause in joins.values()}.values():
        _confirm(scan, seen, cause)
    also: dict[str, list[Alarm]] = {}
    for key, cause in joins.items():
        head = cause.alarm.id
        if seen[head].new and head not in joins:
            also.setdefault(head, []).append(seen[key].alarm)
    for key, one in seen.items():
        if key not in joins:
            _settle(scan, one, also.get(key, ()))
    for key, cause in joins.items():
        _join(scan, seen[key], seen[cause.alarm.id], called_now=cause.alarm.id in also)
    _call_again(scan, seen)


def _explained(scan: Scan, one: Seen, seen: Mapping[str, Seen]) -> bool:
    if one.memory.reason == ATTENDED_REASON:
        return held_back(one.alarm, scan.attended)
    return cause_of(one, seen) is not None


def _release(scan: Scan, seen: dict[str, Seen], key: str) -> None:
    """What outlives its cause must hold for its own delay once more before it calls: recovery takes its time."""
    scan.apply(key, Cue.RELEASE)
    one = replace(scan.memory[key], active=False, pending=scan.now)
    scan.memory[key] = one
    seen[key] = Seen(seen[key].alarm, one, seen[key].verdict)


def _confirm(scan: Scan, seen: dict[str, Seen], cause: Seen) -> None:
    """A cause still in its delay is proven by its consequence: it counts now, so that one call names it."""
    key, one = cause.alarm.id, scan.memory[cause.alarm.id]
    if not one.active:
        one = replace(one, active=True, pending=None, confirm=False, began=one.pending or scan.now)
        scan.memory[key] = one
        seen[key] = Seen(cause.alarm, one, cause.verdict)


def _settle(scan: Scan, one: Seen, also: Sequence[Alarm]) -> None:
    """One alarm that nothing explains."""
    key, rule = one.alarm.id, one.alarm.rule
    memory = scan.memory[key]
    if memory.state is State.NORMAL and not memory.active:
        return
    if one.new and held_back(one.alarm, scan.attended):
        scan.memory[key] = replace(memory, reason=ATTENDED_REASON, incident=0)
        scan.apply(key, Cue.SUPPRESS, detail=ATTENDED_REASON)
        return
    gone = Cue.GONE_LATCHING if rule.latching else Cue.GONE
    if one.new and also:
        # one call for all of it, as urgent as the worst of it
        worst = min((other.rule.priority for other in also), key=lambda priority: priority.rank)
        scan.call(key, worst, [other.rule.short for other in also])
        return
    scan.apply(key, Cue.HOLDS if memory.active else gone)


def _join(scan: Scan, one: Seen, head: Seen, *, called_now: bool) -> None:
    """An alarm whose cause is known: held back, unless it is an emergency or worse than what was called."""
    key, cause = one.alarm.id, scan.memory[head.alarm.id]
    incident = cause.incident
    scan.memory[key] = replace(scan.memory[key], incident=incident)
    if not called_now and breaks_through(one.alarm, cause):
        scan.apply(key, Cue.HOLDS)
        return
    scan.memory[key] = replace(scan.memory[key], reason=head.alarm.id)
    scan.apply(key, Cue.SUPPRESS, detail=f"because of: {head.alarm.rule.title}")


def _call_again(scan: Scan, seen: Mapping[str, Seen]) -> None:
    """Those whose time to call again has come; a cause speaks for all that it holds back."""
    held = consequences(scan.memory, scan.known)
    for key, there in seen.items():
        one = scan.memory[key]
        since, every = None, None
        if one.state is State.UNACKNOWLEDGED:
            since, every = one.called, repeat_s(there.alarm, held.get(key, ()))
        elif one.state is State.ACKNOWLEDGED:
            since, every = one.answered, ack_expires_s(there.alarm, held.get(key, ()))
        if since is not None and every is not None and scan.now.mono >= since.mono + every:
            scan.apply(key, Cue.REPEAT, also=[other.rule.short for other in held.get(key, ())])
