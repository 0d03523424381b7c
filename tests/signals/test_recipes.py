"""The recipes that join several equations, each against a reference that is not ours."""

from __future__ import annotations

from collections.abc import Mapping

import gsw
import PyCO2SYS
import pytest

from brinewatch.moment import Moment
from brinewatch.quantities import QUANTITIES
from brinewatch.readings import Flag, Reading, quantity_of
from brinewatch.seawater import pressure
from brinewatch.signals.derived import derive
from brinewatch.signals.display import DisplayUnits, show
from brinewatch.signals.following import FOLLOWED
from brinewatch.signals.planning import plan
from brinewatch.signals.recipes import ASSUMED_UNCERTAINTY, RECIPES

NOW = Moment(50_000.0, 1_700_000_000.0, True)


def worked_out(point: str, measured: Mapping[str, float], ages: Mapping[str, float] | None = None) -> Reading:
    now = {
        name: Reading(
            name, quantity_of(name), value, value, Flag.PASS, "", NOW.later(-(ages or {}).get(name, 0.0)), "p"
        )
        for name, value in measured.items()
    }
    made, missing = plan(now.keys(), [point], ["intake", "tank"], altitude_m=0)
    assert missing == {}
    for one in made:
        now[one.point] = derive(one, now, NOW)
    return now[point]


WATER = {"tank.temperature": 20.0, "tank.salinity": 35.0}


def test_carbon_dioxide_from_an_nbs_ph() -> None:
    # PyCO2SYS 1.8: S 35, 20 degC, alkalinity 2300 umol/kg, pH 8.0 on NBS is 0.926 mg/L CO2; on total 0.661
    meq_l = 2300e-6 * float(gsw.rho(35.165, gsw.CT_from_t(35.165, 20, 0), 0))  # TEOS-10 density, within 1e-5
    nbs = worked_out("tank.co2", {**WATER, "tank.ph": 8.0, "tank.alkalinity": meq_l})
    assert nbs.value == pytest.approx(0.926, abs=6e-4)
    total = worked_out("tank.co2", {**WATER, "tank.ph_total": 8.0, "tank.alkalinity": meq_l})
    assert total.value == pytest.approx(0.661, abs=6e-4)
    assert total.basis == "Lueker 2000; from pH total, TA, T, S"


def test_carbon_dioxide_by_an_alkalinity_of_days_ago() -> None:
    measured = {**WATER, "tank.ph": 7.8, "intake.alkalinity": 2.4}
    found = worked_out("tank.co2", measured, {"intake.alkalinity": 3 * 86400.0})
    assert found.flag is Flag.PASS
    assert found.age_s == 3 * 86400.0
    assert "TA of intake 3 d old" in found.basis
    late = worked_out("tank.co2", measured, {"intake.alkalinity": 8 * 86400.0})
    assert (late.flag, late.value) == (Flag.MISSING, None)
    assert "alkalinity (intake.alkalinity): 8 d old." in late.reason


def test_carbon_dioxide_of_brackish_water_is_refused_with_the_range() -> None:
    found = worked_out(
        "tank.co2", {"tank.temperature": 20.0, "tank.salinity": 5.0, "tank.ph": 8.0, "tank.alkalinity": 2}
    )
    assert found.flag is Flag.FAIL
    assert "salinity = 5 is outside the valid range 15 to 45" in found.reason


def test_ph_from_millivolts_and_on_to_ammonia() -> None:
    # 58.1672 mV a pH at 20 degC (CODATA 2018): -63.98 mV is pH 8.1
    found = worked_out("tank.ph", {**WATER, "tank.ph_potential": -1.1 * 58.1672})
    assert found.value == pytest.approx(8.1, abs=1e-5)
    assert "Nernst" in found.basis
    # no meter's compensation stands between: 10 degC less is 3.4 % more pH from 7
    cold = worked_out(
        "tank.ph", {"tank.temperature": 10.0, "tank.salinity": 35.0, "tank.ph_potential": -1.1 * 58.1672}
    )
    assert cold.value == pytest.approx(7 + 1.1 * 58.1672 / 56.1830, abs=1e-5)
    assert worked_out(
        "tank.nh3_n", {**WATER, "tank.ph_potential": -1.1 * 58.1672, "tank.tan": 1.0}
    ).value == pytest.approx(worked_out("tank.nh3_n", {**WATER, "tank.ph": 8.1, "tank.tan": 1.0}).value, rel=1e-5)


def test_a_dry_electrode_fails() -> None:
    found = worked_out("tank.ph", {**WATER, "tank.ph_potential": 900.0})
    assert found.flag is Flag.FAIL
    assert "mV = 900 mV is outside the valid range" in found.reason


@pytest.mark.parametrize(("t", "s"), [(5, 33), (12, 25), (25, 36)])
def test_a_ph_on_the_total_scale_is_brought_to_nbs_before_a_limit_sees_it(t: float, s: float) -> None:
    # PyCO2SYS 1.8, pH given on the total scale
    both = {"tank.temperature": float(t), "tank.salinity": float(s)}
    reference = PyCO2SYS.sys(
        par1=2300, par2=7.95, par1_type=1, par2_type=3, temperature=t, salinity=s, opt_pH_scale=1
    )["pH_nbs"]
    found = worked_out("tank.ph", {**both, "tank.ph_total": 7.95})
    assert found.value == pytest.approx(float(reference), abs=1e-9)
    back = worked_out("tank.ph_total", {**both, "tank.ph": float(reference)})
    assert back.value == pytest.approx(7.95, abs=1e-9)
    assert "total" in QUANTITIES[back.quantity].unit
    # fed to the ammonia as if it were NBS it would come out a quarter too low
    right = worked_out("tank.nh3_n", {**both, "tank.ph_total": 7.95, "tank.tan": 1.0}).value
    wrong = worked_out("tank.nh3_n", {**both, "tank.ph": 7.95, "tank.tan": 1.0}).value
    assert right is not None
    assert wrong is not None
    assert 0.7 < wrong / right < 0.85


def test_deficit_and_tension() -> None:
    # USGS DOTABLES: 20 degC, S 35 holds 7.39 mg/L (to 0.01); moist air there has 155.59 mmHg of oxygen (Colt 1984)
    full = {**WATER, "tank.oxygen": 7.39, "tank.barometric_pressure": pressure.HPA_PER_ATM}
    assert worked_out("tank.oxygen_deficit", full).value == pytest.approx(0.0, abs=0.011)
    assert worked_out("tank.oxygen_deficit", {**full, "tank.oxygen": 5.0}).value == pytest.approx(2.39, abs=0.011)
    tension = worked_out("tank.oxygen_tension", full)
    assert tension.value is not None
    assert QUANTITIES["oxygen_tension"].from_canonical(tension.value, "mmHg") == pytest.approx(155.6, abs=0.3)


def test_tension_does_not_ask_for_the_barometer() -> None:
    # Henry's law: the tension of dissolved gas is the water's own
    low = worked_out("tank.oxygen_tension", {**WATER, "tank.oxygen": 6.0, "tank.barometric_pressure": 960.0})
    assert low.value == worked_out("tank.oxygen_tension", {**WATER, "tank.oxygen": 6.0}).value


def test_deficit_of_water_without_oxygen() -> None:
    found = worked_out("tank.oxygen_deficit", {**WATER, "tank.oxygen": -0.03})
    assert found.usable
    assert found.value == pytest.approx(7.42, abs=0.02)
    tension = worked_out("tank.oxygen_tension", {**WATER, "tank.oxygen": -0.03})
    assert tension.flag is Flag.SUSPECT
    assert tension.usable


def test_deficit_follows_from_a_probe_that_speaks_percent() -> None:
    found = worked_out("tank.oxygen_deficit", {**WATER, "tank.oxygen_saturation": 80.0})
    assert found.value == pytest.approx(0.2 * 7.396, abs=0.003)  # 7.396: Benson & Krause at 20 degC, S 35


@pytest.mark.parametrize(("mmhg", "percent"), [(76, 110.0), (24, 103.16)])
def test_total_gas_pressure(mmhg: float, percent: float) -> None:
    # B.C. Approved Water Quality Guidelines 2006, table 30: delta P 76 mmHg is 110 %, 24 mmHg 103 % at sea level
    excess = QUANTITIES["gas_excess"].to_canonical(mmhg, "mmHg")
    found = worked_out("tank.total_gas", {"tank.gas_excess": excess})
    assert found.value == pytest.approx(percent, abs=0.005)
    assert (
        found.basis
        == "Colt 1984, % of the air's pressure; from dP, station pressure assumed as 1013 hPa by altitude"
    )


def test_wherever_station_pressure_enters_a_reduced_one_is_refused() -> None:
    # a forecast's 1013 hPa at 600 m, where the air has 943 (ISO 2533)
    with_barometer = [r for r in RECIPES if any(one.quantity == "barometric_pressure" for one in r.inputs)]
    assert len(with_barometer) >= 4
    values = {"oxygen": 8.0, "oxygen_saturation": 90.0, "temperature": 12.0, "salinity": 33.0, "gas_excess": 20.0}
    for recipe in with_barometer:
        needs = [one.quantity for one in recipe.inputs]
        now = {
            f"tank.{name}": Reading(f"tank.{name}", name, value, value, Flag.PASS, "", NOW, "p")
            for name, value in {**values, "barometric_pressure": 1013.0}.items()
            if name in needs
        }
        made, _ = plan(now.keys(), [f"tank.{recipe.output}"], ["tank"], altitude_m=600)
        found = derive(made[0], now, NOW)
        assert found.flag is Flag.SUSPECT, recipe.key
        assert "reduced to sea level" in found.reason
        assert "943 hPa by altitude" in found.basis
        assert pressure.station_pressure_hPa(600) in [one.value for one in found.ingredients]


def test_every_recipe_names_known_quantities_and_constants() -> None:
    for recipe in RECIPES:
        assert recipe.output in QUANTITIES
        for one in recipe.inputs:
            assert one.quantity in QUANTITIES
            assert not one.assumed or one.assumed in ASSUMED_UNCERTAINTY
        assert recipe.source


def test_what_is_only_derived_has_a_recipe() -> None:
    # followers work theirs out from more than one instant
    by_recipe = {recipe.output for recipe in RECIPES}
    alone = {key for key, one in QUANTITIES.items() if one.derived} - set(FOLLOWED)
    assert alone <= by_recipe


def test_a_number_says_its_scale_and_its_unit() -> None:
    units = DisplayUnits()
    assert show("ph", 8.104, units) == "pH 8.10"
    assert show("ph_total", 7.981, units) == "7.98 pH total"
    assert show("co2", 0.926, units) == "0.9 mg/L"
    assert show("total_gas", 103.16, units) == "103.2 %"
    assert show("oxygen_tension", 207.4, units) == "207 hPa"
