"""The table of quantities: units both ways, and against published conversions."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from brinewatch.quantities import QUANTITIES
from brinewatch.seawater import ammonia, carbonate

PAIRS = [(key, unit) for key, quantity in QUANTITIES.items() for unit in quantity.units]


@pytest.mark.parametrize(("key", "unit"), PAIRS)
@given(value=st.floats(-1e4, 1e4))
def test_units_both_ways(key: str, unit: str, value: float) -> None:
    quantity = QUANTITIES[key]
    there = quantity.to_canonical(value, unit)
    assert quantity.from_canonical(there, unit) == pytest.approx(value, rel=1e-12, abs=1e-9)
    # one unit more is never less
    assert quantity.to_canonical(value + 1.0, unit) > there
    assert quantity.accepts(unit)
    assert quantity.to_canonical(value, quantity.unit) == value


@pytest.mark.parametrize(
    ("key", "unit", "value", "expected"),
    [
        # by definition (BIPM): ice and steam point; NIST SP 811, table B.8, for the rest of the pressures
        ("temperature", "degF", 32.0, 0.0),
        ("temperature", "degF", 212.0, 100.0),
        ("air_pressure", "inH2O", 40.0, 9.963556),
        ("air_pressure", "psi", 1.0, 6.894757),
        ("barometric_pressure", "mmHg", 760.0, 1013.25),
        ("barometric_pressure", "inHg", 29.92126, 1013.25),
        ("oxygen_tension", "mmHg", 155.59, 207.4362),
        # IUPAC masses: NO3/N 4.4268, NO2/N 3.2845, NH4/N 1.28785, NH3/N 1.21588
        ("nitrate", "mg/L NO3", 44.268, 10.0),
        ("nitrite", "mg/L NO2", 3.2845, 1.0),
        ("tan", "mg/L NH4", 1.28785, 1.0),
        ("tan", "mg/L NH3", 1.21588, 1.0),
        # the EPA 1989 criteria 0.233 and 0.035 mg NH3/L as N
        ("nh3_n", "mg/L NH3", 0.233, 0.1916),
        ("nh3_n", "mg/L NH3", 0.035, 0.0288),
        # 1 meq/L is 50.04 mg/L CaCO3 and 2.804 German degrees
        ("alkalinity", "mg/L CaCO3", 50.0435, 1.0),
        ("alkalinity", "dKH", 2.8041, 1.0),
        ("conductivity", "S/m", 4.2914, 42.914),
    ],
)
def test_published_conversions(key: str, unit: str, value: float, expected: float) -> None:
    assert QUANTITIES[key].to_canonical(value, unit) == pytest.approx(expected, rel=2e-5, abs=6e-5)


def test_the_same_constants_as_the_equations() -> None:
    assert QUANTITIES["nh3_n"].to_canonical(1.0, "mg/L NH3") == pytest.approx(ammonia.N_PER_NH3, rel=1e-12)
    assert QUANTITIES["nh3_n"].from_canonical(0.5, "mg/L NH3") == pytest.approx(ammonia.nh3_from_n(0.5))
    assert QUANTITIES["alkalinity"].from_canonical(1.0, "mg/L CaCO3") == carbonate.MG_CACO3_PER_MEQ
    assert QUANTITIES["alkalinity"].from_canonical(1.0, "dKH") == carbonate.DKH_PER_MEQ_L


def test_the_scale_of_a_ph_is_part_of_the_quantity() -> None:
    assert QUANTITIES["ph"].unit != QUANTITIES["ph_total"].unit
    assert not QUANTITIES["ph"].accepts(QUANTITIES["ph_total"].unit)
    assert QUANTITIES["ph_total"].name.endswith("total scale")


def test_an_unknown_unit_is_a_key_error() -> None:
    with pytest.raises(KeyError):
        QUANTITIES["temperature"].to_canonical(1.0, "K")
    assert not QUANTITIES["temperature"].accepts("K")
