"""What people order: acknowledge, reset, shelve, take out of service, attend. All but the first two end by
themselves."""

from __future__ import annotations

from dataclasses import replace

from brinewatch.alarms.events import Command, Happening, Order, Priority, State
from brinewatch.alarms.memory import AlarmMemory, Attended
from brinewatch.alarms.scan import Scan
from brinewatch.alarms.states import Cue
from brinewatch.moment import Moment, span_text

_HOUR, _DAY = 3600.0, 86400.0

# How long an alarm may be set aside (judgement; OPC 10000-9 asks for a bound, MaxTimeShelved, and gives none). What
# kills within the hour may be silent for an hour at most, so that nobody sleeps through on a forgotten shelf.
LONGEST_SHELF_S = {
    Priority.CRITICAL: 1 * _HOUR, Priority.HIGH: 12 * _HOUR, Priority.MEDIUM: 3 * _DAY, Priority.LOW: 14 * _DAY,
}  # fmt: skip
LONGEST_OUT_S = 90 * _DAY
LONGEST_ATTENDED_S = 4 * _HOUR

# states an order without a number is meant for
_MEANT = {
    Order.ACKNOWLEDGE: (State.UNACKNOWLEDGED, State.RETURNED),
    Order.RESET: (State.LATCHED,),
    Order.SHELVE: (State.UNACKNOWLEDGED, State.ACKNOWLEDGED),
    Order.UNSHELVE: (State.SHELVED,),
    Order.REMOVE: (),
    Order.RESTORE: (State.OUT_OF_SERVICE,),
}
_NOTHING = {
    Order.ACKNOWLEDGE: "no alarm waits for an answer",
    Order.RESET: "no alarm waits for a reset",
    Order.SHELVE: "no alarm stands",
    Order.UNSHELVE: "no alarm is shelved",
    Order.REMOVE: "name the alarm to take out of service",
    Order.RESTORE: "no alarm is out of service",
}


def obey(scan: Scan, command: Command) -> None:
    """Carry out one order, or say why not."""
    if command.order in (Order.ATTEND, Order.LEAVE):
        _attend(scan, command)
        return
    for one in _meant(scan, command):
        _carry_out(scan, command, one)


def _meant(scan: Scan, command: Command) -> list[AlarmMemory]:
    if command.alarm:
        if command.alarm not in scan.known:
            scan.refuse(command, f"no alarm is called {command.alarm}")
            return []
        return [scan.memory.setdefault(command.alarm, AlarmMemory(command.alarm))]
    if command.number is None:
        fitting = [
            one
            for one in sorted(scan.before.alarms.values(), key=lambda one: one.serial)
            if scan.memory[one.alarm].state in _MEANT[command.order] and _seen(one, command)
        ]
        if not fitting:
            scan.refuse(command, _NOTHING[command.order])
        return fitting
    numbered = [one for one in scan.memory.values() if one.number == command.number]
    # a number that went round may belong to two: the newest is meant
    meant = sorted(numbered, key=lambda one: one.serial)[-1:]
    if not meant:
        scan.refuse(command, f"no alarm has the number {command.number}")
    elif meant[0].state.standing and not _seen(meant[0], command):
        scan.refuse(command, "it came again after this answer was sent", meant[0])
        return []
    return meant


def _seen(one: AlarmMemory, command: Command) -> bool:
    """Whether the activation was there when the order was given: its sender could know no later one."""
    if one.state.aside:
        return True
    return one.activated is not None and one.activated.mono <= command.at.mono


def _carry_out(scan: Scan, command: Command, one: AlarmMemory) -> None:
    key = one.alarm
    # an earlier order of this step may have changed it
    one = scan.memory[key]
    match command.order:
        case Order.ACKNOWLEDGE:
            scan.apply(key, Cue.ACKNOWLEDGE, command.by)
        case Order.RESET:
            scan.apply(key, Cue.RESET, command.by)
        case Order.SHELVE:
            alarm = scan.known.get(key)
            longest = LONGEST_SHELF_S[alarm.rule.priority if alarm else one.priority]
            _set_aside(scan, command, one, Cue.SHELVE, longest)
        case Order.REMOVE:
            if not command.reason.strip():
                scan.refuse(command, "say why it is taken out of service", one if one.number else None)
                return
            _set_aside(scan, command, one, Cue.REMOVE, LONGEST_OUT_S)
        case Order.UNSHELVE if one.state is not State.SHELVED:
            scan.apply(key, Cue.WAKE_GONE, command.by)
        case Order.RESTORE if one.state is not State.OUT_OF_SERVICE:
            scan.apply(key, Cue.RESTORE_GONE, command.by)
        case Order.UNSHELVE | Order.RESTORE:
            scan.waking[key] = command.by


def _set_aside(scan: Scan, command: Command, one: AlarmMemory, cue: Cue, longest: float) -> None:
    if command.one_shot and not one.active and one.pending is None:
        scan.refuse(command, "it does not hold now: say for how long", one if one.number else None)
        return
    for_s = longest if command.for_s is None and command.one_shot else command.for_s
    if for_s is None or not 0 < for_s <= longest:
        asked = "" if for_s is None else f", not {span_text(for_s)}"
        scan.refuse(command, f"say for how long: up to {span_text(longest)}{asked}", one if one.number else None)
        return
    until = _later(scan.now, for_s)
    kept = replace(one, until=until, one_shot=command.one_shot, reason=command.reason.strip())
    if one.state in (State.NORMAL, State.SUPPRESSED):
        # what stands for nobody yet has no number to be answered by, and is no part of what called
        kept = replace(kept, number=0, incident=0)
    scan.memory[one.alarm] = kept
    if not scan.apply(one.alarm, cue, command.by, command.reason.strip()):
        scan.memory[one.alarm] = one


def end_by_time(scan: Scan) -> None:
    """What was set aside for a time comes back by itself; so does the watch that was attended."""
    for key in scan.before.alarms:
        one = scan.memory[key]
        if one.until is None and not one.one_shot:
            continue
        over = one.until is not None and scan.now.mono >= one.until.mono
        gone = one.one_shot and not one.active and one.pending is None
        if (one.state is State.SHELVED and (over or gone)) or (one.state is State.OUT_OF_SERVICE and over):
            scan.waking.setdefault(key, "")
    mode = scan.attended
    if mode is not None and scan.now.mono >= mode.until.mono:
        scan.attended = None
        scan.shed_event(Happening.LEFT, "", f"the time {mode.by} asked for is over")


def _attend(scan: Scan, command: Command) -> None:
    if command.order is Order.LEAVE:
        if scan.attended is None:
            scan.refuse(command, "nobody is said to be in the shed")
            return
        scan.attended = None
        scan.shed_event(Happening.LEFT, command.by, "")
        return
    if command.for_s is None or not 0 < command.for_s <= LONGEST_ATTENDED_S:
        scan.refuse(command, f"say for how long: up to {span_text(LONGEST_ATTENDED_S)}")
        return
    until = _later(scan.now, command.for_s)
    scan.attended = Attended(command.by, scan.now, until)
    scan.shed_event(Happening.ATTENDED, command.by, command.reason, until=until)


def _later(now: Moment, seconds: float) -> Moment:
    return replace(now, mono=now.mono + seconds, utc=now.utc + seconds)
