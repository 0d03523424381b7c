"""The overview in the words of the page: pure text, ready to be laid out and escaped by the templates."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from brinewatch.alarms.events import AlarmEvent, Happening, State
from brinewatch.messages import Delivery
from brinewatch.moment import Moment
from brinewatch.overview import AlarmView, Overview, StageView
from brinewatch.page.marks import MARKS as MARKS
from brinewatch.page.marks import WORDS as WORDS
from brinewatch.page.marks import mark_of, span
from brinewatch.page.marks import shown as shown
from brinewatch.page.marks import when as when
from brinewatch.page.path import Path, Stop, row_of

_OVER = (State.RETURNED, State.LATCHED)
_EVENTS = {
    Happening.RAISED: "began",
    Happening.REPEATED: "called again",
    Happening.ACKNOWLEDGED: "taken over",
    Happening.RETURNED: "over before anybody took it",
    Happening.LATCHED: "over, waits for a reset",
    Happening.CLEARED: "back to normal",
    Happening.RESET: "reset",
    Happening.JOINED: "followed from what is known",
    Happening.RELEASED: "follows from nothing any more",
    Happening.SHELVED: "shelved",
    Happening.UNSHELVED: "unshelved",
    Happening.REMOVED: "taken out of service",
    Happening.RESTORED: "back in service",
    Happening.ATTENDED: "somebody works there",
    Happening.LEFT: "nobody works there any more",
    Happening.REFUSED: "order refused",
}
_EXPLAINED = (Happening.REFUSED, Happening.JOINED, Happening.SHELVED, Happening.REMOVED)
_DELIVERIES = {
    Delivery.WAITING.value: "waiting to be sent",
    Delivery.SENT.value: "handed to the network, not confirmed yet",
    Delivery.DELIVERED.value: "arrived",
    Delivery.FAILED.value: "did not arrive",
    Delivery.UNKNOWN.value: "nobody knows whether it arrived",
}
_LATE_S = 60.0
_EVENTS_SHOWN = 12
# what stands on no line: heading and path
_BESIDE = (("The room", "room"), ("The watch itself", "watch"))


@dataclass(frozen=True, slots=True)
class Alarm:
    """One standing alarm in sentences. told: each with whether it failed; answer: what to reply to `verb` it;
    where: its stage."""

    number: int
    mark: str
    word: str
    title: str
    value: str
    since: str
    state: str
    todo: tuple[str, ...]
    told: tuple[tuple[str, bool], ...]
    why: str
    answer: str
    command: str
    verb: str
    full: bool
    where: str


@dataclass(frozen=True, slots=True)
class Page:
    """Everything one view says."""

    shed: str
    mark: str
    word: str
    headline: str
    values: str
    checked: str
    at: str
    alarms: tuple[Alarm, ...]
    blind: tuple[tuple[str, str], ...]
    air: tuple[Stop, ...]
    water: tuple[Stop, ...]
    beside: tuple[tuple[str, tuple[Stop, ...], str], ...]
    events: tuple[tuple[str, str], ...]
    notes: tuple[str, ...]
    act: Alarm | None
    aside: tuple[tuple[str, str], ...] = ()
    attended: str = ""
    left: str = ""

    @property
    def title(self) -> str:
        """For the tab of the browser: the word first, then the place."""
        return f"{self.word or 'All is well'}: {self.shed}" if self.mark or self.alarms else f"{self.shed}"


def tell(overview: Overview) -> Page:
    """An overview as the page says it."""
    now, stages, path = overview.at, overview.stages, Path(overview)
    ranked = sorted(overview.alarms, key=lambda one: (MARKS.index(mark_of(one)), one.priority.rank, one.since.utc))
    names = {stage.key: stage.name for stage in stages}
    alarms = tuple(_alarm(one, now, place == 0, names.get(one.stage, "")) for place, one in enumerate(ranked))
    blind = tuple(
        (f"{stage.name}, {point.name}", row.note or row.value)
        for stage in stages
        for point, row in ((point, row_of(point)) for point in stage.points)
        if row.mark == "unknown"
    )
    checked, fresh = _checked(overview)
    mark, headline = "", overview.sentence
    if alarms:
        mark, headline = alarms[0].mark, alarms[0].title
    elif blind or not fresh:
        mark = "unknown"
    if not alarms and not fresh and overview.checked is not None:
        headline = f"No usable reading for {span(now.mono - overview.checked.mono)}."
    holding = sum(one.holds for one in overview.aside)
    if not alarms and not mark and holding:
        # somebody set it aside, which does not make it well; which ones is said below
        mark, headline = (
            "person",
            f"{'One alarm holds' if holding == 1 else f'{holding} alarms hold'} but may not call.",
        )
    return Page(
        shed=overview.shed,
        mark=mark,
        word=WORDS.get(mark, ""),
        headline=headline,
        values=_values(stages),
        checked=checked,
        at=f"{now.local:%H:%M:%S}",
        alarms=alarms,
        blind=blind,
        air=path.line("air"),
        water=path.line("water"),
        beside=tuple((heading, stops := path.beside(key), _in_short(key, stops)) for heading, key in _BESIDE),
        events=tuple(_event(one, now) for one in _newest(overview.recent)),
        notes=_notes(overview),
        act=next((one for one in alarms if one.answer), None),
        aside=_aside(overview),
        attended=overview.attended,
        left=overview.left,
    )


def _in_short(path: str, stops: Sequence[Stop]) -> str:
    """What is said of the parts of the watch while each is well, so that they need no room of their own."""
    fine = all(not stop.mark and not row.mark for stop in stops for row in stop.rows)
    return f"its {len(stops)} parts are well" if path == "watch" and len(stops) > 1 and fine else ""


def _aside(overview: Overview) -> tuple[tuple[str, str], ...]:
    """What does not call, but for the consequences a standing alarm names already."""
    spoken = {title for alarm in overview.alarms for title in alarm.also}
    rows = []
    for one in overview.aside:
        if one.title in spoken:
            continue
        until = f" until {when(one.until, overview.at)}" if one.until else ""
        why = f": {one.why}" if one.why else ""
        state = "held back" if one.state is State.SUPPRESSED else one.state
        rows.append(
            (one.title, f"{state}{until}{why}. {'It holds now.' if one.holds else 'It does not hold now.'}")
        )
    return tuple(rows)


def _notes(overview: Overview) -> tuple[str, ...]:
    started = f"Watching since {when(overview.started, overview.at)}."
    unsure = () if overview.at.trusted else ("This clock has not been set by a time server: times may be wrong.",)
    return (*overview.notes, *unsure, started)


def _checked(overview: Overview) -> tuple[str, bool]:
    """How long ago a usable reading was taken, and whether that is recent enough to call anything well."""
    if overview.checked is None:
        return "not checked yet", False
    age = overview.at.mono - overview.checked.mono
    return f"checked {span(age)} ago", age <= _LATE_S


def _alarm(alarm: AlarmView, now: Moment, first: bool, where: str) -> Alarm:
    value = f"{shown(alarm.shown)} ({shown(alarm.limit)})" if alarm.limit else shown(alarm.shown)
    # by the wall clock: the monotonic one of an alarm that outlived a restart belongs to another boot
    since = f"since {when(alarm.since, now)}, {span(now.utc - alarm.since.utc)}"
    over = f"Over: {alarm.title}", f"Now {shown(alarm.shown)}", f"began {when(alarm.since, now)}"
    title, verb, answer, command = alarm.title, "take it over", "", ""
    match alarm.state:
        case State.UNACKNOWLEDGED:
            state = "Nobody has taken it over yet."
            answer, command = f"OK {alarm.number}", f"brinewatch ack {alarm.number}"
        case State.ACKNOWLEDGED:
            state = f"Taken over by {alarm.acknowledged_by}." if alarm.acknowledged_by else "Taken over."
        case State.RETURNED:
            state = "It is over by itself. Nobody has looked into it yet."
            answer, command = f"OK {alarm.number}", f"brinewatch ack {alarm.number}"
            title, value, since = over
        case State.LATCHED:
            state = "It is over, and stays here until somebody resets it."
            answer, command = f"RESET {alarm.number}", f"brinewatch reset {alarm.number}"
            title, value, since = over
            verb = "reset it"
        case _:
            state = f"{alarm.state.value[0].upper()}{alarm.state.value[1:]}."
    if alarm.also:
        state += f" With it: {', '.join(alarm.also)}."
    mark = mark_of(alarm)
    return Alarm(
        number=alarm.number, mark=mark, word=WORDS[mark], title=title, value=value, since=since, state=state,
        todo=alarm.todo, told=tuple(_told(one) for one in alarm.told), why=alarm.why, answer=answer,
        command=command, verb=verb, full=first, where=where,
    )  # fmt: skip


def _told(text: str) -> tuple[str, bool]:
    who, colon, state = text.rpartition(": ")
    failed = state in (Delivery.FAILED.value, Delivery.UNKNOWN.value)
    return f"{who}{colon}{_DELIVERIES.get(state, state)}", failed


_NAMED = ((("air_pressure",), "air"), (("oxygen_saturation", "oxygen"), "oxygen"), (("temperature",), ""))


def _values(stages: Sequence[StageView]) -> str:
    """The few values a watchkeeper would name: air, the lowest oxygen, the temperature of the first water."""
    points = [point for stage in stages for point in stage.points]
    said = []
    for keys, word in _NAMED:
        there = next((some for key in keys if (some := [one for one in points if one.quantity == key])), [])
        known = [
            (one.reading.value, shown(one.shown))
            for one in there
            if one.reading is not None and one.reading.value is not None and one.flag.usable and not one.old
        ]
        if word == "oxygen" and len(known) > 1:
            said.append(f"oxygen at least {min(known)[1]}")
        elif known:
            said.append(f"{word} {known[0][1]}".strip())
        elif there:
            said.append(f"{word or there[0].name} unknown")
    return ", ".join(said)


def _newest(events: Sequence[AlarmEvent]) -> list[AlarmEvent]:
    return sorted(events, key=lambda event: event.at.utc, reverse=True)[:_EVENTS_SHOWN]


def _event(event: AlarmEvent, now: Moment) -> tuple[str, str]:
    by = f" by {event.by}" if event.by else ""
    detail = f": {event.detail}" if event.detail and event.happening in _EXPLAINED else ""
    number = f" ({event.number})" if event.number else ""
    return when(event.at, now), f"{event.title or 'The shed'}, {_EVENTS[event.happening]}{by}{detail}{number}"
