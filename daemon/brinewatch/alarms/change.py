"""What a shed file may change of a rule: its numbers, its delays, its priority and when it counts, saying why."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Annotated, Any

from pydantic import Field, ValidationError

from brinewatch.alarms.events import Priority
from brinewatch.alarms.memory import LONGEST_DELAY_S
from brinewatch.alarms.rules import ANY, REPEAT_S, Condition, Rule, Stale
from brinewatch.alarms.when import HEADS, LIMIT_OF, Reader, amount, read_only
from brinewatch.alarms.written import OnlySettings, When
from brinewatch.quantities import QUANTITIES
from brinewatch.settings import Settings, faults_of

Wrong = tuple[str, object, str]  # key, value, expected


class Override(Settings):
    """One rule changed for this shed, and why."""

    rule: str = Field(description="Key of the rule.")
    stages: list[str] | None = Field(default=None, description="Only in these stages; everywhere when left out.")
    points: list[str] | None = Field(
        default=None, description="Only at these points (stage.quantity); everywhere when left out."
    )
    part: str | None = Field(
        default=None,
        pattern=r"^[1-9][0-9]*(\.[1-9][0-9]*)*$",
        description='Which part of a combination the numbers are for, counted from 1: "2", or "2.1" inside it.',
    )
    limit: float | None = Field(default=None, description="Another limit.")
    unit: str | None = Field(
        default=None, description="Unit of limit and deadband; the quantity's own when left out."
    )
    deadband: float | None = Field(default=None, ge=0, description="Another deadband.")
    of: float | None = Field(default=None, description="Another limit of what is counted.")
    stale_s: float | None = Field(
        default=None, description="Another age at which a value entered by hand is too old, in seconds."
    )
    over_s: float | None = Field(default=None, description="Another window of a rate or a count, in seconds.")
    flat_s: float | None = Field(default=None, description="Another time a flat reading must be flat, in seconds.")
    within_s: float | None = Field(default=None, description="Another time ahead of a forecast, in seconds.")
    overdue_s: float | None = Field(default=None, description="Another time after which it is overdue, in seconds.")
    for_s: float | None = Field(default=None, description="Another delay of a part, in seconds.")
    only: OnlySettings | None = Field(default=None, description="Other times at which the rule counts.")
    on_delay_s: float | None = Field(
        default=None, ge=0, le=LONGEST_DELAY_S, description="Another on-delay in seconds."
    )
    off_delay_s: float | None = Field(
        default=None, ge=0, le=LONGEST_DELAY_S, description="Another off-delay in seconds."
    )
    priority: Annotated[Priority, Field(strict=False)] | None = Field(default=None, description="Another priority.")
    enabled: bool = Field(default=True, description="false takes the rule out. Data alarms cannot be taken out.")
    why: str = Field(min_length=1, description="Why this shed differs; shown beside the alarm.")


_NUMBERS = ("limit", "deadband", "of", "stale_s", "over_s", "flat_s", "within_s", "overdue_s", "for_s")
CHANGES = (*_NUMBERS, "only", "on_delay_s", "off_delay_s", "priority")


def changed(rule: Rule, one: Override) -> tuple[Rule, list[Wrong]]:
    """The rule as this shed wants it, and what is wrong with that (then the rule comes back as it was)."""
    faults: list[Wrong] = []
    if not one.enabled and isinstance(rule.condition, Stale):
        why = "true: a point without data is never silent; give it another priority or delay"
        faults.append(("enabled", False, why))
    condition, band = _condition(rule, one, faults)
    only = rule.only
    if one.only is not None:
        only = read_only(one.only, lambda key, value, expected: faults.append((key, value, expected)))
    if faults:
        return rule, faults
    priority = rule.priority if one.priority is None else one.priority
    # a rule that called as often as its priority asks goes on doing so under the new one
    repeat = REPEAT_S[priority] if rule.repeat_s == REPEAT_S[rule.priority] else rule.repeat_s
    return replace(
        rule,
        condition=condition,
        deadband=band,
        only=only,
        priority=priority,
        repeat_s=repeat,
        on_delay_s=rule.on_delay_s if one.on_delay_s is None else one.on_delay_s,
        off_delay_s=rule.off_delay_s if one.off_delay_s is None else one.off_delay_s,
    ), []


def _condition(rule: Rule, one: Override, faults: list[Wrong]) -> tuple[Condition, float]:
    """The condition with other numbers: written out, changed, and read again by what reads a rule file."""
    asked = {key: getattr(one, key) for key in _NUMBERS if getattr(one, key) is not None}
    if not asked and one.part is None and one.unit is None:
        return rule.condition, rule.deadband
    table = rule.condition.spelled(rule.quantity)
    outer = {"when": table, "deadband": rule.deadband}
    target, quantity_key = _part(table, one.part, rule.quantity)
    if target is None:
        faults.append(("part", one.part, f"a part of {rule.key}"))
        return rule.condition, rule.deadband
    head = next(key for key in HEADS if key in target and not (key == "state" and "starts_more_than" in target))
    faults += _numbers(rule, one, asked, head, target, outer, quantity_key)
    if faults:
        return rule.condition, rule.deadband
    return _read(rule, one, head, outer, faults)


def _part(table: dict[str, Any], part: str | None, quantity: str) -> tuple[dict[str, Any] | None, str]:
    """The table of a part by its number, and whose quantity it is of."""
    for place in part.split(".") if part else ():
        parts = table.get("all") or table.get("any") or ([table["not"]] if "not" in table else [])
        if not 0 < int(place) <= len(parts):
            return None, quantity
        table = parts[int(place) - 1]
        asked = table.get("quantity") or table.get("point")
        quantity = asked.rpartition(".")[2] if asked else quantity
    return table, quantity


def _numbers(
    rule: Rule, one: Override, asked: dict[str, float], head: str, target: dict[str, Any], outer: dict[str, Any],
    quantity_key: str,
) -> Iterator[Wrong]:  # fmt: skip
    """Put the numbers asked for where they belong; yields those that belong nowhere."""
    quantity = QUANTITIES.get(quantity_key)
    unit = one.unit or (quantity.unit if quantity else "")
    measured = HEADS[head].measured or "of" in target
    if one.unit is not None and not measured:
        yield "unit", one.unit, f"none: {rule.key} has no limit"
        return
    if quantity is not None and measured and not quantity.accepts(unit):
        yield "unit", one.unit, f"one of {', '.join([quantity.unit, *quantity.units])}"
        return
    for key, value in asked.items():
        if key == "limit":
            name = LIMIT_OF.get(head)
            if name is None:
                yield key, value, f"none: {rule.key} has no limit"
            elif name == "starts_more_than":
                if value != int(value):
                    yield key, value, "a whole number"
                target[name] = int(value)
            else:
                assert quantity is not None
                zero_point = name in ("below", "above", "forecast_below", "forecast_above")
                target[name] = quantity.to_canonical(value, unit) if zero_point else amount(quantity, value, unit)
        elif key == "deadband":
            if not measured or head == "flat_s" or head.startswith("forecast"):
                yield key, value, f"none: {rule.key} has no limit"
            elif quantity is not None:
                (outer if one.part is None else target)["deadband"] = amount(quantity, value, unit)
        elif key == "of" and isinstance(target.get("of"), dict):
            assert quantity is not None
            target["of"] = dict.fromkeys(target["of"], quantity.to_canonical(value, unit))
        elif key == "for_s" and one.part is not None:
            target["for_s"] = value
        elif key == "for_s":
            yield key, value, "a part, named by its number, to give this delay; the rule itself has on_delay_s"
        elif key not in target:
            yield key, value, f"none: {rule.key} has no {key}"
        else:
            target[key] = value


def _read(
    rule: Rule, one: Override, head: str, outer: dict[str, Any], faults: list[Wrong]
) -> tuple[Condition, float]:
    def say(key: str, value: object, expected: str) -> None:
        last = key.rpartition(".")[2]
        faults.append(("limit" if last == LIMIT_OF.get(head) or last == head else last, value, expected))

    try:
        when = When.model_validate(outer["when"])
    except ValidationError as error:
        for fault in faults_of(error, ""):
            say(fault.key, fault.value, fault.expected)
        return rule.condition, rule.deadband
    quantity = QUANTITIES.get(rule.quantity)
    unit = quantity.unit if quantity is not None and rule.quantity != ANY else ""
    made = Reader(rule.quantity, unit, outer["deadband"], say).read(when)
    return made or (rule.condition, rule.deadband)
