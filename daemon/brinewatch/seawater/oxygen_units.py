"""Oxygen in other units, its tension and deficit, and a probe that was told the wrong salinity or pressure."""

from __future__ import annotations

from brinewatch.seawater.density import density_eos80
from brinewatch.seawater.oxygen import (
    O2_MG_PER_ML,
    O2_MOLAR_MASS,
    benson_krause,
    percent_saturation,
    pressure_factor,
    vapour_pressure_green_carritt,
)
from brinewatch.seawater.pressure import HPA_PER_ATM
from brinewatch.seawater.validity import not_negative, within

O2_IN_DRY_AIR = 0.20946  # mole fraction (Colt 1984, AFS Special Publication 14)


def mL_L_from_mg_L(mg_L: float) -> float:
    """mL of gas at 0 degC and 1 atm in a litre, from mg/L. Source of 1.42905 mg/mL: USGS OWQ TM 2011.03."""
    return not_negative("mg_L", mg_L, 100.0, "mg/L") / O2_MG_PER_ML


def mg_L_from_mL_L(mL_L: float) -> float:
    """mg/L from mL of gas at 0 degC and 1 atm in a litre."""
    return not_negative("mL_L", mL_L, 70.0, "mL/L") * O2_MG_PER_ML


def umol_kg_from_mg_L(mg_L: float, temperature_C: float, salinity: float) -> float:
    """micromol/kg from mg/L: molar mass 31.9988 g/mol and the density of the water (EOS-80)."""
    not_negative("mg_L", mg_L, 100.0, "mg/L")
    return mg_L / O2_MOLAR_MASS / density_eos80(salinity, temperature_C) * 1e6


def mg_L_from_umol_kg(umol_kg: float, temperature_C: float, salinity: float) -> float:
    """mg/L from micromol/kg: molar mass 31.9988 g/mol and the density of the water (EOS-80)."""
    not_negative("umol_kg", umol_kg, 3200.0, "umol/kg")
    return umol_kg * O2_MOLAR_MASS * density_eos80(salinity, temperature_C) * 1e-6


def partial_pressure_hPa(mg_L: float, temperature_C: float, salinity: float) -> float:
    """Oxygen tension, hPa: the partial pressure the water would be in balance with.

    Source: Colt 1984, AFS Special Publication 14: share of saturation times 0.20946 times (1 atm less the vapour
    pressure, by Green & Carritt 1967). It does not depend on the station pressure.
    """
    share = percent_saturation(mg_L, temperature_C, salinity, HPA_PER_ATM) / 100.0
    return share * O2_IN_DRY_AIR * (HPA_PER_ATM - vapour_pressure_green_carritt(temperature_C, salinity))


def deficit_mg_L(
    mg_L: float, temperature_C: float, salinity: float, station_pressure_hPa: float = HPA_PER_ATM
) -> float:
    """What is lacking to air saturation, mg/L; negative above saturation (Benson & Krause).

    mg_L may be a little below 0, as in percent_saturation.
    """
    within("mg_L", mg_L, -1.0, 100.0, "mg/L")
    return benson_krause(temperature_C, salinity, station_pressure_hPa) - mg_L


def mg_L_at_true_salinity(
    shown_mg_L: float, temperature_C: float, told_salinity: float, true_salinity: float
) -> float:
    """mg/L as a probe would have shown it with the right salinity.

    A probe feels tension and multiplies by the solubility at the salinity it was told: one told 0 in S 33 reads
    some 22 % high. Its percent of saturation needs no such correction. Solubility: Benson & Krause.
    """
    not_negative("shown_mg_L", shown_mg_L, 100.0, "mg/L")
    return shown_mg_L * benson_krause(temperature_C, true_salinity) / benson_krause(temperature_C, told_salinity)


def percent_at_true_pressure(shown_percent: float, temperature_C: float, told_hPa: float, true_hPa: float) -> float:
    """Percent of saturation as a meter would show it with the right station pressure, its mg/L being right."""
    within("shown_percent", shown_percent, 0.0, 600.0, "%")
    return shown_percent * pressure_factor(temperature_C, told_hPa) / pressure_factor(temperature_C, true_hPa)


def mg_L_after_wrong_calibration_pressure(
    shown_mg_L: float, calibration_C: float, told_hPa: float, true_hPa: float
) -> float:
    """mg/L as it should read, of a probe set to 100 % in air or air-saturated water with the wrong station
    pressure.

    calibration_C: temperature at that calibration. The slope it took on is off by the ratio of the two saturations.
    """
    not_negative("shown_mg_L", shown_mg_L, 100.0, "mg/L")
    return shown_mg_L * pressure_factor(calibration_C, true_hPa) / pressure_factor(calibration_C, told_hPa)
