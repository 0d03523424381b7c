"""From alarm events to messages for people, and from their replies to commands. Pure: it sends nothing itself."""

from __future__ import annotations

import json
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from brinewatch.alarms.called import Call
from brinewatch.alarms.calling import CallingSettings, Calls, Out
from brinewatch.alarms.events import AlarmEvent, Command, Happening, Order, Priority, State
from brinewatch.alarms.memory import Memory
from brinewatch.alarms.nuisance import ALARMS_POINT, Nuisance
from brinewatch.alarms.replying import order_of, understand, without_pin
from brinewatch.alarms.roster import Contact, contact_of, in_order, normalised
from brinewatch.alarms.texts import Texts
from brinewatch.alarms.view import trusted
from brinewatch.alarms.wording import Left, call_text, help_text, reply_text, spared_text, who_text
from brinewatch.messages import Delivery, Inbound, Message
from brinewatch.moment import Moment
from brinewatch.overview import as_json
from brinewatch.readings import quantity_of, stage_of
from brinewatch.watchkeeper import Watchkeeper

_HOUR = 3600.0
# a call that could not leave for so long is no longer worth sending: its repeats and the page say it better
_WORTH_S = {Happening.RAISED: 24 * _HOUR, Happening.REPEATED: 1 * _HOUR}
_WORTH_OTHERS_S = 12 * _HOUR
_REPLY_WORTH_S = 1 * _HOUR
_RING_WORTH_S = 300.0


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
        self, keeper: Watchkeeper, short_name: str, contacts: Sequence[Contact], calling: CallingSettings, *,
        texts: Mapping[str, Texts], ways: Collection[str], rings: bool = False, topic: str | None,
        left: Callable[[str], Left | None] = lambda stage: None,
    ) -> None:  # fmt: skip
        """texts: by language, of every contact; ways: those people can be told by; rings: whether phones are rung
        for critical alarms as well; topic: under which alarms are published, None without a broker."""
        self._keeper = keeper
        self._short = short_name
        self._contacts = tuple(contacts)
        self._texts = texts
        self._sms = "sms" in ways
        self._rings = rings
        self._topic = topic
        self._left = left
        self._calls = Calls(contacts, calling, ways)
        self._count = 0
        self.nuisance = Nuisance(own=(key for key in keeper.alarms if key.endswith(f"@{ALARMS_POINT}")))

    def recall(self, kept: Mapping[str, Mapping[str, Any]], shift_s: float) -> list[str]:
        """Who was being called before a stop; see Calls.recall."""
        standing = {one.number: key for key, one in self._keeper.memory.alarms.items() if one.number}
        return self._calls.recall(kept, standing, shift_s)

    def changed(self) -> dict[str, Mapping[str, Any] | None]:
        """What is to be written down of the calls, beside the alarms' memories."""
        return self._calls.changed()

    def due(self, now: Moment) -> float | None:
        """Monotonic seconds at which somebody is called by time alone; None when nobody is."""
        return self._calls.due(now)

    def health(self, now: Moment) -> tuple[bool, str]:
        """Whether alarms come so that people can heed them: no flood, none that chatters."""
        alarms = {key: self._keeper.alarm(key) for key in self.nuisance.chatters(now)}
        return self.nuisance.health(now, {key: alarm.rule.title for key, alarm in alarms.items() if alarm})

    @property
    def told(self) -> dict[int, tuple[str, ...]]:
        """By alarm number: each contact's name, the way and how far the latest message to them got."""
        return {
            number: tuple(
                f"{name}{'' if way == 'sms' else f' by {way}'}: {state.value}" for name, way, state in told
            )
            for number, told in self._calls.told().items()
        }

    def settled(self, message: Message, state: Delivery) -> None:
        """How far a message got: at the end of a try, or by what the network reported later."""
        self._calls.settled(message.number, message.way, message.to, state)

    def messages(self, events: Sequence[AlarmEvent], now: Moment) -> list[Message]:
        """The messages these events, and the time that has passed, cause, in the order they should leave."""
        made: list[Message] = []
        self.nuisance.take(events, now)
        for event in events:
            if self._topic and event.alarm:
                payload = json.dumps(as_json(event), separators=(",", ":"))
                made.append(self._message("mqtt", f"{self._topic}/alarms/{event.number}", "", event, now, payload))
            quiet = self.nuisance.hold_back(event, now)
            made += self._out(self._calls.take(event, now, quiet=quiet), event, now)
        for out in self._calls.pass_time(now):
            stands = self._now_of(out.call, now)
            if stands is not None:
                made += self._out([out], stands, now)
        for contact, numbers in self._calls.summaries(now):
            text = spared_text(self._texts[contact.language], self._short, numbers)
            way = self._calls.best_way(contact)
            made.append(self._new(way, contact.address(way), text, None, _WORTH_OTHERS_S, now))
        return made

    def _out(self, outs: Sequence[Out], event: AlarmEvent, now: Moment) -> list[Message]:
        outs = [out for out in outs if not self._calls.spare(out, event, now)]
        texts = {
            one: self._text(event, self._texts[one]) for one in dict.fromkeys(out.contact.language for out in outs)
        }
        made = [
            self._message(out.way, out.contact.address(out.way), texts[out.contact.language], event, now)
            for out in outs
        ]
        if self._rings and event.happening.calls and event.priority is Priority.CRITICAL:
            # after the texts: who is woken finds them there
            made += [
                self._new("voice", out.contact.phone, event.title, event.number, _RING_WORTH_S, now)
                for out in outs
                if out.contact.ring
            ]
        return made

    def _now_of(self, call: Call, now: Moment) -> AlarmEvent | None:
        """An alarm that called, as it is now, for somebody who has not heard of it; None when it stands no more."""
        alarm, one = self._keeper.alarm(call.alarm), self._keeper.memory.alarms.get(call.alarm)
        if one is None or one.number != call.number or not one.state.standing:
            return None
        point = call.alarm.partition("@")[2]
        reading = self._keeper.latest.get(point)
        value = None
        if alarm is not None and reading is not None and not alarm.rule.about_data:
            value = reading.value if trusted(reading, alarm.max_age_s, now) else None
        return AlarmEvent(
            Happening.RAISED, call.alarm, call.number, call.priority, one.title, point,
            alarm.quantity if alarm else quantity_of(point), one.state, value, alarm.rule.limit if alarm else None,
            one.began or now, now, detail=call.detail, incident=call.incident, also=call.also,
        )  # fmt: skip

    def marked(self, event: AlarmEvent, mark: str, contact: Contact) -> str:
        """An event as a text that begins with a mark in place of the shed's short name: for a drill."""
        return self._text(event, self._texts[contact.language], mark)

    def _text(self, event: AlarmEvent, texts: Texts, short: str = "") -> str:
        alarm = self._keeper.alarm(event.alarm)
        value = self._keeper.show(event.point, event.value) if event.value is not None else ""
        limit = self._keeper.show(event.point, event.limit) if event.limit is not None else ""
        stage = self._keeper.stage_name(stage_of(event.point))
        rule = alarm.rule if alarm else None
        hangs = rule is not None and (rule.takes or "air" in rule.needs)
        left = self._left(stage_of(event.point)) if hangs else None
        return call_text(texts, short or self._short, event, rule, value, limit, stage=stage, left=left)

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
        """Understand an incoming text. Nothing a stranger writes, or a contact without their PIN, is acted on or
        answered."""
        contact = contact_of(inbound.sender, self._contacts)
        if contact is None:
            return Hearing(None, f"from {normalised(inbound.sender)}, who is not on the roster; not answered")
        text = without_pin(inbound.text, contact.pin)
        if text is None:
            # the text is not kept: what is nearly the PIN would stand in the journal
            return Hearing(None, f"from the number of {contact.name}, without the right PIN; not answered")
        said = f"{contact.name} wrote {text[:160].strip()!r}"
        asked = understand(text)
        if asked is None:
            return Hearing(contact, f"{said}, which was not understood")
        fitting = _fitting(asked.order, memory)
        return Hearing(contact, said, asked.what, order_of(asked, contact.name, inbound.at, fitting))

    def reply(self, hearing: Hearing, events: Sequence[AlarmEvent], memory: Memory, now: Moment) -> Message | None:
        """The answer owed to a contact: what their order came to, the state, or how to write in."""
        if hearing.contact is None or not self._sms:
            return None
        texts = self._texts[hearing.contact.language]
        if hearing.ask == "help":
            text = help_text(texts, self._short)
        elif hearing.ask == "who":
            on, off = in_order(self._contacts, Priority.CRITICAL, now)
            text = who_text(texts, self._short, [one.name for one in on], [one.name for one in off])
        else:
            own = [event for event in events if event.by == hearing.contact.name]
            sentence = self._keeper.overview(now).sentence if hearing.ask == "state" else None
            understood = hearing.command is not None or sentence is not None
            text = reply_text(texts, self._short, own, sentence, understood=understood, waiting=memory.waiting)
        return self._new("sms", hearing.contact.phone, text, None, _REPLY_WORTH_S, now)


def _fitting(order: Order | None, memory: Memory) -> tuple[int, ...]:
    """Numbers of the alarms an order without a number could mean."""
    state = {Order.RESET: State.LATCHED, Order.UNSHELVE: State.SHELVED}.get(order or Order.ACKNOWLEDGE)
    if state is None:
        return memory.waiting
    return tuple(one.number for one in memory.alarms.values() if one.state is state)
