"""Nitrogen load, what a bed carries, and the stages of its start."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from brinewatch.seawater import load
from brinewatch.seawater.startup import StartUp, WaterTest, start_up_stage, water_tests


def test_tan_from_feed() -> None:
    # Timmons & Ebeling (from memory): 1 kg feed of 45 % protein a day -> 41.40 g N/day
    assert load.tan_from_feed_gN_day(1000, 0.45) == pytest.approx(41.40, abs=0.005)


def test_tan_from_excretion_and_its_rise() -> None:
    # handbook: 20 kg/m3 at 1 mg N/kg/h adds 0.48 mg TAN/L a day without a filter
    excreted = load.tan_from_excretion_gN_day(20, 1.0)
    assert load.tan_rise_mgN_L_day(excreted, 1000) == pytest.approx(0.48)


def test_stoichiometry_of_nitrification() -> None:
    # textbook: 4.57 g O2 and 7.14 g CaCO3 of alkalinity a gram N (Gujer & Jenkins 1974 with growth: 4.32)
    assert load.nitrification_oxygen_g(1.0) == pytest.approx(4.569, abs=5e-4)
    assert load.nitrification_alkalinity_g_caco3(1.0) == pytest.approx(7.1457, abs=5e-4)
    assert load.nitrification_alkalinity_eq(1.0) == pytest.approx(0.1428, abs=5e-5)


def test_bed_rates() -> None:
    # Nijhof & Bovendeur 1990: 0.28 in seawater and 0.69 in fresh water, g N/(m2 d) at 24 degC
    assert load.nitrification_rate(5.0, 24, 33) == pytest.approx(0.28)
    assert load.nitrification_rate(5.0, 24, 0) == pytest.approx(0.69)
    # handbook: 12 degC and 0.3 mg/L TAN in seawater is about 0.05
    assert load.nitrification_rate(0.3, 12, 33) == pytest.approx(0.05, abs=0.003)
    assert load.bed_capacity_gN_day(100, 0.3, 12, 33) == pytest.approx(5.0, abs=0.3)
    assert load.bed_area_m2(200, 500) == pytest.approx(100)


def test_feed_of_a_poor_diet_by_the_kilogram_of_animals() -> None:
    # Timmons & Ebeling's 0.092 (from memory): 1 % of live mass a day at 30 % protein is 11.5 mg N/kg/h
    fed = load.tan_from_feed_gN_day(10.0, 0.30)
    assert fed / 24 * 1000 == pytest.approx(11.5, abs=0.05)
    assert load.tan_from_excretion_gN_day(1.0, 11.5) == pytest.approx(fed, rel=0.005)


def test_growing_bacteria_use_less_than_stoichiometry() -> None:
    # Gujer & Jenkins 1974: 4.32 g O2 a gram N with growth; Ebeling et al. 2006 (from memory): 4.18 and 7.05 g CaCO3
    assert 4.18 < 4.32 < load.nitrification_oxygen_g(1.0)
    assert load.nitrification_alkalinity_g_caco3(1.0) > 7.05
    # both halves of it: 3.4267 g for ammonia to nitrite, 1.1422 g for nitrite to nitrate
    assert load.nitrification_oxygen_g(1.0) == pytest.approx(3.4267 + 1.1422, abs=2e-4)


def test_a_bed_that_nitrifies_uses_oxygen_first() -> None:
    # handbook: 100 m2 at 0.05 to 0.10 g N/m2/d use 1.2 to 2.5 g O2/h with 30 % for other bacteria
    for rate, oxygen in ((0.05, 1.2), (0.10, 2.5)):
        assert 1.3 * load.nitrification_oxygen_g(100 * rate) / 24 == pytest.approx(oxygen, rel=0.05)


@given(st.floats(0, 35), st.floats(0, 44), st.floats(0, 5))
def test_a_warmer_or_fresher_bed_and_more_ammonia_nitrify_more(t: float, s: float, tan: float) -> None:
    here = load.nitrification_rate(tan, t, s)
    assert load.nitrification_rate(tan, t + 1, s) >= here
    assert load.nitrification_rate(tan, t, s + 1) <= here
    assert load.nitrification_rate(tan + 0.1, t, s) >= here


@given(st.floats(0.001, 1.0), st.floats(1, 500), st.floats(0, 36), st.floats(0, 45))
def test_tan_in_balance_is_the_bed_turned_round(share: float, area: float, t: float, s: float) -> None:
    carried = share * area * load.highest_rate(t, s)
    tan = load.tan_in_balance_mgN_L(carried, area, t, s)
    assert load.bed_capacity_gN_day(area, tan, t, s) == pytest.approx(carried, rel=1e-9)


def test_more_than_a_bed_can_take_is_said() -> None:
    with pytest.raises(ValueError, match="the most this bed can take"):
        load.tan_in_balance_mgN_L(100, 10, 12, 33)


def test_denitrification_by_mass() -> None:
    # 2 L/min x 1440 min x (50 - 20 - 3) mg/L = 77.8 g N/day
    assert load.denitrification_gN_day(2, 50, 20, 0, 3) == pytest.approx(77.76)
    assert load.denitrification_gN_day(2, 20, 21) < 0


@pytest.mark.parametrize("bad", [math.nan, math.inf, -1.0])
def test_no_number_is_refused(bad: float) -> None:
    for call in (
        lambda: load.tan_from_feed_gN_day(bad, 0.4),
        lambda: load.tan_from_feed_gN_day(100, bad),
        lambda: load.tan_from_excretion_gN_day(20, bad),
        lambda: load.tan_rise_mgN_L_day(1, bad),
        lambda: load.nitrification_oxygen_g(bad),
        lambda: load.nitrification_alkalinity_eq(bad),
        lambda: load.nitrification_rate(bad, 12, 33),
        lambda: load.nitrification_rate(1, bad, 33),
        lambda: load.bed_area_m2(bad, 500),
        lambda: load.bed_capacity_gN_day(bad, 1, 12, 33),
        lambda: load.tan_in_balance_mgN_L(bad, 10, 12, 33),
        lambda: load.denitrification_gN_day(2, bad, 20),
        lambda: start_up_stage([WaterTest(0, bad, 0)]),
    ):
        with pytest.raises(ValueError, match=r" = (nan|inf|-1)"):
            call()


# a start as handbooks draw it: ammonia peaks in weeks 2 to 5, nitrite in 5 to 12 (common practice, no source)
RECORD = [
    (0, 0.0, 0.0, StartUp.NOT_BEGUN),
    (4, 0.3, 0.0, StartUp.NOT_BEGUN),
    (10, 2.0, 0.05, StartUp.TAN_RISING),
    (20, 4.0, 0.4, StartUp.TAN_RISING),
    (30, 2.5, 1.5, StartUp.TAN_RISING),
    (36, 1.0, 3.0, StartUp.NITRITE_RISING),
    (45, 0.1, 6.0, StartUp.NITRITE_RISING),
    (60, 0.05, 2.0, StartUp.NITRITE_FALLING),
    (70, 0.0, 0.05, StartUp.NITRITE_FALLING),
    (74, 0.0, 0.0, StartUp.MATURE),
]


@pytest.mark.parametrize("count", range(1, len(RECORD) + 1))
def test_start_up_by_stages(count: int) -> None:
    tests = [WaterTest(day, tan, nitrite) for day, tan, nitrite, _ in RECORD[:count]]
    assert start_up_stage(tests) is RECORD[count - 1][3]


def test_start_up_of_nothing_and_of_a_mixed_up_record() -> None:
    assert start_up_stage([]) is StartUp.NOT_BEGUN
    with pytest.raises(ValueError, match="oldest first"):
        start_up_stage([WaterTest(5, 1, 0), WaterTest(1, 1, 0)])


def test_low_numbers_alone_never_make_it_mature() -> None:
    assert start_up_stage([WaterTest(day, 0.0, 0.0) for day in range(30)]) is StartUp.NOT_BEGUN


def test_start_up_from_a_record_kept_by_quantity() -> None:
    # nitrite entered an hour after the ammonia, and a few tests of one without the other
    tan = [(day, tan) for day, tan, _, _ in reversed(RECORD)] + [(50.0, 9.0)]
    nitrite = [(day + 1 / 24, nitrite) for day, _, nitrite, _ in RECORD] + [(15.0, 9.0)]
    found = water_tests(tan, nitrite)
    assert found == [WaterTest(day, tan, nitrite) for day, tan, nitrite, _ in RECORD]
    assert start_up_stage(found) is StartUp.MATURE
    assert water_tests(tan, []) == []
    assert water_tests([], nitrite) == []


@pytest.mark.parametrize("bad", [math.nan, -1.0, math.inf])
def test_a_record_without_numbers_is_refused(bad: float) -> None:
    with pytest.raises(ValueError, match="mgN_L = "):
        water_tests([(1.0, bad)], [(1.0, 0.1)])
    with pytest.raises(ValueError, match="day = "):
        water_tests([(1.0, 1.0)], [(bad, 0.1)])
