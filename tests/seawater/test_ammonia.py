"""Un-ionized ammonia against the printed EPA criteria, older tables, and PyCO2SYS."""

from __future__ import annotations

import itertools
import math
import statistics

import numpy as np
import PyCO2SYS
import pytest
from hypothesis import given
from hypothesis import strategies as st

from brinewatch.seawater import ammonia, ph
from checkvalues import rows

CRITERIA = rows("ammonia_epa1989_criteria.csv")
# Two cells differ from the formula by 8 and 15 % where their neighbours agree: misprints of the copy read
MISPRINTS = {("acute", "10", "0", "7.4"), ("chronic", "30", "20", "7.6")}


def test_epa_1989_saltwater_criteria() -> None:
    # US EPA 1989, EPA 440/5-88-004, as printed to two digits in B.C. Approved Water Quality Guidelines 2006
    apart = []
    for row in CRITERIA:
        if (row["criterion"], row["salinity_g_per_kg"], row["temp_C"], row["pH"]) in MISPRINTS:
            continue
        share = ammonia.fraction_epa1989(float(row["temp_C"]), float(row["salinity_g_per_kg"]), float(row["pH"]))
        apart.append(abs(float(row["total_ammonia_mgL"]) * share / float(row["uia_criterion_mgL"]) - 1))
    apart.sort()
    assert len(apart) == len(CRITERIA) - len(MISPRINTS)
    assert statistics.median(apart) < 0.015
    assert apart[int(0.95 * len(apart))] < 0.04
    assert apart[-1] < 0.07


@pytest.mark.parametrize(
    ("column", "formulation"),
    [
        ("pKa_emerson1975_fresh", lambda t, s: ammonia.pka_emerson1975(t)),
        ("pKa_epa1989", ammonia.pka_epa1989),
        ("pKa_bell2008", ammonia.pka_bell2007),
        ("pKa_clegg_whitfield1995_total_molkgSW", ammonia.pka_clegg_whitfield1995),
        ("pKa_yao_millero1995_sws_molkgSW", ammonia.pka_yao_millero1995),
    ],
)
def test_pka_by_a_second_implementation(column: str, formulation) -> None:  # type: ignore[no-untyped-def]
    for row in rows("ammonia_pka.csv"):
        found = formulation(float(row["temp_C"]), float(row["salinity_psu"]))
        assert found == pytest.approx(float(row[column]), abs=5.1e-6), row


def test_trussell_and_emerson_fresh_water_tables() -> None:
    # Trussell 1972, J. Fish. Res. Board Can. 29:1505 (an earlier pKa: within 2.5 %) and Emerson et al. 1975
    checked = 0
    for row in rows("ammonia_percent.csv"):
        if row["salinity_psu"] == "0":
            share = 100 * ammonia.fraction_emerson1975(float(row["temp_C"]), float(row["pH"]))
            assert share == pytest.approx(float(row["published_percent_nh3"]), rel=0.025), row
            checked += 1
    assert checked > 30


def test_bower_and_bidwell_seawater_table() -> None:
    # Bower & Bidwell 1978, J. Fish. Res. Board Can. 35:1012, S 34: another fit of the same measurements
    checked = 0
    for row in rows("ammonia_percent.csv"):
        if row["source"].startswith("Bower"):
            share = 100 * ammonia.fraction_epa1989(
                float(row["temp_C"]), float(row["salinity_psu"]), float(row["pH"])
            )
            assert share == pytest.approx(float(row["published_percent_nh3"]), rel=0.07), row
            checked += 1
    assert checked > 20


def test_clegg_and_whitfield_constant_is_pyco2sys_ammonia_constant() -> None:
    # PyCO2SYS 1.8 k_ammonia on the total scale
    grid = list(itertools.product((0, 5, 12, 20, 30), (5, 20, 30, 35, 40)))
    t, s = (np.array(column, dtype=float) for column in zip(*grid, strict=True))
    found = PyCO2SYS.sys(temperature=t, salinity=s, opt_pH_scale=1, total_ammonia=1)["k_ammonia"]
    for (temperature, salt), reference in zip(grid, found, strict=True):
        ours = ammonia.pka_clegg_whitfield1995(temperature, salt)
        assert ours == pytest.approx(-math.log10(float(reference)), abs=2e-4)


def test_clegg_and_whitfield_from_an_nbs_ph_is_pyco2sys_share() -> None:
    # PyCO2SYS 1.8, total ammonia 100 umol/kg, pH given on the NBS scale (fH Takahashi et al. 1982)
    grid = list(itertools.product((5, 12, 20, 28), (20, 30, 35), (7.6, 8.0, 8.4)))
    t, s, nbs = (np.array(column, dtype=float) for column in zip(*grid, strict=True))
    found = PyCO2SYS.sys(
        par1=2300, par2=nbs, par1_type=1, par2_type=3, temperature=t, salinity=s, opt_pH_scale=4, total_ammonia=100
    )
    for (temperature, salt, ph_nbs), amount in zip(grid, found["alkalinity_ammonia"], strict=True):
        ours = ammonia.fraction_clegg_whitfield1995_nbs(temperature, salt, ph_nbs)
        assert ours == pytest.approx(float(amount) / 100, rel=3e-3)


def test_the_default_errs_to_the_safe_side_by_13_to_20_percent() -> None:
    # EPA 1989 on a raw NBS pH against Clegg & Whitfield on the total scale, S 30 to 35, 10 to 30 degC
    for t in (10, 15, 20, 25, 30):
        for s in (30, 35):
            for ph_nbs in (7.6, 8.0, 8.4):
                exact = ammonia.fraction_clegg_whitfield1995_nbs(t, s, ph_nbs)
                assert 1.125 < ammonia.fraction_epa1989(t, s, ph_nbs) / exact < 1.205


def test_the_scale_of_the_ph_matters_by_a_third() -> None:
    # a total-scale constant fed a raw NBS number: 26 to 40 % too much at S 30 to 35, 10 to 30 degC
    for t in (10, 20, 30):
        wrong = ammonia.fraction_clegg_whitfield1995(t, 33, 8.1)
        assert 1.2 < wrong / ammonia.fraction_clegg_whitfield1995_nbs(t, 33, 8.1) < 1.42


def test_as_n_and_as_nh3() -> None:
    # IUPAC atomic masses: 14.0067 / 17.0305; the EPA criteria 0.233 and 0.035 mg NH3/L as N
    assert pytest.approx(0.82245, abs=5e-6) == ammonia.N_PER_NH3
    assert pytest.approx(0.1916, abs=5e-5) == 0.233 * ammonia.N_PER_NH3
    assert ammonia.nh3_from_n(0.0288) == pytest.approx(0.035, abs=5e-5)
    assert ammonia.nh3_n_from_tan(2.0, 0.05) == pytest.approx(0.1)


def test_a_worked_row_of_the_handbook_table() -> None:
    # TAN giving 0.010 mg NH3-N/L at S 33 by Bell et al. 2007: 12 degC, pH 8.0 -> 0.59; 20 degC, pH 8.2 -> 0.22
    assert 0.010 / ammonia.fraction_bell2007(12, 33, 8.0) == pytest.approx(0.59, abs=0.005)
    assert 0.010 / ammonia.fraction_bell2007(20, 33, 8.2) == pytest.approx(0.22, abs=0.005)


@given(st.floats(0, 39), st.floats(0, 44), st.floats(6, 9))
def test_more_ph_more_heat_more_ammonia_more_salt_less(t: float, s: float, ph_nbs: float) -> None:
    here = ammonia.fraction_epa1989(t, s, ph_nbs)
    assert 0 < here < 1
    assert ammonia.fraction_epa1989(t, s, ph_nbs + 0.1) > here
    assert ammonia.fraction_epa1989(t + 0.5, s, ph_nbs) > here
    assert ammonia.fraction_epa1989(t, s + 0.5, ph_nbs) < here


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
@pytest.mark.parametrize(("place", "name"), [(0, "temperature_C"), (1, "salinity"), (2, "ph")])
def test_no_number_is_refused_by_name(place: int, name: str, bad: float) -> None:
    arguments = [12.0, 33.0, 8.0]
    arguments[place] = bad
    for formulation in (
        ammonia.fraction_epa1989,
        ammonia.fraction_bell2007,
        ammonia.fraction_clegg_whitfield1995,
        ammonia.fraction_clegg_whitfield1995_nbs,
    ):
        with pytest.raises(ValueError, match=f"{name}.* is not a finite number"):
            formulation(*arguments)


def test_outside_its_range_it_refuses() -> None:
    with pytest.raises(ValueError, match="temperature_C = 41 degC is outside the valid range -2 to 40"):
        ammonia.fraction_epa1989(41, 33, 8)
    with pytest.raises(ValueError, match="ph = 81 is outside"):
        ammonia.fraction_epa1989(12, 33, 81)
    with pytest.raises(ValueError, match="tan_mgN_L = -1"):
        ammonia.nh3_n_from_tan(-1, 0.05)


def test_scales_check_values() -> None:
    # seacarb manual: fH(S 35, 25 degC) = 0.7134043 and pH(NBS) 8.0 -> 7.853336 on the seawater scale
    assert ph.f_h_takahashi(25, 35) == pytest.approx(0.7134043, abs=2e-8)
    assert ph.sws_from_nbs(8.0, 25, 35) == pytest.approx(7.853336, abs=5.1e-7)


def test_scales_agree_with_pyco2sys() -> None:
    # PyCO2SYS 1.8 (KSO4 Dickson 1990, KF Dickson & Riley 1979)
    grid = list(itertools.product((0, 10, 20, 30), (5, 20, 35, 40)))
    t, s = (np.array(column, dtype=float) for column in zip(*grid, strict=True))
    found = PyCO2SYS.sys(par1=2300, par2=8.1, par1_type=1, par2_type=3, temperature=t, salinity=s, opt_pH_scale=4)
    for number, (temperature, salt) in enumerate(grid):
        for scale, key in (("seawater", "pH_sws"), ("total", "pH_total"), ("free", "pH_free")):
            ours = ph.convert(8.1, "nbs", scale, temperature, salt)
            assert ours == pytest.approx(float(found[key][number]), abs=1e-6)


def test_scales_by_the_table() -> None:
    # PyCO2SYS 1.8.3, pH 8.1 on NBS, S 5 to 40, 0 to 35 degC, to 0.0001
    table = rows("ph_scales.csv")
    assert len(table) == 56
    for row in table:
        t, s, nbs = float(row["temp_C"]), float(row["salinity_psu"]), float(row["pH_nbs"])
        assert ph.f_h_takahashi(t, s) == pytest.approx(float(row["fH_takahashi1982"]), abs=6e-7), row
        assert ph.sws_from_nbs(nbs, t, s) == pytest.approx(float(row["pH_sws"]), abs=6e-5), row
        assert ph.total_from_nbs(nbs, t, s) == pytest.approx(float(row["pH_total"]), abs=6e-5), row
        assert ph.free_from_nbs(nbs, t, s) == pytest.approx(float(row["pH_free"]), abs=6e-5), row


@given(st.floats(0, 40), st.floats(0, 45), st.floats(6, 9))
def test_scales_are_inverses(t: float, s: float, value: float) -> None:
    assert ph.nbs_from_total(ph.total_from_nbs(value, t, s), t, s) == pytest.approx(value, abs=1e-12)
    assert ph.sws_from_free(ph.free_from_sws(value, t, s), t, s) == pytest.approx(value, abs=1e-12)


def test_yao_and_millero_lie_three_to_five_percent_below() -> None:
    # Yao & Millero 1995 on the seawater scale against Clegg & Whitfield on the total scale, S 30 to 35, 10 to 30
    # degC
    for t in (10, 20, 30):
        for s in (30, 35):
            ours = ammonia.fraction(t, s, 8.0, "yao_millero1995")
            exact = ammonia.fraction(t, s, 8.0, "clegg_whitfield1995")
            assert 0.94 < ours / exact < 0.98


@pytest.mark.parametrize("formulation", sorted(ammonia.FORMULATIONS))
def test_any_formulation_takes_a_ph_of_any_scale(formulation: str) -> None:
    nbs = 8.1
    expected = ammonia.fraction(12, 33, nbs, formulation)
    for scale in ph.SCALES:
        same_water = ph.convert(nbs, "nbs", scale, 12, 33)
        assert ammonia.fraction(12, 33, same_water, formulation, scale) == pytest.approx(expected, rel=1e-9)


def test_the_default_formulation_is_epa_on_nbs() -> None:
    assert ammonia.fraction(12, 33, 8.1) == ammonia.fraction_epa1989(12, 33, 8.1)
    with pytest.raises(ValueError, match="formulation = 'khoo1977': expected one of epa1989"):
        ammonia.fraction(12, 33, 8.1, "khoo1977")
    with pytest.raises(ValueError, match="ph_scale = 'sea': expected one of nbs"):
        ammonia.fraction(12, 33, 8.1, "epa1989", "sea")  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="ph = nan"):
        ammonia.fraction(12, 33, math.nan)
