"""Any condition at all, as it may stand in a rule about the oxygen of the north tank."""

from __future__ import annotations

from typing import Any

from hypothesis import strategies as st

from brinewatch.alarms.binding import Bound, Shed
from brinewatch.alarms.rules import Alarm, Condition
from brinewatch.alarms.when import Reader
from brinewatch.alarms.written import When
from brinewatch.errors import Fault

OWN, OTHER, MAINS, TAN = "north.oxygen", "south.oxygen", "room.mains", "north.tan"
POINTS = {OWN: "oxygen", OTHER: "oxygen", MAINS: "mains", TAN: "tan"}
MAX_AGE_S = {OWN: 180.0, OTHER: 180.0, MAINS: 180.0, TAN: 90000.0}

# values and limits from a few numbers, so that they meet, stay and cross
LEVELS = st.sampled_from([4.0, 5.0, 6.0, 7.0, 8.0])

PLAIN: list[st.SearchStrategy[dict[str, Any]]] = [
    st.fixed_dictionaries({"below": LEVELS}),
    st.fixed_dictionaries({"above": LEVELS}),
    st.just({"failed": True}),
    st.fixed_dictionaries({"differs_from": st.just(OTHER), "by": st.sampled_from([0.5, 1.0, 2.0])}),
    st.fixed_dictionaries({"higher_than": st.just(OTHER), "by": st.sampled_from([0.5, 1.0])}),
    st.fixed_dictionaries({"lower_than": st.just(OTHER), "by": st.sampled_from([0.5, 1.0])}),
    st.fixed_dictionaries(
        {"falls": st.sampled_from([0.1, 2.0, 30.0]), "over_s": st.sampled_from([1800.0, 3600.0]),
         "per": st.just("h")}
    ),
    st.fixed_dictionaries({"changes": st.sampled_from([0.1, 2.0]), "over_s": st.just(3600.0), "per": st.just("h")}),
    st.fixed_dictionaries(
        {"flat_s": st.sampled_from([1800.0, 7200.0]), "within": st.sampled_from([0.0, 0.5, 1.0])}
    ),
    st.fixed_dictionaries(
        {"starts_more_than": st.sampled_from([0, 1, 3]), "over_s": st.just(3600.0),
         "of": st.fixed_dictionaries({"below": LEVELS})}
    ),
    st.fixed_dictionaries({"overdue_s": st.sampled_from([600.0, 5000.0])}),
    st.fixed_dictionaries(
        {"forecast_below": LEVELS, "within_s": st.sampled_from([600.0, 3600.0]),
         "time": st.sampled_from(["earliest", "middle"])}
    ),
]  # fmt: skip
_BANDED = ("below", "above", "differs_from", "higher_than", "lower_than")


@st.composite
def parts(draw: st.DrawFn, inner: st.SearchStrategy[dict[str, Any]]) -> dict[str, Any]:
    """A part of a combination: any condition, or another point's state, with a delay and a deadband or without."""
    part = dict(draw(st.one_of(inner, st.just({"point": MAINS, "state": "off"}), st.just({"stale_s": 120.0}))))
    if any(head in part for head in _BANDED):
        part["deadband"] = draw(st.sampled_from([0.0, 0.4]))
    if draw(st.booleans()):
        part["for_s"] = draw(st.sampled_from([0.0, 90.0, 1000.0]))
    return part


def _combined(inner: st.SearchStrategy[dict[str, Any]]) -> st.SearchStrategy[dict[str, Any]]:
    several = st.lists(parts(inner), min_size=2, max_size=3)
    return st.one_of(
        st.fixed_dictionaries({"all": several}),
        st.fixed_dictionaries({"any": several}),
        st.fixed_dictionaries({"not": parts(inner)}),
    )


TABLES = st.recursive(st.one_of(*PLAIN), _combined, max_leaves=4)


def read(table: dict[str, Any], band: float = 0.0, quantity: str = "oxygen") -> tuple[Condition, float]:
    """The condition of a table as a rule file would have it."""
    faults: list[Fault] = []
    unit = "mg/L" if quantity == "oxygen" else ""
    made = Reader(quantity, unit, band, lambda *fault: faults.append(Fault("", *fault))).read(
        When.model_validate(table)
    )
    assert made is not None, faults
    assert not faults, faults
    return made


def here(condition: Condition, point: str = OWN) -> Condition:
    """The condition at the north tank."""
    faults: list[Fault] = []
    shed = Shed(POINTS, MAX_AGE_S, frozenset(), {})
    bound = condition.bound(Bound(shed, point, "", "", faults))
    assert bound is not None
    assert not faults
    return bound


def alarm(table: dict[str, Any], band: float = 0.0, **rule: object) -> Alarm:
    from alarms.nights import rule as a_rule

    if not any(head in table for head in _BANDED):
        band = 0.0
    condition, band = read(table, band)
    made = a_rule(here(condition), quantity="oxygen", unit="mg/L", deadband=band, **rule)
    return Alarm(made, OWN, "oxygen", MAX_AGE_S[OWN])
