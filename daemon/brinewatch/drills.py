"""A drill: a call that is planned, from the alarm to the answer, over the ways and to the people of a real one.

A reading past the limit of one critical alarm is made up and judged by its rule, apart from the shed's own readings
and alarms. When its delay is over the call goes through the same ladder of people, the same texts marked DRILL,
the same outbox and modem; who answers, and after how many minutes, is kept in the journal. Alarms proper are not
touched: every reading is judged as always, and a real alarm calls at the same time, without that mark.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from typing import Any

from brinewatch.alarms.calling import Calls, Out
from brinewatch.alarms.due import next_due
from brinewatch.alarms.engine import Memory, step
from brinewatch.alarms.events import AlarmEvent, Command, Happening, Order, Priority, State
from brinewatch.alarms.roster import ENGLISH, Contact
from brinewatch.alarms.rules import Above, Alarm, Below, Is
from brinewatch.config import ShedFile
from brinewatch.errors import BrinewatchError
from brinewatch.messages import Delivery, Message
from brinewatch.moment import Moment
from brinewatch.ports import Clock
from brinewatch.readings import Flag, Reading
from brinewatch.store.journal import Journal
from brinewatch.watchkeeper import Watchkeeper
from brinewatch.ways import reaching

log = logging.getLogger(__name__)

MARK = "drill:"  # what is kept of drills lies beside the memories of alarms, whose names have no colon
_LAST, _OPEN = f"{MARK}last", f"{MARK}open"
LONGEST_S = 1800.0
_DAY_S = 86400.0
_WORTH_S = 1800.0
# people's words for the text of a drill: made by the callout, which knows the shed's words
Words = Callable[[AlarmEvent, str, Contact], str]


@dataclass(slots=True)
class Drill:
    """One drill. told: minutes after the beginning, by phone; answered: name and minutes; arrived: how far the
    latest message got, by address; over: how it ended, "" while it goes on."""

    alarm: str
    title: str
    by: str
    number: int
    began_utc: float
    told: dict[str, float] = field(default_factory=dict)
    answered: list[tuple[str, float]] = field(default_factory=list)
    arrived: dict[str, str] = field(default_factory=dict)
    over: str = ""


class Drills:
    """Keeps the one drill that may run.

    words(event, mark, contact): an alarm event as a text to somebody; queue: messages to the outbox; note: one line
    for people, kept in the journal; record: what came of a drill, kept in the journal for `drill --list`.
    """

    def __init__(
        self, shed: ShedFile, keeper: Watchkeeper, journal: Journal, clock: Clock, words: Words,
        queue: Callable[[Sequence[Message]], None], note: Callable[[str], None], record: Callable[[str], None],
    ) -> None:  # fmt: skip
        self._shed = shed
        self._keeper = keeper
        self._journal = journal
        self._clock = clock
        self._words = words
        self._queue = queue
        self._note = note
        self._record = record
        self._names = {one.phone: one.name for one in shed.contacts}
        self._drill: Drill | None = None
        self._event: AlarmEvent | None = None
        self._alarm: Alarm | None = None
        self._made_up: float | None = None
        self._shadow = Memory()
        self._began = 0.0
        self._calls: Calls | None = None
        self._count = 0
        self._since_utc: float | None = None
        self._late = False
        self._last: Drill | None = None
        self._keeping: dict[str, Mapping[str, Any] | None] = {}

    # -- due dates ----------------------------------------------------------------------------------------------

    async def recall(self, kept: Mapping[str, Mapping[str, Any]], now: Moment) -> list[str]:
        """What was kept. A drill that a restart broke off is said to be over to those who were called for it."""
        notes = []
        try:
            self._since_utc = float(kept[_LAST]["utc"]) if _LAST in kept else None
        except (KeyError, TypeError, ValueError) as error:
            notes.append(f"When the last drill was cannot be read ({error}).")
        if self._since_utc is None and now.trusted:
            # never yet: the time counts from the first watch
            self._since_utc = now.utc
            await self._journal.keep({_LAST: {"utc": now.utc}}, now)
        if _OPEN in kept:
            self._tell_all([str(phone) for phone in kept[_OPEN].get("phones", ())], "drill.restarted", now)
            await self._journal.keep({_OPEN: None}, now)
            notes.append("A drill was broken off by the restart.")
        return notes

    def health(self, now: Moment) -> tuple[bool | None, str]:
        """Whether the last drill was within its time. A clock nobody trusts makes none due, and none done."""
        every = self._shed.calling.drill_every_days
        if not every:
            return True, ""
        if not now.trusted or self._since_utc is None:
            return (
                (None, "The clock is not set: nobody knows whether a drill is due.") if self._late else (True, "")
            )
        days = (now.utc - self._since_utc) / _DAY_S
        self._late = days > every
        return not self._late, f"the last drill was {days:.0f} days ago (brinewatch drill)" if self._late else ""

    @property
    def due_utc(self) -> float | None:
        """When the next is due; None when none is asked for, or nobody knows."""
        every = self._shed.calling.drill_every_days
        return self._since_utc + every * _DAY_S if every and self._since_utc is not None else None

    @property
    def running(self) -> Drill | None:
        return self._drill

    # -- what happens -------------------------------------------------------------------------------------------

    def begin(self, by: str, wanted: str | None, now: Moment) -> Drill:
        """Call people as if an alarm held. BrinewatchError says why not."""
        if self._drill is not None:
            raise BrinewatchError(
                f"A drill by {self._drill.by} is under way.", "One at a time; end it: brinewatch drill --stop"
            )
        ways = reaching(self._shed)
        if not ways or not self._shed.contacts:
            raise BrinewatchError("There is nobody to call, or no way to.", "Add a [modem] and [[contact]]s.")
        standing = [one for one in self._keeper.memory.standing if one.state is not State.ACKNOWLEDGED]
        if standing:
            raise BrinewatchError(
                f"No drill now: {standing[0].title} waits for an answer.", "Answer it first: brinewatch state"
            )
        alarm = self._chosen(wanted)
        taken = {one.number for one in self._keeper.memory.alarms.values()}
        number = next(number for number in range(999, 0, -1) if number not in taken)
        self._alarm, self._made_up, self._shadow, self._event = alarm, _past(alarm), Memory(), None
        self._calls = Calls(self._shed.contacts, self._shed.calling, ways)
        self._drill = Drill(alarm.id, alarm.rule.title, by, number, now.utc)
        self._began = now.mono
        self._note(f"drill {number} begun by {by}: {alarm.rule.title}")
        self.look(now)
        return self._drill

    @property
    def choices(self) -> list[Alarm]:
        """The alarms a drill may be about, loss of air first."""
        critical = [alarm for alarm in self._critical if _past(alarm) is not None]
        return sorted(critical, key=lambda alarm: alarm.rule.takes != "air")

    @property
    def _critical(self) -> list[Alarm]:
        return [
            alarm for key in self._keeper.alarms
            if (alarm := self._keeper.alarm(key)) is not None
            and alarm.rule.priority is Priority.CRITICAL and not alarm.rule.about_data
        ]  # fmt: skip

    def _chosen(self, wanted: str | None) -> Alarm:
        critical = self._critical
        if wanted is not None:
            critical = [alarm for alarm in critical if wanted in (alarm.id, alarm.rule.key)]
            if not critical:
                raise BrinewatchError(f"{wanted!r} is no critical alarm of this shed.", "See: brinewatch rules")
        critical = [alarm for alarm in critical if _past(alarm) is not None]
        if not critical:
            raise BrinewatchError(
                "There is no critical alarm whose limit a made-up reading could pass.", "See: brinewatch rules"
            )
        return next((alarm for alarm in critical if alarm.rule.takes == "air"), critical[0])

    def look(self, now: Moment) -> None:
        """Let time pass: the next person's turn, or the end."""
        if self._drill is None or self._calls is None:
            return
        if now.mono - self._began >= LONGEST_S:
            self._end("nobody", "", now)
        elif self._event is None:
            self._judge(self._drill, self._calls, now)
        else:
            self._send(self._calls.pass_time(now), replace(self._event, at=now), now)

    def _judge(self, drill: Drill, calls: Calls, now: Moment) -> None:
        """One step of the alarm's own rule on the made-up reading; people are called once it is raised."""
        assert self._alarm is not None
        result = step([self._alarm], self._shadow, self._readings(now), now)
        self._shadow = result.memory
        raised = next((one for one in result.events if one.happening is Happening.RAISED), None)
        if raised is not None:
            self._event = replace(raised, number=drill.number, incident=-1)
            self._send(calls.take(self._event, now), self._event, now)

    def _readings(self, now: Moment) -> Mapping[str, Reading]:
        alarm = self._alarm
        assert alarm is not None
        one = Reading(alarm.point, alarm.quantity, self._made_up, None, Flag.PASS, "", now, "drill")
        return {alarm.point: one}

    def due(self, now: Moment) -> float | None:
        """Monotonic seconds at which a drill next does something by itself."""
        if self._calls is None:
            return None
        due = self._calls.due(now)
        if self._event is None and self._alarm is not None:
            due = next_due([self._alarm], self._shadow, self._readings(now), now)
        return min(self._began + LONGEST_S, due or self._began + LONGEST_S)

    def hear(self, name: str, command: Command, now: Moment) -> bool:
        """An order from a phone or the command line; True when it was for the drill."""
        drill = self._drill
        if drill is None or command.order is not Order.ACKNOWLEDGE:
            return False
        if command.number not in (None, drill.number) or (command.number is None and self._keeper.memory.waiting):
            return False
        drill.answered.append((name, (now.mono - self._began) / 60.0))
        self._note(f"drill {drill.number} answered by {name} after {drill.answered[-1][1]:.1f} min")
        self._end("answered", name, now)
        return True

    def settled(self, message: Message, state: Delivery) -> None:
        """How far a message of the drill got."""
        if self._drill is not None and self._calls is not None and message.number == self._drill.number:
            self._calls.settled(message.number, message.way, message.to, state)
            self._drill.arrived[message.to] = state.value

    def stop(self, now: Moment) -> None:
        """Somebody ends it."""
        if self._drill is None:
            raise BrinewatchError("No drill is under way.", "Begin one: brinewatch drill")
        self._end("stopped", "", now)

    def give_up(self) -> None:
        """Something went wrong in it: it is dropped, and a new one may begin."""
        self._drill = self._calls = self._event = self._alarm = None
        self._keeping[_OPEN] = None

    def _end(self, how: str, name: str, now: Moment) -> None:
        drill, self._drill, self._calls, self._event, self._alarm = self._drill, None, None, None, None
        assert drill is not None
        drill.over = self._shed.texts[ENGLISH].say(f"drill.{how}", name=name)
        self._tell_all(list(drill.told), "drill.over", now, how, number=drill.number, name=name)
        self._last = drill
        self._note(f"drill {drill.number} over: {drill.over}")
        self._record(json.dumps(asdict(drill), separators=(",", ":")))
        self._since_utc = now.utc if drill.answered else self._since_utc
        self._keeping[_OPEN] = None
        if drill.answered:
            self._keeping[_LAST] = {"utc": now.utc}

    def changed(self) -> Mapping[str, Mapping[str, Any] | None]:
        """What is to be written down beside the alarms' memories."""
        found, self._keeping = self._keeping, {}
        return found

    def _send(self, outs: Sequence[Out], event: AlarmEvent, now: Moment) -> None:
        drill = self._drill
        if drill is None or not outs:
            return
        for out in outs:
            drill.told.setdefault(out.contact.phone, (now.mono - self._began) / 60.0)
        self._queue(
            [
                self._message(
                    out.way,
                    out.contact.address(out.way),
                    self._words(event, self._mark(out.contact), out.contact),
                    now,
                    drill.number,
                )
                for out in outs
            ]
        )
        self._keeping[_OPEN] = {"phones": list(drill.told)}

    def _mark(self, contact: Contact) -> str:
        return self._shed.texts[contact.language].say("drill.mark", shed=self._shed.shed.short_name)

    def _tell_all(self, phones: Sequence[str], key: str, now: Moment, how: str = "", **places: object) -> None:
        """One text to those called, to each by their best way and in their language."""
        ways = reaching(self._shed)
        made = []
        for contact in self._shed.contacts:
            way = next((one for one in contact.ways if one in ways), None)
            if contact.phone in phones and way is not None:
                texts = self._shed.texts[contact.language]
                said = texts.say(f"drill.{how}", **places) if how else ""
                text = texts.say_whole(key, mark=self._mark(contact), how=said, **places)
                made.append(self._message(way, contact.address(way), text, now))
        self._queue(made)

    def _message(self, way: str, to: str, text: str, now: Moment, number: int | None = None) -> Message:
        self._count += 1
        expires = now.utc + _WORTH_S if now.trusted else None
        return Message(f"drill-{self._count}", way, to, text, number, now.utc, expires)

    # -- requests of the command line ---------------------------------------------------------------------------

    async def answer(self, request: Mapping[str, Any]) -> Mapping[str, Any]:
        """One request. Raises BrinewatchError for what cannot be done."""
        now = self._clock.now()
        match request["do"]:
            case "drill begin":
                wanted = request.get("alarm")
                self.begin(
                    str(request.get("by") or "the command line"), None if wanted is None else str(wanted), now
                )
            case "drill stop":
                self.stop(now)
            case "drill look":
                pass
            case _:
                raise BrinewatchError(f"The daemon does not know {request['do']!r}.", "See: brinewatch --help")
        drill = self._drill or self._last
        if drill is None:
            raise BrinewatchError("No drill is under way.", "Begin one: brinewatch drill")
        told = {self._names.get(phone, phone): minutes for phone, minutes in drill.told.items()}
        arrived = {self._names.get(to, to): state for to, state in drill.arrived.items()}
        return {**asdict(drill), "told": told, "arrived": arrived, "running": self._drill is not None}


def _past(alarm: Alarm) -> float | None:
    """A value for which the alarm holds; None where its condition is none a single reading can meet."""
    condition = alarm.rule.condition
    if isinstance(condition, Is):
        return float(condition.state)
    if not isinstance(condition, (Below, Above)):
        return None
    beyond = max(1.0, 2 * alarm.rule.deadband)
    return condition.limit - beyond if isinstance(condition, Below) else condition.limit + beyond
