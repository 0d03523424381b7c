"""The water of a shed in balance: nothing comes or goes that the ledger does not show.

Explicit steps of at most 5 s, shorter where the water runs fast, so any dt may be asked for. Amounts are kept, not
concentrations: L, mg, kJ, mmol. Nitrite and gas pressure above station pressure are left out.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable
from math import exp, expm1, log, sqrt

from brinewatch.seawater.oxygen import benson_krause
from brinewatch.seawater.pressure import GRAVITY, static_head_kPa
from brinewatch.simulator import carbonate
from brinewatch.simulator.air import AirFlow, losses, solve, still
from brinewatch.simulator.plan import TRANSFER_PER_M, Airlift, Plan, Weir
from brinewatch.simulator.state import AMOUNTS, DENSITY_KG_L, HEAT_KJ_L_K, Inputs, Ledger, State
from brinewatch.simulator.weather import Air, mean

LONGEST_STEP_S = 5.0
_COURANT = 0.25  # at most this share of a stage may run off in one step

_OXYGEN_MG_L_AIR = 279.0  # oxygen in a litre of air at 20 degC (computed)
_CS20_FRESH = 9.09  # mg/L, to which standard transfer refers (Benson & Krause)
_THETA = 1.024  # of gas transfer, for each K (ASCE 2-91 form, read)
_O2_PER_N = 4.57  # g/g (stoichiometry, computed)
# g O2/m2/d of the heterotrophs in a biofilter at 12 degC: 30 % of nitrification at 0.05 g N/m2/d (judgement)
_HETEROTROPHS = 0.07
_NITRIFICATION = 0.28  # g N/m2/d at 24 degC in seawater biofilm (Nijhof & Bovendeur 1990, read)
_NITRIFICATION_THETA = 1.07  # judgement
_HALF_OXYGEN = 0.5  # mg/L at which nitrification runs at half speed (judgement)
_CARBON_PER_O2 = 0.85 / 32.0  # mmol CO2 for each mg O2 used: respiratory quotient 0.85 (judgement)
_EQ_PER_N = 2.0 / 14.0067  # meq of alkalinity a mg N nitrified takes: 7.14 g CaCO3/g (stoichiometry, computed)
_EQ_PER_NH3 = 1.0 / 14.0067  # and what a mg N excreted as NH3 gives (Wolf-Gladrow et al. 2007, memory)
_CO2_PER_O2 = 0.89  # transfer of CO2 over that of O2, by diffusivity (memory)
_BLOWER_HEAT = 0.032  # W for each L/min and kPa, half the work lost (computed)
_FRESH_EQ = 1.0  # meq/L alkalinity, and mmol/L carbon, of the top-up water (judgement)
_BLOCKING_S = 45.0  # scripted fouling comes on over about this time


def filled(plan: Plan, oxygen_percent: float | None = None) -> State:
    """Every stage filled with the plan's water: to its sill, and above it what the airlift's flow holds up."""
    share = (plan.start_percent if oxygen_percent is None else oxygen_percent) / 100.0
    saturated = benson_krause(plan.start_C, plan.salinity, plan.barometer_hPa)
    k = carbonate.constants(plan.start_C, plan.salinity)
    alkalinity = plan.alkalinity_meq_L / 1000.0 / DENSITY_KG_L
    carbon = carbonate.carbon_from_dioxide(alkalinity, k.k0 * plan.start_co2_uatm * 1e-6, k) * 1000 * DENSITY_KG_L

    def water(volume: tuple[float, ...]) -> State:
        def at(concentration: float) -> tuple[float, ...]:
            return tuple(one * concentration for one in volume)

        return State(
            volume, at(saturated * share), at(HEAT_KJ_L_K * plan.start_C), at(plan.tan_mgN_L),
            at(plan.nitrate_mgN_L), at(plan.salinity), at(plan.alkalinity_meq_L), at(carbon),
        )  # fmt: skip

    still_water = water(tuple(stage.volume_L for stage in plan.stages))
    weather = mean(plan)
    lifted = sum(water_flow(plan, still_water, air_flow(plan, still_water, Inputs()), weather))
    return water(
        tuple(
            stage.volume_L + (lifted * stage.outlet.over_s if isinstance(stage.outlet, Weir) else 0.0)
            for stage in plan.stages
        )
    )


def air_flow(plan: Plan, state: State, inputs: Inputs) -> AirFlow:
    """The air as it settles against the present levels."""
    branches = plan.air.branches
    if not (inputs.running or inputs.standby_runs):
        return still(len(branches))
    heads = []
    for one in branches:
        at = plan.at(one.stage)
        depth = max(0.0, one.depth_m + _rise_m(plan, state, at))
        heads.append(static_head_kPa(depth, state.salinity(at), state.temperature_C(at)))
    return solve(plan.air, losses(plan), heads, state.fouling * state.blocked, inputs.burst)


def _rise_m(plan: Plan, state: State, at: int) -> float:
    stage = plan.stages[at]
    return (state.volume[at] - stage.volume_L) / (1000.0 * stage.surface_m2)


def water_flow(plan: Plan, state: State, air: AirFlow, weather: Air) -> list[float]:
    """What runs from each stage to the next, L/s."""
    flows = []
    for at, stage in enumerate(plan.stages):
        match stage.outlet:
            case Weir(over_s=over_s):
                flows.append(max(0.0, state.volume[at] - stage.volume_L) / over_s)
            case Airlift(submergence_m=submergence, lift_m=lift, efficiency=efficiency):
                rise = _rise_m(plan, state, at)
                driving = sum(
                    flow
                    for branch, flow in zip(plan.air.branches, air.branch_L_min, strict=True)
                    if branch.lifts and branch.stage == stage.name
                )
                # power balance: Qw = eta Qa p ln(1 + rho g S / p) / (rho g L) (computed)
                depth, height = submergence + rise, max(0.04, lift - rise)
                if depth < 0.2 * submergence or driving <= 0.0:
                    flows.append(0.0)
                    continue
                pa, weight = weather.station_hPa * 100.0, DENSITY_KG_L * 1000.0 * GRAVITY
                lifted = efficiency * driving * pa * log(1.0 + weight * depth / pa) / (weight * height)
                flows.append(lifted / 60.0)
            case None:
                flows.append(0.0)
    return flows


def step(
    plan: Plan, state: State, dt_s: float, weather: Air, inputs: Inputs, ledger: Ledger | None = None
) -> State:
    """The state dt_s later, with weather and inputs as they are."""
    left = dt_s
    while left > 1e-9:
        air = air_flow(plan, state, inputs)
        flows = water_flow(plan, state, air, weather)
        limits = [
            LONGEST_STEP_S,
            *(0.5 * stage.outlet.over_s for stage in plan.stages if isinstance(stage.outlet, Weir)),
            *(_COURANT * v / q for v, q in zip(state.volume, flows, strict=True) if q > 0.0),
        ]
        part = left / max(1, -(-left // min(limits)))  # equal parts, none longer than allowed
        state = _substep(plan, state, part, weather, inputs, air, flows, ledger)
        left -= part
    return state


def _substep(
    plan: Plan, state: State, dt: float, weather: Air, inputs: Inputs, air: AirFlow, flows: list[float],
    ledger: Ledger | None,
) -> State:  # fmt: skip
    hours, count = dt / 3600.0, len(plan.stages)
    volume = list(state.volume)
    new = {name: list(getattr(state, name)) for name in AMOUNTS}
    note: dict[tuple[str, str], float] = defaultdict(float)

    def add(name: str, at: int, amount: float, way: str) -> None:
        new[name][at] += amount
        note[name, way] += amount

    for at, flow in enumerate(flows):
        if flow <= 0.0:
            continue
        moved, to = flow * dt, (at + 1) % count
        share = moved / state.volume[at]
        volume[at] -= moved
        volume[to] += moved
        for name in AMOUNTS:
            carried = share * getattr(state, name)[at]
            new[name][at] -= carried
            new[name][to] += carried

    gas = _air_reach(plan, air)
    for at, stage in enumerate(plan.stages):
        v, t = state.volume[at], state.temperature_C(at)
        s, oxygen = state.salinity(at), state.oxygen_mg_L(at)
        saturated = benson_krause(t, s, weather.station_hPa)
        warm = _THETA ** (t - 20.0)
        # gas exchange, as litres of water brought to balance in an hour
        bubbled = gas[at][0] * plan.alpha * warm
        surface = plan.surface_kl_m_d / 24.0 * stage.surface_m2 * 1000.0 * warm
        add("oxygen", at, v * (saturated - oxygen) * -expm1(-bubbled * hours / v), "air")
        add("oxygen", at, v * (saturated - oxygen) * -expm1(-surface * hours / v), "surface")
        # demand
        pace = stage.q10 ** ((t - 12.0) / 10.0)
        regulated = min(1.0, oxygen / (plan.critical_share * saturated))
        animals = stage.biomass_kg * stage.uptake_mg_kg_h * pace * weather.activity * regulated * hours
        bacteria = plan.water_uptake_mg_L_h * v * min(1.0, oxygen / 0.3) * hours
        nitrified = _nitrified(stage.media_m2, state.tan[at] / v, t, oxygen) * hours
        nitrified = min(nitrified, 0.5 * state.tan[at])
        film = stage.media_m2 * _HETEROTROPHS * 1000.0 / 24.0 * pace * oxygen / (oxygen + _HALF_OXYGEN) * hours
        add("oxygen", at, -animals, "animals")
        add("oxygen", at, -bacteria, "bacteria")
        add("oxygen", at, -nitrified * _O2_PER_N, "nitrification")
        add("oxygen", at, -film, "heterotrophs")
        respired = animals + bacteria + film
        add("carbon", at, respired * _CARBON_PER_O2, "respiration")
        # nitrogen and what it does to alkalinity
        excreted = stage.biomass_kg * stage.excretion_mgN_kg_h * pace * weather.activity * hours
        add("tan", at, excreted, "animals")
        add("tan", at, -nitrified, "nitrified")
        add("nitrate", at, nitrified, "nitrified")
        add("alkalinity", at, excreted * _EQ_PER_NH3 - nitrified * _EQ_PER_N, "nitrogen")
        # carbon dioxide: what bubbles carry off is bounded by what their air can hold
        reach = _CO2_PER_O2 * bubbled
        if reach > 0.0 or surface > 0.0:
            k = carbonate.constants(round(t, 2), round(s, 2))
            holds = gas[at][1] / (k.k0 * DENSITY_KG_L * 0.082057 * (t + 273.15))
            reach = reach * holds / (reach + holds) if reach > 0.0 else 0.0
            over = (state.dioxide_mol_kg(at) - k.k0 * weather.co2_uatm * 1e-6) * DENSITY_KG_L * 1000.0
            add("carbon", at, -(reach + _CO2_PER_O2 * surface) * over * hours, "air")
        # heat
        add("heat", at, stage.wall_W_K * (weather.ambient_C - t) * dt / 1000.0, "walls")
        if air.total_L_min > 0.0:
            here = gas[at][1] / 60.0
            add("heat", at, _BLOWER_HEAT * here * air.outlet_kPa * dt / 1000.0, "blower")
        # water
        gone = stage.evaporation_mm_d * stage.surface_m2 * hours / 24.0
        volume[at] -= gone
        note["volume", "evaporation"] -= gone
        add("heat", at, -gone * HEAT_KJ_L_K * t, "evaporation")
        if stage.name == plan.dose_stage:
            missing = max(0.0, plan.dose_set_meq_L - state.alkalinity[at] / v)
            add("alkalinity", at, plan.dose_L_h * missing * hours, "dosing")
            add("carbon", at, plan.dose_L_h * missing * hours, "dosing")
        if stage.name == plan.top_up_stage:
            _make_good(plan, state, at, dt, weather, inputs, volume, add, note)

    if ledger is not None:
        for key, amount in note.items():
            ledger.ways[key] += amount
    fouling = state.fouling * (1.0 + plan.air.fouling_per_day * dt / 86400.0)
    blocked = inputs.blocked + (state.blocked - inputs.blocked) * exp(-dt / _BLOCKING_S)
    o, h, n, no3, salt, eq, c = (tuple(new[name]) for name in AMOUNTS)
    return State(tuple(volume), o, h, n, no3, salt, eq, c, fouling, blocked)


def _air_reach(plan: Plan, air: AirFlow) -> list[tuple[float, float]]:
    """By stage: litres of water an hour its bubbles would bring to balance at 20 degC, and air, L/h."""
    reach = [(0.0, 0.0)] * len(plan.stages)
    for branch, flow in zip(plan.air.branches, air.branch_L_min, strict=True):
        at, litres = plan.at(branch.stage), flow * 60.0
        taken_up = litres * _OXYGEN_MG_L_AIR * TRANSFER_PER_M[branch.bubbles] * branch.depth_m
        reach[at] = (reach[at][0] + taken_up / _CS20_FRESH, reach[at][1] + litres)
    return reach


def _nitrified(media_m2: float, tan_mg_L: float, temperature_C: float, oxygen_mg_L: float) -> float:
    """mg N/h: 0.28 sqrt(TAN/2) 1.07^(T-24) g N/m2/d (computed from a read maximum), slowed by want of oxygen."""
    if media_m2 <= 0.0 or tan_mg_L <= 0.0 or oxygen_mg_L <= 0.0:
        return 0.0
    # half order turns to first order below 0.05 mg/L, where a square root would empty the water
    half = sqrt(tan_mg_L / 2.0) if tan_mg_L > 0.05 else tan_mg_L * sqrt(0.025) / 0.05
    daily: float = media_m2 * _NITRIFICATION * half * _NITRIFICATION_THETA ** (temperature_C - 24.0)
    return daily * 1000.0 / 24.0 * oxygen_mg_L / (oxygen_mg_L + _HALF_OXYGEN)


def _make_good(
    plan: Plan, state: State, at: int, dt: float, weather: Air, inputs: Inputs, volume: list[float],
    add: Callable[[str, int, float, str], None], note: dict[tuple[str, str], float],
) -> None:  # fmt: skip
    """The float valve's fresh water, and what leaks away from the same stage."""
    stage = plan.stages[at]
    opened = min(1.0, max(0.0, (stage.volume_L - state.volume[at]) / 5.0))
    came = plan.top_up_L_h * opened * dt / 3600.0
    volume[at] += came
    note["volume", "top-up"] += came
    add("heat", at, came * HEAT_KJ_L_K * weather.ambient_C, "top-up")
    add("oxygen", at, came * benson_krause(weather.ambient_C, 0.0, weather.station_hPa), "top-up")
    add("alkalinity", at, came * _FRESH_EQ, "top-up")
    add("carbon", at, came * _FRESH_EQ, "top-up")
    # the pipe it leaks from stands a little above the floor: one tenth stays
    lost = min(inputs.leak_L_min * dt / 60.0, max(0.0, state.volume[at] - 0.1 * stage.volume_L) * 0.2)
    if lost > 0.0:
        share = lost / state.volume[at]
        volume[at] -= lost
        note["volume", "leak"] -= lost
        for name in AMOUNTS:
            add(name, at, -share * getattr(state, name)[at], "leak")
