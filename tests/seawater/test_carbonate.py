"""Free CO2, alkalinity and dosing against PyCO2SYS."""

from __future__ import annotations

import itertools
import math

import numpy as np
import PyCO2SYS
import pytest
from hypothesis import given
from hypothesis import strategies as st

from brinewatch.seawater import carbonate, ph

GRID = list(itertools.product((2, 10, 20, 30), (20, 30, 35, 40), (7.2, 7.8, 8.2), (1500, 2300, 3500)))
DIC_GRID = list(itertools.product((5, 15, 25), (20, 35), (1900, 2100, 2300), (2000, 2300)))


def test_carbonate_system_against_pyco2sys() -> None:
    # PyCO2SYS 1.8 defaults: K1 K2 Lueker et al. 2000, KSO4 Dickson 1990, borate Uppstrom 1974, total scale
    t, s, value, alkalinity = (np.array(column, dtype=float) for column in zip(*GRID, strict=True))
    found = PyCO2SYS.sys(
        par1=alkalinity, par2=value, par1_type=1, par2_type=3, temperature=t, salinity=s, opt_pH_scale=1
    )
    for number, (temperature, salt, ph_total, ta) in enumerate(GRID):
        ours = carbonate.from_ph_and_alkalinity(ph_total, ta, temperature, salt)
        for mine, theirs in (
            (ours.dic, "dic"),
            (ours.co2, "CO2"),
            (ours.bicarbonate, "HCO3"),
            (ours.carbonate, "CO3"),
            (ours.fco2, "fCO2"),
            (carbonate.k1_lueker(temperature, salt), "k_carbonic_1"),
            (carbonate.k2_lueker(temperature, salt), "k_carbonic_2"),
            (carbonate.k_borate(temperature, salt), "k_borate"),
            (carbonate.k_water(temperature, salt), "k_water"),
            (carbonate.co2_solubility(temperature, salt), "k_CO2"),
        ):
            reference = float(found[theirs][number])
            assert mine == pytest.approx(reference, rel=1e-9, abs=0.0), (theirs, GRID[number])


def test_ph_from_dic_and_alkalinity_against_pyco2sys() -> None:
    # PyCO2SYS 1.8: par 2 is dissolved inorganic carbon
    t, s, dic, alkalinity = (np.array(column, dtype=float) for column in zip(*DIC_GRID, strict=True))
    found = PyCO2SYS.sys(
        par1=alkalinity, par2=dic, par1_type=1, par2_type=2, temperature=t, salinity=s, opt_pH_scale=1
    )
    for number, (temperature, salt, carbon, ta) in enumerate(DIC_GRID):
        ours = carbonate.ph_from_dic_and_alkalinity(carbon, ta, temperature, salt)
        assert ours == pytest.approx(float(found["pH"][number]), abs=1e-7)


def test_the_scale_of_the_ph_makes_forty_percent() -> None:
    # PyCO2SYS 1.8: S 35, 20 degC, alkalinity 2300, pH 8.0 is 0.661 mg/L CO2 on the total scale, 0.926 on NBS
    total = carbonate.from_ph_and_alkalinity(8.0, 2300, 20, 35)
    assert total.co2_mg_per_litre == pytest.approx(0.661, abs=5e-4)
    nbs = carbonate.from_ph_and_alkalinity(ph.total_from_nbs(8.0, 20, 35), 2300, 20, 35)
    assert nbs.co2_mg_per_litre == pytest.approx(0.926, abs=5e-4)


def test_bicarbonate_dose_by_stoichiometry() -> None:
    # 1.68 g NaHCO3 a gram CaCO3 (84.0066 / 50.0435); 53 g in 3785 L gives 8.3 mg/L CaCO3
    assert carbonate.bicarbonate_dose_g(1000, 2.0, 2.0 + 1000 / carbonate.MG_CACO3_PER_MEQ / 1000) == pytest.approx(
        1.68, abs=0.002
    )
    usual = carbonate.bicarbonate_dose_g(3785, 2.0, 2.0 + 8.34 / carbonate.MG_CACO3_PER_MEQ)
    assert usual == pytest.approx(53, abs=0.1)
    assert carbonate.carbonate_dose_g(1000, 2.0, 3.0) == pytest.approx(52.994, abs=1e-3)
    assert carbonate.bicarbonate_dose_g(500, 2.3, 2.3) == 0.0


def test_alkalinity_units() -> None:
    # 1 meq/L = 50.04 mg/L CaCO3 = 2.804 German degrees; S 35 at 25 degC weighs 1.02334 kg/L (UNESCO 44)
    assert pytest.approx(carbonate.DKH_PER_MEQ_L, rel=1e-4) == 1 / 0.356630
    assert carbonate.umol_kg_from_meq_L(2.0, 25, 35) == pytest.approx(2000 / 1.02334, rel=1e-5)


def test_bicarbonate_hardly_moves_a_ph_near_eight_and_lifts_a_low_one() -> None:
    # PyCO2SYS 1.8: both alkalinity and inorganic carbon rise by the dose
    starts = np.array([7.2, 7.6, 8.0])
    before = PyCO2SYS.sys(par1=2000, par2=starts, par1_type=1, par2_type=3, temperature=12, salinity=33)
    after = PyCO2SYS.sys(par1=2500, par2=before["dic"] + 500, par1_type=1, par2_type=2, temperature=12, salinity=33)
    for start, expected in zip(starts, after["pH"], strict=True):
        ours = carbonate.ph_after_bicarbonate(float(start), 2000, 500, 12, 33)
        assert ours == pytest.approx(float(expected), abs=1e-7)
    assert carbonate.ph_after_bicarbonate(7.2, 2000, 500, 12, 33) > 7.25


@given(st.floats(7, 8.6), st.floats(800, 6000), st.floats(0, 38), st.floats(15, 45))
def test_there_and_back(value: float, alkalinity: float, t: float, s: float) -> None:
    there = carbonate.from_ph_and_alkalinity(value, alkalinity, t, s)
    assert there.dic == pytest.approx(there.co2 + there.bicarbonate + there.carbonate)
    back = carbonate.ph_from_dic_and_alkalinity(there.dic, alkalinity, t, s)
    assert back == pytest.approx(value, abs=1e-9)


@given(st.floats(6.5, 8.5), st.floats(1000, 6000))
def test_lower_ph_means_more_co2(value: float, alkalinity: float) -> None:
    here = carbonate.from_ph_and_alkalinity(value, alkalinity, 15, 33)
    assert carbonate.from_ph_and_alkalinity(value - 0.1, alkalinity, 15, 33).co2 > here.co2


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
@pytest.mark.parametrize(
    ("place", "name"), [(0, "ph_total"), (1, "alkalinity_umol_kg"), (2, "temperature_C"), (3, "salinity")]
)
def test_no_number_is_refused_by_name(place: int, name: str, bad: float) -> None:
    arguments = [8.0, 2300.0, 12.0, 33.0]
    arguments[place] = bad
    with pytest.raises(ValueError, match=f"{name} = .*not a finite number"):
        carbonate.from_ph_and_alkalinity(*arguments)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: carbonate.from_ph_and_alkalinity(8, 2.3, 12, 33), "alkalinity_umol_kg = 2.3 umol/kg is outside"),
        (lambda: carbonate.from_ph_and_alkalinity(9.9, 300, 12, 33), "one of the two is wrong"),
        (lambda: carbonate.from_ph_and_alkalinity(8, 2300, 12, 5), "salinity = 5 is outside the valid range 15"),
        (lambda: carbonate.bicarbonate_dose_g(500, 3.0, 2.0), "to_meq_L = 2 meq/L is outside the valid range 3"),
        (lambda: carbonate.bicarbonate_dose_g(math.nan, 2.0, 3.0), "volume_L = nan"),
    ],
)
def test_what_cannot_be_is_refused(call, message: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(ValueError, match=message):
        call()
