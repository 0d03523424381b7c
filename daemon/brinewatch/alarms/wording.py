"""What a text message says: place, time, what, value (limit), since when, first action, how to answer.

Every text is one part: at most 160 septets of the GSM alphabet. What does not fit is left out in a fixed order; the
number to answer with and the value are never touched.
"""

from __future__ import annotations

from collections.abc import Sequence

from brinewatch.alarms.events import AlarmEvent, Happening, State
from brinewatch.alarms.rules import Foreseen, Is, Rule
from brinewatch.alarms.septets import ONE_PART, plain, septets
from brinewatch.moment import Moment
from brinewatch.quantities import QUANTITIES

_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def length(text: str) -> int:
    """Septets of a text that `plain` made."""
    found = septets(text)
    assert found is not None
    return found


def shorten(text: str, room: int) -> str:
    """The text in so many septets: whole words go first, then letters; a number is left out, never cut."""
    text = plain(text)
    while length(text) > room:
        head = text.rpartition(" ")[0]
        if head:
            text = head
        elif text[-1].isdigit():
            text = text.rstrip("0123456789.,")
        else:
            text = text[:-1]
        text = text.rstrip(" ,;:-")
    return text


def clock_text(at: Moment, beside: Moment | None = None) -> str:
    """The shed's wall clock, with the day when it is not that of `beside`, and a warning when it was never set."""
    local = at.local
    day = ""
    if beside is not None and beside.local.date() != local.date():
        day = f"{local.day} {_MONTHS[local.month - 1]} "
    return f"{'' if at.trusted else 'about '}{day}{local:%H:%M}"


def call_text(
    shed: str, event: AlarmEvent, rule: Rule | None, value: str, limit: str, *, stage: str = "", left: str = ""
) -> str:
    """One alarm event as a text message. left: how long is left, in a few words.

    shed: short name of the shed; rule: None for an alarm no longer in the settings; value, limit: as people are
    shown them, with units, "" for none; stage: name of the stage, to tell tanks apart.
    """
    parts = _Parts(shed, stage, event, rule, value, limit, left)
    return parts.fitted()


class _Parts:
    """The parts of one message and the order in which they give way."""

    def __init__(
        self, shed: str, stage: str, event: AlarmEvent, rule: Rule | None, value: str, limit: str, left: str
    ) -> None:
        self.event, self.rule = event, rule
        self.left = plain(left) if event.happening.calls else ""
        self.shed = shorten(shed, 20)
        self.stage = shorten(stage, 24)
        self.what = rule.short if rule else shorten(event.title.upper() or event.alarm, 20)
        self.value = shorten(value, 24)
        self.limit = _limit_text(rule, shorten(limit, 20), self.value)
        found = rule is not None and (rule.about_data or event.happening is Happening.RAISED)
        if self.left and rule and isinstance(rule.condition, Foreseen):
            found = False  # a forecast is not told twice
        self.reason = shorten(event.detail, 40) if found else ""
        self.since = f"since {clock_text(event.began, event.at)}"
        self.action = plain(rule.todo[0]) if rule else ""
        also = [plain(one) for one in event.also]
        if also and rule and event.priority.rank < rule.priority.rank:
            # what makes it so urgent comes first, then its cause: "AIR STOPPED: MAINS OFF"
            self.what = f"{also.pop(0)}: {self.what}"
        self.also = f"with {', '.join(also)}" if also else ""

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
        event, number = self.event, self.event.number
        place = [self.shed, self.stage, clock_text(event.at)]
        limit = f"({self.limit})" if self.limit and self.value else ""
        now = f", now {self.value}" if self.value else ""
        by = shorten(event.by, 20) or "Somebody"
        match event.happening:
            case Happening.RAISED | Happening.REPEATED:
                again = "AGAIN" if event.happening is Happening.REPEATED else ""
                # the short text of a state says the state
                value = "" if self.rule and isinstance(self.rule.condition, Is) else self.value
                reason = f"({self.reason})" if self.reason else ""
                head = _joined([*place, again, self.what, value, limit, reason, self.also, self.since])
                return _sentences([head, self.left, self.action, f"Reply OK {number}"])
            case Happening.RETURNED if self._of_many_states():
                # one of several wrong states may have gone over into another
                return _sentences([_joined([*place, self.what, f"is over{now}"]), f"Reply OK {number}"])
            case Happening.RETURNED:
                head = _joined([*place, self._name(), "IS BACK", self.value, limit])
                return _sentences([head, f"{self.what} {self.since}" if self.since else "", f"Reply OK {number}"])
            case Happening.LATCHED:
                head = _joined([*place, self.what, f"is over but latched{now}", limit])
                return _sentences([head, self.action, f"Then reply RESET {number}"])
            case Happening.ACKNOWLEDGED:
                over = "It is over" if event.state is State.NORMAL else ""
                return _sentences([_joined([*place, by, f"has taken {number}", f"{self.what}{now}"]), over])
            case Happening.RESET:
                return _joined([*place, by, f"has reset {number}", self.what])
            case Happening.CLEARED:
                gone = "" if self.rule else "no longer in the settings"
                return _joined([*place, f"ALL CLEAR {number}:", self.what, f"over{now}", limit, gone])
            case Happening.REFUSED:
                return _sentences([_joined([*place, f"{number}", self.what]), shorten(event.detail, 60)])
            case Happening.JOINED | Happening.RELEASED | Happening.ATTENDED | Happening.LEFT:
                return _sentences([_joined([*place, self.what, event.happening]), shorten(event.detail, 60)])
            case Happening.UNSHELVED | Happening.RESTORED if not event.by:
                over = "not shelved any more" if event.happening is Happening.UNSHELVED else "back in service"
                return _sentences(
                    [_joined([*place, f"{number}", self.what, f"is {over}{now}"]), "Its time is over"]
                )
            case _:
                until = f"until {clock_text(event.until, event.at)}" if event.until else ""
                return _sentences([_joined([*place, by, f"{event.happening} {number}", self.what, until])])

    def _of_many_states(self) -> bool:
        quantity = QUANTITIES.get(self.event.quantity)
        states = quantity.states if quantity else None
        return states is not None and len(states) > 2 and self.rule is not None and not self.rule.about_data

    def _name(self) -> str:
        quantity = QUANTITIES.get(self.event.quantity)
        name = quantity.symbol if quantity else "it"
        return f"{name} data" if self.rule and self.rule.about_data else name


def _limit_text(rule: Rule | None, limit: str, value: str) -> str:
    """min 8.0 or max 8.0; the unit only when the value beside it does not say it already."""
    unit = value.partition(" ")[2]
    if unit:
        limit = limit.removesuffix(f" {unit}")
    if not limit or rule is None:
        return ""
    return f"{rule.side} {limit}" if rule.side else ""


def _joined(words: Sequence[str]) -> str:
    return " ".join(word for word in words if word)


def _sentences(parts: Sequence[str]) -> str:
    """Parts as sentences: each but the last ends with a point unless it ends itself."""
    said = [part for part in parts if part]
    return " ".join(part if part[-1] in ".?!:" or part is said[-1] else f"{part}." for part in said)


# replies to those who write in

_DONE = {
    Happening.ACKNOWLEDGED: "taken",
    Happening.RESET: "reset",
    Happening.SHELVED: "shelved",
    Happening.UNSHELVED: "unshelved",
    Happening.REMOVED: "taken out of service",
    Happening.RESTORED: "put back into service",
    Happening.ATTENDED: "said you are there",
    Happening.LEFT: "left",
}


def reply_text(
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
        return _within(f"{shed} Not understood. Reply OK and a number, RESET and a number, or STATE.", waiting)
    taken = [event for event in events if event.happening in _DONE]
    refused = [event for event in events if event.happening is Happening.REFUSED]
    again = [event for event in events if event.happening is Happening.REPEATED]
    if taken and not taken[0].alarm:
        return _within(f"{shed} {_attended_text(taken[0])}", waiting)
    if taken:
        # what was set aside before it ever called has no number
        numbers = ", ".join(str(event.number) if event.number else shorten(event.title, 20) for event in taken[:3])
        more = f" and {len(taken) - 3} more" if len(taken) > 3 else ""
        over = " It is over." if all(event.state is State.NORMAL for event in taken) else ""
        title = f" {shorten(taken[0].title, 40)}." if len(taken) == 1 else ""
        until = f" until {clock_text(taken[0].until, taken[0].at)}" if taken[0].until else ""
        return _within(f"{shed} You have {_DONE[taken[0].happening]} {numbers}{more}{until}.{title}{over}", waiting)
    if again:
        # what they brought back still holds
        return _within(f"{shed} {again[0].number} calls again: {shorten(again[0].title, 40)} still holds.", waiting)
    if refused:
        one = refused[0]
        number = f" {one.number}" if one.number else ""
        return _within(f"{shed} Not done{number}: {shorten(one.detail, 60)}.", waiting)
    return _within(f"{shed} Nothing to do.", waiting)


def _attended_text(event: AlarmEvent) -> str:
    if event.happening is Happening.LEFT:
        return "Nobody is in the shed now: all alarms call again."
    until = clock_text(event.until, event.at) if event.until else "later"
    return f"You are in the shed until {until}: alarms of your work do not call till then; loss of air does."


def help_text(shed: str) -> str:
    """What may be written in."""
    what = (
        "OK 12, OK ALL, RESET 12, SHELVE 12 30 (min), UNSHELVE 12, HERE 60 while you are there, LEFT, STATE, WHO."
    )
    return f"{shorten(shed, 20)} Reply {what}"


def who_text(shed: str, on: Sequence[str], off: Sequence[str]) -> str:
    """Who is on duty now, in the order in which they are called."""
    first = f"On duty: {', then '.join(on)}." if on else "Nobody is on duty: all are called at once."
    rest = f" After them: {', '.join(off)}." if on and off else f" These: {', '.join(off)}." if off else ""
    return shorten(f"{shorten(shed, 20)} {first}{rest}", ONE_PART)


def spared_text(shed: str, numbers: Sequence[int]) -> str:
    """What a phone was spared, because it had so many messages within an hour."""
    each = list(dict.fromkeys(numbers))
    count = f"{len(numbers)} more messages were" if len(numbers) > 1 else "1 more message was"
    head = f"{shorten(shed, 20)} {count} not sent, there were so many. Of alarms"
    for shown in range(min(len(each), 12), 0, -1):
        more = f" and {len(each) - shown} more" if shown < len(each) else ""
        text = f"{head} {', '.join(str(number) for number in each[:shown])}{more}. Reply STATE."
        if length(text) <= ONE_PART:
            return text
    return f"{head} of many. Reply STATE."


def _within(text: str, waiting: Sequence[int]) -> str:
    """The text and as many of the waiting numbers as one part holds, whole."""
    if not waiting:
        return text
    for shown in range(min(len(waiting), 10), 0, -1):
        numbers = ", ".join(str(number) for number in waiting[:shown])
        more = f" and {len(waiting) - shown} more" if shown < len(waiting) else ""
        full = f"{text} Waiting: {numbers}{more}."
        if length(full) <= ONE_PART:
            return full
    return text
