"""Density of seawater by the equation of state EOS-80, and specific gravity both ways."""

from __future__ import annotations

from math import sqrt

from brinewatch.seawater.validity import within

UNCERTAINTY_KG_M3 = 0.0036  # standard error of EOS-80 at the surface (Millero & Poisson 1981; from memory)
GLASS_EXPANSION = 25e-6  # 1/K, cubic, of a glass hydrometer (ISO 649 practice; value from memory)


def t68(temperature_C: float) -> float:
    """IPTS-68 from ITS-90, degC: t68 = 1.00024 t90 (Saunders 1990, WOCE Newsletter 10)."""
    return 1.00024 * within("temperature_C", temperature_C, -5.0, 100.0, "degC")


def eos80(salinity: float, t68_C: float, pressure_dbar: float = 0.0) -> float:
    """Density, kg/m3, as printed: temperature on IPTS-68.

    Source: Fofonoff & Millard 1983, UNESCO Technical Papers in Marine Science 44 (Millero & Poisson 1981; Millero
    et al. 1980). Stated for S 0 to 42, -2 to 40 degC, 0 to 10000 dbar; used here to S 50 and 45 degC so that
    evaporation and a hot shed still show.
    """
    s = within("salinity", salinity, 0.0, 50.0)
    t = within("temperature_C", t68_C, -2.5, 45.1, "degC")
    within("pressure_dbar", pressure_dbar, 0.0, 10000.0, "dbar")
    root = sqrt(s)
    water = 999.842594 + t * (
        6.793952e-2 + t * (-9.095290e-3 + t * (1.001685e-4 + t * (-1.120083e-6 + t * 6.536332e-9)))
    )
    rho = (
        water
        + s * (8.24493e-1 + t * (-4.0899e-3 + t * (7.6438e-5 + t * (-8.2467e-7 + t * 5.3875e-9))))
        + s * root * (-5.72466e-3 + t * (1.0227e-4 - t * 1.6546e-6))
        + s * s * 4.8314e-4
    )
    if pressure_dbar == 0.0:
        return rho
    p = pressure_dbar / 10.0  # bar
    bulk_water = 19652.21 + t * (148.4206 + t * (-2.327105 + t * (1.360477e-2 - t * 5.155288e-5)))
    bulk = (
        bulk_water
        + s * (54.6746 + t * (-0.603459 + t * (1.09987e-2 - t * 6.1670e-5)))
        + s * root * (7.944e-2 + t * (1.6483e-2 - t * 5.3009e-4))
    )
    a = (
        3.239908
        + t * (1.43713e-3 + t * (1.16092e-4 - t * 5.77905e-7))
        + s * (2.2838e-3 + t * (-1.0981e-5 - t * 1.6078e-6))
        + s * root * 1.91075e-4
    )
    b = 8.50935e-5 + t * (-6.12293e-6 + t * 5.2787e-8) + s * (-9.9348e-7 + t * (2.0816e-8 + t * 9.1697e-10))
    return rho / (1.0 - p / (bulk + p * (a + p * b)))


def density_eos80(salinity: float, temperature_C: float, pressure_dbar: float = 0.0) -> float:
    """Density, kg/m3, from practical salinity, degC (ITS-90) and dbar below the surface; see eos80."""
    within("temperature_C", temperature_C, -2.5, 45.0, "degC")
    return eos80(salinity, t68(temperature_C), pressure_dbar)


def specific_gravity(salinity: float, temperature_C: float, reference_C: float) -> float:
    """Density of the water at temperature_C over that of fresh water at reference_C (EOS-80 both).

    The two temperatures belong to the number: S 35 is 1.0264 at 25/25 degC and 1.0233 against water at 4 degC.
    """
    within("reference_C", reference_C, 0.0, 45.0, "degC")
    return density_eos80(salinity, temperature_C) / density_eos80(0.0, reference_C)


def salinity_from_density(density_kg_m3: float, temperature_C: float) -> float:
    """Practical salinity 0 to 50 from density, kg/m3, at the surface: EOS-80 turned round by bisection."""
    low, high = density_eos80(0.0, temperature_C), density_eos80(50.0, temperature_C)
    within("density_kg_m3", density_kg_m3, low - 1e-9, high + 1e-9, "kg/m3")
    bottom, top = 0.0, 50.0
    for _ in range(60):  # 50 / 2^60: below float noise
        middle = (bottom + top) / 2.0
        if density_eos80(middle, temperature_C) < density_kg_m3:
            bottom = middle
        else:
            top = middle
    return (bottom + top) / 2.0


def salinity_from_specific_gravity(reading: float, temperature_C: float, reference_C: float) -> float:
    """Practical salinity from a specific gravity: water at temperature_C against fresh water at reference_C."""
    within("reading", reading, 0.98, 1.06)
    within("reference_C", reference_C, 0.0, 45.0, "degC")
    return salinity_from_density(reading * density_eos80(0.0, reference_C), temperature_C)


def salinity_from_hydrometer(
    reading: float,
    temperature_C: float,
    reference_C: float,
    calibration_C: float | None = None,
    expansion: float = GLASS_EXPANSION,
) -> float:
    """Practical salinity from a hydrometer floating in water at temperature_C.

    reference_C: of the fresh water its scale is relative to; calibration_C: the temperature its scale is right at
    (the same unless marked otherwise, as in 20/4); expansion: cubic, 1/K, by which a warmer float reads low. A
    scale without these temperatures is worth no better than 1 to 2 in salinity.
    """
    within("reading", reading, 0.98, 1.06)
    right_at = reference_C if calibration_C is None else within("calibration_C", calibration_C, 0.0, 45.0, "degC")
    within("expansion", expansion, 0.0, 1e-3, "1/K")
    within("temperature_C", temperature_C, -2.5, 45.0, "degC")
    true = reading / (1.0 + expansion * (temperature_C - right_at))
    return salinity_from_specific_gravity(true, temperature_C, reference_C)
