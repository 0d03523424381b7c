"""What came of a rehearsal, in words and lines for the page."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime, tzinfo
from typing import Any

from brinewatch.alarms.rules import Alarm
from brinewatch.moment import span_text
from brinewatch.page.limit_views import CallLine
from brinewatch.readings import stage_of

Found = Mapping[str, Any]
Name = Callable[[str], str]
Show = Callable[[str, float | None], str]
_LINES = 20
_KINDS = (
    ("added", "Calls that would be added"),
    ("removed", "Calls that would not have come"),
    ("moved", "Calls that would begin or end at another time"),
)
_FIVE_YEARS_S = 5 * 365 * 86400.0


def headline(found: Found, alarm: str) -> str:
    """How many calls of the alarm itself, before and now."""
    before, now = found["counts"]["by_alarm"].get(alarm, [0, 0])
    if any(one["alarm"] == alarm for one in found["left_out"]):
        return "It cannot be told from the past."
    if not before and not now:
        return "It would not have called, nor did it with the values in force."
    times = "once" if now == 1 else f"{now} times" if now else "not at all"
    if before == now:
        return f"It would have called {times}, as with the values in force."
    was = "once" if before == 1 else f"{before} times" if before else "not at all"
    return f"It would have called {times}, and with the values in force {was}."


def facts(found: Found, alarm: str) -> list[str]:
    """Sentences about the whole."""
    counts, nuisance = found["counts"], found["nuisance"]
    said = [f"Rehearsed: {found['rules']} alarms over {found['watched_days']:.3g} days of watch; nobody answers."]
    said += [f"It was left out: {one['why']}." for one in found["left_out"] if one["alarm"] == alarm]
    rate = f" ({nuisance['per_week']:.2g} a week)" if nuisance["days"] >= 1 else ""
    said.append(
        f"All alarms together: {counts['calls']} calls{rate}, {nuisance['at_night']} of them at night; at most "
        f"{nuisance['most_in_ten_min']} in ten minutes."
    )
    for key, words in (
        ("chattering", "comes and goes"), ("fleeting", "is over within a minute"),
        ("standing", "stands for more than a day"),
    ):  # fmt: skip
        count = nuisance[key].get(alarm)
        if count:
            said.append(f"With the values tried it {words} ({count} {'call' if count == 1 else 'calls'}).")
    return [*said, *nuisance["notes"]]


def kinds(
    found: Found, alarm: str, alarms: Mapping[str, Alarm], place: Name, show: Show, zone: tzinfo
) -> list[tuple[str, str, Sequence[CallLine], int]]:
    """Calls added, removed and moved, those of the alarm itself first: key, heading, lines, how many more."""
    compared = found["compared"] or {}
    made: list[tuple[str, str, Sequence[CallLine], int]] = []
    for key, heading in _KINDS:
        count = found["counts"].get(key, 0)
        if not count:
            continue
        rows = sorted(compared[key], key=lambda row: (_call(row)["alarm"] != alarm, _call(row)["called"]))
        lines = [_line(row, alarms, place, show, zone) for row in rows[:_LINES]]
        made.append((key, f"{heading}: {count}", lines, count - len(lines)))
    return made


def _call(row: Mapping[str, Any]) -> Mapping[str, Any]:
    now = row.get("now", row)
    assert isinstance(now, Mapping)
    return now


def _line(row: Mapping[str, Any], alarms: Mapping[str, Alarm], place: Name, show: Show, zone: tzinfo) -> CallLine:
    call = _call(row)
    point = call["alarm"].partition("@")[2]
    known = call["alarm"] in alarms
    value = show(point, call["value"]) if known and call["value"] is not None else ""
    stood = "still stands" if call["over"] is None else f"for {span_text(call['lasted_s'])}"
    parts = [place(stage_of(point)), value, stood, f"{call['priority']}"]
    if "before" in row:
        before = row["before"]
        over = "still stands" if before["over"] is None else f"over {_when(before['over'], zone)}"
        parts.append(f"with the values in force called {_when(before['called'], zone)}, {over}")
    return CallLine(_when(call["called"], zone), call["title"], ", ".join(part for part in parts if part))


def _when(text: str, zone: tzinfo) -> str:
    return f"{datetime.fromisoformat(text).astimezone(zone):%Y-%m-%d %H:%M}"


def advice(found: Found, alarm: str) -> list[str]:
    """What the noise of the readings asks for, of this alarm."""
    said = []
    for one in found["advice"]:
        if one["alarm"] != alarm:
            continue
        parts = []
        if one["deadband"] is not None:
            parts.append(f"deadband {one['deadband']:g} {one['unit']} (tried: {one['deadband_now']:g})")
        if one["on_delay_s"] is not None:
            parts.append(f"delay {span_text(one['on_delay_s'])} (tried: {span_text(one['on_delay_now_s'])})")
        said.append(f"{', '.join(parts)}: {one['reason']}" if parts else one["reason"])
    return said
