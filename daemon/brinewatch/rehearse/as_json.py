"""A rehearsal for other programs. The shape is described in `brinewatch rehearse --help`."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from brinewatch.alarms.events import AlarmEvent
from brinewatch.moment import Moment, utc_text
from brinewatch.quantities import QUANTITIES
from brinewatch.rehearsal.calls import Call, Compared
from brinewatch.rehearse.work import Found


def as_json(found: Found) -> dict[str, Any]:
    """Plain JSON values; times as ISO 8601 in UTC, numbers in each quantity's own unit."""
    hours, stepped, in_all = found.hours
    return {
        "shed": found.name,
        "since": utc_text(found.since),
        "until": utc_text(found.until),
        "watched_days": found.figures.days,
        "answered_after_s": found.answered_after_s,
        "rules": len(found.alarms),
        "events": [_event(event) for event in found.events],
        "calls": [_call(call, found.until) for call in found.calls],
        "compared": None if found.compared is None else _compared(found.compared, found.against, found.until),
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


def _compared(compared: Compared, against: str, end: float) -> dict[str, Any]:
    return {
        "with": "what was called" if against == "journal" else "the present rules",
        "added": [_call(call, end) for call in compared.added],
        "removed": [_call(call, end) for call in compared.removed],
        "moved": [{"before": _call(before, end), "now": _call(now, end)} for before, now in compared.moved],
        "same": compared.same,
    }


def _time(at: Moment | None) -> str | None:
    return None if at is None else utc_text(at.utc)


def _unit(quantity: str) -> str:
    return QUANTITIES[quantity].unit if quantity in QUANTITIES else ""
