"""The page for the wall, with this shed's own names, numbers and alarms: one printed page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from brinewatch.alarms.events import Priority
from brinewatch.alarms.rules import Rule
from brinewatch.config import ShedFile
from brinewatch.moment import span_text

# what a page holds beside the rest of it; the whole list: brinewatch rules
_MOST, _PEOPLE = 18, 4
_CALLS = (Priority.CRITICAL, Priority.HIGH)
_FIRST = 2  # actions of a rule that are told


@dataclass(frozen=True, slots=True)
class Call:
    """What a text says, how urgent it is, what to do first."""

    short: str
    priority: str
    todo: str


def calls_of(shed: ShedFile) -> tuple[list[Call], int]:
    """The alarms of this shed that wake people, and how many more there are: what everything hangs on before what
    follows from it, the more urgent first. Those about data have a line of their own on the page."""
    rules = [one.rule for one in shed.alarms if one.rule.priority in _CALLS and not _about_data(one.rule)]
    rules.sort(key=lambda rule: (rule.priority.rank, rule.takes not in ("air", "power")))
    found: dict[str, Call] = {}
    for rule in rules:
        found.setdefault(rule.short, Call(rule.short, rule.priority.value, " ".join(rule.todo[:_FIRST])))
    whole = list(found.values())
    most = _MOST - max(0, len(shed.contacts) - _PEOPLE)
    return whole[:most], max(0, len(whole) - most)


def _about_data(rule: Rule) -> bool:
    return rule.about_data or rule.source == "built in"


def wall_page(shed: ShedFile) -> str:
    """HTML that needs nothing from anywhere. What is not known is a line to write on."""
    calls, more = calls_of(shed)
    templates = Environment(
        loader=FileSystemLoader([Path(__file__).parent]), autoescape=True, undefined=StrictUndefined,
        trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    return templates.get_template("wall.html").render(
        shed=shed.shed.name,
        calls=calls,
        more=more,
        people=_people(shed),
        next_after=span_text(shed.calling.next_after_s),
    )


def _people(shed: ShedFile) -> Sequence[tuple[str, str]]:
    return [(one.name, one.phone) for one in shed.contacts]
