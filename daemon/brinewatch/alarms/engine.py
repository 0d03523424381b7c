"""The alarm engine: one pure step from (memory, readings, orders, now) to (memory, events).

Delays run on monotonic time. Readings are judged as they stand at `now`; a reading no limit may be judged by
neither starts, stops nor ends a delay, so an alarm can be late by bad data but not lost by it.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace

from brinewatch.alarms.events import AlarmEvent, Command, Happening, Order, Priority, State
from brinewatch.alarms.memory import AlarmMemory, Memory, next_number, resume
from brinewatch.alarms.rules import Alarm, Broken, judge, trusted
from brinewatch.alarms.states import Cue, Move, move
from brinewatch.moment import Moment
from brinewatch.readings import Reading, quantity_of

__all__ = ["AlarmMemory", "Memory", "Step", "resume", "step"]

_CUE = {Order.ACKNOWLEDGE: Cue.ACKNOWLEDGE, Order.RESET: Cue.RESET}
# states an order without a number is meant for
_MEANT = {
    Order.ACKNOWLEDGE: (State.UNACKNOWLEDGED, State.RETURNED),
    Order.RESET: (State.LATCHED,),
}


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
    scan = _Scan(alarms, memory, readings, now, held)
    scan.retire()
    for command in commands:
        scan.obey(command)
    scan.judge_all()
    kept = scan.memory
    changed = frozenset(key for key, one in kept.items() if one is not memory.alarms.get(key))
    if not changed:
        return Step(memory, tuple(scan.events), changed)
    return Step(Memory(kept, scan.serial), tuple(scan.events), changed)


@dataclass
class _Scan:
    """The working state of one step; it does not outlive it."""

    alarms: Sequence[Alarm]
    before: Memory
    readings: Mapping[str, Reading]
    now: Moment
    held: Collection[str] = ()
    memory: dict[str, AlarmMemory] = field(init=False)
    serial: int = field(init=False)
    known: dict[str, Alarm] = field(init=False)
    events: list[AlarmEvent] = field(default_factory=list)
    broken: dict[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.memory = dict(self.before.alarms)
        self.serial = self.before.serial
        self.known = {alarm.id: alarm for alarm in self.alarms}

    # the three parts of a step

    def retire(self) -> None:
        """Alarms the settings no longer have must not stand for ever, nor go without a word."""
        for key, one in self.before.alarms.items():
            if key in self.known or (not one.state.standing and one.pending is None and not one.active):
                continue
            self._apply(key, move(one.state, Cue.RETIRED), detail="no longer in the settings")
            self.memory[key] = replace(self.memory[key], active=False, pending=None, confirm=False)

    def obey(self, command: Command) -> None:
        cue = _CUE[command.order]
        if command.number is None:
            meant = [
                one
                for one in self.before.standing
                if self.memory[one.alarm].state in _MEANT[command.order] and self._seen(one, command)
            ]
            if not meant:
                nothing = "waits for an answer" if command.order is Order.ACKNOWLEDGE else "waits for a reset"
                self._refuse(command, f"no alarm {nothing}")
        else:
            numbered = [one for one in self.memory.values() if one.number == command.number]
            # a number that went round may belong to two: the newest is meant
            meant = sorted(numbered, key=lambda one: one.serial)[-1:]
            if not meant:
                self._refuse(command, f"no alarm has the number {command.number}")
            elif meant[0].state.standing and not self._seen(meant[0], command):
                self._refuse(command, "it came again after this answer was sent", meant[0])
                return
        for one in meant:
            self._apply(one.alarm, move(self.memory[one.alarm].state, cue), by=command.by)

    def judge_all(self) -> None:
        last = []
        for alarm in self.alarms:
            if isinstance(alarm.rule.condition, Broken):
                last.append(alarm)
            else:
                self._judge(alarm)
        if not self.broken:
            last = [alarm for alarm in last if alarm.id in self.memory]
        watched = {alarm.point for alarm in last}
        for point, reason in self.broken.items():
            if point not in watched:
                raise RuntimeError(f"a rule of {point} cannot be judged and no alarm watches for that: {reason}")
        for alarm in last:
            self._judge(alarm)

    # one alarm

    def _judge(self, alarm: Alarm) -> None:
        key, rule = alarm.id, alarm.rule
        one = self.memory.get(key)
        reading = self.readings.get(alarm.point)
        verdict: bool | None
        if alarm.point in self.held:
            verdict = None
        elif isinstance(rule.condition, Broken):
            verdict = alarm.point in self.broken
        else:
            holding = one is not None and one.active != (one.pending is not None)
            try:
                verdict = judge(alarm, reading, holding, self.now)
            except Exception as error:  # noqa: BLE001 - whatever it was, it becomes an alarm of its own
                self.broken.setdefault(alarm.point, f"{rule.key}: {type(error).__name__}: {error}")
                verdict = None
        if one is None:
            if not verdict:
                return  # nothing to remember of an alarm that never was
            one = AlarmMemory(key)
        one = self._timed(alarm, one, verdict, reading)
        self.memory[key] = one
        if one.state is State.NORMAL and not one.active:
            return
        gone = Cue.GONE_LATCHING if rule.latching else Cue.GONE
        self._apply(key, move(one.state, Cue.HOLDS if one.active else gone))
        one = self.memory[key]
        if self._call_again(alarm, one):
            self._apply(key, move(one.state, Cue.REPEAT))

    def _timed(self, alarm: Alarm, one: AlarmMemory, verdict: bool | None, reading: Reading | None) -> AlarmMemory:
        """The condition after its delays: on-delay before it counts, off-delay before it is over."""
        if verdict is None:
            return one
        if verdict == one.active:
            return one if one.pending is None else replace(one, pending=None, confirm=False)
        delay = alarm.rule.off_delay_s
        if verdict:
            delay = alarm.rule.on_delay_s
            if alarm.rule.about_data and reading is None:
                delay += alarm.max_age_s  # a point never read yet is not older than the watch itself
        since = one.pending or self.now
        if one.confirm or self.now.mono >= since.mono + delay:
            began = since if verdict else one.began
            return replace(one, active=verdict, pending=None, confirm=False, began=began)
        return one if one.pending is not None else replace(one, pending=since)

    def _call_again(self, alarm: Alarm, one: AlarmMemory) -> bool:
        rule = alarm.rule
        if one.state is State.UNACKNOWLEDGED and rule.repeat_s is not None and one.called is not None:
            return self.now.mono >= one.called.mono + rule.repeat_s
        if one.state is State.ACKNOWLEDGED and rule.ack_expires_s is not None and one.answered is not None:
            return self.now.mono >= one.answered.mono + rule.ack_expires_s
        return False

    def _seen(self, one: AlarmMemory, command: Command) -> bool:
        """Whether the activation was there when the order was given: its sender could know no later one."""
        return one.activated is not None and one.activated.mono <= command.at.mono

    def _apply(self, key: str, cell: Move, by: str = "", detail: str = "") -> None:
        """Carry out one cell of the table: the state, what goes with it, and the event."""
        one = self.memory[key]
        was = one.state
        if cell.happening is None and cell.to is was:
            return
        if cell.happening is Happening.REFUSED:
            self._say(cell.happening, one, by, cell.reason)
            return
        alarm = self.known.get(key)
        if cell.to is State.UNACKNOWLEDGED:
            if was is State.NORMAL:
                taken = {other.number for other in self.memory.values() if other.state.standing}
                number, self.serial = next_number(self.serial, taken)
                one = replace(one, number=number, serial=self.serial)
            if was is not State.UNACKNOWLEDGED:
                one = replace(one, activated=self.now, acknowledged_by="", answered=None)
            one = replace(one, called=self.now)
            if alarm is not None:
                one = replace(one, priority=alarm.rule.priority, title=alarm.rule.title)
            detail = detail or _AGAIN.get(was, "")
        elif cell.happening is Happening.ACKNOWLEDGED:
            one = replace(one, acknowledged_by=by, answered=self.now)
        one = replace(one, state=cell.to) if cell.to is not was else one
        self.memory[key] = one
        if cell.happening is not None:
            self._say(cell.happening, one, by, detail)

    def _say(self, happening: Happening, one: AlarmMemory, by: str, detail: str) -> None:
        alarm = self.known.get(one.alarm)
        point = one.alarm.partition("@")[2]
        reading = self.readings.get(point)
        value = limit = None
        if alarm is not None:
            limit = alarm.rule.limit
            if reading is not None and not isinstance(alarm.rule.condition, Broken) and not self._is_broken(alarm):
                value = reading.value if trusted(reading, alarm.max_age_s, self.now) else None
            if alarm.rule.about_data and happening in (Happening.RAISED, Happening.REPEATED):
                detail = self._data_reason(alarm, reading) or detail
        self.events.append(
            AlarmEvent(
                happening,
                one.alarm,
                one.number,
                alarm.rule.priority if alarm else one.priority,
                alarm.rule.title if alarm else one.title,
                point,
                alarm.quantity if alarm else quantity_of(point),
                one.state,
                value,
                limit,
                one.began or self.now,
                self.now,
                by,
                detail,
            )
        )

    def _is_broken(self, alarm: Alarm) -> bool:
        return alarm.point in self.broken

    def _data_reason(self, alarm: Alarm, reading: Reading | None) -> str:
        if isinstance(alarm.rule.condition, Broken):
            return self.broken.get(alarm.point, "")
        if reading is None:
            return "no reading yet"
        if self._is_broken(alarm) or trusted(reading, alarm.max_age_s, self.now):
            return ""
        return reading.reason or ("too old" if reading.usable else f"flag {int(reading.flag)}")

    def _refuse(self, command: Command, reason: str, one: AlarmMemory | None = None) -> None:
        if one is not None:
            self._say(Happening.REFUSED, one, command.by, reason)
            return
        self.events.append(
            AlarmEvent(
                Happening.REFUSED, "", command.number or 0, Priority.LOW, "", "", "", State.NORMAL, None, None,
                self.now, self.now, command.by, reason,
            )
        )  # fmt: skip


_AGAIN = {
    State.UNACKNOWLEDGED: "still not answered",
    State.ACKNOWLEDGED: "answered, but its cause still holds",
    State.RETURNED: "it came back",
    State.LATCHED: "it came back",
}
