"""Derived quantities: what the probes do not measure but what follows from what they do.

A derived reading carries the worst flag of its inputs, the age of the oldest, a standard uncertainty by first-order
propagation (GUM, JCGM 100:2008, 5.1.2), and all it stands on down to what was measured, for people and programs.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import hypot

from brinewatch.moment import Moment, span_text
from brinewatch.quantities import QUANTITIES
from brinewatch.readings import Flag, Ingredient, Reading, quantity_of, stage_of
from brinewatch.seawater.pressure import barometer_doubt
from brinewatch.signals.flags import gross_range, worst
from brinewatch.signals.recipes import (
    ASSUMED_UNCERTAINTY,
    BY_KEY,
    CONSTANT_NAMES,
    CONSTANT_UNCERTAINTY,
    Input,
    Recipe,
)
from brinewatch.signals.uncertainty import contributions

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
    uncertainties: dict[str, float | None] = field(default_factory=dict)
    # what each input stands on itself; of something measured or taken as known, only itself
    stand_on: dict[str, tuple[Ingredient, ...]] = field(default_factory=dict)
    flags: list[Flag] = field(default_factory=list)
    reasons: list[str] = field(default_factory=list)
    said: list[str] = field(default_factory=list)
    age_s: float = 0.0


def derive(derivation: Derivation, readings: Mapping[str, Reading], now: Moment) -> Reading:
    """The derived reading at `now` from the newest readings by point."""
    recipe = BY_KEY[derivation.recipe]
    got = _Gathered(dict(derivation.constants))
    for one in recipe.inputs:
        _gather(one, derivation, readings, now, got)
    for name, uncertainty in CONSTANT_UNCERTAINTY.items():
        if name in derivation.constants:
            _add(got, name, derivation.constants[name], uncertainty, CONSTANT_NAMES[name])
    flag, value = worst(got.flags), None
    ingredients: tuple[Ingredient, ...] = ()
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
                ingredients = _ingredients(recipe, got, value)
    return Reading(
        point=derivation.point,
        quantity=quantity_of(derivation.point),
        value=value,
        raw=None,
        flag=flag,
        reason=" ".join(got.reasons),
        at=now,
        probe="derived",
        uncertainty=_together(ingredients) if ingredients else None,
        age_s=got.age_s,
        basis="; ".join([recipe.basis, f"from {', '.join(got.said)}"] if got.said else [recipe.basis]),
        ingredients=ingredients,
    )


def _ingredients(recipe: Recipe, got: _Gathered, value: float) -> tuple[Ingredient, ...]:
    """All the result stands on, each once: what reaches it by several ways counts with its sign (GUM 5.2.2)."""
    shares = contributions(recipe.work_out, got.values, got.uncertainties)
    found: dict[str, Ingredient] = {}
    for name, parts in got.stand_on.items():
        whole, share = got.uncertainties[name], shares[name]
        for part in parts:
            if whole is None or share is None or part.share is None:
                one = None
            else:
                one = share * part.share / whole if whole else 0.0
            _join(found, replace(part, share=one))
    try:
        own: float | None = recipe.own(got.values, value)
    except ValueError:
        own = None
    _join(found, Ingredient(recipe.source, None, 0.0, own))
    return tuple(found.values())


def _join(found: dict[str, Ingredient], new: Ingredient) -> None:
    before = found.get(new.name)
    if before is not None:
        both = None if before.share is None or new.share is None else before.share + new.share
        new = replace(new, age_s=max(before.age_s, new.age_s), share=both)
    found[new.name] = new


def _together(ingredients: Sequence[Ingredient]) -> float | None:
    shares = [one.share for one in ingredients if one.share is not None]
    return hypot(*shares) if len(shares) == len(ingredients) else None


def _add(got: _Gathered, key: str, value: float, uncertainty: float | None, name: str, age_s: float = 0.0) -> None:
    got.values[key] = value
    got.uncertainties[key] = uncertainty
    got.stand_on[key] = (Ingredient(name, value, age_s, uncertainty),)


def _gather(
    one: Input, derivation: Derivation, readings: Mapping[str, Reading], now: Moment, got: _Gathered
) -> None:
    """Take one input in: its value or what stands in for it, its flag, its age, and what there is to say of it."""
    name = QUANTITIES[one.quantity].name
    point = derivation.inputs.get(one.quantity)
    if point is None:
        _assume(one, derivation, got, "assumed as")
        return
    reading = readings.get(point)
    age = max(0.0, now.mono - reading.at.mono) + reading.age_s if reading else 0.0
    flag, problem = _usable(one, reading, age, derivation.constants)
    if reading is None or reading.value is None or problem:
        got.reasons.append(f"{name} ({point}): {problem}")
        if one.assumed:
            # a second-best value flagged SUSPECT keeps the alarm awake; the probe's own alarm says that it failed
            got.flags.append(Flag.SUSPECT)
            _assume(one, derivation, got, "not usable, taken as")
        else:
            got.flags.append(flag)
        return
    _add(got, one.quantity, reading.value, reading.uncertainty, point, age)
    if reading.ingredients:
        later = max(0.0, now.mono - reading.at.mono)
        got.stand_on[one.quantity] = tuple(
            part if part.value is None else replace(part, age_s=part.age_s + later) for part in reading.ingredients
        )
    got.flags.append(reading.flag)
    got.age_s = max(got.age_s, age)
    if reading.flag is not Flag.PASS and reading.reason:
        got.reasons.append(f"{name} ({point}): {reading.reason}")
    where = "" if stage_of(point) == stage_of(derivation.point) else f" of {stage_of(point)}"
    old = f" {_age_text(age)} old" if age > _STALE_WORTH_SAYING_S else ""
    got.said.append(f"{QUANTITIES[one.quantity].symbol}{where}{old}")


def _age_text(seconds: float) -> str:
    """Coarser than span_text: a text that changes with every reading is kept with every reading."""
    if seconds < 5400.0:
        return span_text(round(seconds / 60.0) * 60.0)
    return f"{seconds / 3600.0:.0f} h" if seconds < 172800.0 else f"{seconds / 86400.0:.0f} d"


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
    value, quantity = derivation.constants[one.assumed], QUANTITIES[one.quantity]
    unit = "" if one.quantity == "salinity" else f" {quantity.unit}"
    source = " by altitude" if one.quantity == "barometric_pressure" else ""
    _add(got, one.quantity, value, ASSUMED_UNCERTAINTY[one.assumed], f"{quantity.name}{source or ' assumed'}")
    got.said.append(f"{quantity.name} {how} {value:.{0 if one.quantity != 'temperature' else 1}f}{unit}{source}")
