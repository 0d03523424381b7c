"""Rule sets and the shed they are for: which rule watches which measuring point, and what the shed file changed.

Every point gets an alarm for its data and one for a rule that cannot be judged, asked for or not: none is silent.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Annotated

from pydantic import Field

from brinewatch.alarms.events import Priority
from brinewatch.alarms.limits import limit_in_span, limits_in_order
from brinewatch.alarms.links import Place, linked
from brinewatch.alarms.rulefile import RuleSet, Source, load_ruleset, load_sources
from brinewatch.alarms.rules import ANY, REPEAT_S, Above, Alarm, Below, Broken, Rule, Stale
from brinewatch.errors import ConfigurationError, Fault
from brinewatch.quantities import QUANTITIES
from brinewatch.readings import stage_of
from brinewatch.settings import Settings

__all__ = ["Override", "RuleSet", "Source", "bind", "load_ruleset", "load_sources"]


class Override(Settings):
    """One rule changed for this shed, and why."""

    rule: str = Field(description="Key of the rule.")
    stages: list[str] | None = Field(default=None, description="Only in these stages; everywhere when left out.")
    limit: float | None = Field(default=None, description="Another limit.")
    unit: str | None = Field(
        default=None, description="Unit of limit and deadband; the quantity's own when left out."
    )
    deadband: float | None = Field(default=None, ge=0, description="Another deadband.")
    on_delay_s: float | None = Field(default=None, ge=0, le=604800, description="Another on-delay in seconds.")
    off_delay_s: float | None = Field(default=None, ge=0, le=604800, description="Another off-delay in seconds.")
    priority: Annotated[Priority, Field(strict=False)] | None = Field(default=None, description="Another priority.")
    enabled: bool = Field(default=True, description="false takes the rule out. Data alarms cannot be taken out.")
    why: str = Field(min_length=1, description="Why this shed differs; shown beside the alarm.")


NO_DATA = Rule(
    key="no-data", title="No trustworthy value", short="NO DATA", quantity=ANY, condition=Stale(30.0),
    priority=Priority.HIGH, on_delay_s=30.0, off_delay_s=10.0, repeat_s=REPEAT_S[Priority.HIGH],
    why="A point without data cannot be proven safe.",
    consequence="Whatever this point watches can fail unheard.",
    todo=("Look at probe and cable.", "Look at the animals until it reads again."),
    time_available="As long as what it watches happens to stay well.", source="built in", standing="judgement",
)  # fmt: skip
# what no rule file says of the air is said here: it is the one thing everything hangs on
NO_AIR_DATA = replace(
    NO_DATA, key="no-air-data", title="No trustworthy air pressure", short="NO AIR DATA", quantity="air_pressure",
    condition=Stale(5.0), priority=Priority.CRITICAL, on_delay_s=15.0, repeat_s=REPEAT_S[Priority.CRITICAL],
    todo=("Is the blower running?", "Look at probe and cable."), time_available="As if the air had stopped.",
)  # fmt: skip
BROKEN = Rule(
    key="rule-broken", title="A rule cannot be judged", short="RULE BROKEN", quantity=ANY, condition=Broken(),
    priority=Priority.HIGH, off_delay_s=60.0, repeat_s=REPEAT_S[Priority.HIGH],
    why="A rule that fails while it is judged watches nothing.",
    consequence="What the rule watches can fail unheard.",
    todo=("Look at the animals.", "Send the log to whoever keeps this program."),
    time_available="As long as what it watches happens to stay well.", source="built in", standing="judgement",
)  # fmt: skip


def bind(
    rulesets: Sequence[tuple[RuleSet, Collection[str] | None]],
    points: Mapping[str, str],
    overrides: Sequence[Override] = (),
    *,
    ages: Mapping[str, float] | None = None,
    places: Sequence[str] = (),
    file: str = "shed.toml",
    stops: Mapping[str, Place] | None = None,
) -> list[Alarm]:
    """Every alarm of the shed, the most urgent first.

    rulesets: each with the stages it is for, None for every stage; points: measuring point -> quantity;
    ages: seconds after which a point's value is no longer judged (three sampling periods, or how long a manual test
    holds), by default the age its data rule names; places: key path of each override in the shed file, `file`;
    stops: where each stage stands, to tell what hangs on what.
    Within a rule set the most specific of like rules is bound: one that names the stage before one that does not,
    and for rules about data one that names the quantity before "any". Raises ConfigurationError with every fault.
    """
    ages = ages or {}
    plan = _Plan(rulesets, points)
    where = [*places, *(f"change[{index + 1}]" for index in range(len(places), len(overrides)))]
    changed, faults = _override(plan.bound, list(zip(where, overrides, strict=False)), file)
    faults += plan.faults
    for (point, its_file), rules in _by_set(changed).items():
        faults += (
            replace(fault, key=f"{fault.key} at {point}")
            for fault in limits_in_order(its_file, [(rule.key, rule) for rule in rules])
        )
    if faults:
        # one change is tried at every point it is for, and may be wrong at each in the same way
        raise ConfigurationError(list({str(fault): fault for fault in faults}.values()))
    alarms = [
        Alarm(rule, point, points[point], plan.max_age(point, ages), note)
        for (point, _), (rule, _, note) in changed.items()
    ]
    alarms += [Alarm(BROKEN, point, quantity, plan.max_age(point, ages)) for point, quantity in points.items()]
    order = {point: index for index, point in enumerate(points)}
    alarms.sort(key=lambda alarm: (alarm.rule.priority.rank, order[alarm.point]))
    return linked(alarms, stops or {})


_Bound = dict[tuple[str, str], tuple[Rule, str, str]]  # (point, rule key) -> rule, file, note


class _Plan:
    """Which rule goes to which point, before the shed's own changes."""

    def __init__(
        self, rulesets: Sequence[tuple[RuleSet, Collection[str] | None]], points: Mapping[str, str]
    ) -> None:
        self.bound: _Bound = {}
        self.faults: list[Fault] = []
        for point, quantity in points.items():
            data: list[tuple[Rule, str]] = []
            for ruleset, stages in rulesets:
                if stages is not None and stage_of(point) not in stages:
                    continue
                for rule in _most_specific(ruleset.rules, point, quantity):
                    if isinstance(rule.condition, Stale):
                        data.append((rule, ruleset.file))
                    else:
                        self._add(point, rule, ruleset.file)
            data = data or [(NO_AIR_DATA if quantity == NO_AIR_DATA.quantity else NO_DATA, "built in")]
            named = [one for one in data if one[0].quantity != ANY] or data
            staged = [one for one in named if one[0].stages] or named
            for rule, its_file in staged:
                self._add(point, rule, its_file)

    def _add(self, point: str, rule: Rule, file: str) -> None:
        there = self.bound.get((point, rule.key))
        if there is None:
            self.bound[point, rule.key] = (rule, file, "")
        elif there[0] != rule:
            self.faults.append(
                Fault(file, rule.key, point, f"another key: {there[1]} has a rule of this name for the same point")
            )

    def max_age(self, point: str, ages: Mapping[str, float]) -> float:
        if point in ages:
            return ages[point]
        return min(
            rule.condition.seconds
            for (where, _), (rule, _, _) in self.bound.items()
            if where == point and isinstance(rule.condition, Stale)
        )


def _most_specific(rules: Sequence[Rule], point: str, quantity: str) -> Iterator[Rule]:
    stage = stage_of(point)
    fitting = [
        rule for rule in rules if rule.quantity in (quantity, ANY) and (not rule.stages or stage in rule.stages)
    ]
    for rule in fitting:
        like = [other for other in fitting if type(other.condition) is type(rule.condition)]
        staged = any(other.stages for other in like)
        named = rule.about_data and any(other.quantity != ANY for other in like)
        if (rule.stages or not staged) and (rule.quantity != ANY or not named):
            yield rule


def _override(bound: _Bound, overrides: Sequence[tuple[str, Override]], file: str) -> tuple[_Bound, list[Fault]]:
    changed, faults = dict(bound), []
    for place, one in overrides:
        at = [point for point, key in bound if key == one.rule]
        meant = [point for point in at if one.stages is None or stage_of(point) in one.stages]
        if not at:
            keys = sorted({key for _, key in bound})
            faults.append(Fault(file, f"{place}.rule", one.rule, f"a rule in use: {', '.join(keys)}"))
        elif not meant:
            stages = ", ".join(dict.fromkeys(stage_of(point) for point in at))
            faults.append(Fault(file, f"{place}.stages", one.stages, f"stages this rule watches: {stages}"))
        if one.enabled and all(getattr(one, key) is None for key in _CHANGES):
            faults.append(Fault(file, place, "(a table)", f"something to change: {', '.join(_CHANGES)}, enabled"))
        for point in meant:
            if (point, one.rule) not in changed:
                continue
            rule, its_file, _ = changed[point, one.rule]
            wrong = [Fault(file, f"{place}.{key}", value, expected) for key, value, expected in _wrong(rule, one)]
            faults += wrong
            if wrong:
                continue
            if one.enabled:
                changed[point, one.rule] = (_changed(rule, one), its_file, one.why)
            else:
                del changed[point, one.rule]
    return changed, faults


_CHANGES = ("limit", "deadband", "on_delay_s", "off_delay_s", "priority")


def _wrong(rule: Rule, one: Override) -> Iterator[tuple[str, object, str]]:
    if not one.enabled and isinstance(rule.condition, Stale):
        yield "enabled", False, "true: a point without data is never silent; give it another priority or delay"
    if not isinstance(rule.condition, (Below, Above)):
        for key, value in (("limit", one.limit), ("deadband", one.deadband), ("unit", one.unit)):
            if value is not None:
                yield key, value, f"none: {rule.key} has no limit"
        return
    quantity = QUANTITIES[rule.quantity]
    if one.unit is not None and not quantity.accepts(one.unit):
        yield "unit", one.unit, f"one of {', '.join([quantity.unit, *quantity.units])}"
        return
    after = _changed(rule, one)
    assert after.limit is not None
    for key, value, expected in limit_in_span(quantity, after.limit, after.deadband):
        yield key, value, expected


def _changed(rule: Rule, one: Override) -> Rule:
    condition, band = rule.condition, rule.deadband
    if isinstance(condition, (Below, Above)):
        quantity = QUANTITIES[rule.quantity]
        unit = one.unit or quantity.unit
        if one.limit is not None:
            condition = type(condition)(quantity.to_canonical(one.limit, unit))
        if one.deadband is not None:
            band = quantity.to_canonical(one.deadband, unit) - quantity.to_canonical(0.0, unit)
    priority = rule.priority if one.priority is None else one.priority
    # a rule that called as often as its priority asks goes on doing so under the new one
    repeat = REPEAT_S[priority] if rule.repeat_s == REPEAT_S[rule.priority] else rule.repeat_s
    return replace(
        rule,
        condition=condition,
        deadband=band,
        priority=priority,
        repeat_s=repeat,
        on_delay_s=rule.on_delay_s if one.on_delay_s is None else one.on_delay_s,
        off_delay_s=rule.off_delay_s if one.off_delay_s is None else one.off_delay_s,
    )


def _by_set(bound: _Bound) -> dict[tuple[str, str], list[Rule]]:
    """Rules of one file at one point: only those must stand in order, since two kinds of animal may differ."""
    groups: dict[tuple[str, str], list[Rule]] = defaultdict(list)
    for (point, _), (rule, file, _) in bound.items():
        groups[point, file].append(rule)
    return groups
