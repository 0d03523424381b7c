"""How the limits of one quantity must stand to one another, so that each can be crossed, told apart and cleared."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from brinewatch.alarms.rules import Above, Below, Rule
from brinewatch.errors import Fault
from brinewatch.quantities import Quantity


def limit_in_span(quantity: Quantity, limit: float, band: float) -> Iterator[tuple[str, float, str]]:
    """(limit or deadband, value, expected) for each thing wrong with one limit in the quantity's unit."""
    if not quantity.low < limit < quantity.high:
        yield "limit", limit, f"inside {quantity.low:g} to {quantity.high:g} {quantity.unit}"
    if not 0 <= band < quantity.high - quantity.low:
        yield "deadband", band, "0 or more, and smaller than the quantity's span"


def limits_in_order(file: str, rules: Sequence[tuple[str, Rule]]) -> Iterator[Fault]:
    """Faults between rules of one quantity: the less urgent comes first, and every alarm can clear."""
    graded = [(place, rule) for place, rule in rules if rule.condition.grade is not None]
    for place, rule in graded:
        for other_place, other in graded:
            if other is rule or other.quantity != rule.quantity or other.stages != rule.stages:
                continue
            if rule.only == other.only:
                yield from _in_order(file, place, rule, other_place, other)
            if rule.only == other.only or rule.only is None or other.only is None:
                yield from _apart(file, place, rule, other_place, other)


def _in_order(file: str, place: str, rule: Rule, other_place: str, other: Rule) -> Iterator[Fault]:
    """Of two rules that ask the same, the more urgent must ask for more."""
    grade, other_grade = rule.condition.grade, other.condition.grade
    assert grade is not None
    assert other_grade is not None
    if grade[0] != other_grade[0] or rule.priority.rank >= other.priority.rank or grade[1] > other_grade[1]:
        return
    where = f"{place}.when.{rule.condition.name}"
    if isinstance(rule.condition, (Below, Above)):
        limit, other_limit = rule.condition.limit, getattr(other.condition, "limit", None)
        there = f"{other.key} ({other_limit:g} {rule.unit}, {other_place})"
        yield Fault(file, where, limit, f"{rule.condition.head} the less urgent {there}")
    else:
        words = other.condition.words(other.quantity)
        yield Fault(file, where, "(no later)", f"later than the less urgent {other.key} ({words}, {other_place})")


def _apart(file: str, place: str, rule: Rule, other_place: str, other: Rule) -> Iterator[Fault]:
    """A low limit lies under a high one, and each can clear before the other is reached."""
    low, high = rule.condition, other.condition
    if not isinstance(low, Below) or not isinstance(high, Above):
        return
    if low.limit >= high.limit:
        there = f"{other.key} ({high.limit:g} {rule.unit}, {other_place})"
        yield Fault(file, f"{place}.when.below", low.limit, f"below the high limit {there}")
        return
    gap = high.limit - low.limit
    for one, its_place in ((rule, place), (other, other_place)):
        if one.deadband >= gap:
            expected = f"smaller than the {gap:g} {rule.unit} between {rule.key} and {other.key}"
            yield Fault(file, f"{its_place}.deadband", one.deadband, expected)
