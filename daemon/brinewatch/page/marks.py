"""What the pages mark, and how they write a value, a time and a length of time.

Colour goes to the abnormal only, and always with a shape and a word (the practice of IEC 60073 and ISA-101):
danger a triangle, warning a diamond, needs a person a square, unknown a hatched square.
"""

from __future__ import annotations

import re

from brinewatch.alarms.events import Priority, State
from brinewatch.moment import Moment, span_text
from brinewatch.overview import AlarmView

MARKS = ("danger", "warning", "person", "unknown")
WORDS = {"danger": "Danger", "warning": "Warning", "person": "Needs a person", "unknown": "Unknown"}
MARK_OF = {
    Priority.CRITICAL: "danger",
    Priority.HIGH: "danger",
    Priority.MEDIUM: "warning",
    Priority.LOW: "person",
}
_OVER = (State.RETURNED, State.LATCHED)
_TEMPERATURE = re.compile(r"(?<=\d) (?:deg)?([CF])\b")
_UNIT = re.compile(r"(?<=\d) (?=[^\d\s(]\S{0,6}( N)?$)|(?<=^pH) (?=\d)")
_NO_BREAK = "\N{NO-BREAK SPACE}"


def mark_of(alarm: AlarmView) -> str:
    # what is over by itself is no danger any more, but still wants somebody to look
    return "person" if alarm.state in _OVER else MARK_OF[alarm.priority]


def when(at: Moment, now: Moment) -> str:
    """The shed's wall clock; with the day when it is not today's."""
    day = "" if at.local.date() == now.local.date() else f"{at.local:%a} {at.local.day} {at.local:%b} "
    return f"{day}{at.local:%H:%M}"


def span(seconds: float) -> str:
    return span_text(seconds).replace(" ", _NO_BREAK)


def with_degree(text: str) -> str:
    """A value with its unit, the degree sign put in that texts to phones have no letter for."""
    return _TEMPERATURE.sub(" °\\1", text)


def shown(text: str, name: str = "") -> str:
    """A value as the page writes it: number and unit on one line, a degree sign, no symbol its row says already."""
    text = with_degree(text)
    text = text.removeprefix("pH ") if name == "pH" else text
    return _UNIT.sub(_NO_BREAK, text, count=1)
