"""A rehearsal for people: what would have called, what differs, how much of a nuisance it is, what to change."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Any

from brinewatch.moment import span_text
from brinewatch.readings import quantity_of
from brinewatch.rehearsal.calls import Call
from brinewatch.rehearsal.figures import Figures
from brinewatch.rehearse.work import Found
from brinewatch.signals.display import show
from brinewatch.terminal import print_table

_SHOWN_LEFT_OUT, _SHOWN_CALLS = 5, 40
_MANY = ("alarm", "priority", "calls", "first", "last", "together", "longest")
_NO_READINGS = "there are no readings of "
_COLUMNS = ("called", "alarm", "priority", "value", "limit", "lasted", "again")


def tell(found: Found) -> None:
    """Print all of it."""
    words = _Words(found)
    answered = found.answered_after_s
    who = "nobody answers" if answered is None else f"every call is answered after {span_text(answered)}"
    _say(
        f"{found.name}: {len(found.alarms)} alarms rehearsed from {words.when(found.since)} to "
        f"{words.when(found.until)} ({found.figures.days:.3g} days of watch; {who})."
    )
    if len(found.stretches) > 1:
        _say(f"The watch was off {len(found.stretches) - 1} times; nothing is rehearsed there.")
    _left_out(found)
    _say("")
    if not found.calls:
        _say("Nothing would have called.")
    elif len(found.calls) <= _SHOWN_CALLS:
        print_table(_COLUMNS, [words.row(call) for call in found.calls], title="What would have called")
    else:
        print_table(_MANY, words.by_alarm(), title="What would have called (every call: --json)")
    if found.compared is not None:
        _compared(found, words)
    _figures(found.figures)
    called = {call.alarm for call in found.calls}
    shown = [one for one in found.advice if one.alarm in called]
    if shown:
        rows = [
            {
                "alarm": one.alarm,
                "deadband": _change(one.deadband_now, one.deadband, one.unit),
                "on-delay": _change(one.on_delay_now_s, one.on_delay_s, "s"),
                "why": one.reason,
            }
            for one in shown
        ]
        print_table(("alarm", "deadband", "on-delay", "why"), rows, title="To be weighed (from the noise seen)")


class _Words:
    def __init__(self, found: Found) -> None:
        self._found = found

    def when(self, utc: float) -> str:
        return f"{datetime.fromtimestamp(utc, self._found.zone):%Y-%m-%d %H:%M:%S}"

    def by_alarm(self) -> list[Mapping[str, Any]]:
        """One row an alarm, the one that called most first."""
        calls: dict[str, list[Call]] = {}
        for call in self._found.calls:
            calls.setdefault(call.alarm, []).append(call)
        rows: list[Mapping[str, Any]] = []
        for alarm, made in sorted(calls.items(), key=lambda item: -len(item[1])):
            lasted = [call.lasted_s(self._found.until) for call in made]
            rows.append(
                {"alarm": alarm, "priority": made[0].priority.value, "calls": len(made),
                 "first": self.when(made[0].at.utc), "last": self.when(made[-1].at.utc),
                 "together": span_text(sum(lasted)), "longest": span_text(max(lasted))}
            )  # fmt: skip
        return rows

    def row(self, call: Call) -> Mapping[str, Any]:
        quantity = quantity_of(call.alarm.partition("@")[2])
        lasted = span_text(call.lasted_s(self._found.until))
        return {
            "called": self.when(call.at.utc), "alarm": call.alarm, "priority": call.priority.value,
            "value": "" if call.value is None else show(quantity, call.value, self._found.units),
            "limit": "" if call.limit is None else show(quantity, call.limit, self._found.units),
            "lasted": lasted if call.over is not None else f"{lasted}, still stands", "again": call.again or "",
        }  # fmt: skip


def _left_out(found: Found) -> None:
    reasons: dict[str, list[str]] = {}
    for alarm, why in found.left_out:
        reasons.setdefault(why, []).append(alarm)
    gone = [why for why in reasons if why.startswith(_NO_READINGS)]
    if len(gone) > 1:  # one line for all of them
        points = [why.removeprefix(_NO_READINGS) for why in gone]
        alarms = [alarm for why in gone for alarm in reasons.pop(why)]
        _say(f"Left out, as there are no readings: {len(alarms)} alarms of {', '.join(points)}.")
    for why, alarms in reasons.items():
        more = f" and {len(alarms) - _SHOWN_LEFT_OUT} more" if len(alarms) > _SHOWN_LEFT_OUT else ""
        _say(f"Left out, as {why}: {', '.join(alarms[:_SHOWN_LEFT_OUT])}{more}.")


def _compared(found: Found, words: _Words) -> None:
    compared = found.compared
    assert compared is not None
    what = "what was really called" if found.against == "journal" else "the present rules"
    _say(
        f"Against {what}: {len(compared.added)} calls added, {len(compared.removed)} removed, "
        f"{len(compared.moved)} moved, {compared.same} the same."
    )
    _table(words, "Added", compared.added)
    _table(words, "Removed", compared.removed)
    rows = []
    for before, now in compared.moved:
        ends = ["stands" if one is None else words.when(one.utc) for one in (before.over, now.over)]
        rows.append(
            {"alarm": now.alarm, "called before": words.when(before.at.utc), "now": words.when(now.at.utc),
             "over before": ends[0], "over now": ends[1]}
        )  # fmt: skip
    if rows:
        print_table(("alarm", "called before", "now", "over before", "over now"), rows, title="Moved")


def _table(words: _Words, title: str, calls: Iterable[Call]) -> None:
    rows = [words.row(call) for call in calls]
    if rows:
        print_table(_COLUMNS, rows, title=title)


def _figures(figures: Figures) -> None:
    rate = f" ({figures.per_week:.2g} a week)" if figures.days >= 1 else ""
    _say(
        f"Calls: {figures.calls}{rate}, {figures.at_night} of them at night; "
        f"{figures.again} times again, unanswered. Most in ten minutes: {figures.most_in_ten_min}; "
        f"floods: {figures.floods}."
    )
    for word, counted in (
        ("Chattering", figures.chattering), ("Fleeting (over within a minute)", figures.fleeting),
        ("Standing for more than a day", figures.standing),
    ):  # fmt: skip
        if counted:
            _say(f"{word}: {', '.join(f'{alarm} ({count})' for alarm, count in counted.items())}.")
    if figures.top:
        _say(f"Most: {', '.join(f'{one.alarm} ({one.calls})' for one in figures.top)}.")
    for note in figures.notes:
        _say(note)


def _change(now: float, then: float | None, unit: str) -> str:
    return "" if then is None else f"{now:g} to {then:g} {unit}"


def _say(line: str) -> None:
    sys.stdout.write(f"{line}\n")
