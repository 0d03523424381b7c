"""Buffers, tris and the Nernst slope."""

from __future__ import annotations

import math

import pytest

from brinewatch.seawater import electrode
from checkvalues import rows

BUFFERS = rows("ph_buffers.csv")


@pytest.mark.parametrize(
    ("temperature", "slope"),
    # ln 10 R T / F with CODATA 2018; an electrode maker's note prints 54, 59.16 and 64 at 0, 25 and 50 degC
    [
        (0, 54.1988),
        (5, 55.1909),
        (10, 56.1830),
        (15, 57.1751),
        (20, 58.1672),
        (25, 59.1593),
        (30, 60.1515),
        (35, 61.1436),
        (40, 62.1357),
        (50, 64.1199),
    ],
)
def test_nernst_slope(temperature: float, slope: float) -> None:
    assert electrode.nernst_slope_mV(temperature) == pytest.approx(slope, abs=6e-5)


def test_buffers_against_the_tables_they_are_sold_with() -> None:
    # a buffer maker's printed table; the primary standards of NBS agree with it to 0.01
    same = {"4.01": "4.01", "7.00": "7.00", "10.01": "10.01", "6.86": "6.865", "9.18": "9.180"}
    checked = 0
    for row in BUFFERS:
        if row["provenance"] == "read":
            found = electrode.buffer_ph(same[row["nominal_buffer"]], float(row["temp_C"]))
            assert found == pytest.approx(float(row["ph_nbs"]), abs=0.0105), row
            checked += 1
    assert checked >= 30


def test_primary_standards_at_their_own_25_degrees() -> None:
    # Staples & Bates 1969: carbonate 10.012 and borax 9.180 at 25 degC; each is named for its pH there
    for nominal in ("6.865", "7.413", "9.180", "10.012"):
        assert electrode.buffer_ph(nominal, 25) == pytest.approx(float(nominal), abs=1e-12)
    # the technical carbonate buffer and the primary one are the same within 0.01 all the way
    for t in range(0, 51, 5):
        assert electrode.buffer_ph("10.01", t) == pytest.approx(electrode.buffer_ph("10.012", t), abs=0.0105)


def test_phthalate_equation() -> None:
    # Hetzer et al. 1977, J. Res. NBS 81A:21; the 4.01 buffer is the same salt, within 0.015
    checked = 0
    for row in BUFFERS:
        if "Hetzer" in row["source"]:
            assert electrode.phthalate_ph(float(row["temp_C"])) == pytest.approx(float(row["ph_nbs"]), abs=6e-5)
            checked += 1
    assert checked == 11
    for t in range(0, 51, 5):
        assert electrode.phthalate_ph(t) == pytest.approx(electrode.buffer_ph("4.01", t), abs=0.015)


def test_phthalate_by_its_first_equation() -> None:
    # Hamer, Pinching & Acree 1946 (RP1690): a generation earlier, within 0.0025
    first = [row for row in BUFFERS if row["source"].startswith("Hamer")]
    assert len(first) == 11
    for row in first:
        assert electrode.phthalate_ph(float(row["temp_C"])) == pytest.approx(float(row["ph_nbs"]), abs=0.0025), row


def test_tris_in_seawater() -> None:
    # DelValls & Dickson 1998 as printed in the seacarb manual: 8.093549 at S 35, 25 degC (Dickson et al. 2007:
    # 8.0936)
    assert electrode.tris_ph_total(25, 35) == pytest.approx(8.093549, abs=6e-7)


def test_tris_over_temperature_and_salinity() -> None:
    # DelValls & Dickson 1998 as in seacarb, to 0.0001
    checked = 0
    for row in rows("ph_scales.csv"):
        if row["tris_ph_total"]:
            found = electrode.tris_ph_total(float(row["temp_C"]), float(row["salinity_psu"]))
            assert found == pytest.approx(float(row["tris_ph_total"]), abs=6e-5), row
            checked += 1
    assert checked == 40


def test_ph_of_a_perfect_electrode() -> None:
    # 59.16 mV a pH at 25 degC (CODATA 2018), nothing at pH 7, and positive on the acid side
    assert electrode.ph_from_mV(0.0, 25) == 7.0
    assert electrode.ph_from_mV(59.1593, 25) == pytest.approx(6.0, abs=1e-5)
    assert electrode.ph_from_mV(-58.1672, 20) == pytest.approx(8.0, abs=1e-5)
    for value, t in ((4.0, 5.0), (8.1, 12.0), (9.5, 30.0)):
        assert electrode.ph_from_mV(electrode.mV_from_ph(value, t), t) == pytest.approx(value, abs=1e-12)


def test_between_two_table_degrees_lies_a_straight_line() -> None:
    assert electrode.buffer_ph("7.00", 12.5) == pytest.approx((7.06 + 7.04) / 2)
    assert electrode.buffer_ph("7.00", 50) == 6.97
    assert electrode.buffer_ph("7.00", 0) == 7.12


def test_slope_and_offset_of_an_electrode() -> None:
    # an electrode maker's note: 186 mV over 3.00 pH at 25 degC is 105 % of Nernst, 150 mV 85 %
    assert electrode.slope_percent(186, 4.0, 0, 7.0, 25) == pytest.approx(105, abs=0.3)
    assert electrode.slope_percent(150, 4.0, 0, 7.0, 25) == pytest.approx(85, abs=0.6)
    perfect = electrode.nernst_slope_mV(20)
    assert electrode.offset_mV(-perfect, 8.0, 20) == pytest.approx(0.0, abs=1e-9)
    assert electrode.slope_percent(-perfect * 3, 10, 0, 7, 20) == pytest.approx(100)


def test_what_cannot_be_is_refused() -> None:
    with pytest.raises(ValueError, match="at least 1 pH apart"):
        electrode.slope_percent(0, 7.0, 10, 7.1, 25)
    with pytest.raises(ValueError, match="mV_other = nan"):
        electrode.slope_percent(0, 7.0, math.nan, 4.0, 25)
    with pytest.raises(ValueError, match=r"nominal = '7'.*expected one of 4.01"):
        electrode.buffer_ph("7", 25)
    with pytest.raises(ValueError, match="temperature_C = nan"):
        electrode.buffer_ph("7.00", math.nan)
    with pytest.raises(ValueError, match="salinity = 5 is outside"):
        electrode.tris_ph_total(25, 5)
