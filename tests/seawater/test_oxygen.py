"""Oxygen of air-saturated water against printed tables and against the TEOS-10 library's second source."""

from __future__ import annotations

import itertools
import math

import gsw
import pytest
from hypothesis import given
from hypothesis import strategies as st

from brinewatch.seawater import oxygen
from brinewatch.seawater.density import density_eos80
from brinewatch.seawater.pressure import HPA_PER_ATM, hPa_from_mmHg, mmHg_from_hPa
from checkvalues import rows

TABLE = rows("oxygen_saturation.csv")
WATER = st.tuples(st.floats(-2, 42), st.floats(0, 45), st.floats(507, 1114))


def printed(source: str) -> list[dict[str, str]]:
    found = [row for row in TABLE if row["source"].startswith(source) and not row["note"].startswith("MISPRINT")]
    assert len(found) >= 8
    return found


def computed(row: dict[str, str]) -> float:
    station = hPa_from_mmHg(float(row["pressure_mmHg"]))
    return oxygen.benson_krause(float(row["temp_C"]), float(row["salinity_psu"]), station)


def half_digit(text: str) -> float:
    """Half of the last digit printed, and a hair for binary rounding."""
    return 0.5 * 10.0 ** -len(text.partition(".")[2]) * 1.002


@pytest.mark.parametrize("row", printed("USGS DOTABLES"), ids=lambda r: f"{r['temp_C']}C S{r['salinity_psu']}")
def test_usgs_tables_to_the_last_printed_digit(row: dict[str, str]) -> None:
    # an earlier revision of the same tables prints three decimals, up to 0.002 from the equation
    slack = 0.0021 if row["note"] else half_digit(row["published_do_mgL"])
    assert computed(row) == pytest.approx(float(row["published_do_mgL"]), abs=slack)


def test_iso_5814_fresh_water_column_to_the_last_printed_digit() -> None:
    # ISO 5814 / EN 25814, fresh-water column
    fresh = [row for row in printed("ISO 5814 / EN 25814") if row["salinity_psu"] == "0"]
    assert len(fresh) >= 15
    for row in fresh:
        assert computed(row) == pytest.approx(float(row["published_do_mgL"]), abs=0.0051), row


def test_the_linear_salt_correction_of_en_25814_lies_within_a_tenth_above() -> None:
    # EN 25814 takes salt off by one factor a degree: at S 35 up to 0.11 mg/L above Benson & Krause, never below
    salt = [row for row in printed("ISO 5814 / EN 25814") if row["salinity_psu"] == "35"]
    assert len(salt) == 31
    for row in salt:
        assert -0.005 < float(row["published_do_mgL"]) - computed(row) < 0.12, row


def test_the_elevation_table_of_iso_5814_lies_within_its_own_pressures() -> None:
    # ISO 5814 by elevation, to 0.1 mg/L, as reprinted in a manual: on ISA pressures it is up to 2.6 % high far up
    for row in printed("ISO 5814 elevation"):
        above = float(row["published_do_mgL"]) - computed(row)
        assert -0.06 < above < 0.16, row
        if float(row["pressure_mmHg"]) > 700:
            assert above < 0.07, row


def test_apha_zero_chlorinity_column() -> None:
    # APHA Standard Methods 4500-O:I (values from memory)
    for row in printed("APHA"):
        assert computed(row) == pytest.approx(float(row["published_do_mgL"]), abs=0.00105), row


def test_the_older_table_of_montgomery_lies_within_its_own_error() -> None:
    # Montgomery, Thom & Cockburn 1964 predates Benson & Krause; they differ by up to 0.4 %
    for row in printed("Montgomery"):
        assert computed(row) == pytest.approx(float(row["published_do_mgL"]), rel=0.004), row


def test_garcia_gordon_check_value() -> None:
    # Garcia & Gordon 1992: S 35, t 10 (IPTS-68) -> 274.610 umol/kg and 6.315 mL/L, Benson & Krause column
    t90 = 10 / 1.00024
    assert oxygen.garcia_gordon_umol_kg(t90, 35) == pytest.approx(274.610, abs=0.0005)
    assert oxygen.garcia_gordon_mL_L(t90, 35) == pytest.approx(6.315, abs=0.0005)


@pytest.mark.parametrize(
    ("salinity", "temperature", "expected"),
    # teos-10.org worked examples of gsw_O2sol_SP_pt, v3.05, umol/kg
    [
        (34.7118, 28.8099, 194.6825431693),
        (34.8915, 28.4392, 195.6135062814),
        (35.0256, 22.7862, 214.6559360234),
        (34.8472, 10.2262, 273.5652832699),
        (34.7366, 6.8272, 295.1580761416),
        (34.7324, 4.3236, 312.9598716631),
    ],
)
def test_teos_10_worked_examples(salinity: float, temperature: float, expected: float) -> None:
    assert oxygen.garcia_gordon_umol_kg(temperature, salinity) == pytest.approx(expected, rel=1e-10)


def test_both_sources_agree_with_gsw_over_the_whole_range() -> None:
    # TEOS-10 gsw 3.6 O2sol_SP_pt (Garcia & Gordon), taken to mg/L with EOS-80 density
    worst = 0.0
    for t, s in itertools.product(range(41), range(41)):
        reference = float(gsw.O2sol_SP_pt(s, t))
        assert oxygen.garcia_gordon_umol_kg(t, s) == pytest.approx(reference, rel=1e-12)
        mg_l = reference * oxygen.O2_MOLAR_MASS * density_eos80(s, t) * 1e-6
        worst = max(worst, abs(oxygen.benson_krause(t, s) / mg_l - 1))
        assert oxygen.garcia_gordon(t, s) == pytest.approx(oxygen.benson_krause(t, s), rel=5e-4)
    assert worst < 5e-4


@pytest.mark.parametrize(
    ("temperature", "fresh", "salt"),
    # mmHg: the USGS/APHA form, and Green & Carritt at S 35; computed from the published coefficients
    [(0, 4.5802, 4.4918), (10, 9.2083, 9.0258), (20, 17.5364, 17.1907), (30, 31.8257, 31.2089)],
)
def test_vapour_pressure_forms(temperature: float, fresh: float, salt: float) -> None:
    assert mmHg_from_hPa(oxygen.vapour_pressure_usgs(temperature)) == pytest.approx(fresh, abs=6e-5)
    assert mmHg_from_hPa(oxygen.vapour_pressure_green_carritt(temperature, 35)) == pytest.approx(salt, abs=6e-5)
    assert oxygen.vapour_pressure_green_carritt(temperature, 0) == pytest.approx(
        oxygen.vapour_pressure_usgs(temperature), rel=0.002
    )


def test_twice_the_air_pressure_is_beyond_what_is_stated() -> None:
    # Benson & Krause state 0.5 to 1.1 atm
    with pytest.raises(ValueError, match="station_pressure_hPa = 2026"):
        oxygen.benson_krause(15, 25, 2 * HPA_PER_ATM)


def test_vapour_pressure_by_the_steam_tables() -> None:
    # 20 degC fresh water: 17.535 mmHg in the steam tables (CRC Handbook; from memory), within 0.05 %
    assert mmHg_from_hPa(oxygen.vapour_pressure_usgs(20)) == pytest.approx(17.535, rel=5e-4)


def test_pressure_is_corrected_in_full_not_by_proportion() -> None:
    # USGS OWQ TM 2011.03: at 600 mmHg simple proportion is 0.1 to 1.6 % high
    low = hPa_from_mmHg(600)
    for t in (0, 10, 20, 30):
        proportion = oxygen.benson_krause(t, 0) * 600 / 760
        assert 1.001 < proportion / oxygen.benson_krause(t, 0, low) < 1.017


def test_air_saturated_water_is_a_hundred_percent_at_any_pressure() -> None:
    for station in (700.0, 898.7, HPA_PER_ATM, 1040.0):
        mg_l = oxygen.benson_krause(12.0, 33.0, station)
        assert oxygen.percent_saturation(mg_l, 12.0, 33.0, station) == pytest.approx(100.0, abs=1e-12)


@given(st.floats(0, 100), WATER)
def test_percent_and_mg_per_litre_are_inverses(mg_l: float, water: tuple[float, float, float]) -> None:
    percent = oxygen.percent_saturation(mg_l, *water)
    if percent <= 600:
        assert oxygen.mg_L_from_percent(percent, *water) == pytest.approx(mg_l, rel=1e-12, abs=1e-300)


@given(WATER, st.floats(0.1, 3.0))
def test_warmer_saltier_or_thinner_air_holds_less(water: tuple[float, float, float], step: float) -> None:
    t, s, p = water
    here = oxygen.benson_krause(t, s, p)
    if t + step <= 42:
        assert oxygen.benson_krause(t + step, s, p) < here
    if s + step <= 45:
        assert oxygen.benson_krause(t, s + step, p) < here
    if p - step >= 506.6:
        assert oxygen.benson_krause(t, s, p - step) < here


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
@pytest.mark.parametrize("place", [0, 1, 2, 3])
def test_a_number_that_is_none_is_refused_by_name(place: int, bad: float) -> None:
    arguments = [8.0, 12.0, 33.0, 1010.0]
    arguments[place] = bad
    name = ("mg_L", "temperature_C", "salinity", "station_pressure_hPa")[place]
    with pytest.raises(ValueError, match=f"{name} = .*not a finite number"):
        oxygen.percent_saturation(*arguments)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ((43.0, 33.0, 1013.0), "temperature_C = 43 degC is outside the valid range -2 to 42 degC"),
        ((12.0, 46.0, 1013.0), "salinity = 46 is outside the valid range 0 to 45"),
        ((12.0, -0.1, 1013.0), "salinity = -0.1 is outside"),
        ((12.0, 33.0, 101.3), "station_pressure_hPa = 101.3 hPa is outside the valid range 506.6 to 1114.6 hPa"),
        ((12.0, 33.0, 760.0 * 2), "station_pressure_hPa"),
    ],
)
def test_outside_its_range_it_refuses(arguments: tuple[float, float, float], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        oxygen.benson_krause(*arguments)
