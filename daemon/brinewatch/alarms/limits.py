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
    """Faults between limits of one quantity: the less urgent is crossed first, and every alarm can clear."""
    limited = [(place, rule) for place, rule in rules if isinstance(rule.condition, (Below, Above))]
    for place, rule in limited:
        where = f"{place}.when.{name_of(rule.condition)}"
        for other_place, other in limited:
            if other is rule or other.quantity != rule.quantity or other.stages != rule.stages:
                continue
            limit, other_limit = _limit(rule), _limit(other)
            if type(other.condition) is type(rule.condition):
                sign = 1 if isinstance(rule.condition, Below) else -1
                if rule.priority.rank < other.priority.rank and sign * limit >= sign * other_limit:
                    beyond = "below" if sign == 1 else "above"
                    yield Fault(
                        file, where, limit,
                        f"{beyond} the less urgent {other.key} ({other_limit:g} {rule.unit}, {other_place})",
                    )  # fmt: skip
            elif isinstance(rule.condition, Below):
                if limit >= other_limit:
                    yield Fault(
                        file,
                        where,
                        limit,
                        f"below the high limit {other.key} ({other_limit:g} {rule.unit}, {other_place})",
                    )
                    continue
                gap = other_limit - limit
                for one, its_place in ((rule, place), (other, other_place)):
                    if one.deadband >= gap:
                        yield Fault(
                            file, f"{its_place}.deadband", one.deadband,
                            f"smaller than the {gap:g} {rule.unit} between {rule.key} and {other.key}",
                        )  # fmt: skip


def _limit(rule: Rule) -> float:
    assert rule.limit is not None
    return rule.limit


def name_of(condition: object) -> str:
    """A condition's key in a rule file."""
    return type(condition).__name__.lower()
