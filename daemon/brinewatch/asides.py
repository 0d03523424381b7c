"""What does not call now, and why: for the page, the terminal and programs."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from brinewatch.alarms.attending import BY
from brinewatch.alarms.memory import Memory
from brinewatch.alarms.rules import Alarm
from brinewatch.overview import AsideView
from brinewatch.readings import stage_of


def aside_views(alarms: Iterable[Alarm], by_id: Mapping[str, Alarm], memory: Memory) -> tuple[AsideView, ...]:
    """Every alarm that is shelved, out of service or held back, with why and until when."""
    views = []
    for alarm in alarms:
        one = memory.alarms.get(alarm.id)
        if one is None or not one.state.aside:
            continue
        cause = by_id.get(one.reason)
        why = f"follows from: {cause.rule.title}" if cause else one.reason
        view = AsideView(
            one.number, alarm.id, alarm.rule.title, one.state, stage_of(alarm.point), one.active, why, one.until,
            cause.id if cause else "", alarm.rule.priority,
        )  # fmt: skip
        views.append(view)
    return tuple(views)


def attended_text(memory: Memory) -> str:
    """Who works in the shed until when; "" when nobody is said to."""
    mode = memory.attended
    if mode is None:
        return ""
    who = "Somebody" if mode.by == BY else mode.by
    how = f" ({BY} is on)" if mode.by == BY else ""
    until = f"{mode.until.local:%H:%M}"
    return f"{who} works in the shed{how} until {until}: alarms of that work do not call, loss of air does."
