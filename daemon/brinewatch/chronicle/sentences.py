"""Each row of the journal as one sentence. Pure, and it never fails, whatever stands in the file."""

from __future__ import annotations

import json
from datetime import tzinfo

from brinewatch.alarms.events import AlarmEvent, Happening
from brinewatch.chronicle.listing import row_of
from brinewatch.chronicle.timeline import Words, sentence
from brinewatch.config import ShedFile
from brinewatch.drilled import RECORD, held_of
from brinewatch.phrases import one_line
from brinewatch.quantities import QUANTITIES
from brinewatch.readings import quantity_of, stage_of
from brinewatch.store.chain import Record
from brinewatch.store.rows import EVENT_COLUMNS, clean, get_event

_COLUMNS = tuple(name.strip() for name in EVENT_COLUMNS.split(","))
_DAMAGED = (ValueError, TypeError, KeyError, IndexError, AssertionError, AttributeError, OverflowError, OSError)


def words_of(shed: ShedFile) -> Words:
    """How a shed is spoken of in its journal."""
    return Words(
        shed.shed.display,
        {one.settings.key: one.settings.name for one in shed.stages},
        {to: one.name for one in shed.contacts for to in (one.phone, one.mail) if to},
    )


def event_of(one: Record, zone: tzinfo) -> AlarmEvent | None:
    """The alarm event a record stands for; None for other records, and for one that cannot be read."""
    if one.record != "event":
        return None
    try:
        return get_event([one.fields[name] for name in _COLUMNS], zone).event
    except _DAMAGED:
        return None


def sentence_of(one: Record, words: Words, zone: tzinfo) -> str:
    """What a record says, in the shed's units and time."""
    try:
        said = _said(one, words, zone)
    except _DAMAGED:
        row = row_of(one, words.units, zone)
        there = ", ".join(row[key] for key in ("what", "about", "said") if row[key])
        said = f"Cannot be read as it should be: {there}"
    return clean(one_line(said))


def _said(one: Record, words: Words, zone: tzinfo) -> str:
    fields = one.fields
    match one.record:
        case "event":
            event = event_of(one, zone)
            if event is None:
                raise ValueError(one.record)
            return sentence(event, words) if event.alarm else _whole_shed(event, words)
        case "entry":
            instead = f", instead of entry {fields['corrects']}" if fields["corrects"] else ""
            note = f": {fields['note']}" if fields["note"] else ""
            value = words.value(str(fields["point"]), fields["value"]) or f"{fields['value']:g}"
            return f"{fields['by_whom']} entered {value}{_place(fields['point'], words)}{instead}{note}."
        case "withdrawn":
            return f"Entry {fields['entry']} does not count: {fields['detail']}."
        case "calibration":
            body = json.loads(str(fields["body"]))
            quantity = QUANTITIES.get(quantity_of(str(fields["point"])))
            name = quantity.name if quantity else fields["point"]
            return f"{str(body['visit']).capitalize()} of {name}{_place(fields['point'], words)} by {body['by']}."
        case "remark":
            held = held_of(str(fields["body"]), words.people) if fields["kind"] == RECORD else None
            if held is not None:
                called = f" Called: {', '.join(held.called)}." if held.called else ""
                return f"Drill by {held.by}, {held.title}.{called} {held.outcome}"
            return f"{str(fields['kind']).capitalize()}: {fields['body']}"
        case _:
            return f"The chain begins: {fields['body']}"


def _whole_shed(event: AlarmEvent, words: Words) -> str:
    until = f" until {event.until.local:%Y-%m-%d %H:%M}" if event.until else ""
    why = f" ({event.detail})" if event.detail else ""
    match event.happening:
        case Happening.ATTENDED:
            return f"{event.by or 'Somebody'}: somebody works in the shed{until}{why}."
        case Happening.LEFT:
            return f"{event.by or 'Somebody'}: nobody works in the shed any more{why}."
        case _:
            return sentence(event, words)


def _place(point: object, words: Words) -> str:
    stage = stage_of(str(point))
    place = words.stages.get(stage, stage)
    return f" ({place})" if place else ""
