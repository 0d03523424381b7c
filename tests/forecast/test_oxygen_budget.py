"""The oxygen budget against worked hours, closed forms and a reference integrator."""

from __future__ import annotations

from math import exp, inf, log

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from pydantic import ValidationError
from scipy.integrate import solve_ivp

from brinewatch.forecast.oxygen_budget import (
    PLANNING_UPTAKE,
    Balance,
    Demand,
    Feeding,
    TankOxygen,
    Water,
    advance,
    balance,
    planned_demand,
    run_down,
    transfer,
)

# Hours from 90 % of saturation to 65, 45 and 20 % for 1 m3 of S 33, 25 mg/kg/h at 12 degC, Q10 2.1, 0.05 mg/L/h of
# the water, no gas transfer. Computed beforehand from the same equations by another program, and rounded as here:
# it holds the arithmetic, not the biology.
_HOURS = {
    5: {8: "16.7/30/50", 12: "12.5/22/38", 16: "9.3/17/28", 20: "6.8/12/21"},
    10: {8: "10.1/18/31", 12: "7.3/13/22", 16: "5.2/9.4/16", 20: "3.7/6.7/12"},
    20: {8: "5.7/10/18", 12: "4.0/7.2/12", 16: "2.8/5.0/8.7", 20: "2.0/3.5/6.1"},
    40: {8: "3.0/5.4/9.4", 12: "2.1/3.8/6.5", 16: "1.4/2.6/4.5", 20: "1.0/1.8/3.2"},
    60: {8: "2.1/3.7/6.4", 12: "1.4/2.5/4.4", 16: "1.0/1.8/3.1", 20: "0.7/1.2/2.1"},
}


def tank(kg: float = 20.0, **more: object) -> TankOxygen:
    return TankOxygen.model_validate(
        {"volume_L": 1000.0, "surface_m2": 1.5, "animals": "urchin", "biomass_kg": float(kg), **more}
    )


@pytest.mark.parametrize(("kg", "celsius"), [(kg, t) for kg, row in _HOURS.items() for t in row])
def test_the_table_of_hours_without_air(kg: int, celsius: int) -> None:
    one = tank(kg)
    here = balance(one, Water(celsius, 33.0), planned_demand(one))
    for text, percent in zip(_HOURS[kg][celsius].split("/"), (65, 45, 20), strict=True):
        hours = here.hours_to(0.9 * here.saturated, percent / 100 * here.saturated)
        # a digit and a hair more than rounding: the table's saturation is rounded too
        assert hours == pytest.approx(float(text), abs=0.55 * (0.1 if "." in text else 1.0))


@pytest.mark.parametrize(("celsius", "hours"), [(12.0, (1.4, 2.5, 4.4)), (20.0, (0.7, 1.2, 2.1))])
def test_a_tray_of_fifty_litres_with_three_kilograms(celsius: float, hours: tuple[float, ...]) -> None:
    tray = tank(3.0, volume_L=50.0, surface_m2=0.3)
    here = balance(tray, Water(celsius, 33.0), planned_demand(tray))
    found = [here.hours_to(0.9 * here.saturated, p * here.saturated) for p in (0.65, 0.45, 0.2)]
    assert found == pytest.approx(list(hours), abs=0.055)


def test_the_state_of_the_animals_divides_the_hours() -> None:
    one = tank(60.0, water_mg_L_h=0.0)
    hours = {
        state: balance(one, Water(12.0, 33.0), planned_demand(one, state)).hours_to(7.9, 5.7) for state in Feeding
    }
    assert hours[Feeding.HANDLED] == pytest.approx(hours[Feeding.FED] / 2.0)
    assert hours[Feeding.FASTED] == pytest.approx(hours[Feeding.FED] / 0.65)
    # resting, poorly fed animals, 15 instead of 25 mg/kg/h, last about 1.6 times as long (with the water's share)
    resting = tank(20.0, uptake_mg_kg_h=15.0)
    fed = tank(20.0)
    ratio = [balance(t, Water(12.0, 33.0), planned_demand(t)).hours_to(7.9, 5.7) for t in (resting, fed)]
    assert ratio[0] / ratio[1] == pytest.approx(1.6, abs=0.05)


def test_a_still_surface_carries_six_tenths_of_a_kilogram_to_a_square_metre_at_half_saturation() -> None:
    # the same figures by hand: kL 0.1 m/d at 20 degC holds 50 % for 0.6 kg/m2 at 12 degC, 2 m/d for 12 kg/m2
    for kl, kg_m2 in ((0.1, 0.6), (2.0, 12.0)):
        one = tank(kg_m2 * 1.5, water_mg_L_h=0.0)
        here = balance(one, Water(12.0, 33.0), planned_demand(one), kl)
        assert here.rate(0.5 * here.saturated) == pytest.approx(0.0, abs=0.04 * here.demand)


def test_planning_figures_of_the_groups() -> None:
    assert PLANNING_UPTAKE == {
        "urchin": 25.0,
        "abalone": 45.0,
        "sea cucumber": 20.0,
        "oyster": 10.0,
        "lobster": 60.0,
    }


def test_without_transfer_it_falls_straight_and_then_as_an_exponential() -> None:
    here = Balance(demand=0.5, share=1.0, transfer=0.0, saturated=8.8, critical=3.7)
    assert here.hours_to(8.0, 5.0) == pytest.approx(3.0 / 0.5)
    # below the critical oxygen, and nothing but animals: C = Ccrit exp(-D t / Ccrit)
    assert here.hours_to(3.7, 1.0) == pytest.approx(3.7 / 0.5 * log(3.7))
    assert here.hours_to(8.0, 1.0) == pytest.approx(4.3 / 0.5 + 3.7 / 0.5 * log(3.7))


def test_with_transfer_it_nears_a_balance_and_never_passes_it() -> None:
    here = Balance(demand=0.3, share=0.9, transfer=0.1, saturated=8.8, critical=3.7)
    end = 8.8 - 0.3 / 0.1
    hours = here.hours_to(8.0, 6.5)
    assert end + (8.0 - end) * exp(-0.1 * hours) == pytest.approx(6.5)
    assert here.hours_to(8.0, end - 0.01) == inf
    assert here.hours_to(8.0, end) == inf


def test_above_saturation_it_loses_to_the_air_as_well() -> None:
    still = Balance(demand=0.3, share=0.9, transfer=0.0, saturated=8.0, critical=3.4)
    open_ = Balance(demand=0.3, share=0.9, transfer=0.05, saturated=8.0, critical=3.4)
    assert open_.hours_to(9.0, 8.0) < still.hours_to(9.0, 8.0)


def test_at_or_below_the_limit_nothing_is_left() -> None:
    here = Balance(demand=0.3, share=0.9, transfer=0.0, saturated=8.0, critical=3.4)
    assert here.hours_to(4.0, 4.0) == 0.0
    assert here.hours_to(3.0, 4.0) == 0.0


def test_an_empty_tank_never_runs_out() -> None:
    one = tank(0.0, water_mg_L_h=0.0)
    assert planned_demand(one) == Demand(0.0, 0.0)
    assert balance(one, Water(12.0, 33.0), planned_demand(one)).hours_to(8.0, 5.0) == inf


BALANCES = st.builds(
    Balance,
    demand=st.floats(0.05, 4.0),
    share=st.floats(0.0, 1.0),
    transfer=st.floats(0.0, 0.2),
    saturated=st.floats(6.0, 11.0),
    critical=st.floats(2.0, 4.5),
)


@settings(max_examples=50, deadline=None)
@given(BALANCES, st.floats(5.0, 12.0), st.floats(0.3, 0.95))
def test_closed_forms_agree_with_scipy(here: Balance, start: float, part: float) -> None:
    limit = part * start
    closed = here.hours_to(start, limit)
    # where the curve is all but flat, the instant of crossing is nobody's to tell
    assume(closed == inf or here.rate(limit) < -1e-3)

    def gone(_: float, c: np.ndarray) -> float:
        return float(c[0]) - limit

    gone.terminal, gone.direction = True, -1.0  # type: ignore[attr-defined]
    until = 1.05 * closed if closed < 150.0 else 149.0
    # small steps, so that the kink at the critical oxygen is not stepped over
    found = solve_ivp(
        lambda _, c: [here.rate(float(c[0]))], (0.0, until), [start], events=gone, rtol=1e-8, atol=1e-10,
        max_step=until / 30,
    )  # fmt: skip
    if closed < 150.0:
        assert found.t_events[0].size == 1
        assert found.t_events[0][0] == pytest.approx(closed, rel=1e-4)
    else:
        assert found.t_events[0].size == 0


@settings(max_examples=50, deadline=None)
@given(BALANCES, st.floats(5.0, 12.0), st.floats(0.3, 0.95))
def test_the_integrator_agrees_with_the_closed_forms(here: Balance, start: float, part: float) -> None:
    closed = here.hours_to(start, part * start)
    assume(closed == inf or here.rate(part * start) < -1e-2)
    found = run_down(start, part * start, lambda _: here, longest_h=20.0)
    if closed < 19.9:
        assert found == pytest.approx(closed, abs=2e-3)
    elif closed > 20.1:
        assert found == inf


@pytest.mark.parametrize("warming", [-1.0, 0.6, 2.0])
def test_a_tank_that_warms_or_cools_against_scipy(warming: float) -> None:
    one = tank(30.0)
    demand = planned_demand(one)

    def at(hours: float) -> Balance:
        return balance(one, Water(14.0 + warming * hours, 33.0), demand, 0.2)

    def gone(_: float, c: np.ndarray) -> float:
        return float(c[0]) - 2.0

    gone.terminal = True  # type: ignore[attr-defined]
    found = solve_ivp(
        lambda t, c: [at(t).rate(float(c[0]))],
        (0.0, 12.0),
        [7.5],
        events=gone,
        rtol=1e-9,
        atol=1e-10,
        max_step=0.02,
    )
    assert run_down(7.5, 2.0, at) == pytest.approx(float(found.t_events[0][0]), abs=1e-4)
    steady = at(0.0).hours_to(7.5, 2.0)
    assert (run_down(7.5, 2.0, at) < steady) == (warming > 0.0)


def test_the_integrator_never_goes_below_nothing() -> None:
    here = Balance(demand=5.0, share=0.0, transfer=0.0, saturated=8.0, critical=3.4)
    assert advance(0.1, lambda _: here, 0.0, 1.0) == 0.0


def test_transfer_and_temperature() -> None:
    # 0.24 m/d over 1.5 m2 and 1000 L is 0.24 * 1.5 / 1 / 24 per hour at 20 degC; 1.024 for each K
    assert transfer(tank(), 0.24, 20.0) == pytest.approx(0.015)
    assert transfer(tank(), 0.24, 10.0) == pytest.approx(0.015 / 1.024**10)
    # only the animals' part follows temperature, by Q10
    one = Demand(1.0, 0.8).at(tank(), 22.0)
    assert one.whole == pytest.approx(0.8 * 2.1 + 0.2)
    assert one.share == pytest.approx(0.8 * 2.1 / one.whole)


def test_a_measured_transfer_stands_in_for_none() -> None:
    demand = planned_demand(tank())
    water = Water(12.0, 33.0)
    assert balance(tank(), water, demand).transfer == 0.0
    assert balance(tank(kl_m_d=0.2), water, demand).transfer == pytest.approx(transfer(tank(), 0.2, 12.0))


@pytest.mark.parametrize(
    ("key", "value"),
    [("volume_L", 0.0), ("surface_m2", -1.0), ("animals", "herring"), ("biomass_kg", -0.1), ("critical_share", 1.0),
     ("kl_m_d", -0.1), ("uptake_mg_kg_h", 0.0), ("biomass_on", "2026-05-01"), ("colour", "blue")],
)  # fmt: skip
def test_figures_that_cannot_be_are_refused(key: str, value: object) -> None:
    with pytest.raises(ValidationError, match=key):
        tank(**{key: value}) if key != "biomass_kg" else tank(float(str(value)))
