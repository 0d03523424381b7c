"""Who is called next: one person after another, then all, until somebody answers. Pure.

| what | then |
|---|---|
| a critical alarm calls | the first person on duty; without an answer the second; then all, on duty or not |
| another alarm calls | everybody on duty who hears its priority; nobody on duty: everybody who hears it |
| nobody answers in its time | the engine calls again: that goes to all who hear the priority |
| it comes back by itself | those called for it before |
| a message fails, or does not arrive in its time | that person's next way; none left: the next person at once |
| answered, over, set aside | nobody more is called; those called hear of it |
| of low priority, at night | nobody until the morning, and then only if it still stands |

An alarm in an incident people were called for already goes to those same people at once. All times are monotonic;
only duty and night ask the wall clock, and while nobody can trust it everybody is on duty and no hour is night.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import inf
from typing import Annotated, Any

from pydantic import Field, field_validator

from brinewatch.alarms.called import Call, Reach, Spared, read, written
from brinewatch.alarms.events import AlarmEvent, Happening, Priority, State
from brinewatch.alarms.roster import Contact, in_order, minutes_of
from brinewatch.alarms.scan import CAME_BACK
from brinewatch.messages import Delivery
from brinewatch.moment import Moment
from brinewatch.settings import Settings

MARK = "call:"  # what is kept of calls lies beside the memories of alarms, whose names have no colon

_SPARED = f"{MARK}spared"
_SUM_UP_S = 600.0
_FOLLOWS = frozenset(
    {
        Happening.RETURNED, Happening.LATCHED, Happening.CLEARED, Happening.ACKNOWLEDGED, Happening.RESET,
        Happening.SHELVED, Happening.UNSHELVED, Happening.REMOVED, Happening.RESTORED,
    }
)  # fmt: skip
# these end the calling; the alarm may call again later
_STILL = frozenset(
    {
        Happening.ACKNOWLEDGED, Happening.RETURNED, Happening.LATCHED, Happening.SHELVED, Happening.REMOVED,
        Happening.JOINED,
    }
)  # fmt: skip
_HOUR_S = 3600.0


class CallingSettings(Settings):
    """How people are called."""

    next_after_s: float = Field(
        300, ge=30, le=3600, description="a critical alarm without an answer calls the next person after so long, s"
    )
    not_arrived_s: float = Field(
        180, ge=30, le=3600,
        description="a call not delivered after so long goes by the person's next way, where there is one, s",
    )  # fmt: skip
    most_per_hour: int = Field(
        20, ge=4, le=200,
        description="messages to one phone within an hour, from which on they are summed up in one; the first call "
        "of a critical alarm always goes",
    )  # fmt: skip
    drill_every_days: int = Field(
        30, ge=0, le=400, description="a drill is due so many days after the last that was answered; 0 for never"
    )
    night: str = Field("22:00-07:00", description="when less urgent alarms wait for the morning")
    night_from: Annotated[Priority, Field(strict=False)] = Field(
        Priority.MEDIUM, description="alarms of this priority and more urgent ones call at night too"
    )

    @field_validator("night")
    @classmethod
    def _two_times(cls, value: str) -> str:
        minutes_of(value)
        return value

    @field_validator("night_from")
    @classmethod
    def _not_critical_alone(cls, value: Priority) -> Priority:
        if value is Priority.CRITICAL:
            raise ValueError("high, medium or low: what takes animals in hours must not wait for the morning")
        return value

    def is_night(self, now: Moment) -> bool:
        begin, end = minutes_of(self.night)
        minute = now.local.hour * 60 + now.local.minute
        inside = begin <= minute < end if begin < end else minute >= begin or minute < end
        return now.trusted and inside


@dataclass(frozen=True, slots=True)
class Out:
    """One message to be made. call: of which activation; anew: a first word to this person, not a follow-up."""

    call: Call
    contact: Contact
    way: str
    anew: bool


class Calls:
    """All activations people are being called for, and what each phone was spared."""

    def __init__(self, contacts: Sequence[Contact], settings: CallingSettings, ways: Collection[str]) -> None:
        """ways: those there are notifiers for; who has none of them is no use in the ladder."""
        self._ways = {one.phone: [way for way in one.ways if way in ways] for one in contacts}
        self._contacts = tuple(one for one in contacts if self._ways[one.phone])
        self._by_phone = {contact.phone: contact for contact in self._contacts}
        self._settings = settings
        self._calls: dict[int, Call] = {}
        self._dirty: set[int] = set()
        self._gone: set[int] = set()
        self._sent: dict[str, list[float]] = {}
        self._woken: dict[str, float] = {}
        self._spared: dict[str, Spared] = {}
        self._spared_anew = False

    # -- what happens -------------------------------------------------------------------------------------------

    def take(self, event: AlarmEvent, now: Moment, *, quiet: bool = False) -> list[Out]:
        """One event of an alarm; who is to hear of it. quiet: note it only, it chatters."""
        if not event.alarm or not event.number:
            return []
        call = self._calls.get(event.number)
        if call is not None and call.alarm != event.alarm:
            call = None  # the number has come round to another alarm
        if event.happening.calls:
            outs = self._called(event, call, now)
        elif call is None:
            outs = []
        else:
            call.still = call.still or event.happening in _STILL
            self._dirty.add(call.number)
            outs = self._follow(call) if event.happening in _FOLLOWS else []
            if event.state is State.NORMAL:
                self._end(call.number)
        return [] if quiet else outs

    def _called(self, event: AlarmEvent, call: Call | None, now: Moment) -> list[Out]:
        first = call is None or not (call.steps or call.morning)
        if call is None:
            call = Call(event.number, event.alarm, event.incident, event.priority)
            self._calls[event.number] = call
        more_urgent = event.priority.rank < call.priority.rank
        call.priority = min(call.priority, event.priority, key=lambda one: one.rank)
        call.detail, call.also, call.still = event.detail, event.also, False
        self._dirty.add(call.number)
        if self._waits(call, now):
            call.morning = True
            return []
        if first or call.morning or more_urgent:
            call.morning = False
            return self._first(call, now)
        call.stepped = now.mono
        if event.detail == CAME_BACK and call.reached:
            return self._to(call, list(call.reached), now)
        ladder = self._ladder(call, now)
        call.steps = len(ladder)
        return self._to(call, dict.fromkeys([*ladder[-1], *call.reached]), now)

    def _first(self, call: Call, now: Moment) -> list[Out]:
        call.steps, call.stepped = 1, now.mono
        # whoever was up for this incident already hears it at once, beside the first of the ladder
        up = {
            phone for other in self._calls.values() if other.incident and other.incident == call.incident
            for phone in other.reached
        }  # fmt: skip
        also = [one.phone for one in self._contacts if one.phone in up and one.hears(call.priority)]
        ladder = self._ladder(call, now)
        return self._to(call, dict.fromkeys([*also, *ladder[0]]), now) if ladder[0] else []

    def pass_time(self, now: Moment) -> list[Out]:
        """Those whose turn has come because nobody answered, a message did not arrive, or the morning has."""
        outs: list[Out] = []
        for call in list(self._calls.values()):
            if call.still:
                continue
            if call.morning:
                if not self._waits(call, now):
                    call.morning = False
                    self._dirty.add(call.number)
                    outs += self._first(call, now)
                continue
            outs += self._not_arrived(call, now)
            due = self._next_step(call, now)
            if due is not None and due <= now.mono:
                group = self._ladder(call, now)[call.steps]
                call.steps, call.stepped = call.steps + 1, now.mono
                self._dirty.add(call.number)
                outs += self._to(call, group, now)
        return outs

    def _next_step(self, call: Call, now: Moment) -> float | None:
        if call.still or call.morning or not call.steps or call.steps >= len(self._ladder(call, now)):
            return None
        if call.reached and all(self._lost(phone, reach) for phone, reach in call.reached.items()):
            return now.mono  # nobody called so far can be reached at all
        return call.stepped + self._settings.next_after_s

    def _lost(self, phone: str, reach: Reach) -> bool:
        return reach.state is Delivery.FAILED and reach.way + 1 >= len(self._ways.get(phone, ()))

    def _not_arrived(self, call: Call, now: Moment) -> list[Out]:
        outs = []
        for phone, reach in call.reached.items():
            contact = self._by_phone.get(phone)
            if contact is None or reach.way + 1 >= len(self._ways[phone]) or reach.state is Delivery.DELIVERED:
                continue
            late = reach.at + self._settings.not_arrived_s <= now.mono
            if reach.state is Delivery.FAILED or late:
                reach.way, reach.at, reach.state = reach.way + 1, now.mono, Delivery.WAITING
                self._dirty.add(call.number)
                outs.append(Out(call, contact, self._ways[phone][reach.way], anew=True))
        return outs

    def due(self, now: Moment) -> float | None:
        """Monotonic seconds at which time alone next calls somebody; None when it does not."""
        found = [self._next_step(call, now) for call in self._calls.values()]
        found += [
            reach.at + self._settings.not_arrived_s
            for call in self._calls.values()
            if not (call.still or call.morning)
            for phone, reach in call.reached.items()
            if reach.way + 1 < len(self._ways.get(phone, ())) and reach.state is not Delivery.DELIVERED
        ]
        found += [spared.since + _SUM_UP_S for spared in self._spared.values()]
        return min((one for one in found if one is not None), default=None)

    # -- who ----------------------------------------------------------------------------------------------------

    def _ladder(self, call: Call, now: Moment) -> list[list[str]]:
        """Groups of phones, one after another."""
        return [[one.phone for one in group] for group in ladder(self._contacts, call.priority, now)]

    def _waits(self, call: Call, now: Moment) -> bool:
        return call.priority.rank > self._settings.night_from.rank and self._settings.is_night(now)

    def _to(self, call: Call, phones: Iterable[str], now: Moment) -> list[Out]:
        outs = []
        for phone in phones:
            contact = self._by_phone.get(phone)
            if contact is None:
                continue  # no longer on the roster
            before = call.reached.get(phone)
            call.reached[phone] = Reach(0, now.mono)
            outs.append(Out(call, contact, self._ways[phone][0], anew=before is None))
        return outs

    def _follow(self, call: Call) -> list[Out]:
        return [
            Out(call, self._by_phone[phone], self._way(phone, reach), anew=False)
            for phone, reach in call.reached.items()
            if phone in self._by_phone
        ]

    # -- how far messages got -----------------------------------------------------------------------------------

    def settled(self, number: int | None, way: str, to: str, state: Delivery) -> None:
        """How far a message of a call got."""
        call = self._calls.get(number or 0)
        for phone, reach in call.reached.items() if call is not None else ():
            contact = self._by_phone.get(phone)
            ways = self._ways.get(phone, [])
            if contact is None or reach.way >= len(ways) or ways[reach.way] != way or contact.address(way) != to:
                continue
            if reach.state is not Delivery.DELIVERED or state is Delivery.DELIVERED:
                # these ways have no later report: taken over by the server is all there is to know
                arrived = state is Delivery.SENT and way != "sms"
                reach.state = Delivery.DELIVERED if arrived else state
                self._dirty.add(number or 0)

    def told(self) -> Mapping[int, tuple[tuple[str, str, Delivery], ...]]:
        """By alarm number: name, way and how far the latest message got, of everybody called."""
        return {
            number: tuple(
                (self._by_phone[phone].name, self._way(phone, reach), reach.state)
                for phone, reach in call.reached.items()
                if phone in self._by_phone
            )
            for number, call in self._calls.items()
            if call.reached
        }

    def _way(self, phone: str, reach: Reach) -> str:
        ways = self._ways[phone]
        return ways[min(reach.way, len(ways) - 1)]  # the roster may have lost one meanwhile

    # -- not too many -------------------------------------------------------------------------------------------

    def spare(self, out: Out, event: AlarmEvent, now: Moment) -> bool:
        """Whether this message is left out because the phone has had so many; it is then summed up in one."""
        phone = out.contact.phone
        sent = self._sent.setdefault(phone, [])
        sent[:] = [at for at in sent if at > now.mono - _HOUR_S]
        critical = event.happening.calls and event.priority is Priority.CRITICAL
        # nor does a phone fall silent about what is critical for longer than it takes to sum up
        urgent = critical and (out.anew or self._woken.get(phone, -inf) + _SUM_UP_S <= now.mono)
        if len(sent) < self._settings.most_per_hour - 1 or urgent:
            sent.append(now.mono)
            if critical:
                self._woken[phone] = now.mono
            return False
        self._spared.setdefault(phone, Spared(now.mono)).numbers.append(event.number)
        self._spared_anew = True
        return True

    def summaries(self, now: Moment) -> list[tuple[Contact, list[int]]]:
        """Whose spared messages are to be summed up now, with the alarms they were of."""
        found = []
        for phone, spared in list(self._spared.items()):
            if spared.since + _SUM_UP_S <= now.mono:
                del self._spared[phone]
                self._spared_anew = True
                self._sent.setdefault(phone, []).append(now.mono)
                found.append((self._by_phone[phone], spared.numbers))
        return found

    # -- kept over a restart ------------------------------------------------------------------------------------

    def changed(self) -> dict[str, Mapping[str, Any] | None]:
        """What is to be written down since it was asked last, by key; None for what is over."""
        found: dict[str, Mapping[str, Any] | None] = {f"{MARK}{number}": None for number in self._gone}
        found |= {
            f"{MARK}{number}": written(self._calls[number]) for number in self._dirty if number in self._calls
        }
        self._dirty, self._gone = set(), set()
        if self._spared_anew:
            self._spared_anew = False
            found[_SPARED] = {phone: [one.since, one.numbers] for phone, one in self._spared.items()} or None
        return found

    def recall(
        self, kept: Mapping[str, Mapping[str, Any]], standing: Mapping[int, str], shift_s: float
    ) -> list[str]:
        """The calls of before. standing: alarm by number, of those that still stand; shift_s: to be added to
        monotonic times of then. Returns what could not be read, for people."""
        lost = []
        for key, body in kept.items():
            if not key.startswith(MARK):
                continue
            try:
                if key == _SPARED:
                    self._recall_spared(body, shift_s)
                    continue
                call = read(body, shift_s)
            except (KeyError, TypeError, ValueError) as error:
                lost.append(f"Who was called for {key.removeprefix(MARK)} cannot be read ({error}).")
                self._gone.add(int(key.removeprefix(MARK)) if key.removeprefix(MARK).isdigit() else 0)
                continue
            if standing.get(call.number) == call.alarm:
                self._calls[call.number] = call
            else:
                self._gone.add(call.number)
        return lost

    def _recall_spared(self, body: Mapping[str, Any], shift_s: float) -> None:
        found = {
            phone: Spared(float(since) + shift_s, [int(one) for one in numbers])
            for phone, (since, numbers) in body.items()
        }
        self._spared = {phone: one for phone, one in found.items() if phone in self._by_phone}

    def best_way(self, contact: Contact) -> str:
        """The first of a person's ways that there is."""
        return self._ways[contact.phone][0]

    def calls(self) -> Sequence[Call]:
        return tuple(self._calls.values())

    def _end(self, number: int) -> None:
        self._calls.pop(number, None)
        self._dirty.discard(number)
        self._gone.add(number)


def ladder(contacts: Sequence[Contact], priority: Priority, now: Moment) -> list[list[Contact]]:
    """Who is called for a new alarm of this priority: groups, one after another while nobody answers."""
    on, off = in_order(contacts, priority, now)
    everybody = [*on, *off]
    if priority is not Priority.CRITICAL:
        return [on or everybody]
    if len(on) < 2:
        return [on, everybody] if on and off else [everybody]
    return [on[:1], on[1:2], everybody]
