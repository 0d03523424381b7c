"""Derived quantities: what the probes do not measure but what follows from what they do.

A derived reading carries the worst flag of its inputs, the age of the oldest, a standard uncertainty by first-order
propagation (GUM, JCGM 100:2008, 5.1.2) and a line of text that says what it stands on.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from brinewatch.moment import Moment, span_text
from brinewatch.quantities import QUANTITIES
from brinewatch.readings import Flag, Reading, quantity_of, stage_of
from brinewatch.seawater.pressure import barometer_doubt, station_pressure_hPa
from brinewatch.signals.flags import gross_range, worst
from brinewatch.signals.recipes import (
    ASSUMED_UNCERTAINTY,
    BY_KEY,
    HEAD_SALINITY,
    HEAD_TEMPERATURE_C,
    RECIPES,
    Input,
    Recipe,
)
from brinewatch.signals.uncertainty import propagate

_STALE_WORTH_SAYING_S = 120.0


@dataclass(frozen=True, slots=True)
class Derivation:
    """One derived point: its recipe's key, where each input quantity comes from, and the constants it needs.

    An input that is not in `inputs` is taken from the constant its recipe names for it.
    """

    point: str
    recipe: str
    inputs: Mapping[str, str]
    constants: Mapping[str, float] = field(default_factory=dict)


@dataclass(slots=True)
class _Gathered:
    """The inputs of one derivation as they stand now."""

    values: dict[str, float]
    uncertainties: dict[str, float | None]
    flags: list[Flag]
    reasons: list[str]
    notes: list[str]
    age_s: float = 0.0


def derive(derivation: Derivation, readings: Mapping[str, Reading], now: Moment) -> Reading:
    """The derived reading at `now` from the newest readings by point."""
    recipe = BY_KEY[derivation.recipe]
    got = _Gathered(dict(derivation.constants), {}, [], [], [recipe.basis])
    for one in recipe.inputs:
        _gather(one, derivation, readings, now, got)
    flag, value, uncertainty = worst(got.flags), None, None
    if flag.usable:
        try:
            value = recipe.work_out(got.values)
        except ValueError as error:
            flag, got.reasons = Flag.FAIL, [f"Cannot be worked out: {error}."]
        else:
            verdict, problem = gross_range(value, QUANTITIES[quantity_of(derivation.point)])
            flag = worst((flag, verdict))
            if verdict is Flag.FAIL:
                got.reasons = [problem]
            else:
                uncertainty = propagate(recipe.work_out, got.values, got.uncertainties, recipe.relative * value)
    return Reading(
        point=derivation.point,
        quantity=quantity_of(derivation.point),
        value=value,
        raw=None,
        flag=flag,
        reason=" ".join(got.reasons),
        at=now,
        probe="derived",
        uncertainty=uncertainty,
        age_s=got.age_s,
        basis=", ".join(note for note in got.notes if note),
    )


def _gather(
    one: Input, derivation: Derivation, readings: Mapping[str, Reading], now: Moment, got: _Gathered
) -> None:
    """Take one input in: its value or what stands in for it, its flag, its age, and what there is to say of it."""
    name = QUANTITIES[one.quantity].name
    point = derivation.inputs.get(one.quantity)
    if point is None:
        _assume(one, derivation, got, f"{name} assumed")
        return
    reading = readings.get(point)
    age = max(0.0, now.mono - reading.at.mono) + reading.age_s if reading else 0.0
    flag, problem = _usable(one, reading, age, derivation.constants)
    if reading is None or reading.value is None or problem:
        got.reasons.append(f"{name} ({point}): {problem}")
        if one.assumed:
            # a second-best value flagged SUSPECT keeps the alarm awake; the probe's own alarm says that it failed
            got.flags.append(Flag.SUSPECT)
            _assume(one, derivation, got, f"{name} not usable, taken")
        else:
            got.flags.append(flag)
        return
    got.values[one.quantity] = reading.value
    got.uncertainties[one.quantity] = reading.uncertainty
    got.flags.append(reading.flag)
    got.age_s = max(got.age_s, age)
    if reading.flag is not Flag.PASS and reading.reason:
        got.reasons.append(f"{name} ({point}): {reading.reason}")
    if stage_of(point) != stage_of(derivation.point):
        got.notes.append(f"{name} from {stage_of(point)}")
    if age > _STALE_WORTH_SAYING_S:
        got.notes.append(f"{QUANTITIES[one.quantity].symbol} {span_text(age)} old")


def _usable(one: Input, reading: Reading | None, age: float, constants: Mapping[str, float]) -> tuple[Flag, str]:
    """The flag the input brings, and why it cannot be used ("" when it can)."""
    if reading is None:
        return Flag.MISSING, "not read yet."
    if not reading.flag.usable:
        return reading.flag, reading.reason or "no value."
    if reading.value is None:
        return Flag.MISSING, reading.reason or "no value."
    if age > one.oldest_s:
        return Flag.MISSING, f"{span_text(age)} old."
    if one.quantity == "barometric_pressure":
        doubt = barometer_doubt(reading.value, constants["altitude_m"])
        if doubt:
            return Flag.SUSPECT, f"{doubt}."
    return reading.flag, ""


def _assume(one: Input, derivation: Derivation, got: _Gathered, how: str) -> None:
    value = derivation.constants[one.assumed]
    unit = "" if one.quantity == "salinity" else f" {QUANTITIES[one.quantity].unit}"
    source = " by altitude" if one.quantity == "barometric_pressure" else ""
    got.values[one.quantity] = value
    got.uncertainties[one.quantity] = ASSUMED_UNCERTAINTY[one.assumed]
    got.notes.append(f"{how} as {value:.{0 if one.quantity != 'temperature' else 1}f}{unit}{source}")


def plan(
    measured: Collection[str],
    wanted: Iterable[str],
    order: Sequence[str],
    *,
    altitude_m: float,
    depths_m: Mapping[str, float] | None = None,
) -> tuple[list[Derivation], dict[str, str]]:
    """How each wanted point is worked out from the measured ones, and why some cannot be.

    measured, wanted: points ("stage.quantity"); order: stage keys as the water runs, to tell which is nearest (a
    stage it leaves out is far from all); altitude_m: of the shed; depths_m: deepest diffuser of each stage that has
    one. Returns the derivations, each after those it stands on (a salinity worked out for another quantity's sake
    is among them), and for every point that cannot be worked out what was expected.
    """
    planner = _Planner(measured, order, altitude_m, depths_m or {})
    missing = {}
    for point in wanted:
        if point not in planner.measured and not planner.reach(point, frozenset()):
            missing[point] = planner.expected(point)
    return list(planner.made.values()), missing


class _Planner:
    """Finds, for each point, the first recipe whose inputs are all within reach."""

    def __init__(
        self, measured: Collection[str], order: Sequence[str], altitude_m: float, depths_m: Mapping[str, float]
    ) -> None:
        self.measured = frozenset(measured)
        self.made: dict[str, Derivation] = {}
        others = sorted({stage_of(point) for point in measured} - set(order))
        self._place = {stage: number for number, stage in enumerate([*order, *others])}
        self._depths = depths_m
        self._constants = {
            "altitude_m": altitude_m,
            "station_pressure_hPa": station_pressure_hPa(altitude_m),
            "head_salinity": HEAD_SALINITY,
            "head_temperature_C": HEAD_TEMPERATURE_C,
        }

    def reach(self, point: str, above: frozenset[str]) -> bool:
        """Whether the point is measured or can be worked out; then its derivation is among those made."""
        if point in self.measured or point in self.made:
            return True
        if point in above:
            return False
        for recipe in RECIPES:
            if recipe.output == quantity_of(point):
                before = dict(self.made)
                inputs, lacking = self._inputs(recipe, point, above | {point})
                if not lacking:
                    constants = self._needed(recipe, inputs, stage_of(point))
                    self.made[point] = Derivation(point, recipe.key, inputs, constants)
                    return True
                self.made = before
        return False

    def expected(self, point: str) -> str:
        """What would make the point known, in words that fit after "expected"."""
        ways = []
        for recipe in RECIPES:
            if recipe.output == quantity_of(point):
                before = dict(self.made)
                lacking = self._inputs(recipe, point, frozenset({point}))[1]
                self.made = before
                needs = " and ".join(QUANTITIES[one.quantity].name for one in recipe.inputs if not one.assumed)
                ways.append(f"or {needs}, to work it out from (missing: {', '.join(lacking)})")
        return ", ".join(["a probe channel that feeds it", *ways])

    def _inputs(self, recipe: Recipe, point: str, above: frozenset[str]) -> tuple[dict[str, str], list[str]]:
        """Where each input comes from, and what is lacking."""
        found, lacking = {}, []
        here = stage_of(point)
        deepest = self._deepest(here) if recipe.output == "air_rise" else here
        if deepest is None:
            lacking.append("diffuser_depth_m of a stage")
        for one in recipe.inputs:
            source = self._find(one, here if not one.nearest else deepest or here, above)
            if source is not None:
                found[one.quantity] = source
            elif not one.assumed:
                lacking.append(one.quantity if one.nearest else f"{one.quantity} in this stage")
        return found, lacking

    def _find(self, one: Input, stage: str, above: frozenset[str]) -> str | None:
        stages = [stage]
        if one.nearest:
            here = self._place.get(stage, 0)
            others = [other for other in self._place if other != stage]
            # of two as near, the one upstream: its water comes here
            stages += sorted(others, key=lambda other: (abs(self._place[other] - here), self._place[other]))
        points = (f"{place}.{one.quantity}" for place in stages)
        return next((point for point in points if self.reach(point, above)), None)

    def _deepest(self, stage: str) -> str | None:
        """The stage whose diffuser sets the pressure: this one's own, or the deepest of all on the manifold."""
        if stage in self._depths:
            return stage
        return max(self._depths, key=lambda other: self._depths[other], default=None)

    def _needed(self, recipe: Recipe, inputs: Mapping[str, str], stage: str) -> dict[str, float]:
        names = {one.assumed for one in recipe.inputs if one.assumed}
        if "barometric_pressure" in inputs:
            names.add("altitude_m")
        constants = {name: self._constants[name] for name in sorted(names)}
        if recipe.output == "air_rise":
            constants["depth_m"] = self._depths[self._deepest(stage) or stage]
        return constants
