"""Free CO2 from pH and alkalinity, and what bicarbonate does to them.

All constants are on the total scale, mol/kg-SW. A pH on the NBS scale must be converted first (ph.total_from_nbs):
the wrong scale makes free CO2 40 % wrong. Ammonia, phosphate and silicate are left out of the alkalinity.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, hypot, log, sqrt

from brinewatch.seawater.density import density_eos80
from brinewatch.seawater.ph import (
    k_bisulfate,
    k_hydrogen_fluoride,
    sws_from_total,
    total_fluoride,
    total_sulfate,
)
from brinewatch.seawater.validity import within

CO2_MOLAR_MASS = 44.0095  # g/mol
MG_CACO3_PER_MEQ = 50.0435  # IUPAC masses
DKH_PER_MEQ_L = 2.8041  # German degrees: 10 mg CaO/L, 28.0387 mg CaO a meq
# Standard uncertainties of the constants, in pK, and of borate, as a share. Source: Orr, Epitalon, Dickson &
# Gattuso 2018, Mar. Chem. 207:84.
PK_UNCERTAINTY = {"co2": 0.002, "carbonic_1": 0.0075, "carbonic_2": 0.015, "borate": 0.01, "water": 0.01}
BORATE_UNCERTAINTY = 0.02
NAHCO3_G_PER_EQ = 84.0066
NA2CO3_G_PER_EQ = 105.9884 / 2.0


def _kelvin(temperature_C: float, salinity: float) -> float:
    # Lueker et al. 2000 state S 19 to 43, 2 to 35 degC; used a little beyond
    within("salinity", salinity, 15.0, 45.0)
    return within("temperature_C", temperature_C, 0.0, 38.0, "degC") + 273.15


def co2_solubility(temperature_C: float, salinity: float) -> float:
    """K0, mol/(kg-SW atm). Source: Weiss 1974, Mar. Chem. 2:203."""
    hundreds = _kelvin(temperature_C, salinity) / 100.0
    return exp(
        -60.2409
        + 93.4517 / hundreds
        + 23.3585 * log(hundreds)
        + salinity * (0.023517 - 0.023656 * hundreds + 0.0047036 * hundreds**2)
    )


def k1_lueker(temperature_C: float, salinity: float) -> float:
    """First dissociation constant of carbonic acid. Source: Lueker et al. 2000, Mar. Chem. 70:105."""
    kelvin = _kelvin(temperature_C, salinity)
    pk = 3633.86 / kelvin - 61.2172 + 9.67770 * log(kelvin) - 0.011555 * salinity + 0.0001152 * salinity**2
    return float(10.0**-pk)


def k2_lueker(temperature_C: float, salinity: float) -> float:
    """Second dissociation constant of carbonic acid. Source: Lueker et al. 2000, Mar. Chem. 70:105."""
    kelvin = _kelvin(temperature_C, salinity)
    pk = 471.78 / kelvin + 25.9290 - 3.16967 * log(kelvin) - 0.01781 * salinity + 0.0001122 * salinity**2
    return float(10.0**-pk)


def k_borate(temperature_C: float, salinity: float) -> float:
    """Dissociation constant of boric acid. Source: Dickson 1990, Deep-Sea Res. 37:755."""
    kelvin, root = _kelvin(temperature_C, salinity), sqrt(salinity)
    s = salinity
    return exp(
        (-8966.90 - 2890.53 * root - 77.942 * s + 1.728 * s * root - 0.0996 * s**2) / kelvin
        + 148.0248
        + 137.1942 * root
        + 1.62142 * s
        - (24.4344 + 25.085 * root + 0.2474 * s) * log(kelvin)
        + 0.053105 * root * kelvin
    )


def k_water(temperature_C: float, salinity: float) -> float:
    """Ion product of water, brought from the seawater to the total scale. Source: Millero 1995, GCA 59:661."""
    kelvin, root = _kelvin(temperature_C, salinity), sqrt(salinity)
    seawater_scale = exp(
        148.9802
        - 13847.26 / kelvin
        - 23.6521 * log(kelvin)
        + (118.67 / kelvin - 5.977 + 1.0495 * log(kelvin)) * root
        - 0.01615 * salinity
    )
    return float(seawater_scale * 10.0 ** (sws_from_total(8.0, temperature_C, salinity) - 8.0))


def total_borate(salinity: float) -> float:
    """mol/kg-SW. Source: Uppstrom 1974, Deep-Sea Res. 21:161."""
    return 0.0004157 * within("salinity", salinity, 0.0, 45.0) / 35.0


@dataclass(frozen=True, slots=True)
class Carbonate:
    """The carbonate system: pH on the total scale, fco2 in microatm, co2_mg_per_litre, all else in micromol/kg."""

    ph_total: float
    alkalinity: float
    dic: float
    co2: float
    bicarbonate: float
    carbonate: float
    fco2: float
    co2_mg_per_litre: float


def from_ph_and_alkalinity(
    ph_total: float, alkalinity_umol_kg: float, temperature_C: float, salinity: float
) -> Carbonate:
    """The carbonate system of water of known total-scale pH and total alkalinity, micromol/kg."""
    within("ph_total", ph_total, 4.5, 10.0)
    within("alkalinity_umol_kg", alkalinity_umol_kg, 50.0, 20000.0, "umol/kg")
    h = float(10.0**-ph_total)
    k1, k2 = k1_lueker(temperature_C, salinity), k2_lueker(temperature_C, salinity)
    carbonate_alkalinity = alkalinity_umol_kg * 1e-6 - _other_alkalinity(h, temperature_C, salinity)
    if carbonate_alkalinity <= 0.0:
        raise ValueError(
            f"alkalinity_umol_kg = {alkalinity_umol_kg:g} umol/kg is less than borate and hydroxide alone give at "
            f"pH {ph_total:g}: one of the two is wrong"
        )
    bicarbonate = carbonate_alkalinity / (1.0 + 2.0 * k2 / h)
    carbonate, co2 = bicarbonate * k2 / h, bicarbonate * h / k1
    fco2 = co2 / co2_solubility(temperature_C, salinity) * 1e6
    per_litre = co2 * CO2_MOLAR_MASS * density_eos80(salinity, temperature_C)
    dic = (co2 + bicarbonate + carbonate) * 1e6
    return Carbonate(
        ph_total, alkalinity_umol_kg, dic, co2 * 1e6, bicarbonate * 1e6, carbonate * 1e6, fco2, per_litre
    )


def co2_relative_uncertainty(
    ph_total: float, alkalinity_umol_kg: float, temperature_C: float, salinity: float
) -> float:
    """Standard uncertainty that the constants give the CO2 of from_ph_and_alkalinity, as a share of it: some 2 %.

    First order, PK_UNCERTAINTY and BORATE_UNCERTAINTY. That of pH and alkalinity themselves comes on top, and for a
    pH brought from the NBS scale that of the shift, ph.NBS_SHIFT_UNCERTAINTY, which is larger than all else.
    """
    from_ph_and_alkalinity(ph_total, alkalinity_umol_kg, temperature_C, salinity)  # refuses what it cannot do
    h = float(10.0**-ph_total)
    kb, borate = k_borate(temperature_C, salinity), total_borate(salinity)
    carbonate_alkalinity = alkalinity_umol_kg * 1e-6 - _other_alkalinity(h, temperature_C, salinity)
    ratio = 2.0 * k2_lueker(temperature_C, salinity) / h
    parts = (
        log(10.0) * PK_UNCERTAINTY["carbonic_1"],
        log(10.0) * PK_UNCERTAINTY["carbonic_2"] * ratio / (1.0 + ratio),
        log(10.0) * PK_UNCERTAINTY["borate"] * borate * kb * h / (kb + h) ** 2 / carbonate_alkalinity,
        log(10.0) * PK_UNCERTAINTY["water"] * k_water(temperature_C, salinity) / h / carbonate_alkalinity,
        BORATE_UNCERTAINTY * borate * kb / (kb + h) / carbonate_alkalinity,
    )
    return hypot(*parts)


def _other_alkalinity(h: float, temperature_C: float, salinity: float) -> float:
    """Borate and hydroxide less hydrogen ion, bisulfate and hydrogen fluoride, mol/kg-SW (Dickson 1981)."""
    kb = k_borate(temperature_C, salinity)
    free = h / (1.0 + total_sulfate(salinity) / k_bisulfate(temperature_C, salinity))
    fluoride = total_fluoride(salinity) / (1.0 + k_hydrogen_fluoride(temperature_C, salinity) / free)
    acids = h + fluoride  # the total scale counts bisulfate in
    return total_borate(salinity) * kb / (kb + h) + k_water(temperature_C, salinity) / h - acids


def ph_from_dic_and_alkalinity(
    dic_umol_kg: float, alkalinity_umol_kg: float, temperature_C: float, salinity: float
) -> float:
    """Total-scale pH from dissolved inorganic carbon and total alkalinity, micromol/kg, by bisection."""
    within("dic_umol_kg", dic_umol_kg, 1.0, 40000.0, "umol/kg")
    within("alkalinity_umol_kg", alkalinity_umol_kg, 50.0, 20000.0, "umol/kg")
    k1, k2 = k1_lueker(temperature_C, salinity), k2_lueker(temperature_C, salinity)
    low, high = 3.0, 11.0
    for _ in range(60):
        middle = (low + high) / 2.0
        h = float(10.0**-middle)
        bicarbonate = dic_umol_kg * 1e-6 / (1.0 + h / k1 + k2 / h)
        found = bicarbonate * (1.0 + 2.0 * k2 / h) + _other_alkalinity(h, temperature_C, salinity)
        if found < alkalinity_umol_kg * 1e-6:
            low = middle
        else:
            high = middle
    return within("ph", (low + high) / 2.0, 4.0, 10.5)


def umol_kg_from_meq_L(meq_L: float, temperature_C: float, salinity: float) -> float:
    """Alkalinity, micromol/kg, from meq/L at this temperature and salinity (EOS-80)."""
    within("meq_L", meq_L, 0.0, 20.0, "meq/L")
    return meq_L / density_eos80(salinity, temperature_C) * 1e6


def bicarbonate_dose_g(volume_L: float, from_meq_L: float, to_meq_L: float) -> float:
    """Grams of sodium bicarbonate that raise the alkalinity of volume_L litres: 84.0066 g an equivalent.

    Give it in small steps, dissolved, with the air on: the pH rises afterwards as CO2 is blown off, and with it the
    un-ionized share of any ammonia there is.
    """
    return _dose(volume_L, from_meq_L, to_meq_L) * NAHCO3_G_PER_EQ


def carbonate_dose_g(volume_L: float, from_meq_L: float, to_meq_L: float) -> float:
    """Grams of sodium carbonate for the same: 52.9942 g an equivalent. It lifts pH at once."""
    return _dose(volume_L, from_meq_L, to_meq_L) * NA2CO3_G_PER_EQ


def _dose(volume_L: float, from_meq_L: float, to_meq_L: float) -> float:
    within("volume_L", volume_L, 0.0, 1e7, "L")
    within("from_meq_L", from_meq_L, 0.0, 20.0, "meq/L")
    within("to_meq_L", to_meq_L, from_meq_L, 20.0, "meq/L")
    return volume_L * (to_meq_L - from_meq_L) / 1000.0


def ph_after_bicarbonate(
    ph_total: float, alkalinity_umol_kg: float, added_umol_kg: float, temperature_C: float, salinity: float
) -> float:
    """Total-scale pH just after bicarbonate is stirred in, before any CO2 comes or goes."""
    before = from_ph_and_alkalinity(ph_total, alkalinity_umol_kg, temperature_C, salinity)
    within("added_umol_kg", added_umol_kg, 0.0, 20000.0 - alkalinity_umol_kg, "umol/kg")
    return ph_from_dic_and_alkalinity(
        before.dic + added_umol_kg, alkalinity_umol_kg + added_umol_kg, temperature_C, salinity
    )
