"""Standard uncertainty: by hand, by chance, and by the `uncertainties` package for every recipe."""

from __future__ import annotations

import math
import random
import statistics
from collections.abc import Callable, Mapping
from dataclasses import replace

import pytest
import uncertainties
from uncertainties import UFloat, ufloat, umath

from brinewatch.moment import Moment
from brinewatch.readings import Flag, Reading, quantity_of
from brinewatch.seawater import ammonia, carbonate, density, electrode, oxygen, ph, salinity
from brinewatch.signals.derived import derive
from brinewatch.signals.planning import plan
from brinewatch.signals.recipes import BY_KEY, RECIPES, Recipe
from brinewatch.signals.uncertainty import contributions, propagate

NOW = Moment(50_000.0, 1_700_000_000.0, True)

# Waters a shed may hold, by quantity, and what a looked-after probe of it is worth
SPAN = {
    "oxygen": (1.0, 13.0, 0.1), "oxygen_saturation": (10.0, 160.0, 1.5), "temperature": (2.0, 30.0, 0.2),
    "salinity": (18.0, 40.0, 0.5), "barometric_pressure": (880.0, 1045.0, 1.0), "ph": (7.2, 8.6, 0.05),
    "ph_total": (7.1, 8.5, 0.02), "ph_potential": (-100.0, -10.0, 2.0), "tan": (0.05, 5.0, 0.1),
    "specific_conductance": (25.0, 55.0, 0.4), "conductivity": (20.0, 42.0, 0.3), "alkalinity": (1.2, 4.5, 0.1),
    "gas_excess": (-60.0, 200.0, 3.0), "air_pressure": (8.0, 30.0, 0.1), "depth_m": (0.3, 2.0, 0.02),
}  # fmt: skip


def water(recipe: Recipe, dice: random.Random) -> tuple[dict[str, float], dict[str, float | None]]:
    names = [one.quantity for one in recipe.inputs] + (["depth_m"] if recipe.output == "air_rise" else [])
    values = {name: dice.uniform(*SPAN[name][:2]) for name in names}
    return values, {name: SPAN[name][2] * dice.uniform(0.2, 1.5) for name in names}


def as_one_function(recipe: Recipe, names: list[str]) -> Callable[..., float]:
    return lambda *arguments: recipe.work_out(dict(zip(names, arguments, strict=True)))


@pytest.mark.parametrize("recipe", RECIPES, ids=lambda one: one.key)
def test_every_recipe_within_a_percent_of_the_uncertainties_package(recipe: Recipe) -> None:
    # uncertainties 3.2 (Lebigot): first-order propagation with derivatives of its own making
    dice = random.Random(recipe.key)
    for _ in range(60):
        values, spread = water(recipe, dice)
        names = list(values)
        given = [ufloat(values[name], spread[name]) for name in names]
        reference = uncertainties.wrap(as_one_function(recipe, names))(*given)
        assert recipe.work_out(values) == pytest.approx(reference.nominal_value, rel=1e-12)
        found = propagate(recipe.work_out, values, spread)
        assert found == pytest.approx(reference.std_dev, rel=0.01), values
        parts = contributions(recipe.work_out, values, spread)
        for name, one in zip(names, given, strict=True):
            # each input's own part as well, for those that matter
            part = reference.derivatives[one] * spread[name]
            assert parts[name] == pytest.approx(part, rel=0.01, abs=1e-3 * reference.std_dev)


@pytest.mark.parametrize("recipe", RECIPES, ids=lambda one: one.key)
def test_a_derived_reading_is_the_package_with_the_formulation_added(recipe: Recipe) -> None:
    dice = random.Random(f"{recipe.key} read")
    for _ in range(20):
        values, spread = water(recipe, dice)
        spread["depth_m"] = 0.02
        measured = [name for name in values if name != "depth_m"]
        now = {f"tank.{name}": reading(f"tank.{name}", values[name], spread[name]) for name in measured}
        depths = {"tank": values["depth_m"]} if "depth_m" in values else {}
        made, missing = plan(now.keys(), [f"tank.{recipe.output}"], ["tank"], altitude_m=300, depths_m=depths)
        assert not missing
        assert [one.recipe for one in made] == [recipe.key]
        if "barometric_pressure" in values:
            now["tank.barometric_pressure"] = reading("tank.barometric_pressure", 975.0, 1.0)
            values["barometric_pressure"], spread["barometric_pressure"] = 975.0, 1.0
        names = list(values)
        given = [ufloat(values[name], spread[name]) for name in names]
        reference = uncertainties.wrap(as_one_function(recipe, names))(*given)
        own = recipe.own(values, reference.nominal_value)
        found = derive(made[0], now, NOW)
        assert found.value == pytest.approx(reference.nominal_value, rel=1e-12)
        assert found.uncertainty == pytest.approx(math.hypot(reference.std_dev, own), rel=0.01)


def reading(point: str, value: float, uncertainty: float | None) -> Reading:
    return Reading(point, quantity_of(point), value, value, Flag.PASS, "", NOW, "p", uncertainty=uncertainty)


def derived(measured: Mapping[str, tuple[float, float]], point: str) -> Reading:
    now = {name: reading(name, value, spread) for name, (value, spread) in measured.items()}
    made, missing = plan(now.keys(), [point], ["tank"], altitude_m=0)
    assert not missing
    for one in made:
        now[one.point] = derive(one, now, NOW)
    return now[point]


# The same equations once more, written so that the package follows every step -----------------------------------


def benson_krause(t: UFloat, s: UFloat, p: UFloat) -> UFloat:
    # Benson & Krause 1980 and 1984, as USGS OWQ Technical Memorandum 2011.03 prints them
    kelvin = t + 273.15
    fresh = umath.exp(
        -139.34411 + 1.575701e5 / kelvin - 6.642308e7 / kelvin**2 + 1.2438e10 / kelvin**3 - 8.621949e11 / kelvin**4
    )
    salt = umath.exp(-s * (0.017674 - 10.754 / kelvin + 2140.7 / kelvin**2))
    theta = 0.000975 - 1.426e-5 * t + 6.436e-8 * t**2
    u = umath.exp(11.8571 - 3840.70 / kelvin - 216961 / kelvin**2)
    atm = p / 1013.25
    return fresh * salt * (atm - u) * (1 - theta * atm) / ((1 - u) * (1 - theta))


def test_saturation_followed_step_by_step() -> None:
    dice = random.Random(5)
    for _ in range(50):
        o, t, s = dice.uniform(2, 12), dice.uniform(2, 30), dice.uniform(0, 40)
        measured = {"tank.oxygen": (o, 0.1), "tank.temperature": (t, 0.3), "tank.salinity": (s, 0.6),
                    "tank.barometric_pressure": (1005.0, 1.5)}  # fmt: skip
        reference = (
            100
            * ufloat(o, 0.1)
            / benson_krause(ufloat(t, 0.3), ufloat(s, 0.6), ufloat(1005, 1.5))
            * ufloat(1, 0.001)
        )
        found = derived(measured, "tank.oxygen_saturation")
        assert found.value == pytest.approx(reference.nominal_value, rel=1e-9)
        assert found.uncertainty == pytest.approx(reference.std_dev, rel=1e-4)


def test_ammonia_followed_step_by_step() -> None:
    # US EPA 1989, EPA 440/5-88-004
    dice = random.Random(6)
    for _ in range(50):
        n, acid, t, s = dice.uniform(0.1, 4), dice.uniform(7.4, 8.6), dice.uniform(2, 28), dice.uniform(20, 38)
        tan, value, kelvin, salt = ufloat(n, 0.1 * n), ufloat(acid, 0.05), ufloat(t, 0.2) + 273.15, ufloat(s, 0.5)
        strength = 19.9273 * salt / (1000 - 1.005109 * salt)
        pka = 9.245 + 0.116 * strength + 0.0324 * (298 - kelvin) + 0.0415 / kelvin
        reference = tan / (1 + 10 ** (pka - value)) * ufloat(1, ammonia.relative_spread(t, s, acid))
        measured = {"tank.tan": (n, 0.1 * n), "tank.ph": (acid, 0.05), "tank.temperature": (t, 0.2),
                    "tank.salinity": (s, 0.5)}  # fmt: skip
        found = derived(measured, "tank.nh3_n")
        assert found.value == pytest.approx(reference.nominal_value, rel=1e-9)
        assert found.uncertainty == pytest.approx(reference.std_dev, rel=1e-3)


# What reaches a result by two ways ------------------------------------------------------------------------------


def test_a_chain_counts_one_thermometer_once() -> None:
    # the temperature makes the salinity and the saturation: the package keeps the two together, and so must this
    dice = random.Random(8)
    pss = uncertainties.wrap(salinity.salinity_from_specific_conductance)
    apart = 0.0
    for _ in range(40):
        o, t, c = dice.uniform(3, 11), dice.uniform(4, 28), dice.uniform(35, 52)
        warm = ufloat(t, 0.5)
        salt = pss(ufloat(c, 0.1), warm) + ufloat(0, salinity.specific_conductance_uncertainty(c, t))
        air = ufloat(1008.0, 1.0)
        reference = 100 * ufloat(o, 0.02) / benson_krause(warm, salt, air) * ufloat(1, oxygen.RELATIVE_UNCERTAINTY)
        measured = {"tank.oxygen": (o, 0.02), "tank.temperature": (t, 0.5), "tank.specific_conductance": (c, 0.1),
                    "tank.barometric_pressure": (1008.0, 1.0)}  # fmt: skip
        found = derived(measured, "tank.oxygen_saturation")
        assert found.value == pytest.approx(reference.nominal_value, rel=1e-6)
        assert found.uncertainty == pytest.approx(reference.std_dev, rel=1e-3)
        # taken for two thermometers the answer is another one
        alone = 100 * ufloat(o, 0.02) / benson_krause(warm, ufloat(salt.n, salt.s), air)
        apart = max(apart, abs(alone.std_dev / reference.std_dev - 1))
    assert apart > 0.02


def test_carbon_dioxide_from_an_nbs_ph_by_way_of_the_total_scale() -> None:
    # the shift of scale (fH) is the largest part: 10 % either way, evenly, is 5.8 %
    t, s, nbs, meq = 12.0, 33.0, 7.9, 2.3
    warm, salt = ufloat(t, 0.2), ufloat(s, 0.5)
    to_total, amount = uncertainties.wrap(ph.total_from_nbs), uncertainties.wrap(carbonate.umol_kg_from_meq_L)
    total = to_total(ufloat(nbs, 0.03), warm, salt) + ufloat(0, ph.NBS_SHIFT_UNCERTAINTY)
    alkalinity = amount(ufloat(meq, 0.05), warm, salt)
    co2 = uncertainties.wrap(lambda *a: carbonate.from_ph_and_alkalinity(*a).co2_mg_per_litre)
    constants = carbonate.co2_relative_uncertainty(total.n, alkalinity.n, t, s)
    reference = co2(total, alkalinity, warm, salt) * ufloat(1, constants)
    measured = {"tank.ph": (nbs, 0.03), "tank.alkalinity": (meq, 0.05), "tank.temperature": (t, 0.2),
                "tank.salinity": (s, 0.5)}  # fmt: skip
    found = derived(measured, "tank.co2")
    assert found.value == pytest.approx(reference.nominal_value, rel=1e-9)
    assert found.uncertainty == pytest.approx(reference.std_dev, rel=1e-3)
    shares = {one.name: abs(one.share or 0.0) / found.value for one in found.ingredients}
    # borate takes a share of the alkalinity that follows the pH, which makes it a little more
    assert 0.058 < shares["fH of Takahashi 1982"] < 0.066
    assert shares["Lueker 2000"] == pytest.approx(constants, rel=1e-6)


@pytest.mark.parametrize("percent", [100.0, 60.0])
def test_one_formulation_used_twice_is_one_error(percent: float) -> None:
    # mg/L from a percent, then what is lacking or its tension: a solubility wrong by 0.1 % is wrong in both
    measured = {"tank.oxygen_saturation": (percent, 0.0), "tank.temperature": (12.0, 0.0),
                "tank.salinity": (33.0, 0.0), "tank.barometric_pressure": (1013.0, 0.0)}  # fmt: skip
    lacking = derived(measured, "tank.oxygen_deficit")
    assert lacking.uncertainty == pytest.approx(0.001 * lacking.value, abs=1e-9)
    assert [one.name for one in lacking.ingredients].count("Benson & Krause 1984") == 1
    assert derived(measured, "tank.oxygen_tension").uncertainty == pytest.approx(0.0, abs=1e-6)
    alone = derived(
        {"tank.ph_total": (8.0, 0.0), "tank.temperature": (12.0, 0.0), "tank.salinity": (33.0, 0.0)}, "tank.ph"
    )
    assert alone.uncertainty == pytest.approx(ph.NBS_SHIFT_UNCERTAINTY, rel=1e-9)


# By hand and by chance ------------------------------------------------------------------------------------------


def test_propagation_by_hand() -> None:
    # GUM 5.1.2 on a * b^2 at (3, 2): slopes 4 and 12; u = sqrt((4*0.1)^2 + (12*0.05)^2 + 0.3^2)
    found = propagate(lambda v: v["a"] * v["b"] ** 2, {"a": 3.0, "b": 2.0}, {"a": 0.1, "b": 0.05}, 0.3)
    assert found == pytest.approx((0.16 + 0.36 + 0.09) ** 0.5, rel=1e-6)


def test_an_unknown_uncertainty_stays_unknown() -> None:
    known = {"tank.oxygen": (8.0, 0.1), "tank.temperature": (12.0, 0.2), "tank.salinity": (33.0, 0.5)}
    assert derived(known, "tank.oxygen_saturation").uncertainty is not None
    now = {name: reading(name, value, spread) for name, (value, spread) in known.items()}
    now["tank.salinity"] = replace(now["tank.salinity"], uncertainty=None)
    made, _ = plan(now.keys(), ["tank.oxygen_saturation"], ["tank"], altitude_m=0)
    found = derive(made[0], now, NOW)
    assert found.value is not None
    assert found.uncertainty is None
    unknown = [one.name for one in found.ingredients if one.share is None]
    assert unknown == ["tank.salinity"]
    assert contributions(lambda v: v["x"], {"x": 1.0}, {"x": None}) == {"x": None}


def test_a_one_sided_derivative_at_the_end_of_a_range() -> None:
    def root(values: Mapping[str, float]) -> float:
        if values["x"] < 0:
            raise ValueError("x = below 0")
        return 3 * values["x"]

    assert propagate(root, {"x": 0.0}, {"x": 0.2}) == pytest.approx(0.6, rel=1e-9)


def test_no_derivative_at_all_is_unknown_not_nothing() -> None:
    def only_here(values: Mapping[str, float]) -> float:
        if values["x"] != 1.0:
            raise ValueError("x = elsewhere")
        return 5.0

    assert propagate(only_here, {"x": 1.0}, {"x": 0.2}) is None


@pytest.mark.parametrize("recipe", RECIPES, ids=lambda one: one.key)
def test_propagation_against_chance(recipe: Recipe) -> None:
    # GUM supplement 1 (JCGM 101:2008): the spread of 4000 draws; its own error is 1.1 %
    dice = random.Random(7)
    values, spread = water(recipe, dice)
    small = {name: 0.3 * (one or 0.0) for name, one in spread.items()}
    draws = [
        recipe.work_out({key: dice.gauss(value, small[key]) for key, value in values.items()}) for _ in range(4000)
    ]
    assert propagate(recipe.work_out, values, small) == pytest.approx(statistics.stdev(draws), rel=0.045)


# What each formulation is worth by itself -----------------------------------------------------------------------


def test_what_each_formulation_is_worth() -> None:
    cases = {
        # Benson & Krause 1984: 0.1 % of the solubility
        "saturation from mg/L": ({"oxygen": 8.0}, 95.0, -0.095),
        "deficit from mg/L": ({"oxygen": 8.0}, 1.5, 0.0095),
        # PSS-78 itself, and half the last digit of 1.91 %/K over 13 K: 0.05 % of the conductivity
        "salinity from conductivity": ({}, 33.0, 0.002),
        "pH from electrode potential": ({}, 8.0, electrode.NERNST_UNCERTAINTY),
        "pH on the total scale from pH": ({}, 8.0, 0.0251),
        # Millero & Poisson 1981: 0.0036 kg/m3, over 2 m of water 0.07 Pa
        "air pressure over static head": ({"depth_m": 2.0}, 3.0, density.UNCERTAINTY_KG_M3 * 9.80665 * 2e-3),
        "total gas pressure from its excess": ({}, 103.0, 0.0),
    }
    for key, (values, result, expected) in cases.items():
        assert BY_KEY[key].own(values, result) == pytest.approx(expected, rel=2e-3), key
    own = BY_KEY["salinity from specific conductance"].own(
        {"specific_conductance": 50.0, "temperature": 12.0}, 33.0
    )
    assert 0.01 < own < 0.03
    at_25 = BY_KEY["salinity from specific conductance"].own(
        {"specific_conductance": 50.0, "temperature": 25.0}, 33.0
    )
    assert at_25 == pytest.approx(0.002, abs=1e-9)
