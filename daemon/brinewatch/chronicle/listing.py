"""The journal as rows, what of it is asked for, and what a check of its chain found."""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo
from typing import TYPE_CHECKING, Any

from brinewatch.errors import BrinewatchError
from brinewatch.phrases import instant_of, one_line
from brinewatch.quantities import QUANTITIES
from brinewatch.readings import quantity_of, stage_of
from brinewatch.signals.display import DisplayUnits, show
from brinewatch.store.chain import Checked, Head, Record
from brinewatch.store.rows import clean

if TYPE_CHECKING:
    from brinewatch.config import ShedFile

# what people read; messages are told with their incident, and rules stand behind their versions
LISTED = ("beginning", "event", "remark", "entry", "withdrawn", "calibration")
COLUMNS = ("time", "what", "number", "about", "value", "by", "said", "incident")
_EVER = 1e18


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is asked for; None: anything."""

    since: float
    until: float
    alarm: str | None = None
    stage: str | None = None
    person: str | None = None
    incident: int | None = None

    def fits(self, one: Record) -> bool:
        fields = one.fields
        if self.incident is not None and fields.get("incident") != self.incident:
            return False
        if self.alarm is not None and not self._of_alarm(fields):
            return False
        if self.stage is not None and stage_of(str(fields.get("point") or "")) != self.stage:
            return False
        return self.person is None or self._of_person(one)

    def _of_alarm(self, fields: Mapping[str, Any]) -> bool:
        alarm, asked = str(fields.get("alarm") or ""), self.alarm
        numbered = bool(asked and asked.isdecimal()) and fields.get("number") == int(asked or 0)
        return numbered or (bool(alarm) and asked in (alarm, alarm.partition("@")[0]))

    def _of_person(self, one: Record) -> bool:
        person = (self.person or "").casefold()
        if one.record == "remark":
            return person in str(one.fields["body"]).casefold()
        return _by(one).casefold() == person


def wanted(options: argparse.Namespace, shed: ShedFile, since: str | None) -> Wanted:
    """The filters of the command line. since: when nothing else is said, None for all there is."""
    from brinewatch.clock import SystemClock

    now, asked = SystemClock(shed.zone).now(), options.since or since
    begin = instant_of("--since", asked, now) if asked else -_EVER
    # what was written by a clock that ran ahead is not left out of what was asked for until now
    end = instant_of("--until", options.until, now) if options.until else _EVER
    if begin >= end:
        raise BrinewatchError("--since is not before --until.", "Write for example --since 7d --until 24h.")
    return Wanted(begin, end, options.alarm, options.stage, options.person, options.incident)


def row_of(one: Record, units: DisplayUnits, zone: tzinfo) -> dict[str, str]:
    """One record for people, in the shed's units and time. Never fails, whatever stands in the file."""
    fields = one.fields
    row = dict.fromkeys(COLUMNS, "")
    row["time"] = _when(one.at_utc, zone)
    row["what"], row["by"] = one.record, _by(one)
    match one.record:
        case "event":
            row |= _event(fields, units, zone)
        case "entry":
            corrects = f"instead of entry {fields['corrects']}" if fields["corrects"] else ""
            value = _shown(fields["point"], fields["value"], units)
            row |= {"what": "value entered", "about": str(fields["point"]), "value": value, "said": corrects}
        case "withdrawn":
            row |= {"what": "value withdrawn", "said": f"entry {fields['entry']}: {fields['detail']}"}
        case "calibration":
            row |= {"about": str(fields["point"]), "said": f"record {fields['id']}"}
        case "remark":
            row |= {"what": str(fields["kind"]), "said": str(fields["body"])}
        case _:
            row |= {"what": "chain begins", "said": str(fields["body"])}
    return {key: one_line(clean(text)) for key, text in row.items()}


def _event(fields: Mapping[str, Any], units: DisplayUnits, zone: tzinfo) -> dict[str, str]:
    point = str(fields["point"])
    value, limit = (_shown(point, fields[name], units) for name in ("value", "limit_value"))
    said = [str(fields["detail"])]
    if fields["until_utc"] is not None:
        said.append(f"until {_when(fields['until_utc'], zone)}")
    also = _texts(fields["also"])
    said += [f"with it: {', '.join(also)}"] if also else []
    return {
        "what": str(fields["happening"]), "number": str(fields["number"] or ""),
        "about": f"{fields['title']} [{fields['alarm']}]" if fields["alarm"] else "",
        "value": f"{value} (limit {limit})" if value and limit else value,
        "said": "; ".join(part for part in said if part), "incident": str(fields["incident"] or ""),
    }  # fmt: skip


def _by(one: Record) -> str:
    if one.record == "calibration":
        body = _json(one.fields["body"])
        return str(body.get("by", "")) if isinstance(body, dict) else ""
    return str(one.fields.get("by_whom") or "")


def _json(text: object) -> object:
    try:
        return json.loads(str(text))
    except ValueError:
        return None


def _texts(body: object) -> list[str]:
    found = _json(body)
    return [str(one) for one in found] if isinstance(found, list) else []


def _shown(point: object, value: object, units: DisplayUnits) -> str:
    quantity = quantity_of(str(point))
    if isinstance(value, (int, float)) and quantity in QUANTITIES:
        return show(quantity, value, units)
    return "" if value is None else str(value)


def _when(utc: object, zone: tzinfo) -> str:
    try:
        return f"{datetime.fromtimestamp(float(utc), zone):%Y-%m-%d %H:%M:%S}"  # type: ignore[arg-type]
    except (TypeError, ValueError, OverflowError, OSError):
        return str(utc)


def checked_lines(found: Checked, known: Sequence[Head]) -> Iterator[str]:
    """What a check of the chain found, as sentences."""
    if not found.wrong:
        if found.head is None:
            yield "The journal is empty: there is no chain yet."
            return
        yield f"The chain holds: {found.links} records, none changed, none missing."
        if known:
            yield f"What was given out before stands in it ({len(known)} of {len(known)})."
    else:
        count = "1 thing is" if found.wrong == 1 else f"{found.wrong} things are"
        yield f"The chain is broken: {count} wrong among {found.links} records."
        yield from (f"  {one_line(clean(fault))}" for fault in found.faults)
        if found.wrong > len(found.faults):
            yield f"  and {found.wrong - len(found.faults)} more."
        yield "Keep the file as it is, and compare it with a backup or an export made before."
    if found.head is not None:
        yield f"Its head: {found.head}"
        yield "Written down elsewhere, it proves later that nothing up to it was changed, or cut off."
