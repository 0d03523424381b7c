"""What a probe is held against: every reference by a published table, its uncertainty by an independent library."""

from __future__ import annotations

import pytest
from uncertainties import ufloat
from uncertainties.umath import exp

from brinewatch.seawater.electrode import nernst_slope_mV
from brinewatch.signals import truths
from brinewatch.signals.records import Reference
from checkvalues import rows

SEA_LEVEL = truths.Station(1013.25, 1.0, "station pressure 1013.2 hPa")
TECHNICAL = {"4.01": "4.01", "7.00": "7.00", "10.01": "10.01"}
PRIMARY = {"6.865 equimolal phosphate": "6.865", "7.413 phosphate 1:3.5": "7.413", "9.180 borax": "9.180"}


def test_air_saturated_water_by_the_printed_tables() -> None:
    # USGS DOTABLES, to 0.01 mg/L
    table = [row for row in rows("oxygen_saturation.csv") if "DOTABLES" in row["source"]]
    assert len(table) > 20
    for row in table:
        hPa = float(row["pressure_mmHg"]) / 0.750061683
        found = truths.air_saturated(float(row["temp_C"]), float(row["salinity_psu"]), truths.station(hPa, 0.0))
        assert found.true == pytest.approx(float(row["published_do_mgL"]), abs=0.0051), row
        assert found.reference is Reference.AIR_SATURATED


def test_air_saturated_water_is_a_hundred_percent() -> None:
    found = truths.air_saturated_percent(12.0)
    assert (found.true, found.uncertainty, found.temperature_C) == (100.0, 0.5, 12.0)


def test_uncertainty_of_air_saturated_water_by_the_uncertainties_package() -> None:
    # Benson & Krause 1984 as in USGS OWQ TM 2011.03, written out a second time on numbers that carry uncertainty
    t, s, hPa = ufloat(12.0, 0.2), ufloat(33.0, 0.5), ufloat(1005.0, 1.0)
    k = t + 273.15
    fresh = exp(-139.34411 + 1.575701e5 / k - 6.642308e7 / k**2 + 1.243800e10 / k**3 - 8.621949e11 / k**4)
    salt = exp(-s * (0.017674 - 10.754 / k + 2140.7 / k**2))
    p, theta = hPa / 1013.25, 0.000975 - 1.426e-5 * t + 6.436e-8 * t**2
    u = exp(11.8571 - 3840.70 / k - 216961.0 / k**2)
    expected = fresh * salt * (p - u) * (1 - theta * p) / ((1 - u) * (1 - theta)) * ufloat(1.0, 0.005)
    found = truths.air_saturated(12.0, 33.0, truths.station(1005.0, 0.0))
    assert found.true == pytest.approx(expected.nominal_value, rel=1e-9)
    assert found.uncertainty == pytest.approx(expected.std_dev, rel=0.01)


def test_without_a_barometer_the_altitude_serves_and_says_so() -> None:
    # ISO 2533: 898.7 hPa at 1000 m
    air = truths.station(None, 1000.0)
    assert air.hPa == pytest.approx(898.7, abs=0.1)
    found = truths.air_saturated(12.0, 33.0, air)
    assert found.uncertainty > 1.5 * truths.air_saturated(12.0, 33.0, truths.station(898.7, 1000.0)).uncertainty
    assert "without a barometer" in found.doubt
    assert "no barometer" in found.about


def test_a_pressure_reduced_to_sea_level_is_doubted() -> None:
    assert "reduced to sea level" in truths.station(1013.0, 1000.0).doubt
    assert truths.station(901.0, 1000.0).doubt == ""


@pytest.mark.parametrize("names", [TECHNICAL, PRIMARY])
def test_buffers_by_the_printed_tables(names: dict[str, str]) -> None:
    # a buffer maker's table (read) and the NBS/NIST primary standards (from memory), see checkvalues/README.md
    table = [row for row in rows("ph_buffers.csv") if row["nominal_buffer"] in names]
    assert len(table) > 25
    for row in table:
        degrees, ph = float(row["temp_C"]), float(row["ph_nbs"])
        nominal = names[row["nominal_buffer"]]
        # printed to 0.01, in two tables of makers that differ by as much
        assert truths.buffer("ph", nominal, degrees).true == pytest.approx(ph, abs=0.0101)
        # a perfect electrode: 0 mV at pH 7 and the Nernst slope below it
        found = truths.buffer("ph_potential", nominal, degrees)
        assert found.true == pytest.approx(-nernst_slope_mV(degrees) * (ph - 7.0), abs=0.0101 * 65)


def test_a_perfect_electrode_in_buffer_four_at_25_degrees() -> None:
    # 59.16 mV a pH unit at 25 degC (CODATA constants): (7 - 4.01) * 59.16
    assert truths.buffer("ph_potential", "4.01", 25.0).true == pytest.approx(176.9, abs=0.05)


def test_kcl_by_the_printed_tables() -> None:
    for row in rows("kcl_conductivity.csv"):
        found = truths.conductivity_standard("conductivity", row["standard"], float(row["temp_C"]))
        # 18 degC lies between two of our cells: straight lines are within 0.1 % there
        assert found.true == pytest.approx(float(row["mS_cm"]), rel=1e-3 if row["temp_C"] == "18" else 1e-9), row


def test_seawater_standard_by_pss78() -> None:
    # Fofonoff & Millard 1983, UNESCO 44, p. 14: R at S 35; C(35,15,0) = 42.914 mS/cm (Culkin & Smith 1980)
    table = [
        row for row in rows("salinity_pss78.csv")
        if row["published_S"] == "35" and row["temp_C_IPTS68"] != "40" and row["case"].startswith("R_from_S")
    ]  # fmt: skip
    assert len(table) >= 4
    for row in table:
        t90 = float(row["temp_C_IPTS68"]) / 1.00024
        found = truths.conductivity_standard("conductivity", truths.SEAWATER, t90)
        assert found.true == pytest.approx(42.914 * float(row["conductivity_ratio_R"]), rel=2e-6)
    assert truths.conductivity_standard("salinity", truths.SEAWATER, 18.0).true == pytest.approx(35.0, abs=1e-6)
    # 53.07 mS/cm at 25 degC, where a meter's compensation does nothing
    assert truths.conductivity_standard("specific_conductance", truths.SEAWATER, 25.0).true == pytest.approx(
        53.07, abs=0.01
    )


def test_a_bottle_with_its_own_label() -> None:
    found = truths.conductivity_standard("conductivity", "another bottle", 22.0, 50.0)
    assert found.true == 50.0
    assert "by its label" in found.about
    assert found.uncertainty == pytest.approx(((50 * 0.005) ** 2 + (50 * 0.004) ** 2) ** 0.5, rel=1e-6)


def test_zero_points_ice_and_instruments() -> None:
    assert truths.zero_oxygen("oxygen").true == 0.0
    assert truths.open_air("air_pressure").true == 0.0
    assert truths.ice().true == 0.0
    assert truths.instrument("temperature", 11.8, 0.05).uncertainty == 0.05
    assert truths.instrument("temperature", 11.8, None).uncertainty == 0.1


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: truths.buffer("ph", "7.00", 60.0), r"temperature_C = 60 degC is outside the valid range 0 to 50"),
        (lambda: truths.buffer("ph", "7", 20.0), "nominal = '7': expected one of"),
        (lambda: truths.air_saturated(50.0, 33.0, SEA_LEVEL), "temperature_C = 50 degC is outside"),
        (lambda: truths.air_saturated(12.0, 50.0, SEA_LEVEL), "salinity = 50 is outside"),
        (lambda: truths.air_saturated(12.0, 33.0, truths.station(1300.0, 0.0)), "hPa"),
        (lambda: truths.conductivity_standard("conductivity", "KCl 1.413 mS/cm", 3.0), "outside the valid range 5"),
        (lambda: truths.conductivity_standard("conductivity", "tea", 20.0), "standard = 'tea': expected one of"),
        (lambda: truths.conductivity_standard("conductivity", "own", 20.0, -1.0), "value_mS_cm = -1 mS/cm"),
        (lambda: truths.instrument("mains", 1.0, None), "expected one that takes a calibration"),
        (lambda: truths.instrument("temperature", 1.0, float("nan")), "not a finite number"),
    ],
)  # fmt: skip
def test_outside_its_table_a_reference_is_refused(make: object, words: str) -> None:
    assert callable(make)
    with pytest.raises(ValueError, match=words):
        make()
