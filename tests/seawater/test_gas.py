"""Nitrogen, argon and total gas pressure."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from brinewatch.seawater import gas
from brinewatch.seawater.pressure import hPa_from_mmHg, mmHg_from_hPa


def test_hamme_and_emerson_check_values() -> None:
    # Hamme & Emerson 2004, table 4: S 35, 10 degC -> N2 500.885, Ar 13.4622 umol/kg (IPTS-68 and ITS-90 apart by
    # 3e-5)
    assert gas.nitrogen_umol_kg(10, 35) == pytest.approx(500.885, abs=5e-4)
    assert gas.argon_umol_kg(10, 35) == pytest.approx(13.4622, abs=5e-5)
    # computed from the paper's coefficients
    for t, s, expected in ((20, 35, 419.773), (25, 35, 388.856), (20, 0, 537.443)):
        assert gas.nitrogen_umol_kg(t, s) == pytest.approx(expected, abs=6e-4)


@pytest.mark.parametrize(
    ("temperature", "salinity", "oxygen", "inert", "barometer", "excess", "percent", "depth"),
    # worked from Colt 1984's formulae with Green & Carritt's vapour pressure; mmHg, %, m
    [
        (20, 35, 100, 100, 760, -0.25, 99.97, -0.003),
        (20, 35, 100, 105, 760, 29.10, 103.83, 0.386),
        (20, 35, 80, 110, 760, 27.33, 103.60, 0.363),
        (20, 35, 150, 100, 760, 77.54, 110.20, 1.029),
        (12, 30, 120, 103, 750, 48.27, 106.44, 0.642),
    ],
)
def test_worked_examples(
    temperature: float,
    salinity: float,
    oxygen: float,
    inert: float,
    barometer: float,
    excess: float,
    percent: float,
    depth: float,
) -> None:
    station = hPa_from_mmHg(barometer)
    found = gas.excess_pressure_hPa(oxygen, inert, temperature, salinity, station)
    assert mmHg_from_hPa(found) == pytest.approx(excess, abs=0.006)
    assert gas.total_gas_percent(found, station) == pytest.approx(percent, abs=0.006)
    assert gas.compensation_depth_m(found, temperature, salinity) == pytest.approx(depth, abs=6e-4)


@pytest.mark.parametrize(("mmhg", "percent"), [(76, 110.0), (24, 103.16)])
def test_guideline_pairs(mmhg: float, percent: float) -> None:
    # B.C. Approved Water Quality Guidelines 2006, table 30: delta P 76 mmHg is 110 %, 24 mmHg 103 % at sea level
    found = gas.total_gas_percent(hPa_from_mmHg(mmhg), hPa_from_mmHg(760))
    assert found == pytest.approx(percent, abs=0.005)


@given(st.floats(0, 400), st.floats(50, 200), st.floats(0, 35), st.floats(0, 40), st.floats(600, 1050))
def test_nitrogen_comes_back_from_the_saturometer(
    oxygen: float, inert: float, t: float, s: float, station: float
) -> None:
    excess = gas.excess_pressure_hPa(oxygen, inert, t, s, station)
    assert gas.inert_percent(excess, oxygen, t, s, station) == pytest.approx(inert, abs=1e-9)


@pytest.mark.parametrize("bad", [math.nan, math.inf, -1.0])
def test_no_number_is_refused(bad: float) -> None:
    with pytest.raises(ValueError, match="oxygen_percent = "):
        gas.excess_pressure_hPa(bad, 100, 20, 35, 1013)
    with pytest.raises(ValueError, match="inert_percent = "):
        gas.excess_pressure_hPa(100, bad, 20, 35, 1013)
    with pytest.raises(ValueError, match="station_pressure_hPa = "):
        gas.total_gas_percent(10, bad)
    with pytest.raises(ValueError, match="salinity = "):
        gas.nitrogen_umol_kg(10, bad)
