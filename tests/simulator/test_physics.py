"""The water in balance, held to closed forms, published tables and an independent library."""

from __future__ import annotations

import math
from dataclasses import replace

import gsw
import PyCO2SYS
import pytest

from brinewatch.seawater.oxygen import benson_krause
from brinewatch.simulator import carbonate
from brinewatch.simulator.physics import air_flow, filled, step, water_flow
from brinewatch.simulator.plan import GANNET_QUAY, Airlift, AirPath, Blower, Branch, Plan, Stage, Weir
from brinewatch.simulator.state import AMOUNTS, Inputs, Ledger, State
from brinewatch.simulator.weather import mean

NO_AIR = AirPath(Blower(20.0, 100.0))


def tank(plan_changes: dict[str, object] | None = None, **stage: object) -> Plan:
    """One closed cubic metre, as the budget table has it: 1.5 m2, S 33, R12 25, no surface exchange."""
    one = Stage("tank", 1000.0, 1.5, uptake_mg_kg_h=25.0, **stage)  # type: ignore[arg-type]
    settings: dict[str, object] = {
        "salinity": 33.0, "start_percent": 90.0, "surface_kl_m_d": 0.0, "barometer_hPa": 1013.25,
        "activity_swing": 0.0,
    }  # fmt: skip
    return Plan("one tank", (one,), NO_AIR, **(settings | (plan_changes or {})))  # type: ignore[arg-type]


def hours_to(plan: Plan, *percents: float) -> list[float]:
    """Hours until oxygen has fallen to each share of saturation, highest first."""
    state, weather, found, minutes = filled(plan), mean(plan), [], 0
    saturated = benson_krause(plan.start_C, plan.salinity, weather.station_hPa)
    for percent in percents:
        limit = percent / 100.0 * saturated
        while state.oxygen_mg_L(0) > limit:
            before, minutes = state.oxygen_mg_L(0), minutes + 1
            assert minutes < 100 * 60, "never"
            state = step(plan, state, 60.0, weather, Inputs())
        over = (limit - state.oxygen_mg_L(0)) / (before - state.oxygen_mg_L(0))
        found.append((minutes - over) / 60.0)
    return found


# "Hours from 90 % sat" by the oxygen budget of a tank without air: kg/m3, degC, hours to 65, 45 and 20 %.
# Computed from first principles for 1 m3, 1.5 m2, S 33, 25 mg O2/kg/h at 12 degC, Q10 2.1, uptake falling in
# proportion below 42 % of saturation, bacteria 0.05 mg/L/h, and printed with two figures.
TABLE = [
    (5, 8, 16.7, 30, 50), (10, 8, 10.1, 18, 31), (20, 8, 5.7, 10, 18), (40, 8, 3.0, 5.4, 9.4),
    (60, 8, 2.1, 3.7, 6.4), (5, 12, 12.5, 22, 38), (10, 12, 7.3, 13, 22), (20, 12, 4.0, 7.2, 12),
    (40, 12, 2.1, 3.8, 6.5),
    (60, 12, 1.4, 2.5, 4.4), (20, 16, 2.8, 5.0, 8.7), (40, 16, 1.4, 2.6, 4.5), (20, 20, 2.0, 3.5, 6.1),
    (60, 20, 0.7, 1.2, 2.1),
]  # fmt: skip


@pytest.mark.parametrize(("kilograms", "celsius", "to65", "to45", "to20"), TABLE)
def test_oxygen_runs_out_as_the_budget_table_says(
    kilograms: float, celsius: float, to65: float, to45: float, to20: float
) -> None:
    plan = tank({"start_C": float(celsius)}, biomass_kg=float(kilograms))
    for found, hours in zip(hours_to(plan, 65.0, 45.0, 20.0), (to65, to45, to20), strict=True):
        # a printed figure stands for a rounding of half its last place, beside the few per cent of the steps
        rounding = 0.5 if hours >= 20 or hours in (10, 12, 13, 18) else 0.06
        assert found == pytest.approx(hours, rel=0.03, abs=rounding)


def test_oxygen_decline_is_the_closed_form_above_the_critical_share() -> None:
    # t = V (C0 - C*) / (B R m + w V), exact while uptake is regulated
    plan = tank(biomass_kg=20.0)
    saturated = benson_krause(12.0, 33.0, 1013.25)
    expected = 1000.0 * 0.40 * saturated / (20.0 * 25.0 + 0.05 * 1000.0)
    assert hours_to(plan, 50.0)[0] == pytest.approx(expected, rel=1e-3)


def test_oxygen_with_surface_exchange_is_the_closed_form() -> None:
    # t = ln[(C0 - Cinf) / (C* - Cinf)] / a, a = kL A / V, Cinf = Cs - D / (1000 kL A)
    plan = tank({"surface_kl_m_d": 2.0}, biomass_kg=20.0)
    saturated = benson_krause(12.0, 33.0, 1013.25)
    kl = 2.0 / 24.0 * 1.024 ** (12.0 - 20.0)
    rate, demand = kl * 1.5 / 1.0, 20.0 * 25.0 + 0.05 * 1000.0
    rest = saturated - demand / (1000.0 * kl * 1.5)
    expected = math.log((0.9 * saturated - rest) / (0.6 * saturated - rest)) / rate
    assert hours_to(plan, 60.0)[0] == pytest.approx(expected, rel=2e-3)


def test_still_water_comes_to_saturation_as_gsw_has_it() -> None:
    # gsw O2sol_SP_pt: Garcia & Gordon 1992, micromol/kg, a second source of saturation at 1 atm
    plan = tank({"surface_kl_m_d": 50.0, "water_uptake_mg_L_h": 0.0})
    state = step(plan, filled(plan, 30.0), 20 * 3600.0, mean(plan), Inputs())
    expected = gsw.O2sol_SP_pt(33.0, 12.0) * 31.9988e-3 * gsw.rho(gsw.SA_from_SP(33.0, 0, 0, 0), 12.0, 0) / 1000.0
    assert state.oxygen_mg_L(0) == pytest.approx(expected, rel=2e-3)


def _all_known(before: State, after: State, ledger: Ledger) -> None:
    for amount in (*AMOUNTS, "volume"):
        change = sum(getattr(after, amount)) - sum(getattr(before, amount))
        moved = sum(abs(value) for (name, _), value in ledger.ways.items() if name == amount)
        assert change == pytest.approx(ledger.total(amount), abs=1e-9 * max(moved, sum(getattr(after, amount))))


def test_nothing_comes_or_goes_but_through_the_ledger() -> None:
    plan, ledger, weather = GANNET_QUAY, Ledger(), mean(GANNET_QUAY)
    start = state = filled(plan)
    for hours, inputs in (
        (2.0, Inputs()), (1.5, Inputs(blower=False)), (1.0, Inputs(burst=0.4)), (2.0, Inputs(blocked=10.0)),
        (0.5, Inputs(leak_L_min=8.0)), (1.0, Inputs()),
    ):  # fmt: skip
        state = step(plan, state, hours * 3600.0, weather, inputs, ledger)
    _all_known(start, state, ledger)
    # each of these really took part
    for way in (("oxygen", "air"), ("oxygen", "surface"), ("oxygen", "animals"), ("oxygen", "bacteria"),
                ("oxygen", "nitrification"), ("oxygen", "heterotrophs"), ("heat", "walls"),
                ("heat", "blower"), ("volume", "leak"),
                ("volume", "top-up"), ("carbon", "respiration"), ("carbon", "air"), ("tan", "animals"),
                ("tan", "nitrified"), ("alkalinity", "nitrogen"), ("alkalinity", "dosing")):  # fmt: skip
        assert abs(ledger.ways[way]) > 0.0, way


def test_nitrogen_excreted_is_found_as_ammonia_and_nitrate() -> None:
    plan, ledger = GANNET_QUAY, Ledger()
    start = filled(plan)
    end = step(plan, start, 12 * 3600.0, mean(plan), Inputs(), ledger)
    nitrogen = [sum(state.tan) + sum(state.nitrate) for state in (start, end)]
    # 62 kg at 1.5 mg N/kg/h, within a little of 12 degC
    assert nitrogen[1] - nitrogen[0] == pytest.approx(62.0 * 1.5 * 12.0, rel=0.01)
    assert nitrogen[1] - nitrogen[0] == pytest.approx(ledger.ways["tan", "animals"], rel=1e-9)


def test_nitrification_takes_oxygen_and_alkalinity_by_stoichiometry() -> None:
    # NH4+ + 2 O2 -> NO3- + 2 H+ + H2O: 7.14 g CaCO3 and 4.57 g O2 a g N
    plan = tank({"water_uptake_mg_L_h": 0.0, "tan_mgN_L": 2.0}, media_m2=20.0)
    ledger = Ledger()
    step(plan, filled(plan), 3600.0, mean(plan), Inputs(), ledger)
    nitrogen = -ledger.ways["tan", "nitrified"]
    assert nitrogen > 10.0
    assert -ledger.ways["alkalinity", "nitrogen"] * 50.0435 / nitrogen == pytest.approx(7.14, rel=2e-3)
    assert -ledger.ways["oxygen", "nitrification"] / nitrogen == pytest.approx(4.57, rel=2e-3)


def test_nitrification_at_24_degrees_is_the_measured_maximum() -> None:
    # Nijhof & Bovendeur 1990: 0.28 g N/m2/d in seawater at 24 degC; reached here at 2 mg N/L and ample oxygen
    plan = tank({"start_C": 24.0, "ambient_C": 24.0, "tan_mgN_L": 2.0, "start_percent": 100.0}, media_m2=1.0)
    ledger = Ledger()
    step(plan, filled(plan), 600.0, mean(plan), Inputs(), ledger)
    daily = -ledger.ways["tan", "nitrified"] / 1000.0 * 144.0
    assert 0.25 < daily < 0.28


def test_a_starved_biofilter_stops() -> None:
    plan = tank({"tan_mgN_L": 2.0, "start_percent": 2.0}, media_m2=100.0)
    ledger = Ledger()
    state = step(plan, filled(plan), 24 * 3600.0, mean(plan), Inputs(), ledger)
    assert 0.0 <= state.oxygen_mg_L(0) < 0.02
    # it nitrified no more than the oxygen there was
    assert -ledger.ways["tan", "nitrified"] * 4.57 <= 0.02 * 9.0 * 1000.0


def test_heat_through_the_walls_is_newtons_law_of_cooling() -> None:
    # tau = rho c V / (U A), U 8 W/m2/K on 5.5 m2: a bare cubic metre loses 0.39 K/h at a 10 K gap (table)
    plan = tank({"start_C": 20.0, "ambient_C": 10.0}, wall_W_K=8.0 * 5.5)
    first = step(plan, filled(plan), 60.0, mean(plan), Inputs())
    assert (20.0 - first.temperature_C(0)) * 60.0 == pytest.approx(0.39, rel=0.02)
    later = step(plan, filled(plan), 24 * 3600.0, mean(plan), Inputs())
    tau_h = 4.09e6 / (8.0 * 5.5) / 3600.0
    assert later.temperature_C(0) - 10.0 == pytest.approx(10.0 * math.exp(-24.0 / tau_h), rel=1e-3)


@pytest.mark.parametrize("celsius", [2.0, 12.0, 25.0])
@pytest.mark.parametrize("salinity", [20.0, 31.5, 38.0])
@pytest.mark.parametrize(("alkalinity", "carbon"), [(2.3, 2.1), (2.3, 2.35), (1.2, 1.25), (3.0, 2.6)])
def test_ph_agrees_with_an_independent_carbonate_library(
    celsius: float, salinity: float, alkalinity: float, carbon: float
) -> None:
    # PyCO2SYS 1.8 (Humphreys et al. 2022), Lueker 2000 carbonic acid, Uppstroem 1974 boron, total scale, mmol/kg
    known = PyCO2SYS.sys(
        par1=alkalinity * 1000, par2=carbon * 1000, par1_type=1, par2_type=2, salinity=salinity,
        temperature=celsius, opt_k_carbonic=10, opt_total_borate=1, opt_pH_scale=1,
    )  # fmt: skip
    k = carbonate.constants(celsius, salinity)
    mine = carbonate.ph_total(alkalinity / 1000, carbon / 1000, k)
    assert mine == pytest.approx(known["pH_total"], abs=1e-3)
    dioxide = carbonate.carbon_dioxide(alkalinity / 1000, carbon / 1000, k)
    assert dioxide * 1e6 == pytest.approx(known["CO2"], rel=3e-3)
    assert dioxide / k.k0 * 1e6 == pytest.approx(known["fCO2"], rel=3e-3)
    assert carbonate.carbon_from_dioxide(alkalinity / 1000, dioxide, k) == pytest.approx(carbon / 1000, rel=1e-6)


@pytest.mark.parametrize("dt", [0.1, 1.0, 7.0, 60.0, 900.0])
def test_any_step_gives_the_same_hour(dt: float) -> None:
    plan, weather = GANNET_QUAY, mean(GANNET_QUAY)
    state = filled(plan)
    span = 900.0 if dt >= 1.0 else 60.0
    fine = step(plan, state, span, weather, Inputs(blower=False))
    for _ in range(round(span / dt)):
        state = step(plan, state, dt, weather, Inputs(blower=False))
    for at in range(len(plan.stages)):
        assert state.oxygen_mg_L(at) == pytest.approx(fine.oxygen_mg_L(at), rel=2e-3)
        assert state.volume[at] == pytest.approx(fine.volume[at], rel=1e-2)
        assert state.temperature_C(at) == pytest.approx(fine.temperature_C(at), rel=1e-4)


def test_pressure_is_head_plus_losses_on_the_blowers_curve() -> None:
    plan, state = GANNET_QUAY, filled(GANNET_QUAY)
    air = air_flow(plan, state, Inputs())
    deepest = max(plan.air.branches, key=lambda branch: branch.depth_m)
    # density by TEOS-10, an independent equation of state
    density = gsw.rho(gsw.SA_from_SP(31.5, 0, 0, 0), gsw.CT_from_t(gsw.SA_from_SP(31.5, 0, 0, 0), 12.0, 0), 0)
    design_loss = plan.air.design_kPa - density * 9.80665 * deepest.depth_m / 1000.0
    flow = air.branch_L_min[plan.air.branches.index(deepest)]
    diffuser = design_loss * (flow / deepest.flow_L_min) ** 2
    design_total = sum(branch.flow_L_min for branch in plan.air.branches)
    line = plan.air.line_kPa_at_design * (air.total_L_min / design_total) ** 2
    head = density * 9.80665 * deepest.depth_m / 1000.0
    assert air.outlet_kPa == pytest.approx(head + diffuser + line, rel=2e-4)
    assert air.outlet_kPa == pytest.approx(plan.air.blower.pressure(air.total_L_min), abs=1e-8)
    assert 11.0 < air.outlet_kPa < 12.5


def test_static_head_of_the_common_table() -> None:
    # seawater, rounded to 0.1 kPa: 0.3 m 3.0, 0.5 m 5.0, 1.0 m 10.1, 1.5 m 15.1, 2.0 m 20.1 (rho g h)
    for depth, head in ((0.3, 3.0), (0.5, 5.0), (1.0, 10.1), (1.5, 15.1)):
        path = AirPath(Blower(40.0, 1e6), (Branch("tank", depth, 1.0),), design_kPa=head + 1e-3 + 0.2)
        plan = replace(tank({"start_C": 12.0}), air=path)
        air = air_flow(plan, filled(plan), Inputs())
        # a nearly closed blower against one diffuser: what is left of the pressure passes the orifice
        loss = (head + 1e-3 + 0.2 - gsw.rho(33.15, 12.0, 0) * 9.80665 * depth / 1000.0) * air.branch_L_min[0] ** 2
        assert air.manifold_kPa - loss == pytest.approx(head, abs=0.06)


def test_faults_move_pressure_and_current_the_way_they_do() -> None:
    plan = GANNET_QUAY
    state = filled(plan)
    whole = air_flow(plan, state, Inputs())
    burst = air_flow(plan, state, Inputs(burst=1.0))
    fouled = air_flow(plan, replace(state, blocked=8.0), Inputs())
    assert burst.outlet_kPa < 0.3 * whole.outlet_kPa
    assert sum(burst.branch_L_min) == 0.0
    assert burst.current_A < 0.6 * whole.current_A
    assert fouled.outlet_kPa > whole.outlet_kPa + 3.0
    assert fouled.total_L_min < whole.total_L_min
    assert fouled.current_A > whole.current_A
    for off in (Inputs(blower=False), Inputs(mains=False)):
        still = air_flow(plan, state, off)
        assert (still.outlet_kPa, still.total_L_min, still.current_A) == (0.0, 0.0, 0.0)


def test_the_relief_valve_holds_the_pressure_at_its_setting_and_the_flow_balances() -> None:
    plan, state = GANNET_QUAY, filled(GANNET_QUAY)
    setting = plan.air.relief_kPa
    assert setting == 18.0
    for blocked in (30.0, 100.0, 1000.0):
        air = air_flow(plan, replace(state, blocked=blocked), Inputs())
        assert setting < air.outlet_kPa < setting + 0.6
        # what passes the valve is lost to the tanks, and the blower's curve gives the sum
        assert air.lost_L_min == pytest.approx((air.outlet_kPa - setting) * plan.air.relief_L_min_kPa)
        assert plan.air.blower.pressure(air.total_L_min) == pytest.approx(air.outlet_kPa, abs=1e-6)
        without = replace(plan, air=replace(plan.air, relief_kPa=None))
        assert air_flow(without, replace(state, blocked=blocked), Inputs()).outlet_kPa > air.outlet_kPa
    assert air_flow(plan, state, Inputs()).lost_L_min == 0.0


def test_a_tank_that_loses_water_robs_the_others_of_air() -> None:
    plan, state = GANNET_QUAY, filled(GANNET_QUAY)
    lower = list(state.volume)
    lower[0] *= 0.7
    robbed = air_flow(plan, replace(state, volume=tuple(lower), heat=tuple(
        heat * low / full for heat, low, full in zip(state.heat, lower, state.volume, strict=True)
    ), salt=tuple(salt * low / full for salt, low, full in zip(state.salt, lower, state.volume, strict=True))),
    Inputs())  # fmt: skip
    whole = air_flow(plan, state, Inputs())
    assert robbed.branch_L_min[0] > whole.branch_L_min[0]
    assert all(mine < theirs for mine, theirs in zip(robbed.branch_L_min[1:], whole.branch_L_min[1:], strict=True))


def test_an_airlift_lifts_what_measured_ones_do() -> None:
    # Wurts 1994: a 7.6 cm airlift at 0.8 m with 71 L/min of air moved 111 L/min at next to no lift, 66 to 225 L/min
    # over all its trials. Pfeiffer & Malone 2007: submergence to lift 5:1, air to water 2:1 is a safe design.
    def lifted(submergence: float, lift: float, air_L_min: float) -> float:
        stage = Stage("sump", 300.0, 0.5, Airlift(submergence, lift))
        path = AirPath(Blower(30.0, 1000.0), (Branch("sump", submergence, air_L_min, lifts=True),), design_kPa=25.0)
        plan = Plan("airlift", (stage, Stage("tank", 300.0, 0.5, Weir())), path)
        state = filled(plan)
        air = replace(air_flow(plan, state, Inputs()), branch_L_min=(air_L_min,))
        return water_flow(plan, state, air, mean(plan))[0] * 60.0

    assert 66.0 < lifted(0.8, 0.1, 71.0) < 225.0
    assert lifted(1.0, 0.2, 100.0) >= 50.0


def test_without_air_the_water_stands_and_drains_to_the_sump() -> None:
    plan, weather = GANNET_QUAY, mean(GANNET_QUAY)
    running = step(plan, filled(plan), 3600.0, weather, Inputs())
    stopped = step(plan, running, 3600.0, weather, Inputs(blower=False))
    assert max(water_flow(plan, stopped, air_flow(plan, stopped, Inputs(blower=False)), weather)) < 1e-3
    for name in ("raceway", "sieve", "cone", "foam", "header"):
        at = plan.at(name)
        assert stopped.volume[at] == pytest.approx(plan.stages[at].volume_L, abs=0.1)
    held = sum(running.volume[at] - stopped.volume[at] for at in range(6) if at != plan.at("bed"))
    assert held > 30.0
    assert stopped.volume[plan.at("bed")] - running.volume[plan.at("bed")] == pytest.approx(held, abs=0.2)
    again = step(plan, stopped, 2 * 3600.0, weather, Inputs())
    assert again.volume == pytest.approx(running.volume, abs=1.0)


def test_without_air_each_stage_goes_its_own_way() -> None:
    plan, weather = GANNET_QUAY, mean(GANNET_QUAY)
    running = step(plan, filled(plan), 3 * 3600.0, weather, Inputs())
    stopped = step(plan, running, 3 * 3600.0, weather, Inputs(blower=False))
    oxygen = {stage.name: stopped.oxygen_mg_L(at) for at, stage in enumerate(plan.stages)}
    # where most breathes in least water: 62 kg a m3 in the raceway, a film of bacteria in the bed, next to nothing
    assert oxygen["raceway"] < oxygen["bed"] < oxygen["cone"]
    assert stopped.oxygen_mg_L(plan.at("header")) > 0.95 * running.oxygen_mg_L(plan.at("header"))
    at = plan.at("raceway")
    # carbon dioxide stays: pH falls; ammonia rises by what is excreted and no filter sees
    assert stopped.ph_total(at) < running.ph_total(at) - 0.02
    gained = (stopped.tan[at] - running.tan[at]) / 3.0
    assert gained == pytest.approx(62.0 * 1.5, rel=0.03)


def test_evaporation_takes_water_and_leaves_salt_and_warmth() -> None:
    # 6 mm/d off 1.5 m2 for a day is 9 L of 1000: salinity rises by 1/0.991, the rest keeps its temperature
    plan = tank({"start_C": 18.0}, evaporation_mm_d=6.0)
    state = step(plan, filled(plan), 86400.0, mean(plan), Inputs())
    assert state.volume[0] == pytest.approx(991.0, abs=0.01)
    assert state.salinity(0) == pytest.approx(33.0 / 0.991, rel=1e-5)
    assert state.temperature_C(0) == pytest.approx(18.0, abs=1e-3)


def test_a_quick_weir_runs_to_its_sill_and_not_below() -> None:
    stages = (Stage("upper", 100.0, 0.5, Weir(1.0)), Stage("lower", 100.0, 0.5))
    plan = Plan("two tanks", stages, NO_AIR)
    state = filled(plan)
    state = replace(state, volume=(130.0, 100.0))
    for _ in range(20):
        state = step(plan, state, 5.0, mean(plan), Inputs())
        assert state.volume[0] >= 100.0
    assert state.volume == pytest.approx((100.0, 130.0), abs=1e-6)
