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
    TOGETHER_S,
    Seen,
    ack_expires_s,
    breaks_through,
    cause_of,
    consequences,
    explains,
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

_ANSWERED_OR_NOT = (State.UNACKNOWLEDGED, State.ACKNOWLEDGED)
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
    judged: Sequence[Alarm] | None = None,
) -> Step:
    """Judge every alarm once.

    alarms: as `bind` gave them (each point with its data alarm and its alarm for a broken rule); readings: the
    newest of each point, a point without one is missing; commands: orders since the last step, carried out first;
    held: points nothing can be told of now: their alarms stay as they are, those about data too; judged: only these
    of the alarms, in their order, where the others are proven to stand as they do (a rehearsal), None for all.
    """
    scan = Scan(alarms, memory, readings, now, held)
    _retire(scan)
    for command in commands:
        obey(scan, command)
    seen = _judged(scan, alarms if judged is None else judged)
    end_by_time(scan)
    _wake(scan, seen)
    _move(scan, seen)
    changed = {key for key, one in scan.memory.items() if one is not memory.alarms.get(key)}
    if scan.attended is not memory.attended:
        changed.add(ATTENDED)
    if not changed:
        return Step(memory, tuple(scan.events), frozenset())
    return Step(Memory(scan.memory, scan.serial, scan.attended), tuple(scan.events), frozenset(changed))


def _retire(scan: Scan) -> None:
    """Alarms the settings no longer have must not stand for ever, nor go without a word."""
    for key, one in scan.before.alarms.items():
        if key in scan.known:
            continue
        if not (one.state.standing or one.state.aside) and one.pending is None and not one.active:
            continue  # it has nothing left to say
        scan.apply(key, Cue.RETIRED, detail="no longer in the settings")
        scan.memory[key] = replace(scan.memory[key], active=False, pending=None, confirm=False)


# -- what the conditions say --------------------------------------------------------------------------------------


def _judged(scan: Scan, alarms: Sequence[Alarm]) -> dict[str, Seen]:
    """Each alarm's condition after its delays, before any state moves."""
    seen: dict[str, Seen] = {}
    last = []
    view = View(scan.readings, scan.now)
    for alarm in alarms:
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
            _judge(scan, view, alarm, seen, of_rules=True)
    return seen


def _judge(scan: Scan, view: View, alarm: Alarm, seen: dict[str, Seen], *, of_rules: bool = False) -> None:
    """One alarm's condition; of_rules: it is the one that says that a rule of its point is broken."""
    key, rule = alarm.id, alarm.rule
    one = scan.memory.get(key)
    parts = one.parts if one is not None else _NO_PARTS
    view.parts = parts
    verdict: bool | None
    if alarm.point in scan.held:
        verdict = None
    elif of_rules:
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


_WAKES = {
    State.SHELVED: (Cue.WAKE_GONE, Cue.WAKE_HELD, Cue.WAKE_HOLDS),
    State.OUT_OF_SERVICE: (Cue.RESTORE_GONE, Cue.RESTORE_HELD, Cue.RESTORE_HOLDS),
}


def _wake(scan: Scan, seen: dict[str, Seen]) -> None:
    """What is no longer set aside goes to the state that fits the present."""
    for key, by in scan.waking.items():
        one = scan.memory[key]
        gone, held, holds = _WAKES[one.state]
        if key not in seen or not one.active:
            scan.apply(key, gone, by)
            continue
        reason, incident = _why_held(scan, seen[key], seen)
        if reason:
            scan.memory[key] = replace(one, until=None, one_shot=False, reason=reason, incident=incident)
            scan.apply(key, held, by)
        else:
            scan.apply(key, holds, by)
        seen[key] = replace(seen[key], memory=scan.memory[key])


def _why_held(scan: Scan, one: Seen, seen: Mapping[str, Seen]) -> tuple[str, int]:
    """Why an alarm that was set aside is still not to call: a cause that has called, or somebody in the shed."""
    cause = cause_of(one, seen)
    if cause is not None:
        head = scan.memory[_head(scan, {}, cause.alarm.id)]
        if head.state.standing and not breaks_through(one.alarm, head.priority):
            return head.alarm, head.incident
    return (ATTENDED_REASON, 0) if held_back(one.alarm, scan.attended) else ("", 0)


def _move(scan: Scan, seen: dict[str, Seen]) -> None:
    """Release what has lost its cause, find causes for what is new, then let every alarm move: causes first."""
    held = [key for key, one in seen.items() if scan.memory[key].state is State.SUPPRESSED and one.memory.active]
    for key in sorted(held, key=lambda key: len(scan.known[key].causes)):  # what is let go explains nothing further
        _keep_or_release(scan, seen, key)
    joins = _joins(scan, seen)
    _take_along(scan, seen, joins)
    also: dict[str, list[Alarm]] = {}
    for key, head in joins.items():
        if seen[head].new:
            also.setdefault(head, []).append(seen[key].alarm)
    for key, one in seen.items():
        if key not in joins:
            _settle(scan, one, seen, also.get(key, ()))
    for key, head in joins.items():
        _join(scan, seen[key], seen[head], called_now=head in also)
    for key in held:
        kept = scan.memory[key]
        speaks = scan.memory.get(kept.reason, kept)
        if kept.state is State.SUPPRESSED and kept.incident != speaks.incident:
            scan.memory[key] = replace(kept, incident=speaks.incident)
    _call_again(scan, seen)


def _joins(scan: Scan, seen: dict[str, Seen]) -> dict[str, str]:
    """What would call anew and is explained: by id, the alarm that speaks for it.

    A cause still in its delay is proven by its consequence, and may turn out to be one itself.
    """
    found: dict[str, str] = {}
    todo = [key for key, one in seen.items() if one.new]
    while todo:
        key = todo.pop()
        cause = cause_of(seen[key], seen)
        if cause is None:
            continue
        found[key] = cause.alarm.id
        if not cause.memory.active:
            _confirm(scan, seen, cause)
            todo += [one for one in (cause.alarm.id,) if seen[one].new]
    return {key: _head(scan, found, key) for key in found}


def _take_along(scan: Scan, seen: dict[str, Seen], joins: dict[str, str]) -> None:
    """What would call beside its cause a moment later is said in the cause's own call, its delay cut short: one
    call, and nothing of it unheard. Only what begins after that call breaks through it."""
    for key, one in seen.items():
        memory = scan.memory[key]
        waits = one.verdict and memory.pending is not None and not memory.active and not one.alarm.rule.about_data
        if not waits or memory.state not in (State.NORMAL, State.RETURNED):
            continue
        cause = cause_of(one, seen, confirmed=True)
        head = None if cause is None else seen.get(_head(scan, joins, cause.alarm.id))
        if head is not None and head.new and breaks_through(one.alarm, head.alarm.rule.priority):
            _confirm(scan, seen, one)
            joins[key] = head.alarm.id


def _head(scan: Scan, found: Mapping[str, str], key: str) -> str:
    """The alarm that calls for this one: the end of the chain of causes."""
    while True:
        one = scan.memory[key]
        if key in found:
            key = found[key]
        elif one.state is State.SUPPRESSED and one.reason in scan.known and one.reason in scan.memory:
            key = one.reason
        else:
            return key


def _keep_or_release(scan: Scan, seen: dict[str, Seen], key: str) -> None:
    """A held back alarm stays so while it is explained; a cause that is only not seen just now gets a minute."""
    one, memory = seen[key], scan.memory[key]
    if memory.reason == ATTENDED_REASON:
        if not held_back(one.alarm, scan.attended):
            _release(scan, seen, key)
        return
    head = seen.get(memory.reason)
    if (cause := cause_of(one, seen, confirmed=True)) is not None:
        speaks = head if head is not None and head.holds else cause
        after = replace(memory, reason=speaks.alarm.id, lost=None)
    elif head is not None and head.untold and not _past(memory.lost, TOGETHER_S, scan.now):
        after = replace(memory, lost=memory.lost or scan.now)
    else:
        _release(scan, seen, key)
        return
    if after != memory:
        scan.memory[key] = after


def _past(since: Moment | None, seconds: float, now: Moment) -> bool:
    return since is not None and now.mono >= since.mono + seconds


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


def _settle(scan: Scan, one: Seen, seen: Mapping[str, Seen], also: Sequence[Alarm]) -> None:
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
    if one.new and rule.takes:
        _gather(scan, one, seen)
    if one.new and also:
        # one call for all of it, as urgent as the worst of it
        ranked = sorted(also, key=lambda other: other.rule.priority.rank)
        scan.call(key, ranked[0].rule.priority, [other.rule.short for other in ranked])
        return
    scan.apply(key, Cue.HOLDS if memory.active else gone)


def _gather(scan: Scan, one: Seen, seen: Mapping[str, Seen]) -> None:
    """A cause about to call: what it explains and called before it belongs to the same incident."""
    before = [
        key
        for key, other in seen.items()
        if other.memory.active and scan.memory[key].state.standing and explains(one, other)
    ]
    incident = min((scan.memory[key].incident for key in before), default=0)
    for key in (one.alarm.id, *before):
        if incident:
            scan.memory[key] = replace(scan.memory[key], incident=incident)


def _join(scan: Scan, one: Seen, head: Seen, *, called_now: bool) -> None:
    """An alarm whose cause is known: held back, unless it is an emergency or worse than what was called."""
    key, cause = one.alarm.id, scan.memory[head.alarm.id]
    incident = cause.incident
    scan.memory[key] = replace(scan.memory[key], incident=incident)
    if not called_now and breaks_through(one.alarm, cause.priority):
        scan.apply(key, Cue.HOLDS)
        return
    scan.memory[key] = replace(scan.memory[key], reason=head.alarm.id, lost=None)
    scan.apply(key, Cue.SUPPRESS, detail=f"because of: {head.alarm.rule.title}")


def _call_again(scan: Scan, seen: Mapping[str, Seen]) -> None:
    """Those whose time to call again has come; a cause speaks for all that it holds back."""
    waits = [key for key in seen if scan.memory[key].state in _ANSWERED_OR_NOT]
    held = consequences(scan.memory, scan.known) if waits else {}
    for key in waits:
        one, there = scan.memory[key], seen[key]
        since, every = None, None
        if one.state is State.UNACKNOWLEDGED:
            since, every = one.called, repeat_s(there.alarm, held.get(key, ()))
        else:
            since, every = one.answered, ack_expires_s(there.alarm, held.get(key, ()))
        if every is not None and _past(since, every, scan.now):
            scan.apply(key, Cue.REPEAT, also=[other.rule.short for other in held.get(key, ())])
