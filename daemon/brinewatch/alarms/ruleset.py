"""Rule sets and the shed they are for: which rule watches which measuring point, and what the shed file changed.

Every point gets an alarm for its data and one for a rule that cannot be judged, asked for or not: none is silent.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import replace

from brinewatch.alarms.binding import Bound, Shed
from brinewatch.alarms.change import CHANGES, Override, changed
from brinewatch.alarms.events import Priority
from brinewatch.alarms.limits import limits_in_order
from brinewatch.alarms.links import Place, linked
from brinewatch.alarms.rulefile import RuleSet, Source, load_ruleset, load_sources
from brinewatch.alarms.rules import ANY, REPEAT_S, Alarm, Broken, Rule, Stale
from brinewatch.errors import ConfigurationError, Fault
from brinewatch.readings import stage_of

__all__ = ["Override", "RuleSet", "Source", "bind", "load_ruleset", "load_sources"]


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
    by_hand: Collection[str] = (),
) -> list[Alarm]:
    """Every alarm of the shed, the most urgent first.

    rulesets: each with the stages it is for, None for every stage; points: measuring point -> quantity;
    ages: seconds after which a point's value is no longer judged (three sampling periods, or how long a manual test
    holds), by default the age its data rule names; places: key path of each override in the shed file, `file`;
    stops: where each stage stands, to tell what hangs on what; by_hand: points that have an age but are read by no
    clock, so that no window of theirs is too short.
    A rule that needs another reading the shed has not is not bound; one that names a missing point is a fault.
    Within a rule set the most specific of like rules is bound: one that names the stage before one that does not,
    and for rules about data one that names the quantity before "any". Raises ConfigurationError with every fault.
    """
    ages = ages or {}
    plan = _Plan(rulesets, points)
    where = [*places, *(f"change[{index + 1}]" for index in range(len(places), len(overrides)))]
    after, faults = _override(plan.bound, list(zip(where, overrides, strict=False)), file, ages)
    faults += plan.faults
    for (point, its_file), rules in _by_set(after).items():
        faults += (
            replace(fault, key=f"{fault.key} at {point}")
            for fault in limits_in_order(its_file, [(rule.key, rule) for rule in rules])
        )
    max_ages = {point: _max_age(after, point, ages) for point in points}
    shed = Shed(points, max_ages, frozenset(ages) - frozenset(by_hand), stops or {})
    alarms = []
    for (point, _), (rule, its_file, note) in after.items():
        here = Bound(shed, point, its_file, rule.key, faults)
        condition = rule.condition.bound(here)
        if condition is None:
            continue  # the shed has no such second reading; a point that is named and missing is a fault
        only = None if rule.only is None else rule.only.bound(here)
        here_rule = replace(rule, condition=condition, only=only)
        alarms.append(Alarm(here_rule, point, points[point], max_ages[point], note))
    if faults:
        # one change is tried at every point it is for, and may be wrong at each in the same way
        raise ConfigurationError(list({str(fault): fault for fault in faults}.values()))
    alarms += [Alarm(BROKEN, point, quantity, max_ages[point]) for point, quantity in points.items()]
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
        for ruleset, _ in rulesets:
            if ruleset.based_on:
                expected = "its rules among these: load the file with load_rules"
                self.faults.append(Fault(ruleset.file, "based_on", ruleset.based_on, expected))
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


def _max_age(bound: _Bound, point: str, ages: Mapping[str, float]) -> float:
    if point in ages:
        return ages[point]
    return min(
        rule.condition.seconds
        for (where, _), (rule, _, _) in bound.items()
        if where == point and isinstance(rule.condition, Stale)
    )


def _most_specific(rules: Sequence[Rule], point: str, quantity: str) -> Iterator[Rule]:
    stage = stage_of(point)
    fitting = [
        rule for rule in rules if rule.quantity in (quantity, ANY) and (not rule.stages or stage in rule.stages)
    ]
    for rule in fitting:
        like = [
            other for other in fitting if other.condition.like == rule.condition.like and other.only == rule.only
        ]
        staged = any(other.stages for other in like)
        named = rule.about_data and any(other.quantity != ANY for other in like)
        if (rule.stages or not staged) and (rule.quantity != ANY or not named):
            yield rule


def _override(
    bound: _Bound, overrides: Sequence[tuple[str, Override]], file: str, ages: Mapping[str, float]
) -> tuple[_Bound, list[Fault]]:
    after, faults = dict(bound), []
    for place, one in overrides:
        at = [point for point, key in bound if key == one.rule]
        meant = [point for point in at if one.stages is None or stage_of(point) in one.stages]
        meant = [point for point in meant if one.points is None or point in one.points]
        if not at:
            keys = sorted({key for _, key in bound})
            faults.append(Fault(file, f"{place}.rule", one.rule, f"a rule in use: {', '.join(keys)}"))
        elif not meant:
            stages = ", ".join(dict.fromkeys(stage_of(point) for point in at))
            key, value, what = ("points", one.points, "points") if one.points else ("stages", one.stages, "stages")
            there = ", ".join(at) if one.points else stages
            faults.append(Fault(file, f"{place}.{key}", value, f"{what} this rule watches: {there}"))
        if one.enabled and all(getattr(one, key) is None for key in CHANGES):
            faults.append(Fault(file, place, "(a table)", f"something to change: {', '.join(CHANGES)}, enabled"))
        for point in meant:
            if (point, one.rule) not in after:
                continue
            rule, its_file, _ = after[point, one.rule]
            new, wrong = changed(rule, one)
            if one.stale_s is not None and not wrong and point in ages:
                expected = f"none: {point} is read or asked for so often that it is too old after {ages[point]:g} s"
                wrong = [("stale_s", one.stale_s, expected)]
            faults += [Fault(file, f"{place}.{key}", value, expected) for key, value, expected in wrong]
            if one.enabled:
                after[point, one.rule] = (new, its_file, one.why)
            elif not wrong:
                del after[point, one.rule]
    return after, faults


def _by_set(bound: _Bound) -> dict[tuple[str, str], list[Rule]]:
    """Rules of one file at one point: only those must stand in order, since two kinds of animal may differ."""
    groups: dict[tuple[str, str], list[Rule]] = defaultdict(list)
    for (point, _), (rule, file, _) in bound.items():
        groups[point, file].append(rule)
    return groups
