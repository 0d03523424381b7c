"""One incident as a person would tell it: what came first, what followed, who was called and whether it arrived,
who took it, when it was over. Pure: events and messages in, sentences out."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from brinewatch.alarms.events import AlarmEvent, Happening, State
from brinewatch.messages import Delivery
from brinewatch.moment import Moment, span_text
from brinewatch.phrases import one_line
from brinewatch.quantities import QUANTITIES
from brinewatch.readings import quantity_of, stage_of
from brinewatch.signals.display import DisplayUnits, show
from brinewatch.store.rows import Called, Logged, clean

_WAYS = {"sms": "SMS", "mqtt": "MQTT"}


@dataclass(frozen=True, slots=True)
class Words:
    """How this shed is spoken of. stages: names by key; people: names by phone number."""

    units: DisplayUnits
    stages: Mapping[str, str]
    people: Mapping[str, str]

    def value(self, point: str, value: float | None) -> str:
        """A value with its quantity: "air pressure 0.3 kPa"; "" for none."""
        quantity = QUANTITIES.get(quantity_of(point))
        if value is None or quantity is None:
            return ""
        shown = show(quantity.key, value, self.units)
        return shown if shown.startswith(quantity.name) else f"{quantity.name} {shown}"

    def limit(self, point: str, limit: float | None) -> str:
        quantity = QUANTITIES.get(quantity_of(point))
        return "" if limit is None or quantity is None else show(quantity.key, limit, self.units)

    def what(self, event: AlarmEvent) -> str:
        """The alarm and where it is."""
        stage = stage_of(event.point)
        place = self.stages.get(stage, stage)
        return f"{event.title} ({place})" if place else event.title


@dataclass(frozen=True, slots=True)
class Step:
    """One thing that happened in an incident. at: "" for what came at the same instant; calls: what became of each
    message it caused; beside: whether it was no step of an alarm but something done meanwhile."""

    at: str
    text: str
    calls: tuple[str, ...] = ()
    beside: bool = False


@dataclass(frozen=True, slots=True)
class Story:
    """One incident in words, in the shed's own time. end: what followed, and who took it; events: what it is told
    from."""

    heading: str
    summary: str
    steps: tuple[Step, ...]
    end: tuple[str, ...]
    over: bool
    events: tuple[Logged, ...]


# something done beside the alarms: when, and a sentence
Beside = tuple[Moment, str]


def timeline(number: int, events: Sequence[Logged], calls: Sequence[Called], words: Words) -> Iterator[str]:
    """The lines of one incident. events: in the order they were written, at least one."""
    blank = " " * len("00:00:00")
    for place, story in enumerate(stories(number, events, calls, words)):
        if place:
            yield ""
        yield story.heading
        yield story.summary
        for step in story.steps:
            yield f"{step.at}  {step.text}"
            yield from (f"{blank}  {said}" for said in step.calls)
        yield from story.end


def stories(
    number: int, events: Sequence[Logged], calls: Sequence[Called], words: Words, beside: Sequence[Beside] = ()
) -> Iterator[Story]:
    """The same as values. A number that came back after the journal's memory was lost is told as incidents of their
    own. beside: what was done meanwhile, in order; each belongs to the incident that was going on."""
    by_event: dict[int, list[Called]] = {}
    for call in calls:
        by_event.setdefault(call.event, []).append(call)
    parts = list(_apart(events))
    for one, after in zip(parts, [*parts[1:], None], strict=True):
        until = after[0].event.began.utc if after else None
        since = one[0].event.began.utc
        own = [(at, text) for at, text in beside if at.utc >= since and (until is None or at.utc < until)]
        yield _told(number, one, by_event, words, own)


def _apart(events: Sequence[Logged]) -> Iterator[list[Logged]]:
    """Incidents that came to have the same number, each with its events."""
    part: list[Logged] = []
    for one in events:
        if part and one.event.happening is Happening.RAISED and _is_over(part):
            yield part
            part = []
        part.append(one)
    yield part


def _is_over(events: Iterable[Logged]) -> bool:
    last = {one.event.alarm: one.event.state for one in events if one.event.happening is not Happening.REFUSED}
    return all(state is State.NORMAL for state in last.values())


def _told(
    number: int, events: Sequence[Logged], calls: Mapping[int, Sequence[Called]], words: Words,
    beside: Sequence[Beside],
) -> Story:  # fmt: skip
    first = next((one for one in events if one.event.happening is Happening.RAISED), events[0])
    began = min(events, key=lambda one: one.event.began.mono) if _one_boot(events) else first
    clock, waiting, steps = _Clock(began.event.began), list(beside), []

    def meanwhile(until: float | None) -> None:
        while waiting and (until is None or waiting[0][0].utc < until):
            at, text = waiting.pop(0)
            steps.append(Step(clock(at), _line(text), (), True))

    for one in events:
        meanwhile(one.event.at.utc)
        at = clock(one.event.at)
        said = (_call(call, one, clock, words) for call in calls.get(one.id, ()))
        after = _since(first, one) if one.event.happening is Happening.ACKNOWLEDGED else ""
        steps.append(
            Step(at, _line(sentence(one.event, words, after)), tuple(_line(text) for text in said if text))
        )
    meanwhile(None)
    return Story(
        clean(f"Incident {number}: {words.what(first.event)}"), clean(_summary(began, events)), tuple(steps),
        tuple(clean(line) for line in _end(first, events, words)), _is_over(events), tuple(events),
    )  # fmt: skip


def _line(text: str) -> str:
    return clean(one_line(text))


def _one_boot(events: Sequence[Logged]) -> bool:
    return len({one.boot for one in events}) == 1


def _summary(began: Logged, events: Sequence[Logged]) -> str:
    at = began.event.began
    text = f"It began {_about(at)}{at.local:%Y-%m-%d %H:%M:%S}"
    if not _is_over(events):
        return f"{text} and is not over."
    end = events[-1]
    over = f"{_about(end.event.at)}{_day(end.event.at, at)}{end.event.at.local:%H:%M:%S}"
    return f"{text}, was over {over}, and lasted {_lasted(began, end)}."


def _lasted(first: Logged, last: Logged) -> str:
    """From when the one began to when the other was seen; by the clock that does not step where that is one."""
    began, end = first.event.began, last.event.at
    if first.boot == last.boot:
        return span_text(end.mono - began.mono)
    return f"{'' if began.trusted and end.trusted else 'about '}{span_text(end.utc - began.utc)}"


def _since(first: Logged, one: Logged) -> str:
    """From when the first was seen to when the other was."""
    if first.boot == one.boot:
        return span_text(one.event.at.mono - first.event.at.mono)
    return span_text(one.event.at.utc - first.event.at.utc)


def sentence(event: AlarmEvent, words: Words, after: str = "") -> str:
    """One step of an alarm. after: how long after the first call it was taken, "" when that is not asked."""
    what, value = words.what(event), words.value(event.point, event.value)
    limit = words.limit(event.point, event.limit)
    now = f": {value}" if value else ""
    beside = f" (limit {limit})" if value and limit else ""
    why = f" ({event.detail})" if event.detail else ""
    by, until = event.by or "Somebody", f" until {_until(event)}" if event.until else ""
    match event.happening:
        case Happening.RAISED:
            held = event.at.mono - event.began.mono
            since = f" It had held for {span_text(held)}." if held >= 1.0 else ""
            also = f" With it: {', '.join(event.also)}." if event.also else ""
            return f"{what}{now}{beside}{why}. Called as number {event.number}, {event.priority}.{since}{also}"
        case Happening.REPEATED:
            return f"{what} called again{why}{now}{beside}."
        case Happening.JOINED:
            return f"Then followed {what}{now}{beside}; not called, {event.detail or 'held back'}."
        case Happening.RELEASED:
            return f"{what} is no longer held back{now}{why}."
        case Happening.ACKNOWLEDGED:
            late = f", {after} after the first call" if after else ""
            return f"{by} took number {event.number}{late}{now}{beside}."
        case Happening.RETURNED:
            return f"{what} went away by itself{now}{beside}; nobody had answered."
        case Happening.LATCHED:
            return f"{what} went away{now}{beside}; it is latched until somebody resets it."
        case Happening.CLEARED:
            return f"{what} is over{now}{beside}{why}."
        case Happening.RESET:
            return f"{by} reset number {event.number}, {event.title}."
        case Happening.REFUSED:
            return f"{by} was refused, {event.title}: {event.detail}."
        case Happening.SHELVED | Happening.REMOVED | Happening.UNSHELVED | Happening.RESTORED if event.by:
            return f"{event.by}: {what} {event.happening}{until}{why}{now}."
        case happening:
            return f"{what}: {happening}{until}{why}{now}."


def _until(event: AlarmEvent) -> str:
    assert event.until is not None
    return f"{_day(event.until, event.at)}{event.until.local:%H:%M}"


def _call(call: Called, one: Logged, clock: _Clock, words: Words) -> str:
    """One message as a sentence; "" for one to a program that went out as it should."""
    posted, message = call.posted, call.posted.message
    person = message.way != "mqtt"
    if not person and posted.state in (Delivery.SENT, Delivery.DELIVERED):
        return ""
    way = _WAYS.get(message.way, message.way)
    to = words.people.get(message.to, message.to)
    tries = f" at try {posted.tries}" if posted.tries > 1 else ""
    why = f" ({posted.detail})" if posted.detail else ""
    changed = _at(posted.changed_utc, one.event.at)
    sent = clock(changed if call.sent_utc is None else _at(call.sent_utc, one.event.at), peek=True)
    match posted.state:
        case Delivery.DELIVERED:
            fate = f"sent {sent}{tries}, arrived {clock(changed, peek=True)}"
        case Delivery.SENT:
            fate = f"sent {sent}{tries}; nothing says that it arrived"
        case Delivery.FAILED if call.sent_utc is not None:
            fate = f"sent {sent}{tries}, did not arrive{why}"
        case Delivery.FAILED:
            fate = f"did not go out{why}"
        case Delivery.UNKNOWN:
            fate = f"nobody knows whether it went out{why}"
        case _:
            fate = f"has not gone out yet{why}"
    unrecorded = "" if message.recorded else "; it left before the journal could take it"
    return f"{'To ' if person else 'Published to '}{to} by {way}: {fate}{unrecorded}."


def _end(first: Logged, events: Sequence[Logged], words: Words) -> Iterator[str]:
    followed = dict.fromkeys(
        words.what(one.event) for one in events if one.event.alarm and one.event.alarm != first.event.alarm
    )
    yield f"What followed: {', '.join(followed)}." if followed else "Nothing else followed."
    taken = next((one for one in events if one.event.happening is Happening.ACKNOWLEDGED), None)
    if taken is None:
        yield "Nobody took it." if _is_over(events) else "Nobody has taken it yet."
    else:
        yield f"Taken first by {taken.event.by or 'somebody'}, {_since(first, taken)} after the call."


@dataclass(slots=True)
class _Clock:
    """Times of one incident: the day is said when it is another than the one said before."""

    last: Moment

    def __call__(self, at: Moment, *, peek: bool = False) -> str:
        text = f"{_about(at)}{_day(at, self.last)}{at.local:%H:%M:%S}"
        if not peek:
            self.last = at
        return text


def _at(utc: float, like: Moment) -> Moment:
    return Moment(like.mono, utc, like.trusted, like.zone)


def _day(at: Moment, beside: Moment) -> str:
    return "" if at.local.date() == beside.local.date() else f"{at.local:%Y-%m-%d} "


def _about(at: Moment) -> str:
    """A warning when the clock had never been set."""
    return "" if at.trusted else "about "
