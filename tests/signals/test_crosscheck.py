"""Readings against each other and against physics: what is doubted, what is only said, never more than suspect."""

from __future__ import annotations

from collections.abc import Mapping

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from brinewatch.moment import Moment
from brinewatch.readings import Flag, Reading, quantity_of
from brinewatch.seawater.density import density_eos80
from brinewatch.signals.crosscheck import (
    HEAT_J_PER_L_K,
    Compare,
    CrossMemory,
    CrossPlan,
    Neighbour,
    crosscheck,
    fastest_K_per_s,
)

START = Moment(1000.0, 1_700_000_000.0, True)


def reading(point: str, value: float | None, at: Moment, flag: Flag = Flag.PASS, reason: str = "") -> Reading:
    return Reading(point, quantity_of(point), value, value, flag, reason, at, "probe")


class Steps:
    """Feeds steps of readings, remembering the newest of each point as the watchkeeper does."""

    def __init__(self, plan: CrossPlan) -> None:
        self.plan = plan
        self.latest: dict[str, Reading] = {}
        self.memory = CrossMemory()

    def take(self, at_s: float, values: Mapping[str, float | None], flag: Flag = Flag.PASS) -> dict[str, Reading]:
        now = START.later(at_s)
        fresh = {point: reading(point, value, now, flag) for point, value in values.items()}
        self.latest |= fresh
        doubted, self.memory = crosscheck(self.plan, self.latest, fresh, self.memory, now)
        self.latest |= doubted
        return doubted


TWO = CrossPlan(compare=(Compare(points=["raceway.temperature", "bed.temperature"], apart=1.0, after_s=600),))


def test_two_probes_apart_for_too_long() -> None:
    steps = Steps(TWO)
    for at in range(0, 600, 60):
        assert steps.take(at, {"raceway.temperature": 14.0, "bed.temperature": 15.2}) == {}
    doubted = steps.take(600, {"raceway.temperature": 14.0, "bed.temperature": 15.2})
    assert {point: one.flag for point, one in doubted.items()} == {
        "raceway.temperature": Flag.SUSPECT,
        "bed.temperature": Flag.SUSPECT,
    }
    assert doubted["raceway.temperature"].reason == "Has stood 1.2 degC off bed.temperature for 10 min."
    assert doubted["raceway.temperature"].value == 14.0
    assert steps.take(660, {"raceway.temperature": 14.5, "bed.temperature": 15.2}) == {}
    assert steps.take(720, {"raceway.temperature": 14.0, "bed.temperature": 15.2}) == {}  # from the beginning


def test_only_what_is_new_is_flagged_and_an_old_partner_says_nothing() -> None:
    steps = Steps(TWO)
    steps.take(0, {"raceway.temperature": 14.0, "bed.temperature": 16.0})
    assert set(steps.take(600, {"raceway.temperature": 14.0})) == {"raceway.temperature"}
    assert steps.take(1300, {"raceway.temperature": 14.0}) == {}


@pytest.mark.parametrize("flag", [Flag.FAIL, Flag.MISSING, Flag.NOT_EVALUATED])
def test_what_has_no_value_is_not_compared(flag: Flag) -> None:
    steps = Steps(CrossPlan(compare=(Compare(points=["a.ph", "b.ph"], apart=0.1, after_s=0),)))
    steps.take(0, {"a.ph": 8.0})
    assert steps.take(1, {"b.ph": 7.0}, flag) == {}
    assert set(steps.take(2, {"b.ph": 7.0})) == {"b.ph"}


ALONE = CrossPlan(neighbour=(
    Neighbour(point="a.ph", partner="a.oxygen", moves=0.3, partner_moves=0.5, within_s=1800),
))  # fmt: skip


def test_one_moves_and_its_companion_does_not() -> None:
    steps = Steps(ALONE)
    for number in range(30):
        assert steps.take(60 * number, {"a.oxygen": 7.0 + 0.01 * (number % 2), "a.ph": 8.0}) == {}
    doubted = steps.take(1800, {"a.oxygen": 7.0, "a.ph": 7.6})
    assert doubted["a.ph"].flag is Flag.SUSPECT
    assert "while a.oxygen moved by 0.01 mg/L only" in doubted["a.ph"].reason


def test_both_move_and_nothing_is_said() -> None:
    steps = Steps(ALONE)
    for number in range(31):
        assert steps.take(60 * number, {"a.oxygen": 7.0 - 0.05 * number, "a.ph": 8.0 - 0.02 * number}) == {}


def test_a_companion_that_is_silent_says_nothing() -> None:
    steps = Steps(ALONE)
    for number in range(30):
        steps.take(60 * number, {"a.oxygen": 7.0, "a.ph": 8.0})
    for number in range(30, 38):
        steps.take(60 * number, {"a.ph": 8.0})
    assert steps.take(60 * 38, {"a.ph": 7.0}) == {}


AIR_ONLY = CrossPlan(oxygen_above_percent=130)


def test_oxygen_far_above_saturation_where_only_air_is_blown_in() -> None:
    steps = Steps(AIR_ONLY)
    assert steps.take(0, {"a.oxygen": 9.0, "a.oxygen_saturation": 130.0}) == {}
    doubted = steps.take(5, {"a.oxygen": 12.0, "a.oxygen_saturation": 150.0})
    assert {point: one.flag for point, one in doubted.items()} == {
        "a.oxygen": Flag.SUSPECT,
        "a.oxygen_saturation": Flag.SUSPECT,
    }
    assert Steps(CrossPlan()).take(5, {"a.oxygen_saturation": 300.0}) == {}  # pure oxygen is fed


def test_air_below_the_head_is_said_and_keeps_its_flag() -> None:
    steps = Steps(CrossPlan())
    doubted = steps.take(0, {"air.air_pressure": 3.0, "air.air_rise": -5.0})
    assert set(doubted) == {"air.air_rise"}
    assert doubted["air.air_rise"].flag is Flag.PASS
    assert "the blower does not run as it should" in doubted["air.air_rise"].reason
    assert steps.latest["air.air_pressure"].flag is Flag.PASS


def test_heat_capacity_of_seawater() -> None:
    # Fofonoff & Millard 1983 (UNESCO 44): specific heat at S 40, 40 degC, 0 bar 3980.051 J/(kg K); at S 35, 20 degC
    # 3993 (read off table); density by EOS-80
    assert pytest.approx(3993 * density_eos80(35, 20) / 1000, rel=1e-3) == HEAT_J_PER_L_K


def test_a_named_heater_bounds_the_rate() -> None:
    # 2 kW on 1000 L: 2000 W / 4.092 MJ/K = 0.49 mK/s, 1.8 K/h, and 5 W/L more for the room and inflow
    assert fastest_K_per_s(1000, 2.0) == pytest.approx((2000 + 5000) / 4.092e6, rel=1e-6)
    assert fastest_K_per_s(1000, None) == pytest.approx(20.0 / 4092, rel=1e-6)


def test_warming_faster_than_the_water_can() -> None:
    steps = Steps(CrossPlan(heat={"a.temperature": fastest_K_per_s(1000, 2.0)}))
    found = [steps.take(5 * number, {"a.temperature": 14.0 + 0.0005 * 5 * number}) for number in range(200)]
    assert all(one == {} for one in found)  # 1.8 K/h is the heater itself
    doubted = steps.take(1005, {"a.temperature": 18.0})
    assert doubted["a.temperature"].flag is Flag.SUSPECT
    assert "faster than this much water can" in doubted["a.temperature"].reason
    for number in range(1, 121):
        steps.take(1005 + 5 * number, {"a.temperature": 18.0})
    assert steps.take(1700, {"a.temperature": 18.0}) == {}


def test_one_step_of_a_coarse_thermometer_is_let_pass() -> None:
    steps = Steps(CrossPlan(heat={"a.temperature": 1e-6}))
    for number in range(100):
        assert steps.take(number, {"a.temperature": 14.0 + 0.5 * (number % 2)}) == {}


@given(
    st.lists(st.tuples(st.floats(-5, 50), st.floats(-5, 50), st.floats(0, 400), st.floats(-120, 100)), max_size=20)
)
def test_never_more_than_suspect_and_never_another_value(rows: list[tuple[float, float, float, float]]) -> None:
    plan = CrossPlan(
        compare=(Compare(points=["a.temperature", "b.temperature"], apart=0.1, after_s=0),),
        neighbour=(Neighbour(point="a.temperature", partner="b.temperature", moves=0.1, partner_moves=0.1),),
        oxygen_above_percent=110,
        heat={"a.temperature": 1e-6, "b.temperature": 1e-6},
    )
    steps = Steps(plan)
    for number, (one, other, oxygen, rise) in enumerate(rows):
        given_ = {"a.temperature": one, "b.temperature": other, "a.oxygen_saturation": oxygen, "m.air_rise": rise}
        for point, doubted in steps.take(600 * number, given_).items():
            assert doubted.flag in (Flag.PASS, Flag.SUSPECT)
            assert doubted.value == given_[point]
            assert doubted.reason


@pytest.mark.parametrize(
    ("model", "row", "message"),
    [
        (Compare, {"points": ["a.ph"], "apart": 1}, "at least 2 items"),
        (Compare, {"points": ["a.ph", "a.ph"], "apart": 1}, "two different points of one quantity"),
        (Compare, {"points": ["a.ph", "b.oxygen"], "apart": 1}, "two different points of one quantity"),
        (Compare, {"points": ["a.ph", "b.ph"], "apart": 0}, "greater than 0"),
        (Neighbour, {"point": "a.ph", "partner": "a.ph", "moves": 1, "partner_moves": 1}, "other than the point"),
    ],
)
def test_what_cannot_be_meant_is_refused(model: type, row: dict[str, object], message: str) -> None:
    with pytest.raises(ValidationError, match=message):
        model.model_validate(row)  # type: ignore[attr-defined]
