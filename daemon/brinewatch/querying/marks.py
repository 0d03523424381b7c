"""What happened beside the readings: alarms as spans, what people did as marks, limits as they were in force."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from brinewatch.alarms.events import AlarmEvent, Happening, Priority, State
from brinewatch.alarms.rules import Above, Alarm, Below
from brinewatch.alarms.version import change_of
from brinewatch.quantities import QUANTITIES
from brinewatch.querying.past import Past
from brinewatch.readings import quantity_of
from brinewatch.signals.display import DisplayUnits, show
from brinewatch.store.rows import Entry

# so long before a span an alarm that stands in it may have begun
_BEFORE_S = 90 * 86400.0
_EVER = 1e12
_ENDS = (Happening.RETURNED, Happening.LATCHED, Happening.CLEARED, Happening.RESET)
_BEGINS = (Happening.RAISED, Happening.REPEATED, Happening.JOINED)
_WHOLE_SHED = {Happening.ATTENDED: "attended", Happening.LEFT: "attended"}
# remarks of these kinds are of no use beside a curve
_LEFT_OUT = ("text in",)


@dataclass(frozen=True, slots=True)
class AlarmSpan:
    """One time an alarm's condition held. end: None while it does; UTC seconds."""

    alarm: str
    number: int
    point: str
    title: str
    priority: Priority
    begin: float
    end: float | None
    value: float | None
    limit: float | None


@dataclass(frozen=True, slots=True)
class Mark:
    """Something at an instant. kind: "calibration", "entered", "attended", or what a remark is about; point: "" for
    the whole shed."""

    utc: float
    kind: str
    text: str
    point: str = ""


@dataclass(frozen=True, slots=True)
class LimitLine:
    """A limit of a point as it was in force. side: "min" or "max"; value: in the quantity's own unit."""

    point: str
    alarm: str
    title: str
    side: str
    value: float
    priority: Priority
    begin: float
    end: float


def alarm_spans(events: Iterable[AlarmEvent], since_utc: float, until_utc: float) -> list[AlarmSpan]:
    """When each alarm's condition held, as far as that lies in a span, in order. events: in order, from before the
    span on."""
    standing: dict[tuple[str, int], AlarmSpan] = {}
    found: list[AlarmSpan] = []
    for one in events:
        key = (one.alarm, one.number)
        if one.happening in _BEGINS and key not in standing:
            standing[key] = AlarmSpan(
                one.alarm, one.number, one.point, one.title, one.priority, one.began.utc, None, one.value, one.limit
            )
        elif (one.happening in _ENDS or one.state is State.NORMAL) and key in standing:
            found.append(replace(standing.pop(key), end=one.at.utc))
    found += standing.values()
    return sorted(
        (one for one in found if one.begin < until_utc and (one.end is None or one.end > since_utc)),
        key=lambda one: (one.begin, one.alarm),
    )


def spans_of(past: Past, since_utc: float, until_utc: float) -> list[AlarmSpan]:
    """The same out of the journal."""
    events = past.store.events(since_utc - _BEFORE_S, until_utc)
    return alarm_spans(events, since_utc, until_utc)


def marks_of(past: Past, since_utc: float, until_utc: float, units: DisplayUnits) -> list[Mark]:
    """What people did and what was remarked from since to before until, in order.

    A value entered by hand stands where it was measured, and only if it still counts.
    """
    found = [
        Mark(one.made_utc, "calibration", f"{one.visit} by {one.by}" + (f": {one.remark}" if one.remark else ""),
             one.point)
        for one in past.records if since_utc <= one.made_utc < until_utc
    ]  # fmt: skip
    found += [
        Mark(entry.measured.utc, "entered", _entered(entry, units), entry.point)
        for entry in past.store.entries(tuple(past.points), since_utc, until_utc)
    ]
    for record in past.store.records(("remark",), since_utc, until_utc):
        kind = str(record.fields["kind"])
        if kind not in _LEFT_OUT:
            found.append(Mark(float(record.fields["at_utc"]), kind, str(record.fields["body"])))
    for event in past.store.events(since_utc, until_utc):
        if event.happening in _WHOLE_SHED:
            found.append(Mark(event.at.utc, "attended", f"{event.happening} by {event.by}"))
    return sorted(found, key=lambda one: one.utc)


def _entered(entry: Entry, units: DisplayUnits) -> str:
    quantity = quantity_of(entry.point)
    value = show(quantity, entry.value, units) if quantity in QUANTITIES else f"{entry.value:g}"
    by = f" by {entry.by}" if entry.by else ""
    return f"{value}{by}{f' ({entry.note})' if entry.note else ''}"


def limits_now(alarms: Iterable[Alarm], since_utc: float, until_utc: float) -> list[LimitLine]:
    """The limits of these alarms as if they had been in force all the time."""
    return [
        LimitLine(one.point, one.id, one.rule.title, one.rule.side, one.rule.limit, one.rule.priority, since_utc,
                  until_utc)
        for one in alarms
        if isinstance(one.rule.condition, Below | Above) and one.rule.limit is not None and one.rule.only is None
    ]  # fmt: skip


def limits_in_force(
    past: Past, alarms: Sequence[Alarm], points: Iterable[str], since_utc: float, until_utc: float
) -> list[LimitLine]:
    """The limits that were in force from since to until, by the versions of the rules that the journal keeps.

    A version counts from when it was first written down, or a change to it began to count, to when the next one of
    its alarm did; what the rules say now counts from the last beginning of the watch on. Before the first version
    nothing is known: none is drawn.
    """
    wanted = set(points)
    now = {one.id: one for one in alarms if one.point in wanted}
    versions: dict[str, list[tuple[float, Mapping[str, object]]]] = {}
    begun: float | None = None
    bodies: dict[tuple[str, str], Mapping[str, object]] = {}
    changes: list[tuple[float, str, str]] = []
    for one in past.store.records(("rule", "remark")):
        at = float(one.fields["at_utc"])
        if one.record == "remark":
            text = str(one.fields["body"])
            begun = at if text.startswith("The watch begins") else begun
            if one.fields["kind"] == "override" and (change := change_of(text)) is not None:
                changes.append((at, *change))
            continue
        try:
            body = json.loads(one.fields["body"])
        except ValueError:
            continue  # a record that was tampered with: the check of the chain says so
        if isinstance(body, dict) and body.get("alarm", "").partition("@")[2] in wanted:
            bodies[body["alarm"], str(one.fields["version"])] = body
            versions.setdefault(body["alarm"], []).append((at, body))
    # a version is kept once; what was changed back while the watch went on is told by the change alone
    for at, alarm, version in changes:
        body = bodies.get((alarm, version))
        if body is not None and (at, body) not in versions[alarm]:
            versions[alarm].append((at, body))
    for own in versions.values():
        own.sort(key=lambda one: one[0])
    found = []
    for alarm, own in versions.items():
        known = begun if begun is not None and alarm in now and own[-1][0] < begun else _EVER
        ends = [*(begin for begin, _ in own[1:]), known]
        for (begin, body), end in zip(own, ends, strict=True):
            found += _line_of(alarm, body, now.get(alarm), begin, end)
        if known < _EVER:
            found += limits_now([now[alarm]], known, _EVER)
    return [
        replace(one, begin=max(one.begin, since_utc), end=min(one.end, until_utc))
        for one in found
        if one.begin < until_utc and one.end > since_utc
    ]


def _line_of(
    alarm: str, body: Mapping[str, object], now: Alarm | None, begin: float, end: float
) -> list[LimitLine]:
    when = body.get("when")
    if not isinstance(when, dict) or len(when) != 1 or body.get("only"):
        return []
    ((head, limit),) = when.items()
    if head not in ("below", "above") or not isinstance(limit, int | float):
        return []
    title = now.rule.title if now is not None else alarm.partition("@")[0]
    side = "min" if head == "below" else "max"
    return [
        LimitLine(
            alarm.partition("@")[2], alarm, title, side, float(limit), Priority(str(body["priority"])), begin, end
        )
    ]
