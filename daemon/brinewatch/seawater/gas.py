"""Dissolved nitrogen and argon, and total gas pressure: gas bubble trauma, and what depth takes it away."""

from __future__ import annotations

from math import exp, log

from brinewatch.seawater.density import density_eos80
from brinewatch.seawater.oxygen import vapour_pressure_green_carritt
from brinewatch.seawater.oxygen_units import O2_IN_DRY_AIR
from brinewatch.seawater.pressure import GRAVITY
from brinewatch.seawater.validity import within

INERT_IN_DRY_AIR = 0.7902  # nitrogen with argon: what is neither oxygen nor CO2 (Colt 1984)


def _hamme_emerson(temperature_C: float, salinity: float, A: tuple[float, ...], B: tuple[float, ...]) -> float:
    t = within("temperature_C", temperature_C, -2.0, 40.0, "degC")
    s = within("salinity", salinity, 0.0, 45.0)
    ts = log((298.15 - t) / (273.15 + t))
    plain = sum(coefficient * ts**power for power, coefficient in enumerate(A))
    salt = sum(coefficient * ts**power for power, coefficient in enumerate(B))
    return exp(plain + s * salt)


def nitrogen_umol_kg(temperature_C: float, salinity: float) -> float:
    """Nitrogen of air-saturated water, 1 atm, micromol/kg. Source: Hamme & Emerson 2004, Deep-Sea Res. 51:1517."""
    return _hamme_emerson(
        temperature_C, salinity,
        (6.42931, 2.92704, 4.32531, 4.69149), (-7.44129e-3, -8.02566e-3, -1.46775e-2),
    )  # fmt: skip


def argon_umol_kg(temperature_C: float, salinity: float) -> float:
    """Argon of air-saturated water, 1 atm, micromol/kg. Source: Hamme & Emerson 2004, Deep-Sea Res. 51:1517."""
    return _hamme_emerson(
        temperature_C, salinity,
        (2.79150, 3.17609, 4.13116, 4.90379), (-6.96233e-3, -7.66670e-3, -1.16888e-2),
    )  # fmt: skip


def excess_pressure_hPa(
    oxygen_percent: float,
    inert_percent: float,
    temperature_C: float,
    salinity: float,
    station_pressure_hPa: float,
) -> float:
    """Delta P, hPa: the sum of all gas tensions and the vapour pressure, less the air's pressure; CO2 left out.

    oxygen_percent, inert_percent: percent of air saturation of oxygen, and of nitrogen with argon. Source: Colt
    1984, AFS Special Publication 14.
    """
    within("oxygen_percent", oxygen_percent, 0.0, 600.0, "%")
    within("inert_percent", inert_percent, 0.0, 300.0, "%")
    within("station_pressure_hPa", station_pressure_hPa, 506.6, 1114.6, "hPa")
    vapour = vapour_pressure_green_carritt(temperature_C, salinity)
    shares = oxygen_percent / 100.0 * O2_IN_DRY_AIR + inert_percent / 100.0 * INERT_IN_DRY_AIR
    return shares * (station_pressure_hPa - vapour) + vapour - station_pressure_hPa


def total_gas_percent(excess_hPa: float, station_pressure_hPa: float) -> float:
    """Total gas pressure as percent of the air's: 100 (BP + delta P) / BP. Source: Colt 1984."""
    within("station_pressure_hPa", station_pressure_hPa, 506.6, 1114.6, "hPa")
    within("excess_hPa", excess_hPa, -station_pressure_hPa, 2000.0, "hPa")
    return 100.0 * (station_pressure_hPa + excess_hPa) / station_pressure_hPa


def inert_percent(
    excess_hPa: float,
    oxygen_percent: float,
    temperature_C: float,
    salinity: float,
    station_pressure_hPa: float,
) -> float:
    """Nitrogen with argon, percent of air saturation, from a saturometer's delta P and the oxygen (Colt 1984)."""
    within("excess_hPa", excess_hPa, -1000.0, 2000.0, "hPa")
    within("oxygen_percent", oxygen_percent, 0.0, 600.0, "%")
    within("station_pressure_hPa", station_pressure_hPa, 506.6, 1114.6, "hPa")
    vapour = vapour_pressure_green_carritt(temperature_C, salinity)
    dry = station_pressure_hPa - vapour
    oxygen = oxygen_percent / 100.0 * O2_IN_DRY_AIR * dry
    return 100.0 * (station_pressure_hPa + excess_hPa - oxygen - vapour) / (INERT_IN_DRY_AIR * dry)


def compensation_depth_m(excess_hPa: float, temperature_C: float, salinity: float) -> float:
    """Depth, m, below which the water's own pressure keeps bubbles from forming: delta P / (rho g). Source: Colt
    1984.

    Negative when the water holds less gas than the air would give it.
    """
    within("excess_hPa", excess_hPa, -1000.0, 2000.0, "hPa")
    return excess_hPa * 100.0 / (density_eos80(salinity, temperature_C) * GRAVITY)
