"""From alarm events to messages for people, and from their replies to commands. Pure: it sends nothing itself."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from brinewatch.alarms.events import AlarmEvent, Command, Happening, Order, State
from brinewatch.alarms.memory import Memory
from brinewatch.alarms.nuisance import ALARMS_POINT, Nuisance
from brinewatch.alarms.roster import Contact, contact_of, normalised, order_of, understand, who
from brinewatch.alarms.wording import call_text, help_text, reply_text
from brinewatch.messages import Delivery, DeliveryReport, Inbound, Message
from brinewatch.moment import Moment
from brinewatch.overview import as_json
from brinewatch.readings import stage_of
from brinewatch.watchkeeper import Watchkeeper

_HOUR = 3600.0
# a call that could not leave for so long is no longer worth sending: its repeats and the page say it better
_WORTH_S = {Happening.RAISED: 24 * _HOUR, Happening.REPEATED: 1 * _HOUR}
_WORTH_OTHERS_S = 12 * _HOUR
_REPLY_WORTH_S = 1 * _HOUR


@dataclass(frozen=True, slots=True)
class Hearing:
    """What an incoming text was taken for. contact None: a stranger, who gets no answer."""

    contact: Contact | None
    remark: str
    ask: str = ""
    command: Command | None = None


class Callout:
    """Knows the people, and how far each message to them got."""

    def __init__(
        self, keeper: Watchkeeper, short_name: str, contacts: Sequence[Contact], *, modem: bool,
        topic: str | None, left: Callable[[str], str] = lambda stage: "",
    ) -> None:  # fmt: skip
        self._keeper = keeper
        self._short = short_name
        self._contacts = tuple(contacts)
        self._modem = modem
        self._topic = topic
        self._left = left
        self._told: dict[int, dict[str, Delivery]] = {}
        self._names = {contact.phone: contact.name for contact in contacts}
        self._count = 0
        self.nuisance = Nuisance(own=(key for key in keeper.alarms if key.endswith(f"@{ALARMS_POINT}")))

    def health(self, now: Moment) -> tuple[bool, str]:
        """Whether alarms come so that people can heed them: no flood, none that chatters."""
        alarms = {key: self._keeper.alarm(key) for key in self.nuisance.chatters(now)}
        return self.nuisance.health(now, {key: alarm.rule.title for key, alarm in alarms.items() if alarm})

    @property
    def told(self) -> dict[int, tuple[str, ...]]:
        """By alarm number: each contact's name and how far the latest message to them got."""
        return {
            number: tuple(f"{self._names.get(to, to)}: {state.value}" for to, state in states.items())
            for number, states in self._told.items()
        }

    def settled(self, message: Message, state: Delivery) -> None:
        """How one try of a message ended."""
        if message.number in self._told and message.way == "sms":
            self._told[message.number][message.to] = state

    def reported(self, report: DeliveryReport) -> None:
        """What the network said later. It names only the phone: the newest message sent to it is meant."""
        for states in reversed(self._told.values()):
            if states.get(report.to) is Delivery.SENT:
                states[report.to] = report.state
                return

    def messages(self, events: Sequence[AlarmEvent], now: Moment) -> list[Message]:
        """The messages these events cause, in the order they should leave."""
        made: list[Message] = []
        self.nuisance.take(events, now)
        for event in events:
            if self._topic and event.alarm:
                payload = json.dumps(as_json(event), separators=(",", ":"))
                made.append(self._message("mqtt", f"{self._topic}/alarms/{event.number}", "", event, now, payload))
            if self._modem and not self.nuisance.hold_back(event, now):
                text = self._text(event)
                called = tuple(self._told.get(event.number, ()))
                for contact, way in who(event, self._contacts, called):
                    made.append(self._message(way, contact.phone, text, event, now))
                    self._told.setdefault(event.number, {})[contact.phone] = Delivery.WAITING
            if event.state is State.NORMAL:
                self._told.pop(event.number, None)
        return made

    def _text(self, event: AlarmEvent) -> str:
        alarm = self._keeper.alarm(event.alarm)
        value = self._keeper.show(event.point, event.value) if event.value is not None else ""
        limit = self._keeper.show(event.point, event.limit) if event.limit is not None else ""
        stage = self._keeper.stage_name(stage_of(event.point))
        rule = alarm.rule if alarm else None
        hangs = rule is not None and (rule.takes or "air" in rule.needs)
        left = self._left(stage_of(event.point)) if hangs else ""
        return call_text(self._short, event, rule, value, limit, stage=stage, left=left)

    def _message(
        self, way: str, to: str, text: str, event: AlarmEvent, now: Moment, payload: str | None = None
    ) -> Message:
        worth = _WORTH_S.get(event.happening, _WORTH_OTHERS_S)
        return self._new(way, to, text, event.number, worth, now, payload)

    def _new(
        self,
        way: str,
        to: str,
        text: str,
        number: int | None,
        worth: float,
        now: Moment,
        payload: str | None = None,
    ) -> Message:
        self._count += 1
        # a clock that is not trusted may yet be set by days: nothing may expire by that
        expires = now.utc + worth if now.trusted else None
        return Message(f"memory-{self._count}", way, to, text, number, now.utc, expires, payload=payload)

    # -- what people write --------------------------------------------------------------------------------------

    def hear(self, inbound: Inbound, now: Moment, memory: Memory) -> Hearing:
        """Understand an incoming text. Nothing a stranger writes is acted on or answered."""
        contact = contact_of(inbound.sender, self._contacts)
        if contact is None:
            return Hearing(None, f"from {normalised(inbound.sender)}, who is not on the roster; not answered")
        said = f"{contact.name} wrote {inbound.text[:160]!r}"
        asked = understand(inbound.text)
        if asked is None:
            return Hearing(contact, f"{said}, which was not understood")
        fitting = _fitting(asked.order, memory)
        return Hearing(contact, said, asked.what, order_of(asked, contact.name, inbound.at, fitting))

    def reply(self, hearing: Hearing, events: Sequence[AlarmEvent], memory: Memory, now: Moment) -> Message | None:
        """The answer owed to a contact: what their order came to, the state, or how to write in."""
        if hearing.contact is None or not self._modem:
            return None
        if hearing.ask == "help":
            text = help_text(self._short)
        else:
            own = [event for event in events if event.by == hearing.contact.name]
            sentence = self._keeper.overview(now).sentence if hearing.ask == "state" else None
            understood = hearing.command is not None or sentence is not None
            text = reply_text(self._short, own, sentence, understood=understood, waiting=memory.waiting)
        return self._new("sms", hearing.contact.phone, text, None, _REPLY_WORTH_S, now)


def _fitting(order: Order | None, memory: Memory) -> tuple[int, ...]:
    """Numbers of the alarms an order without a number could mean."""
    state = {Order.RESET: State.LATCHED, Order.UNSHELVE: State.SHELVED}.get(order or Order.ACKNOWLEDGE)
    if state is None:
        return memory.waiting
    return tuple(one.number for one in memory.alarms.values() if one.state is state)
