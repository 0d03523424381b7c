"""A few rules as they stand in a file, bound to the points of a small shed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from alarms.nights import Night
from alarms.rulefiles import HEAD, SOURCES, table
from brinewatch.alarms.links import Place
from brinewatch.alarms.rules import Alarm
from brinewatch.alarms.ruleset import Override, bind, load_ruleset
from brinewatch.readings import quantity_of

# the water's way through an invented shed: sump, filter, two tanks; the blower and the room beside it
STOPS = {
    "sump": Place("water", 0), "filter": Place("water", 1), "north": Place("water", 2), "south": Place("water", 3),
    "blower": Place("air", 0), "room": Place("room", 0),
}  # fmt: skip


def rule_text(when: str | None, quantity: str = "temperature", **keys: str | None) -> str:
    """One [[rule]] table with this condition, without delays or calls again; the keys as they stand in the file."""
    plain: dict[str, str | None] = {
        "key": '"it"', "unit": '"degC"' if quantity == "temperature" else None, "deadband": None,
        "on_delay_s": None, "repeat_s": "0", "when": when, "quantity": f'"{quantity}"',
    }  # fmt: skip
    return table(**{**plain, **keys})


def bound_to(
    points: Sequence[str], *texts: str, changes: Sequence[Override] = (), every: Mapping[str, float] | None = None
) -> list[Alarm]:
    """The rules bound. every: how often each point is read, a second when left out, 0 for one entered by hand."""
    ages = {point: 3 * (every or {}).get(point, 1.0) for point in points}
    found = bind(
        [(load_ruleset(HEAD + "\n".join(texts), "tank.toml", SOURCES), None)],
        {point: quantity_of(point) for point in points},
        changes, ages={point: age for point, age in ages.items() if age}, stops=STOPS,
    )  # fmt: skip
    return [alarm for alarm in found if alarm.rule.key not in ("no-data", "no-air-data", "rule-broken")]


def night_of(points: Sequence[str], *texts: str, every_s: int = 1, start: str = "02:00:00") -> Night:
    return Night(bound_to(points, *texts, every=dict.fromkeys(points, float(every_s))), start, every_s)
