"""Air pressure by altitude and the head of seawater."""

from __future__ import annotations

import math

import gsw
import pytest
from hypothesis import given
from hypothesis import strategies as st

from brinewatch.quantities import QUANTITIES
from brinewatch.seawater import pressure


@pytest.mark.parametrize(
    ("altitude", "expected"),
    # US Standard Atmosphere 1976, geometric height, hPa: 0.13 hPa more at 3000 m
    [
        (-100, 1025.321),
        (0, 1013.250),
        (100, 1001.295),
        (500, 954.613),
        (1000, 898.763),
        (2000, 795.014),
        (3000, 701.212),
    ],
)
def test_standard_atmosphere(altitude: float, expected: float) -> None:
    assert pressure.station_pressure_hPa(altitude) == pytest.approx(expected, rel=2e-4)


@pytest.mark.parametrize(
    ("altitude", "mmhg"),
    # Dussart & Francis-Boeuf 1949, mean pressure by altitude, mmHg: a climate mean, within 0.6 %
    [(0, 760), (100, 750), (300, 732), (500, 714), (1000, 671), (1500, 631), (2000, 594), (2500, 560)],
)
def test_mean_pressure_table(altitude: float, mmhg: float) -> None:
    found = pressure.mmHg_from_hPa(pressure.station_pressure_hPa(altitude))
    assert found == pytest.approx(mmhg, rel=0.006)


def test_static_head_against_gsw() -> None:
    # gsw 3.6 p_from_z, 45 N, standard ocean S 35 at 0 degC, kPa gauge: 10.0818 at 1 m, 20.1637 at 2 m
    for depth in (1.0, 2.0, 5.0):
        reference = float(gsw.p_from_z(-depth, 45)) * 10
        assert pressure.static_head_kPa(depth, 35, 0) == pytest.approx(reference, rel=2e-4)


@pytest.mark.parametrize(
    ("depth", "kpa"),
    # handbook table for seawater, to 0.1 kPa
    [(0.3, 3.0), (0.5, 5.0), (0.8, 8.0), (1.0, 10.1), (1.2, 12.1), (1.5, 15.1), (2.0, 20.1)],
)
def test_static_head_as_a_handbook_prints_it(depth: float, kpa: float) -> None:
    assert pressure.static_head_kPa(depth, 35, 15) == pytest.approx(kpa, abs=0.05)


def test_units_are_the_same_as_in_the_table_of_quantities() -> None:
    # NIST SP 811: 1 inH2O (4 degC) = 249.0889 Pa; 1 mmHg = 133.3224 Pa; 1 atm = 760 mmHg within 1e-6
    assert QUANTITIES["air_pressure"].to_canonical(1, "inH2O") == pressure.KPA_PER_INH2O
    assert QUANTITIES["barometric_pressure"].to_canonical(760, "mmHg") == pytest.approx(
        pressure.hPa_from_mmHg(760), rel=1e-12
    )
    assert pressure.hPa_from_mmHg(760) == pytest.approx(pressure.HPA_PER_ATM, rel=1e-6)
    assert pressure.atm_from_hPa(pressure.HPA_PER_ATM) == 1.0


def test_a_pressure_reduced_to_sea_level_is_doubted() -> None:
    assert "reduced to sea level" in pressure.barometer_doubt(1016, 600)
    assert pressure.barometer_doubt(943, 600) == ""
    assert pressure.barometer_doubt(1045, 5) == ""
    assert "too low" in pressure.barometer_doubt(900, 5)


@given(st.floats(-500, 4990))
def test_higher_is_thinner(altitude: float) -> None:
    assert pressure.station_pressure_hPa(altitude + 10) < pressure.station_pressure_hPa(altitude)


@given(st.floats(0, 25), st.floats(0, 50), st.floats(-2, 45))
def test_head_is_proportional_to_depth(depth: float, s: float, t: float) -> None:
    assert pressure.static_head_kPa(2 * depth, s, t) == pytest.approx(2 * pressure.static_head_kPa(depth, s, t))


@pytest.mark.parametrize("bad", [math.nan, math.inf, -1.0, 51.0])
def test_depth_out_of_range_is_refused(bad: float) -> None:
    with pytest.raises(ValueError, match="depth_m = "):
        pressure.static_head_kPa(bad, 33, 12)


def test_altitude_out_of_range_is_refused() -> None:
    with pytest.raises(ValueError, match="altitude_m = 9000 m is outside the valid range -500 to 5000 m"):
        pressure.station_pressure_hPa(9000)
