"""Seawater over wide grids and at random, against libraries that are not ours."""

from __future__ import annotations

import itertools
import math
import random

import gsw
import numpy as np
import PyCO2SYS
import pytest

from brinewatch.seawater import ammonia, carbonate, oxygen, ph, salinity
from brinewatch.seawater import oxygen_units as units
from brinewatch.seawater.density import density_eos80

DICE = random.Random(20211)
WATERS = [(DICE.uniform(0, 40), DICE.uniform(0, 40)) for _ in range(2000)]
SALT_WATERS = [
    (DICE.uniform(0, 38), DICE.uniform(15, 45), DICE.uniform(6.8, 8.9), DICE.uniform(700, 6000))
    for _ in range(2000)
]


# Oxygen -----------------------------------------------------------------------------------------------------


def test_oxygen_within_a_twentieth_of_a_percent_of_gsw_in_every_unit() -> None:
    # gsw 3.6 O2sol_SP_pt (Garcia & Gordon 1992, ITS-90 taken to IPTS-68), mg/L by EOS-80 density
    for t, s in WATERS:
        reference = float(gsw.O2sol_SP_pt(s, t))
        assert oxygen.garcia_gordon_umol_kg(t, s) == pytest.approx(reference, rel=1e-12)
        mg_l = oxygen.benson_krause(t, s)
        assert units.umol_kg_from_mg_L(mg_l, t, s) == pytest.approx(reference, rel=5e-4)
        assert oxygen.garcia_gordon(t, s) == pytest.approx(mg_l, rel=5e-4)
        assert units.mL_L_from_mg_L(mg_l) == pytest.approx(oxygen.garcia_gordon_mL_L(t, s), rel=5e-4)


def test_the_high_coefficients_where_the_printed_check_cannot_see_them() -> None:
    # Garcia & Gordon 1992, Benson & Krause column, computed: at 10 degC a wrong A3 to A5 does not show
    assert oxygen.garcia_gordon_umol_kg(0, 35) == pytest.approx(347.9029, abs=6e-5)
    assert oxygen.garcia_gordon_umol_kg(35 / 1.00024, 35) == pytest.approx(176.7554, abs=6e-5)


# Salinity ---------------------------------------------------------------------------------------------------


def test_pss78_at_random_and_at_depth_against_gsw() -> None:
    # gsw 3.6 C_from_SP and SP_from_C, ITS-90
    for _ in range(2000):
        s, t, p = DICE.uniform(2.001, 42), DICE.uniform(-2, 35), DICE.choice((0.0, DICE.uniform(0, 5000)))
        measured = float(gsw.C_from_SP(s, t, p))
        ours = salinity.salinity_from_conductivity(measured, t, p)
        assert ours == pytest.approx(float(gsw.SP_from_C(measured, t, p)), abs=2e-9)
        assert ours == pytest.approx(s, abs=1e-8)


def test_specific_conductance_at_random_against_gsw() -> None:
    # a meter of linear compensation in water whose conductivity gsw 3.6 knows
    for _ in range(1000):
        s, t, compensation = DICE.uniform(2.001, 42), DICE.uniform(-2, 35), DICE.uniform(0.018, 0.022)
        shown = float(gsw.C_from_SP(s, t, 0)) / (1 + compensation * (t - 25))
        assert salinity.salinity_from_specific_conductance(shown, t, compensation) == pytest.approx(s, abs=1e-8)


def test_density_at_random_against_teos_10() -> None:
    # gsw 3.6 rho at 0 E 0 N: the two standards differ by up to 0.011 kg/m3 at S 2 to 42, -2 to 35 degC
    for _ in range(1000):
        s, t = DICE.uniform(2, 42), DICE.uniform(-2, 35)
        absolute = float(gsw.SA_from_SP(s, 0, 0, 0))
        reference = float(gsw.rho(absolute, gsw.CT_from_t(absolute, t, 0), 0))
        assert density_eos80(s, t) == pytest.approx(reference, abs=0.012)


# The scales of pH -------------------------------------------------------------------------------------------

SCALE_NUMBERS = {"total": 1, "seawater": 2, "free": 3, "nbs": 4}


@pytest.mark.parametrize("scale", ph.SCALES)
def test_every_scale_from_every_other_against_pyco2sys(scale: ph.Scale) -> None:
    # PyCO2SYS 1.8: pH given on one scale, asked on all four (fH Takahashi et al. 1982, KF Dickson & Riley 1979)
    t, s, value, _ = (np.array(column) for column in zip(*SALT_WATERS[:500], strict=True))
    found = PyCO2SYS.sys(
        par1=2300, par2=value, par1_type=1, par2_type=3, temperature=t, salinity=s,
        opt_pH_scale=SCALE_NUMBERS[scale],
    )  # fmt: skip
    for to, key in (("total", "pH_total"), ("seawater", "pH_sws"), ("free", "pH_free"), ("nbs", "pH_nbs")):
        for number in range(len(value)):
            ours = ph.convert(float(value[number]), scale, to, float(t[number]), float(s[number]))
            assert ours == pytest.approx(float(found[key][number]), abs=1e-9)


# Carbonate --------------------------------------------------------------------------------------------------


def test_carbonate_at_random_against_pyco2sys() -> None:
    # PyCO2SYS 1.8 defaults: Lueker et al. 2000, Dickson 1990, Uppstrom 1974; total scale; density by EOS-80
    t, s, value, alkalinity = (np.array(column) for column in zip(*SALT_WATERS, strict=True))
    found = PyCO2SYS.sys(
        par1=alkalinity, par2=value, par1_type=1, par2_type=3, temperature=t, salinity=s, opt_pH_scale=1
    )
    for number, (temperature, salt, ph_total, ta) in enumerate(SALT_WATERS):
        ours = carbonate.from_ph_and_alkalinity(ph_total, ta, temperature, salt)
        for mine, theirs in (
            (ours.dic, "dic"), (ours.co2, "CO2"), (ours.bicarbonate, "HCO3"), (ours.carbonate, "CO3"),
            (ours.fco2, "fCO2"),
        ):  # fmt: skip
            assert mine == pytest.approx(float(found[theirs][number]), rel=1e-9), (theirs, SALT_WATERS[number])


def test_uncertainty_of_the_constants_against_pyco2sys() -> None:
    # PyCO2SYS 1.8 propagates Orr et al. 2018's uncertainties of pK1, pK2, pKB, pKW and borate; ours are the same
    few = SALT_WATERS[:200]
    t, s, value, alkalinity = (np.array(column) for column in zip(*few, strict=True))
    orr = PyCO2SYS.uncertainty_OEDG18
    constants = {key: orr[key] for key in ("pk_carbonic_1", "pk_carbonic_2", "pk_borate", "pk_water")}
    constants["total_borate__f"] = orr["total_borate__f"]
    found = PyCO2SYS.sys(
        par1=alkalinity, par2=value, par1_type=1, par2_type=3, temperature=t, salinity=s, opt_pH_scale=1,
        uncertainty_into=["CO2"], uncertainty_from=constants,
    )  # fmt: skip
    for number, (temperature, salt, ph_total, ta) in enumerate(few):
        ours = carbonate.co2_relative_uncertainty(ph_total, ta, temperature, salt)
        theirs = float(found["u_CO2"][number]) / float(found["CO2"][number])
        assert ours == pytest.approx(theirs, rel=0.01)


# Ammonia ----------------------------------------------------------------------------------------------------


def test_share_of_ammonia_at_random_against_pyco2sys() -> None:
    # PyCO2SYS 1.8, total ammonia 100 umol/kg, pH on the total scale (Clegg & Whitfield 1995) over S 5 to 45
    waters = [(DICE.uniform(0, 38), DICE.uniform(5, 45), DICE.uniform(6.8, 9.0)) for _ in range(1000)]
    t, s, value = (np.array(column) for column in zip(*waters, strict=True))
    found = PyCO2SYS.sys(
        par1=3000,
        par2=value,
        par1_type=1,
        par2_type=3,
        temperature=t,
        salinity=s,
        opt_pH_scale=1,
        total_ammonia=100,
    )
    for number, (temperature, salt, ph_total) in enumerate(waters):
        ours = ammonia.fraction(temperature, salt, ph_total, "clegg_whitfield1995", "total")
        assert ours == pytest.approx(float(found["alkalinity_ammonia"][number]) / 100, rel=1e-3)


def test_the_spread_between_formulations_covers_them() -> None:
    # GUM 4.3.7: evenly spread over a range is range / sqrt 3 seen from its end; 10 % for fH always
    floor = 0.1 / math.sqrt(3)
    for t, s, value in itertools.product((2, 12, 20, 30), (20, 25, 30, 33, 35, 40), (7.2, 8.0, 8.6)):
        shares = [
            ammonia.fraction_epa1989(t, s, value),
            ammonia.fraction_bell2007(t, s, value),
            ammonia.fraction_clegg_whitfield1995_nbs(t, s, value),
        ]
        assert shares[0] == max(shares)
        expected = math.hypot((shares[0] - min(shares)) / math.sqrt(3) / shares[0], floor)
        assert ammonia.relative_spread(t, s, value) == pytest.approx(expected, rel=1e-12)
        # the second source in the middle of the range has less, the fresh-water formula far more
        assert ammonia.relative_spread(t, s, value, "bell2007") < expected
        assert ammonia.relative_spread(t, s, value, "emerson1975") > 1.1 * floor


def test_the_spread_is_one_curve_down_to_fresh_water() -> None:
    for t in (2, 12, 25):
        curve = [ammonia.relative_spread(t, s / 4, 8.0) for s in range(161)]
        assert min(curve) >= 0.1 / math.sqrt(3)
        assert max(curve) < 0.16
        assert max(abs(later - earlier) for earlier, later in itertools.pairwise(curve)) < 0.003
    # in fresh water the three formulations agree, and fH's 10 % is all there is
    assert ammonia.relative_spread(12, 0, 8.0) < 0.06


def test_a_shift_of_scale_is_uncertain_only_by_way_of_nbs() -> None:
    # 10 % of hydrogen ion either way, evenly: 0.1 / sqrt 3 / ln 10 of a pH
    for one, other in itertools.product(ph.SCALES, ph.SCALES):
        found = ph.conversion_uncertainty(one, other)
        assert found == pytest.approx(0.02507 if (one == "nbs") != (other == "nbs") else 0.0, abs=5e-6)
