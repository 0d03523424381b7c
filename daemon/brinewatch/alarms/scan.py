"""The working state of one step of the engine: memories as they change, and the events said on the way."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace

from brinewatch.alarms.events import AlarmEvent, Command, Happening, Priority, State
from brinewatch.alarms.memory import AlarmMemory, Attended, Memory, next_number
from brinewatch.alarms.rules import Alarm, Broken, View, told, trusted
from brinewatch.alarms.states import Cue, move
from brinewatch.alarms.version import body_of, version_of
from brinewatch.moment import Moment
from brinewatch.readings import Reading, quantity_of

CAME_BACK = "it came back"
_AGAIN = {
    State.UNACKNOWLEDGED: "still not answered",
    State.ACKNOWLEDGED: "answered, but its cause still holds",
    State.RETURNED: CAME_BACK,
    State.LATCHED: CAME_BACK,
    State.SHELVED: "the shelving is over and it holds",
    State.OUT_OF_SERVICE: "back in service and it holds",
}


@dataclass
class Scan:
    """One step at work; it does not outlive it. Orders and judgements both lead through `apply`."""

    alarms: Sequence[Alarm]
    before: Memory
    readings: Mapping[str, Reading]
    now: Moment
    held: Collection[str] = ()
    memory: dict[str, AlarmMemory] = field(init=False)
    serial: int = field(init=False)
    attended: Attended | None = field(init=False)
    known: dict[str, Alarm] = field(init=False)
    events: list[AlarmEvent] = field(default_factory=list)
    broken: dict[str, str] = field(default_factory=dict)
    # what is no longer set aside from this step on, and by whom: "" by time
    waking: dict[str, str] = field(default_factory=dict)
    _urgent: Priority | None = None
    _view: View | None = None

    def __post_init__(self) -> None:
        self.memory = dict(self.before.alarms)
        self.serial = self.before.serial
        self.attended = self.before.attended
        self.known = {alarm.id: alarm for alarm in self.alarms}

    def call(self, key: str, urgent: Priority, also: Sequence[str]) -> None:
        """Raise a cause together with the consequences that are known already, as urgent as the worst of them."""
        self._urgent = urgent
        self.apply(key, Cue.HOLDS, also=also)
        self._urgent = None

    def apply(self, key: str, cue: Cue, by: str = "", detail: str = "", also: Sequence[str] = ()) -> bool:
        """Carry out one cell of the table: the state, what goes with it, and the event. False when refused."""
        one = self.memory[key]
        was, cell = one.state, move(one.state, cue)
        if cell.happening is Happening.REFUSED:
            self.say(cell.happening, one, by, cell.reason)
            return False
        if cell.happening is None and cell.to is was:
            return True
        if cell.to is State.UNACKNOWLEDGED:
            one = self._called(key, one, was)
            detail = detail or _AGAIN.get(was, "")
        elif cell.happening is Happening.ACKNOWLEDGED:
            one = replace(one, acknowledged_by=by, answered=self.now)
        if was.aside and not cell.to.aside:
            one = replace(one, until=None, one_shot=False, reason="", lost=None)
        one = replace(one, state=cell.to) if cell.to is not was else one
        self.memory[key] = one
        if cell.happening is not None:
            self.say(cell.happening, one, by, detail, also)
        if cell.to is State.NORMAL and one.incident:
            self.memory[key] = replace(one, incident=0)  # the next activation is another incident
        return True

    def _called(self, key: str, one: AlarmMemory, was: State) -> AlarmMemory:
        """What goes with a call: a number, the time, and how urgent it is."""
        alarm = self.known.get(key)
        if was is State.NORMAL or not one.number:
            taken = {other.number for other in self.memory.values() if other.state.standing or other.state.aside}
            number, self.serial = next_number(self.serial, taken)
            one = replace(one, number=number, serial=self.serial)
        if was is not State.UNACKNOWLEDGED:
            one = replace(one, activated=self.now, acknowledged_by="", answered=None)
        if alarm is not None:
            urgent = alarm.rule.priority
            if was not in (State.NORMAL, State.SUPPRESSED):
                urgent = min(urgent, one.priority, key=_rank)
            if self._urgent is not None:
                urgent = min(urgent, self._urgent, key=_rank)
            one = replace(one, priority=urgent, title=alarm.rule.title)
        return replace(one, called=self.now, incident=one.incident or one.serial)

    def say(self, happening: Happening, one: AlarmMemory, by: str, detail: str, also: Sequence[str] = ()) -> None:
        """One event of one alarm, with the reading and the limit that go with it."""
        alarm = self.known.get(one.alarm)
        point = one.alarm.partition("@")[2]
        reading = self.readings.get(point)
        value = limit = None
        if alarm is not None:
            limit = alarm.rule.limit
            if reading is not None and not isinstance(alarm.rule.condition, Broken) and point not in self.broken:
                value = reading.value if trusted(reading, alarm.max_age_s, self.now) else None
            if alarm.rule.about_data and happening.calls:
                detail = self._data_reason(alarm, reading) or detail
            elif happening is Happening.RAISED:
                detail = detail or self._found(alarm)
        urgent = alarm.rule.priority if alarm else one.priority
        if one.state.standing:
            urgent = min(urgent, one.priority, key=_rank)
        self.events.append(
            AlarmEvent(
                happening, one.alarm, one.number, urgent, alarm.rule.title if alarm else one.title, point,
                alarm.quantity if alarm else quantity_of(point), one.state, value, limit, one.began or self.now,
                self.now, by, detail, one.incident, tuple(also), one.until,
                version_of(body_of(alarm)) if alarm else "",
            )
        )  # fmt: skip

    def _found(self, alarm: Alarm) -> str:
        if self._view is None:
            self._view = View(self.readings, self.now)
        try:
            return told(alarm, self._view)
        except Exception:  # noqa: BLE001 - words must not stop a call
            return ""

    def _data_reason(self, alarm: Alarm, reading: Reading | None) -> str:
        if isinstance(alarm.rule.condition, Broken):
            return self.broken.get(alarm.point, "")
        if reading is None:
            return "no reading yet"
        if alarm.point in self.broken or trusted(reading, alarm.max_age_s, self.now):
            return ""
        return reading.reason or ("too old" if reading.usable else "not to be trusted")

    def refuse(self, command: Command, reason: str, one: AlarmMemory | None = None) -> None:
        """Say why an order is not carried out."""
        if one is not None:
            self.say(Happening.REFUSED, one, command.by, reason)
            return
        self.shed_event(Happening.REFUSED, command.by, reason, number=command.number or 0)

    def shed_event(
        self, happening: Happening, by: str, detail: str, *, number: int = 0, until: Moment | None = None
    ) -> None:
        """An event that belongs to no single alarm."""
        self.events.append(
            AlarmEvent(
                happening, "", number, Priority.LOW, "", "", "", State.NORMAL, None, None, self.now, self.now, by,
                detail, until=until,
            )
        )  # fmt: skip


def _rank(priority: Priority) -> int:
    return priority.rank
