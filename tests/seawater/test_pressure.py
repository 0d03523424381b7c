"""Air pressure by altitude and the head of seawater."""

from __future__ import annotations

import math

import gsw
import pytest
from hypothesis import given
from hypothesis import strategies as st

from brinewatch.quantities import QUANTITIES
from brinewatch.seawater import pressure
from checkvalues import rows

PUBLISHED = rows("pressure.csv")


def published(quantity: str) -> list[dict[str, str]]:
    return [row for row in PUBLISHED if row["quantity"] == quantity]


def test_standard_atmosphere() -> None:
    # ISO 2533 to the last printed digit; public examples of the US Standard Atmosphere 1976 within 0.01 hPa
    for row in published("pressure_vs_altitude"):
        found = pressure.station_pressure_hPa(float(row["x"]))
        assert found == pytest.approx(float(row["value"]), abs=6e-4 if row["source"].startswith("ISO") else 0.01), (
            row
        )


@pytest.mark.parametrize(
    ("altitude", "expected"),
    # US Standard Atmosphere 1976, geometric height, hPa: 0.13 hPa more at 3000 m
    [(100, 1001.295), (500, 954.613), (1000, 898.763), (2000, 795.014), (3000, 701.212)],
)
def test_standard_atmosphere_by_geometric_height(altitude: float, expected: float) -> None:
    assert pressure.station_pressure_hPa(altitude) == pytest.approx(expected, rel=2e-4)


def test_mean_pressure_table() -> None:
    # Dussart & Francis-Boeuf 1949, mean pressure by altitude, mmHg: a climate mean, within 0.65 %
    table = published("mean_pressure_vs_altitude_table")
    assert len(table) == 26
    for row in table:
        found = pressure.mmHg_from_hPa(pressure.station_pressure_hPa(float(row["x"])))
        assert found == pytest.approx(float(row["value"]), rel=0.0065), row


def test_head_of_a_metre_of_any_water() -> None:
    # EOS-80 density (UNESCO 44) times standard gravity, to 0.1 Pa
    table = published("hydrostatic_head_per_m")
    assert len(table) == 20
    for row in table:
        salt, temperature = (float(part.split("=")[1]) for part in row["x"].split())
        assert pressure.static_head_kPa(1.0, salt, temperature) == pytest.approx(float(row["value"]), abs=1.2e-4), (
            row
        )


def test_units_of_pressure() -> None:
    # NIST SP 811 / BIPM: one atmosphere in every unit a barometer or a gauge may speak
    atm = {row["x_unit"]: float(row["value"]) for row in published("unit") if row["x"] == "1 atm"}
    barometer = QUANTITIES["barometric_pressure"]
    for unit in ("kPa", "Pa", "mmHg", "inHg"):
        assert barometer.to_canonical(atm[unit], unit) == pytest.approx(pressure.HPA_PER_ATM, rel=2e-6), unit
    assert QUANTITIES["air_pressure"].to_canonical(atm["psi"], "psi") == pytest.approx(101.325, rel=1e-6)
    assert pressure.mmHg_from_hPa(1.0) == 0.750061683


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
