"""What a text message says: place, time, what, value (limit), since when, first action, how to answer.

Every text is one part: at most 160 septets of the GSM alphabet. What does not fit is left out in a fixed order; the
number to answer with and the value are never touched. The words come from the language's file (see texts.py).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from brinewatch.alarms.events import AlarmEvent, Happening, State
from brinewatch.alarms.rules import Foreseen, Is, Rule
from brinewatch.alarms.septets import ONE_PART, length, plain, shorten
from brinewatch.alarms.texts import Texts
from brinewatch.moment import Moment
from brinewatch.quantities import QUANTITIES


@dataclass(frozen=True, slots=True)
class Left:
    """How long is left: how sure that is (a text of the table [left]), of which tank, and its numbers."""

    how: str
    tank: str
    numbers: Mapping[str, str]

    def said(self, texts: Texts) -> str:
        places = {name: number or texts.say("left.now") for name, number in self.numbers.items()}
        return plain(texts.say(f"left.{self.how}", tank=f"{self.tank}:" if self.tank else "", **places))


def clock_text(texts: Texts, at: Moment, beside: Moment | None = None) -> str:
    """The shed's wall clock, with the day when it is not that of `beside`, and a warning when it was never set."""
    local = at.local
    day = ""
    if beside is not None and beside.local.date() != local.date():
        day = f"{local.day} {texts.months[local.month - 1]} "
    said = f"{day}{local:%H:%M}"
    return said if at.trusted else texts.say("part.about", time=said)


def call_text(
    texts: Texts, shed: str, event: AlarmEvent, rule: Rule | None, value: str, limit: str, *, stage: str = "",
    left: Left | None = None,
) -> str:  # fmt: skip
    """One alarm event as a text message. left: how long is left, None where nobody knows.

    shed: short name of the shed; rule: None for an alarm no longer in the settings; value, limit: as people are
    shown them, with units, "" for none; stage: name of the stage, to tell tanks apart.
    """
    return _Parts(texts, shed, stage, event, rule, value, limit, left).fitted()


class _Parts:
    """The parts of one message and the order in which they give way."""

    def __init__(
        self, texts: Texts, shed: str, stage: str, event: AlarmEvent, rule: Rule | None, value: str, limit: str,
        left: Left | None,
    ) -> None:  # fmt: skip
        self.texts, self.event, self.rule = texts, event, rule
        word = texts.word
        self.left = left.said(texts) if left is not None and event.happening.calls else ""
        self.shed = shorten(shed, 20)
        self.stage = shorten(stage, 24)
        self.what = plain(word(rule.short)) if rule else shorten(word(event.title).upper() or event.alarm, 20)
        self.value = shorten(word(value), 24)
        self.limit = self._limit(shorten(limit, 20))
        found = rule is not None and (rule.about_data or event.happening is Happening.RAISED)
        if self.left and rule and isinstance(rule.condition, Foreseen):
            found = False  # a forecast is not told twice
        self.reason = shorten(word(event.detail), 40) if found else ""
        self.since = texts.say("part.since", time=clock_text(texts, event.began, event.at))
        self.action = plain(word(rule.todo[0])) if rule else ""
        also = [plain(word(one)) for one in event.also]
        if also and rule and event.priority.rank < rule.priority.rank:
            # what makes it so urgent comes first, then its cause: "AIR STOPPED: MAINS OFF"
            self.what = plain(texts.say("part.worst", worse=also.pop(0), what=self.what))
        self.also = plain(texts.say("part.also", others=", ".join(also))) if also else ""

    def fitted(self) -> str:
        """The text in one part: what is least missed goes first, one step at a time."""
        steps = (
            ("reason", 20), ("stage", 12), ("also", 24), ("also", 0), ("reason", 0), ("since", 0), ("limit", 0),
            ("action", 0), ("stage", 0), ("left", 0), ("shed", 8),
        )  # fmt: skip
        text = self.text()
        for name, room in steps:
            if length(text) <= ONE_PART:
                break
            setattr(self, name, shorten(getattr(self, name), room) if room else "")
            text = self.text()
        return text

    def text(self) -> str:
        event, part = self.event, self._part
        place = " ".join(word for word in (self.shed, self.stage, clock_text(self.texts, event.at)) if word)
        ends = event.until is not None
        return self.texts.say(
            f"call.{self._key()}", place=place, what=self.what, value=self._value(), number=event.number,
            limit=self.limit if self.value else "", reason=part("reason", self.reason, reason=self.reason),
            also=self.also, since=self.since, left=self.left, action=self.action, name=self._name(),
            began=part("began", self.since, what=self.what, since=self.since),
            now=part("now", self.value, value=self.value),
            by=shorten(event.by, 20) or self.texts.say("part.somebody"),
            over=part("over", event.state is State.NORMAL), gone=part("gone", self.rule is None),
            detail=shorten(self.texts.word(event.detail), 60),
            until=part("until", ends, time=clock_text(self.texts, event.until or event.at, event.at)),
        )  # fmt: skip

    def _part(self, key: str, wanted: object, **places: str) -> str:
        return self.texts.say(f"part.{key}", **places) if wanted else ""

    def _key(self) -> str:
        event = self.event
        if event.happening is Happening.RETURNED and self._of_many_states():
            return "returned_state"  # one of several wrong states may have gone over into another
        if event.happening in (Happening.UNSHELVED, Happening.RESTORED) and not event.by:
            return "woken" if event.happening is Happening.UNSHELVED else "back"
        return event.happening.name.lower()

    def _value(self) -> str:
        # the short text of a state says the state
        says_it = self.event.happening.calls and self.rule is not None and isinstance(self.rule.condition, Is)
        return "" if says_it else self.value

    def _of_many_states(self) -> bool:
        quantity = QUANTITIES.get(self.event.quantity)
        states = quantity.states if quantity else None
        return states is not None and len(states) > 2 and self.rule is not None and not self.rule.about_data

    def _name(self) -> str:
        quantity = QUANTITIES.get(self.event.quantity)
        name = plain(self.texts.word(quantity.symbol)) if quantity else self.texts.say("part.it")
        return self.texts.say("part.data", name=name) if self.rule and self.rule.about_data else name

    def _limit(self, limit: str) -> str:
        """(min 8.0) or (max 8.0); the unit only when the value beside it does not say it already."""
        unit = self.value.partition(" ")[2]
        if unit:
            limit = limit.removesuffix(f" {unit}")
        side = self.rule.side if self.rule else ""
        return self.texts.say("part.low" if side == "min" else "part.high", limit=limit) if limit and side else ""


# replies to those who write in

_DONE = (
    Happening.ACKNOWLEDGED, Happening.RESET, Happening.SHELVED, Happening.UNSHELVED, Happening.REMOVED,
    Happening.RESTORED, Happening.ATTENDED, Happening.LEFT,
)  # fmt: skip


def reply_text(
    texts: Texts,
    shed: str,
    events: Sequence[AlarmEvent] = (),
    sentence: str | None = None,
    *,
    understood: bool = True,
    waiting: Sequence[int] = (),
) -> str:
    """The answer to a contact's text.

    events: what their order came to; sentence: the state of the shed when they asked for it; understood: False when
    the text meant nothing, or named no alarm where several wait; waiting: the numbers that wait for an answer.
    """
    shed = shorten(shed, 20)
    if sentence is not None:
        return shorten(f"{shed} {sentence}", ONE_PART)
    if not understood:
        return _within(texts, "not_understood", waiting, shed=shed)
    taken = [event for event in events if event.happening in _DONE]
    refused = [event for event in events if event.happening is Happening.REFUSED]
    again = [event for event in events if event.happening is Happening.REPEATED]
    if taken:
        return _within(texts, taken[0].happening.name.lower(), waiting, shed=shed, **_taken(texts, taken))
    if again:
        # what they brought back still holds
        title = shorten(texts.word(again[0].title), 40)
        return _within(texts, "again", waiting, shed=shed, number=again[0].number, title=title)
    if refused:
        detail, number = shorten(texts.word(refused[0].detail), 60), refused[0].number
        return _within(
            texts, "refused" if number else "refused_all", waiting, shed=shed, number=number, detail=detail
        )
    return _within(texts, "nothing", waiting, shed=shed)


def _taken(texts: Texts, taken: Sequence[AlarmEvent]) -> dict[str, str]:
    one = taken[0]
    # what was set aside before it ever called has no number
    numbers = ", ".join(str(event.number or shorten(texts.word(event.title), 20)) for event in taken[:3])
    if len(taken) > 3:
        numbers = texts.say("reply.more", numbers=numbers, count=len(taken) - 3)
    return {
        "numbers": numbers,
        "until": texts.say("part.until", time=clock_text(texts, one.until, one.at)) if one.until else "",
        "title": shorten(texts.word(one.title), 40) if len(taken) == 1 else "",
        "over": texts.say("part.over") if all(event.state is State.NORMAL for event in taken) else "",
    }


def help_text(texts: Texts, shed: str) -> str:
    """What may be written in."""
    return texts.say("reply.help", shed=shorten(shed, 20))


def who_text(texts: Texts, shed: str, on: Sequence[str], off: Sequence[str]) -> str:
    """Who is on duty now, in the order in which they are called."""
    key = "after_them" if on else "these"
    rest = texts.say(f"reply.{key}", off=", ".join(off)) if off else ""
    first = on[0] if on else ""
    for name in on[1:]:
        first = texts.say("reply.then", first=first, next=name)
    places = {"shed": shorten(shed, 20), "rest": rest}
    said = texts.say_whole("reply.on_duty" if on else "reply.nobody_on", **places, **({"on": first} if on else {}))
    return shorten(said, ONE_PART)


def spared_text(texts: Texts, shed: str, numbers: Sequence[int]) -> str:
    """What a phone was spared, because it had so many messages within an hour."""
    key = "spared.some" if len(numbers) > 1 else "spared.one"
    places = {"shed": shorten(shed, 20), **({"count": len(numbers)} if len(numbers) > 1 else {})}
    text = ""
    for shown in _lists(texts, tuple(dict.fromkeys(numbers)), 12):
        text = texts.say_whole(key, numbers=shown, **places)
        if length(text) <= ONE_PART:
            return text
    return shorten(text, ONE_PART)


def _within(texts: Texts, key: str, waiting: Sequence[int], **places: object) -> str:
    """The reply and as many of the waiting numbers as one part holds, whole."""
    said = ""
    for shown in [*_lists(texts, waiting, 10), ""]:
        rest = texts.say("reply.waiting", numbers=shown) if shown else ""
        said = texts.say_whole(f"reply.{key}", waiting=rest, **places)
        if length(said) <= ONE_PART:
            return said
    return shorten(said, ONE_PART)


def _lists(texts: Texts, numbers: Sequence[int], most: int) -> list[str]:
    """The numbers, then ever fewer of them and how many more there are."""
    made = []
    for shown in range(min(len(numbers), most), 0, -1):
        first, more = ", ".join(map(str, numbers[:shown])), len(numbers) - shown
        made.append(texts.say("reply.more", numbers=first, count=more) if more else first)
    return made
