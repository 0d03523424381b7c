"""Oxygen in other units, and probes that were told wrong."""

from __future__ import annotations

import math

import gsw
import pytest
from hypothesis import given
from hypothesis import strategies as st

from brinewatch.seawater import oxygen
from brinewatch.seawater import oxygen_units as units
from brinewatch.seawater.pressure import hPa_from_mmHg, mmHg_from_hPa
from checkvalues import rows


def test_garcia_gordon_check_value_in_three_units() -> None:
    # Garcia & Gordon 1992, S 35, 10 degC: 6.315 mL/L is 274.610 umol/kg, and 9.024 mg/L by 1.42905 mg/mL
    assert units.mg_L_from_mL_L(6.315) == pytest.approx(9.0245, abs=1e-4)
    assert units.umol_kg_from_mg_L(units.mg_L_from_mL_L(6.314767), 10, 35) == pytest.approx(274.610, rel=2e-4)


def test_umol_kg_against_gsw() -> None:
    # gsw 3.6 O2sol_SP_pt, and its density of the same water, TEOS-10
    for t in (2, 12, 25):
        for s in (5, 20, 35):
            absolute = float(gsw.SA_from_SP(s, 0, 0, 0))
            rho = float(gsw.rho(absolute, gsw.CT_from_t(absolute, t, 0), 0))
            amount = float(gsw.O2sol_SP_pt(s, t))
            assert units.mg_L_from_umol_kg(amount, t, s) == pytest.approx(amount * 31.9988e-6 * rho, rel=2e-5)


def test_tension_of_air_saturated_water_is_that_of_moist_air() -> None:
    # Colt 1984: 0.20946 of (BP - vapour pressure); at 20 degC, S 35, 760 mmHg: 0.20946 * (760 - 17.191) = 155.59
    # mmHg
    full = oxygen.benson_krause(20, 35)
    assert mmHg_from_hPa(units.partial_pressure_hPa(full, 20, 35)) == pytest.approx(155.59, abs=0.01)
    # the critical tension of 60 to 70 mmHg (Johansen & Vadas 1967) is 38 to 45 % of air saturation
    for mmhg, percent in ((60, 38), (70, 45)):
        share = mmhg / mmHg_from_hPa(units.partial_pressure_hPa(full, 20, 35))
        assert 100 * share == pytest.approx(percent, abs=0.7)


def test_a_probe_told_fresh_water_reads_a_fifth_high_in_seawater() -> None:
    # USGS DOTABLES: 15 degC, S 0 holds 10.08 (APHA 10.084) and S 35 8.135 mg/L: the shown value must come down
    # alike
    table = {row["salinity_psu"]: float(row["published_do_mgL"]) for row in rows("oxygen_saturation.csv")
             if row["temp_C"] == "15" and row["source"].startswith("USGS")}  # fmt: skip
    shown = 8.0
    found = units.mg_L_at_true_salinity(shown, 15, 5, 25)
    assert found == pytest.approx(shown * table["25"] / table["5"], rel=1.2e-3)
    assert units.mg_L_at_true_salinity(shown, 12, 0, 33) == pytest.approx(shown / 1.23, rel=0.01)


def test_percent_with_the_right_pressure() -> None:
    # a meter that takes 1013.25 hPa where 899 hPa is true shows 8 mg/L as too small a percent
    low = oxygen.percent_saturation(8.0, 12, 33, 899.0)
    shown = oxygen.percent_saturation(8.0, 12, 33)
    assert units.percent_at_true_pressure(shown, 12, 1013.25, 899.0) == pytest.approx(low, rel=1e-12)


def test_calibrated_in_air_with_the_wrong_pressure() -> None:
    # set to the sea-level saturation where true saturation is 11.3 % less: every mg/L reads so much too high
    true = 7.0
    slope = oxygen.benson_krause(18, 0, 1013.25) / oxygen.benson_krause(18, 0, 899.0)
    found = units.mg_L_after_wrong_calibration_pressure(true * slope, 18, 1013.25, 899.0)
    assert found == pytest.approx(true, rel=1e-12)


def test_deficit() -> None:
    # APHA 4500-O: 20 degC fresh water holds 9.092 mg/L
    assert units.deficit_mg_L(8.0, 20, 0) == pytest.approx(1.092, abs=1e-3)
    assert units.deficit_mg_L(10.0, 20, 0) < 0
    assert units.deficit_mg_L(8.0, 20, 0, hPa_from_mmHg(600)) < 0


@given(st.floats(0, 60), st.floats(-2, 42), st.floats(0, 45))
def test_units_are_inverses(mg_l: float, t: float, s: float) -> None:
    assert units.mg_L_from_mL_L(units.mL_L_from_mg_L(mg_l)) == pytest.approx(mg_l)
    assert units.mg_L_from_umol_kg(units.umol_kg_from_mg_L(mg_l, t, s), t, s) == pytest.approx(mg_l)
    back = units.mg_L_at_true_salinity(units.mg_L_at_true_salinity(mg_l, t, 0, s), t, s, 0)
    assert back == pytest.approx(mg_l)


@pytest.mark.parametrize("bad", [math.nan, math.inf, -1.1])
def test_no_number_is_refused(bad: float) -> None:
    for call in (
        lambda: units.mL_L_from_mg_L(bad),
        lambda: units.mg_L_from_mL_L(bad),
        lambda: units.umol_kg_from_mg_L(bad, 12, 33),
        lambda: units.mg_L_from_umol_kg(bad, 12, 33),
        lambda: units.partial_pressure_hPa(bad, 12, 33),
        lambda: units.deficit_mg_L(bad, 12, 33),
        lambda: units.mg_L_at_true_salinity(bad, 12, 0, 33),
        lambda: units.mg_L_at_true_salinity(8, 12, bad, 33),
        lambda: units.percent_at_true_pressure(bad, 12, 1013, 1000),
        lambda: units.percent_at_true_pressure(90, 12, bad, 1000),
        lambda: units.mg_L_after_wrong_calibration_pressure(bad, 12, 1013, 1000),
    ):
        with pytest.raises(ValueError, match=r" = (nan|inf|-1\.1)"):
            call()
