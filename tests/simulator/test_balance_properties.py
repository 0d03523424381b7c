"""Whatever befalls the shed, for however long: nothing goes below nothing, and the ledger closes."""

from __future__ import annotations

import math

from hypothesis import given, settings
from hypothesis import strategies as st

from brinewatch.seawater.oxygen import benson_krause
from brinewatch.simulator.physics import air_flow, filled, step, water_flow
from brinewatch.simulator.plan import GANNET_QUAY
from brinewatch.simulator.state import AMOUNTS, Inputs, Ledger
from brinewatch.simulator.weather import Air

MISHAPS = st.builds(
    Inputs,
    blower=st.booleans(),
    mains=st.booleans(),
    burst=st.sampled_from([0.0, 0.01, 0.3, 1.0]),
    blocked=st.sampled_from([1.0, 3.0, 1000.0]),
    leak_L_min=st.sampled_from([0.0, 0.5, 1000.0]),
)
WEATHER = st.builds(
    Air,
    ambient_C=st.floats(-1.0, 38.0),
    station_hPa=st.floats(850.0, 1060.0),
    co2_uatm=st.floats(300.0, 3000.0),
    activity=st.floats(0.0, 3.0),
)
SPELLS = st.lists(st.tuples(MISHAPS, WEATHER, st.floats(0.1, 4 * 3600.0)), min_size=1, max_size=4)


@settings(max_examples=25, deadline=None, derandomize=True)
@given(SPELLS)
def test_any_run_of_mishaps_keeps_the_balances(spells: list[tuple[Inputs, Air, float]]) -> None:
    plan, ledger = GANNET_QUAY, Ledger()
    start = state = filled(plan)
    for inputs, weather, seconds in spells:
        state = step(plan, state, seconds, weather, inputs, ledger)
        air = air_flow(plan, state, inputs)
        assert all(flow >= 0.0 for flow in air.branch_L_min)
        assert 0.0 <= air.manifold_kPa <= air.outlet_kPa <= plan.air.blower.dead_head_kPa
        assert all(flow >= 0.0 for flow in water_flow(plan, state, air, weather))
        for at in range(len(plan.stages)):
            assert all(getattr(state, amount)[at] >= 0.0 for amount in (*AMOUNTS, "volume") if amount != "heat")
            saturated = benson_krause(state.temperature_C(at), state.salinity(at), weather.station_hPa)
            # no way in that could carry it far over saturation: weather that turns warm and low is all there is
            assert state.oxygen_mg_L(at) < 2.5 * saturated
            assert 5.0 < state.ph_total(at) < 9.5
    for amount in (*AMOUNTS, "volume"):
        change = math.fsum(getattr(state, amount)) - math.fsum(getattr(start, amount))
        moved = sum(abs(value) for (name, _), value in ledger.ways.items() if name == amount)
        assert abs(change - ledger.total(amount)) <= 1e-9 * max(moved, sum(getattr(start, amount)))
