"""The state of the air supply: against hydrostatics worked out by another library, and orifices worked by hand.

Head: rho g h with gsw's density (TEOS-10) and g 9.80665 m/s2. Orifices: excess = k q^2, the textbook law of
turbulent flow through a fixed opening. Usual excess of clean diffusers and pipe, 1.5 to 7 kPa: common practice,
no source.
"""

from __future__ import annotations

import gsw
import pytest
from hypothesis import given
from hypothesis import strategies as st

from brinewatch.quantities import QUANTITIES
from brinewatch.signals.air_supply import Air, AirState, AirSupply, Verdict, classify, motor_runs

KNOWN = AirSupply(relief_kPa=18.0, rise_kPa=2.0, current_A=2.7, flow_L_min=180.0)
CLEAN, BARE = AirSupply(rise_kPa=2.0), AirSupply()
STOPPED, OPEN, BLOCKED, RELIEF, NORMAL = AirState


def head(depth_m: float, salinity: float = 33.0, temperature_C: float = 12.0) -> float:
    absolute = gsw.SA_from_SP(salinity, 0, 0, 60)
    return float(gsw.rho(absolute, gsw.CT_from_t(absolute, temperature_C, 0), 0)) * 9.80665 * depth_m / 1000


def at(excess: float, depth_m: float = 1.0, **more: float) -> Air:
    return Air(head(depth_m) + excess, head(depth_m), **more)  # type: ignore[arg-type]


def test_the_states_are_those_of_the_table_of_quantities() -> None:
    assert QUANTITIES["air_state"].states == tuple(one.name.lower().replace("_", " ") for one in AirState)
    assert QUANTITIES["air_state"].high == len(AirState) - 1


@pytest.mark.parametrize(
    ("air", "supply", "state"),
    [
        # the handbook's 10.1 kPa a metre of seawater and 2 kPa for diffuser and pipe
        (Air(12.1, 10.1, current=2.7), KNOWN, NORMAL),
        (Air(12.1, 10.1), KNOWN, NORMAL),
        (Air(12.1, 10.1), BARE, NORMAL),
        # the motor stands: nothing at the manifold, or what the water holds behind a check valve
        (Air(0.0, 10.1, current=0.0), KNOWN, STOPPED),
        (Air(0.0, 10.1, current=0.02), BARE, STOPPED),
        (at(0.0, current=0.0, shallow=head(0.5)), KNOWN, STOPPED),
        (Air(head(0.5), head(1.0), current=0.0, shallow=head(0.5)), KNOWN, STOPPED),
        # nothing tells of the motor: no pressure at all is a stopped blower
        (Air(0.1, 10.1), KNOWN, STOPPED),
        (Air(-0.1, 10.1), BARE, STOPPED),
        # the motor runs and the pressure is below the head: the hose is off, a branch has burst
        (Air(0.4, 10.1, current=1.4), KNOWN, OPEN),
        (Air(7.0, 10.1, current=2.0), KNOWN, OPEN),
        (at(0.1, current=2.6), KNOWN, OPEN),
        (at(-0.1, current=2.6), BARE, OPEN),
        # nothing tells of the motor, but no water holds a pressure between two heads or below both
        (Air(2.5, head(1.0), shallow=head(0.5)), KNOWN, OPEN),
        (Air(8.0, head(1.0), shallow=head(0.5)), KNOWN, OPEN),
        # twice the clean excess and 1.5 kPa more
        (at(3.9, current=3.0), KNOWN, NORMAL),
        (at(4.1, current=3.0), KNOWN, BLOCKED),
        (at(8.5), BARE, BLOCKED),
        # at the setting of the relief valve
        (Air(17.4, 10.1, current=3.4), KNOWN, BLOCKED),
        (Air(17.8, 10.1, current=3.4), KNOWN, RELIEF),
        (Air(18.3, 10.1), KNOWN, RELIEF),
        (Air(18.3, 10.1), AirSupply(relief_kPa=18.0), RELIEF),
    ],
)
def test_worked_cases(air: Air, supply: AirSupply, state: AirState) -> None:
    found = classify(air, supply)
    assert found.state is state
    assert found.reason
    assert found.doubt == ""


@pytest.mark.parametrize("depth_m", [0.3, 0.5, 0.8, 1.0, 1.2, 1.5, 2.0])
def test_at_any_depth_a_quarter_of_the_excess_is_half_the_air(depth_m: float) -> None:
    # q = sqrt(excess / k): at a quarter of it half the air flows, and a little less is an open line
    assert classify(at(0.26 * 2.0, depth_m, current=2.5), CLEAN).state is NORMAL
    assert classify(at(0.24 * 2.0, depth_m, current=2.5), CLEAN).state is OPEN


@pytest.mark.parametrize(
    ("shut", "of", "flow", "state"),
    [
        # a pump of constant flow (a lobe blower) on equal orifices side by side, `shut` of them blocked: each of
        # the rest passes of/(of - shut) as much, so the excess rises by the square
        (1, 2, 1.0, BLOCKED),
        (1, 4, 1.0, NORMAL),
        (2, 4, 1.0, BLOCKED),
        # a blower of constant pressure on the same: the excess stays, the flow falls by the blocked share
        (1, 2, None, BLOCKED),
        (1, 8, None, NORMAL),
        (2, 4, None, BLOCKED),
    ],
)
def test_orifices_side_by_side(shut: int, of: int, flow: float | None, state: AirState) -> None:
    left = (of - shut) / of
    excess, share = (2.0 / left**2, flow) if flow is not None else (2.0, left)
    if flow is not None:  # constant flow shows in the pressure alone
        assert classify(at(excess), CLEAN).state is state
    else:  # constant pressure shows in the flow alone, and the pressure tells nothing
        assert classify(at(excess, flow=share * 180.0), KNOWN).state is state
        assert classify(at(excess), CLEAN).state is NORMAL


@pytest.mark.parametrize(
    ("excess", "share", "state"),
    [
        (2.0, 1.0, NORMAL),
        # the same opening with less air through it keeps excess = k q^2: intake blocked or blower weak
        (2.0 * 0.9**2, 0.9, NORMAL),
        (2.0 * 0.6**2, 0.6, BLOCKED),
        # a second opening as large as all diffusers together, pump of constant flow: half through each, a quarter
        # of the excess; of the same pressure: twice the flow
        (2.0 / 4, 1.0, OPEN),
        (2.0, 2.0, OPEN),
        (2.0 * 0.8, 1.05, NORMAL),
    ],
)
def test_with_a_flow_meter_the_resistance_decides(excess: float, share: float, state: AirState) -> None:
    assert classify(at(excess, flow=share * 180.0), KNOWN).state is state


def test_what_cannot_be_told_is_no_state() -> None:
    # stopped behind a check valve the air bleeds away until the shallowest water holds it: so does a hose off there
    found = classify(Air(head(0.5) + 0.1, head(1.0), shallow=head(0.5)), KNOWN)
    assert found.state is None
    assert "go and look" in found.reason
    assert classify(at(0.0), KNOWN).state is None
    # a meter of the motor settles it
    assert classify(Air(head(0.5) + 0.1, head(1.0), shallow=head(0.5), current=2.0), KNOWN).state is OPEN
    # and so does a current between standing and running not
    assert classify(Air(head(0.5), head(1.0), shallow=head(0.5), current=0.8), KNOWN).state is None


def test_a_pressure_known_no_better_than_the_excess_tells_nothing_of_it() -> None:
    poor = AirSupply(rise_kPa=0.5)
    assert classify(at(0.5, uncertainty=0.2, current=2.0), poor).state is NORMAL
    found = classify(at(0.5, uncertainty=0.6, current=2.0), poor)
    assert found.state is None
    assert "0.6 kPa" in found.reason
    # what lies far beyond it still counts
    assert classify(at(-5.0, uncertainty=0.6, current=2.0), poor).state is OPEN
    assert classify(at(5.0, uncertainty=0.6, current=2.0), poor).state is BLOCKED


def test_air_over_the_head_while_the_motor_draws_nothing_is_doubted_not_denied() -> None:
    found = classify(at(2.0, current=0.0), KNOWN)
    assert found.state is NORMAL
    assert "another blower" in found.doubt


def test_what_was_learnt_serves_when_nothing_is_set_and_a_setting_goes_before_it() -> None:
    air = at(2.9, current=2.5)
    assert classify(air, BARE).state is NORMAL
    assert classify(air, BARE, clean_kPa=1.2).state is BLOCKED
    assert classify(air, AirSupply(rise_kPa=2.0), clean_kPa=1.2).state is NORMAL


def test_whether_the_motor_runs() -> None:
    assert motor_runs(1.4, None, KNOWN) is True  # a side-channel blower without load still draws half
    assert motor_runs(0.3, None, KNOWN) is False
    assert motor_runs(0.8, None, KNOWN) is None
    assert motor_runs(0.35, None, BARE) is True
    assert motor_runs(0.05, None, BARE) is False
    assert motor_runs(None, 90.0, KNOWN) is True
    assert motor_runs(None, 0.0, KNOWN) is None  # it may run against a shut valve
    assert motor_runs(None, 90.0, BARE) is None
    assert motor_runs(None, None, KNOWN) is None


@given(st.floats(-1, 40), st.floats(-1, 40), st.floats(0.1, 3.0))
def test_more_pressure_never_looks_like_less(one: float, other: float, depth_m: float) -> None:
    # with the motor known to run the states follow one another as the pressure rises
    order = [OPEN, NORMAL, BLOCKED, RELIEF]
    supply = AirSupply(relief_kPa=head(depth_m) + 8.0, rise_kPa=2.0, current_A=2.7)

    def place(pressure: float) -> int:
        verdict: Verdict = classify(Air(pressure, head(depth_m), current=2.7), supply)
        assert verdict.state is not None
        return order.index(verdict.state)

    low, high = sorted((one, other))
    assert place(low) <= place(high)


@given(
    st.floats(-20, 100), st.floats(0, 30), st.none() | st.floats(0, 30), st.none() | st.floats(0, 5),
    st.none() | st.floats(0, 50), st.none() | st.floats(0, 1000), st.sampled_from([BARE, KNOWN]),
    st.none() | st.floats(0.01, 10),
)  # fmt: skip
def test_every_air_gets_a_verdict_with_a_reason(
    pressure: float, water: float, shallow: float | None, uncertainty: float | None, current: float | None,
    flow: float | None, supply: AirSupply, clean: float | None,
) -> None:  # fmt: skip
    found = classify(Air(pressure, water, shallow, uncertainty, current, flow), supply, clean)
    assert found.reason
    # only what stands is stopped: never while the motor is seen to run
    if motor_runs(current, flow, supply):
        assert found.state is not STOPPED
