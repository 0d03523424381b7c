"""One incident for the page: its story, what was done meanwhile, how long what was beyond its limits, and by which
rules."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

from brinewatch.alarms.version import body_of, version_of
from brinewatch.chronicle.beyond import Beyond, beyond
from brinewatch.chronicle.sentences import sentence_of
from brinewatch.chronicle.timeline import Story, Words, stories
from brinewatch.config import ShedFile
from brinewatch.errors import BrinewatchError
from brinewatch.moment import Moment, span_text
from brinewatch.phrases import masked
from brinewatch.quantities import QUANTITIES
from brinewatch.querying.asking import how, max_age_s
from brinewatch.querying.marks import AlarmSpan, alarm_spans
from brinewatch.querying.past import Past
from brinewatch.readings import quantity_of, stage_of
from brinewatch.store.reader import StoreReader
from brinewatch.store.rows import Logged

if TYPE_CHECKING:
    from brinewatch.page.journal import IncidentView, StepView, StoryView

_EVER = 1e18
_MEASURED_S = 3 * 86400.0  # readings of a longer one are left to the history
_MEANWHILE = 200
_STRIPS = 6
_AROUND, _AROUND_LEAST_S = 0.25, 600.0
_DONE = ("remark", "entry", "withdrawn", "calibration")
# of the watch about itself; and drills, which are told twice
_NOT_DONE = ("settings", "report", "account", "drill record", "lookout")


class Teller:
    """Tells incidents, in one thread."""

    def __init__(self, shed: ShedFile, words: Words, now: Moment) -> None:
        self._shed = shed
        self._words = words
        self._now = now

    def tell(self, number: int, *, whole: bool) -> IncidentView | None:
        """None when there is no incident of this number. whole: whether phone numbers are shown. StoreError."""
        from brinewatch.page.journal import IncidentView

        with StoreReader(self._shed.data, self._shed.zone) as store:
            try:
                events, calls = store.incident(number)
            except ValueError as error:
                raise BrinewatchError(
                    f"Incident {number} cannot be read ({error}).", "See: brinewatch journal --verify"
                ) from error
            if not events:
                return None
            told = [
                self._story(story, store, whole)
                for story in stories(number, events, calls, self._words, self._meanwhile(store, events))
            ]
        return IncidentView(self._shed.shed.name, number, told, f"{self._now.local:%Y-%m-%d %H:%M}")

    def _meanwhile(self, store: StoreReader, events: Sequence[Logged]) -> list[tuple[Moment, str]]:
        """What people and the watch did while it went on."""
        begin, end = events[0].event.began.utc, _end_utc(events, self._now)
        found = []
        for one in store.records(_DONE, begin, end):
            if one.record == "remark" and one.fields["kind"] in _NOT_DONE:
                continue
            at = Moment(0.0, one.at_utc, bool(one.fields["at_trusted"]), self._shed.zone)
            found.append((at, sentence_of(one, self._words, self._shed.zone)))
        return found[:_MEANWHILE]

    def _story(self, story: Story, store: StoreReader, whole: bool) -> StoryView:
        from brinewatch.page.journal import StepView, StoryView

        def safe(text: str) -> str:
            return text if whole else masked(text)

        events = story.events
        begin = min(one.event.began.utc for one in events)
        end = self._now.utc if not story.over else events[-1].event.at.utc
        first = min(events, key=lambda one: one.event.began.utc).event
        steps: list[StepView] = [
            StepView(f"{first.began.local:%H:%M:%S}", f"First sign: {self._words.what(first)}.", (), False),
            *(
                StepView(one.at, safe(one.text), [safe(call) for call in one.calls], one.beside)
                for one in story.steps
            ),
        ]
        past = Past(store, how(self._shed)) if (self._shed.data / "history.sqlite").exists() else None
        bodies = _bodies(store, events)
        spans = alarm_spans([one.event for one in events], begin - 1.0, end + 1.0)
        return StoryView(
            heading=safe(story.heading), over=story.over, summary=story.summary, steps=steps,
            end=[safe(line) for line in story.end],
            beyond=[self._beyond(one, past, bodies, end) for one in spans if one.alarm],
            rules=list(self._rules(events, bodies)), history=self._history(events, past, begin, end),
        )  # fmt: skip

    # -- how long, how far ------------------------------------------------------------------------------------

    def _beyond(
        self, span: AlarmSpan, past: Past | None, bodies: Mapping[str, Mapping[str, Any]], now: float
    ) -> str:
        end = now if span.end is None else span.end
        place = self._words.stages.get(stage_of(span.point), stage_of(span.point))
        head = f"{span.title} ({place}): held for {span_text(end - span.begin)}"
        head += ", and still does" if span.end is None else ""
        limit = _limit(bodies.get(span.alarm))
        if limit is None or past is None or span.point not in past.points or end - span.begin > _MEASURED_S:
            return f"{head}."
        side, value = limit
        found = beyond(past.values(span.point, span.begin, end), side, value, span.begin, end,
                       max_age_s(self._shed, span.point))  # fmt: skip
        return f"{head}. {self._measured(span.point, side, value, found)}"

    def _measured(self, point: str, side: str, limit: float, found: Beyond) -> str:
        if found.worst is None:
            return "No usable reading of that time is kept."
        word, end = ("below", "lowest") if side == "min" else ("above", "highest")
        name = QUANTITIES[quantity_of(point)].name
        said = f"{name[:1].upper()}{name[1:]} was {word} {self._words.limit(point, limit)} for"
        said += f" {span_text(found.beyond_s)}, {end} {self._words.limit(point, found.worst)}"
        gap = found.whole_s - found.known_s
        return f"{said}; nothing usable for {span_text(gap)} of it." if gap >= 1.0 else f"{said}."

    # -- the rules, the readings ------------------------------------------------------------------------------

    def _rules(
        self, events: Iterable[Logged], bodies: Mapping[str, Mapping[str, Any]]
    ) -> Iterator[tuple[str, str]]:
        """Each rule as it was when it spoke, once for each version."""
        met = dict.fromkeys(
            (one.event.alarm, one.event.title, one.event.version) for one in events if one.event.alarm
        )
        for alarm, title, version in met:
            body = bodies.get(version)
            text = f"Version {version or 'unknown'} of {alarm}"
            if body is None:
                yield title, f"{text}, whose words the journal does not hold."
                continue
            said = f"{_spoken(body, self._words, alarm.partition('@')[2])} {text}"
            yield title, f"{said}, {self._since_then(alarm, version)}."

    def _since_then(self, alarm: str, version: str) -> str:
        now = next((one for one in self._shed.alarms if one.id == alarm), None)
        if now is None:
            return "which is no rule of this shed any more"
        return "in force still" if version_of(body_of(now)) == version else "changed since then"

    def _history(self, events: Sequence[Logged], past: Past | None, begin: float, end: float) -> str:
        """The strips of what spoke, and of what else is measured at the stage where it began."""
        if past is None:
            return ""
        place = stage_of(events[0].event.point)
        own = [one.event.point for one in events if one.event.alarm]
        wanted = [one for one in dict.fromkeys([*own, *(p for p in past.points if stage_of(p) == place)])
                  if one in past.points and QUANTITIES[quantity_of(one)].key != "health"][:_STRIPS]  # fmt: skip
        if not wanted:
            return ""
        around = max(_AROUND_LEAST_S, _AROUND * (end - begin))

        def text(utc: float) -> str:
            return Moment(0.0, utc, True, self._shed.zone).local.isoformat(timespec="seconds")

        pairs = [*(("p", one) for one in wanted), ("since", text(begin - around))]
        until = min(self._now.utc, end + around)
        return f"/history?{urlencode([*pairs, ('until', text(until))])}"


def _end_utc(events: Sequence[Logged], now: Moment) -> float:
    last = {one.event.alarm: one.event.state for one in events}
    going = any(state.standing or state.aside for state in last.values())
    return now.utc if going else events[-1].event.at.utc + 1.0


def _bodies(store: StoreReader, events: Iterable[Logged]) -> dict[str, Mapping[str, Any]]:
    """What each version of a rule stood for, by the version; and by the alarm, the one it spoke by last."""
    versions = {one.event.version: one.event.alarm for one in events if one.event.version}
    found: dict[str, Mapping[str, Any]] = {}
    for one in store.records(("rule",), -_EVER, _EVER):
        version = one.fields["version"]
        if version in versions:
            try:
                body = json.loads(one.fields["body"])
            except ValueError:
                continue  # a record that was tampered with: the check of the chain says so
            if isinstance(body, dict):
                found[str(version)] = found[versions[version]] = body
    return found


def _limit(body: Mapping[str, Any] | None) -> tuple[str, float] | None:
    """Side and value of a plain limit; None for any other condition."""
    when = body.get("when") if body else None
    if not isinstance(when, dict) or len(when) != 1:
        return None
    ((head, limit),) = when.items()
    sides = {"below": "min", "above": "max"}
    return (sides[head], float(limit)) if head in sides and isinstance(limit, int | float) else None


def _spoken(body: Mapping[str, Any], words: Words, point: str) -> str:
    """A rule as a sentence: what it waits for, how long, how urgent."""
    limit = _limit(body)
    if limit is not None:
        when = f"{'below' if limit[0] == 'min' else 'above'} {words.limit(point, limit[1])}"
    else:
        asked = body.get("when")
        state = asked.get("state") if isinstance(asked, dict) and len(asked) == 1 else None
        when = json.dumps(asked, sort_keys=True) if state is None else str(state)
    quantity = QUANTITIES.get(quantity_of(point))
    name = quantity.name if quantity else point
    try:
        delays = [span_text(float(body[key])) for key in ("on_delay_s", "off_delay_s")]
        said = f"{name[:1].upper()}{name[1:]}: {when} for {delays[0]}, over when it is not for {delays[1]}."
        said += f" Priority {body['priority']}."
        if body.get("deadband"):
            said += f" Deadband {float(body['deadband']):g} {body.get('unit', '')}".rstrip() + "."
        changed = str(body.get("changed") or "")
    except (KeyError, TypeError, ValueError):
        return f"{name[:1].upper()}{name[1:]}: {when}."
    return f"{said} Changed here: {changed}." if changed else said
