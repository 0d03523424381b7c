"""A rehearsal for other programs. The shape is described in `brinewatch rehearse --help`."""

from __future__ import annotations

from collections import Counter
from dataclasses import asdict
from typing import Any

from brinewatch.alarms.events import AlarmEvent
from brinewatch.moment import Moment, utc_text
from brinewatch.quantities import QUANTITIES
from brinewatch.rehearsal.calls import Call, Compared
from brinewatch.rehearse.work import Found


def as_json(found: Found, most: int | None = None) -> dict[str, Any]:
    """Plain JSON values; times as ISO 8601 in UTC, numbers in each quantity's own unit.

    most: a summary, without the events and with so many calls of a kind at most; how many there are in all stands
    beside them.
    """
    hours, stepped, in_all = found.hours
    compared = None if found.compared is None else _compared(found.compared, found.against, found.until, most)
    return {
        **({} if most is None else {"counts": _counts(found)}),
        "shed": found.name,
        "since": utc_text(found.since),
        "until": utc_text(found.until),
        "watched_days": found.figures.days,
        "answered_after_s": found.answered_after_s,
        "rules": len(found.alarms),
        "events": [_event(event) for event in found.events] if most is None else [],
        "calls": [_call(call, found.until) for call in found.calls[:most]],
        "compared": compared,
        "nuisance": asdict(found.figures),
        "advice": [asdict(one) for one in found.advice],
        "left_out": [{"alarm": alarm, "why": why} for alarm, why in found.left_out],
        "notes": list(found.notes),
        "stepped": {"hours": hours, "alarm_hours": stepped, "alarm_hours_all": in_all},
    }


def _event(event: AlarmEvent) -> dict[str, Any]:
    return {
        "time": utc_text(event.at.utc), "t": event.at.utc, "rule": event.alarm.partition("@")[0],
        "point": event.point, "alarm": event.alarm, "event": event.happening.value, "state": event.state.value,
        "value": event.value, "limit": event.limit, "unit": _unit(event.quantity), "priority": event.priority.value,
        "began": utc_text(event.began.utc), "number": event.number, "incident": event.incident,
        "detail": event.detail, "title": event.title, "also": list(event.also),
    }  # fmt: skip


def _call(call: Call, end: float) -> dict[str, Any]:
    return {
        "alarm": call.alarm, "title": call.title, "priority": call.priority.value, "began": _time(call.began),
        "called": _time(call.at), "over": _time(call.over), "lasted_s": call.lasted_s(end), "again": call.again,
        "value": call.value, "limit": call.limit,
    }  # fmt: skip


def _compared(compared: Compared, against: str, end: float, most: int | None) -> dict[str, Any]:
    moved = [{"before": _call(before, end), "now": _call(now, end)} for before, now in compared.moved[:most]]
    return {
        "with": "what was called" if against == "journal" else "the present rules",
        "added": [_call(call, end) for call in compared.added[:most]],
        "removed": [_call(call, end) for call in compared.removed[:most]],
        "moved": moved,
        "same": compared.same,
    }


def _counts(found: Found) -> dict[str, Any]:
    now, compared = Counter(call.alarm for call in found.calls), found.compared
    before = now.copy()
    if compared is not None:
        before.subtract(call.alarm for call in compared.added)
        before.update(call.alarm for call in compared.removed)
    kinds = () if compared is None else ("added", "removed", "moved")
    return {
        "calls": len(found.calls), **{kind: len(getattr(compared, kind)) for kind in kinds},
        "by_alarm": {alarm: [before[alarm], now[alarm]] for alarm in sorted({*before, *now})},
    }  # fmt: skip


def _time(at: Moment | None) -> str | None:
    return None if at is None else utc_text(at.utc)


def _unit(quantity: str) -> str:
    return QUANTITIES[quantity].unit if quantity in QUANTITIES else ""
