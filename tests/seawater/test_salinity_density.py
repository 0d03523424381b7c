"""PSS-78 and EOS-80 to the last printed digit, and against the TEOS-10 library."""

from __future__ import annotations

import itertools
import math

import gsw
import pytest
from hypothesis import given
from hypothesis import strategies as st

from brinewatch.seawater import density, salinity
from checkvalues import rows


@pytest.mark.parametrize(
    "row", rows("salinity_pss78.csv"), ids=lambda r: f"S{r['published_S']} {r['temp_C_IPTS68']}C"
)
def test_unesco_44_salinity(row: dict[str, str]) -> None:
    # Fofonoff & Millard 1983, pp. 9, 11, 14. The table on p. 14 prints R to six decimals: S to 0.00004
    exact = row["case"] == "S_from_R" and "." in row["published_S"]
    found = salinity.pss78(
        float(row["conductivity_ratio_R"]), float(row["temp_C_IPTS68"]), float(row["pressure_dbar"])
    )
    slack = 5.1e-6 if exact and row["published_S"] == "40.00000" else 5.1e-7 if exact else 4e-5
    assert found == pytest.approx(float(row["published_S"]), abs=slack)


@pytest.mark.parametrize(
    "row", rows("density_eos80.csv"), ids=lambda r: f"S{r['salinity_psu']} {r['temp_C_IPTS68']}C"
)
def test_unesco_44_density(row: dict[str, str]) -> None:
    # Fofonoff & Millard 1983, pp. 19, 20, 23
    found = density.eos80(float(row["salinity_psu"]), float(row["temp_C_IPTS68"]), float(row["pressure_dbar"]))
    decimals = len(row["published_rho_kg_m3"].partition(".")[2])
    # p. 20 prints sigma 59.82037 where the equation gives ...376 or so: one in the last digit
    slack = 1.05e-5 if row["source"].find("p.20") > 0 else 0.501 * 10**-decimals
    assert found == pytest.approx(float(row["published_rho_kg_m3"]), abs=slack)


def test_salinity_of_conductivity_agrees_with_gsw() -> None:
    # gsw 3.6 C_from_SP, ITS-90, with Hill et al. 1986 below S 2
    for s, t in itertools.product((2.001, 5, 12, 25, 33, 42, 48), range(-2, 46, 4)):
        measured = float(gsw.C_from_SP(s, t, 0))
        assert salinity.salinity_from_conductivity(measured, t) == pytest.approx(s, abs=2e-9)
        assert salinity.conductivity_from_salinity(s, t) == pytest.approx(measured, rel=1e-9)
    for s, t in itertools.product((0.05, 0.1, 0.5, 1.0, 1.9), range(-2, 46, 4)):
        # gsw also scales Hill's form so that it meets PSS-78 at 2: 0.0004 apart
        assert salinity.salinity_from_conductivity(float(gsw.C_from_SP(s, t, 0)), t) == pytest.approx(s, abs=5e-4)
    for p in (10, 200, 2000):
        assert salinity.salinity_from_conductivity(float(gsw.C_from_SP(35, 10, p)), 10, p) == pytest.approx(
            35, abs=1e-8
        )


def test_density_agrees_with_teos_10_within_what_the_two_standards_differ() -> None:
    # gsw 3.6 rho at 0 E 0 N: TEOS-10 and EOS-80 differ by up to 0.01 kg/m3 at the surface
    for s, t in itertools.product((0, 10, 20, 30, 35, 40), (0, 5, 15, 25, 30)):
        absolute = float(gsw.SA_from_SP(s, 0, 0, 0))
        reference = float(gsw.rho(absolute, gsw.CT_from_t(absolute, t, 0), 0))
        assert density.density_eos80(s, t) == pytest.approx(reference, abs=0.01)


def test_the_meters_compensation_is_undone_before_pss78() -> None:
    # a meter with 1.91 %/K in water of S 33 at 10 degC shows this; PSS-78 straight on it would say 48
    shown = salinity.conductivity_from_salinity(33, 10) / (1 + 0.0191 * (10 - 25))
    assert salinity.salinity_from_specific_conductance(shown, 10) == pytest.approx(33, abs=1e-9)
    assert salinity.salinity_from_conductivity(shown, 10) > 48
    other = salinity.conductivity_from_salinity(33, 10) / (1 + 0.02 * (10 - 25))
    assert salinity.salinity_from_specific_conductance(other, 10, 0.02) == pytest.approx(33, abs=1e-9)


def test_specific_conductance_of_standard_seawater() -> None:
    # 53.07 mS/cm at S 35 and 25 degC (Culkin & Smith 1980 with PSS-78); there no compensation acts
    assert salinity.conductivity_from_salinity(35, 25) == pytest.approx(53.07, abs=0.02)
    assert salinity.salinity_from_specific_conductance(53.07, 25) == pytest.approx(35.0, abs=0.02)


def test_usgs_quadratic_is_a_rough_second() -> None:
    # USGS OWQ TM 2011.03 eq. 4, worked by hand: 5.572e-4 * 50000 + 2.02e-9 * 50000^2 = 32.91
    assert salinity.salinity_usgs_quadratic(50.0) == pytest.approx(32.91, abs=1e-9)
    for s in range(1, 41):
        shown = salinity.conductivity_from_salinity(s, 25)
        assert salinity.salinity_usgs_quadratic(shown) == pytest.approx(s, abs=0.5)


def test_estuary_record_salinity_within_six_hundredths_on_every_record() -> None:
    # NOAA NERRS, gndblwq 2021: the sonde's own salinity, printed to 0.1, from its conductance and temperature
    checked = 0
    for row in rows("estuary-sonde-gndbl-2021.csv.gz"):
        if row["SpCond"] and row["Sal"] and row["Temp"]:
            found = salinity.salinity_from_specific_conductance(float(row["SpCond"]), float(row["Temp"]))
            assert found == pytest.approx(float(row["Sal"]), abs=0.06), row
            checked += 1
    assert checked > 5000


def test_specific_gravity_carries_its_reference_temperature() -> None:
    # EOS-80: S 35 is 1.0264 at 25/25 degC and 1.0258 for water at 20 degC over water at 60 degF
    assert density.specific_gravity(35, 25, 25) == pytest.approx(1.0264, abs=5e-5)
    assert density.specific_gravity(35, 20, (60 - 32) / 1.8) == pytest.approx(1.0258, abs=7e-5)


@given(st.floats(0, 50), st.floats(-2, 45), st.floats(0, 45))
def test_specific_gravity_and_salinity_are_inverses(s: float, t: float, reference: float) -> None:
    reading = density.specific_gravity(s, t, reference)
    assert density.salinity_from_specific_gravity(reading, t, reference) == pytest.approx(s, abs=1e-8)


def test_hydrometer_in_water_warmer_than_its_scale() -> None:
    # 60/60 degF float in S 33 at 25 degC: weight = density * displaced volume, the glass grown by 25e-6/K
    right_at = (60 - 32) / 1.8
    shown = density.density_eos80(33, 25) / density.density_eos80(0, right_at) * (1 + 25e-6 * (25 - right_at))
    assert density.salinity_from_hydrometer(shown, 25, right_at) == pytest.approx(33, abs=1e-8)
    # taking the scale for 25/25 instead would be wrong by more than 2 in salinity
    assert abs(density.salinity_from_specific_gravity(shown, 25, 25) - 33) > 2


@given(st.floats(0.1, 49.99), st.floats(-2, 45))
def test_salinity_and_conductivity_are_inverses(s: float, t: float) -> None:
    measured = salinity.conductivity_from_salinity(s, t)
    # the two forms meet at S 2 with a step of 0.0005
    assert salinity.salinity_from_conductivity(measured, t) == pytest.approx(s, abs=1e-8 if s > 2.001 else 6e-4)


@given(st.floats(0.1, 49), st.floats(-2, 44))
def test_saltier_is_denser_and_conducts_better(s: float, t: float) -> None:
    assert density.density_eos80(s + 0.5, t) > density.density_eos80(s, t)
    assert salinity.conductivity_from_salinity(s + 0.5, t) > salinity.conductivity_from_salinity(s, t)


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_no_number_is_refused_by_name(bad: float) -> None:
    for call in (
        lambda: salinity.salinity_from_conductivity(bad, 12),
        lambda: salinity.salinity_from_specific_conductance(bad, 12),
        lambda: salinity.salinity_usgs_quadratic(bad),
    ):
        with pytest.raises(ValueError, match=r"mS_cm.* is not a finite number"):
            call()
    for call in (
        lambda: salinity.salinity_from_conductivity(40, bad),
        lambda: salinity.salinity_from_specific_conductance(40, bad),
        lambda: density.density_eos80(33, bad),
        lambda: density.salinity_from_specific_gravity(1.025, bad, 25),
    ):
        with pytest.raises(ValueError, match=r"temperature_C .* is not a finite number"):
            call()
    with pytest.raises(ValueError, match=r"salinity .* is not a finite number"):
        density.density_eos80(bad, 12)
    with pytest.raises(ValueError, match=r"reading .* is not a finite number"):
        density.salinity_from_specific_gravity(bad, 25, 25)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (
            lambda: salinity.salinity_from_conductivity(0.01, 15),
            "conductivity ratio = .* outside the valid range 0.0005",
        ),
        (lambda: salinity.salinity_from_conductivity(49000, 15), "mS_cm = 49000 mS/cm is outside"),
        (lambda: salinity.salinity_from_conductivity(80, 12), "salinity = .* is outside the valid range 0 to 50"),
        (lambda: salinity.salinity_from_conductivity(40, 60), "temperature_C = 60 degC is outside"),
        (lambda: salinity.salinity_from_specific_conductance(40, 12, 1.91), "compensation = 1.91 1/K is outside"),
        (lambda: density.density_eos80(-1, 12), "salinity = -1 is outside"),
        (lambda: density.salinity_from_specific_gravity(25, 12, 25), "reading = 25 is outside"),
        (lambda: density.salinity_from_specific_gravity(0.99, 12, 25), "density_kg_m3 = .* is outside"),
    ],
)
def test_outside_its_range_it_refuses(call, message: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(ValueError, match=message):
        call()
