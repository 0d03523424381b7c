"""Practical salinity from conductivity: PSS-78, and the meter's own temperature compensation undone first."""

from __future__ import annotations

from math import hypot, sqrt

from brinewatch.seawater.density import t68
from brinewatch.seawater.validity import not_negative, within

C_35_15_0 = 42.914  # mS/cm, conductivity at S 35, 15 degC (IPTS-68), 0 dbar (Culkin & Smith 1980)
LINEAR_COMPENSATION = 0.0191  # 1/K, what field meters use to state conductance at 25 degC (ISO 7888 practice)
UNCERTAINTY = 0.002  # standard uncertainty of PSS-78, in salinity (from memory, unverified)
COMPENSATION_UNCERTAINTY = 0.00005 / sqrt(3)  # 1/K: half a unit of the last digit of 1.91 %/K (GUM 4.3.7)

_A = (0.0080, -0.1692, 25.3851, 14.0941, -7.0261, 2.7081)
_B = (0.0005, -0.0056, -0.0066, -0.0375, 0.0636, -0.0144)
_C = (0.6766097, 2.00564e-2, 1.104259e-4, -6.9698e-7, 1.0031e-9)
_K = 0.0162


def _series(coefficients: tuple[float, ...], x: float) -> float:
    return sum(coefficient * x**power for power, coefficient in enumerate(coefficients))


def _rt35(t: float) -> float:
    """Conductivity of S 35 at t over that at 15 degC, both IPTS-68."""
    return _series(_C, t)


def _from_ratio(Rt: float, t: float) -> float:
    """PSS-78 from the temperature-corrected ratio Rt at t (IPTS-68)."""
    root = sqrt(Rt)
    share = (t - 15.0) / (1.0 + _K * (t - 15.0))
    return _series(_A, root) + share * _series(_B, root)


def _hill(Rt: float, t: float, pss: float) -> float:
    """Below S 2. Source: Hill, Dauphinee & Woods 1986, IEEE J. Oceanic Eng. OE-11:109."""
    x, y = 400.0 * Rt, 100.0 * Rt
    share = (t - 15.0) / (1.0 + _K * (t - 15.0))
    return pss - 0.0080 / (1.0 + 1.5 * x + x**2) - 0.0005 * share / (1.0 + sqrt(y) + y + y * sqrt(y))


def pss78(ratio: float, t68_C: float, pressure_dbar: float = 0.0) -> float:
    """Practical salinity from the conductivity ratio R = C(S,t,p) / C(35,15,0), temperature on IPTS-68.

    Source: Fofonoff & Millard 1983, UNESCO Technical Papers in Marine Science 44 (Perkin & Lewis 1980). Stated for
    S 2 to 42 and -2 to 35 degC; below 2 Hill, Dauphinee & Woods 1986 (joined at 2 within 0.001); used here to S 50
    and 45 degC so that evaporation and a hot shed still show. A dry probe (ratio below 0.0005) is refused.
    """
    t = within("temperature_C", t68_C, -2.5, 45.1, "degC")
    p = within("pressure_dbar", pressure_dbar, 0.0, 10000.0, "dbar")
    within("conductivity ratio", ratio, 0.0005, 2.6)
    e = p * (2.070e-5 + p * (-6.370e-10 + p * 3.989e-15))
    d = 1.0 + t * (3.426e-2 + t * 4.464e-4) + ratio * (4.215e-1 - 3.107e-3 * t)
    Rt = ratio / (_rt35(t) * (1.0 + e / d))
    salinity = _from_ratio(Rt, t)
    if salinity < 2.0:
        salinity = max(0.0, _hill(Rt, t, salinity))
    return within("salinity", salinity, 0.0, 50.0)


def salinity_from_conductivity(mS_cm: float, temperature_C: float, pressure_dbar: float = 0.0) -> float:
    """Practical salinity from conductivity at the water's own temperature, mS/cm and degC (ITS-90); see pss78.

    Not for a value the meter has already brought to 25 degC: see salinity_from_specific_conductance.
    """
    not_negative("mS_cm", mS_cm, 120.0, "mS/cm")
    within("temperature_C", temperature_C, -2.5, 45.0, "degC")
    return pss78(mS_cm / C_35_15_0, t68(temperature_C), pressure_dbar)


def conductivity_from_specific_conductance(
    mS_cm_25C: float, temperature_C: float, compensation: float = LINEAR_COMPENSATION
) -> float:
    """Conductivity at the water's own temperature, mS/cm, with the meter's linear compensation undone.

    The meter showed C / (1 + compensation (t - 25)); compensation in 1/K. Source: the linear form of ISO 7888; 1.91
    %/K is what field meters use unless set otherwise.
    """
    not_negative("mS_cm_25C", mS_cm_25C, 120.0, "mS/cm")
    within("temperature_C", temperature_C, -2.5, 45.0, "degC")
    within("compensation", compensation, 0.0, 0.03, "1/K")
    return mS_cm_25C * (1.0 + compensation * (temperature_C - 25.0))


def salinity_from_specific_conductance(
    mS_cm_25C: float, temperature_C: float, compensation: float = LINEAR_COMPENSATION
) -> float:
    """Practical salinity from a specific conductance at 25 degC, mS/cm, and the water's own temperature.

    The meter's compensation is undone first, then PSS-78 is used. PSS-78 straight on a compensated value is wrong:
    at 10 degC and S 33 it reads 48.
    """
    in_place = conductivity_from_specific_conductance(mS_cm_25C, temperature_C, compensation)
    return salinity_from_conductivity(in_place, temperature_C)


def specific_conductance_uncertainty(
    mS_cm_25C: float, temperature_C: float, compensation: float = LINEAR_COMPENSATION
) -> float:
    """Standard uncertainty, in salinity, that PSS-78 and the meter's coefficient give the salinity from a specific
    conductance: the farther from 25 degC the more, 0.02 at S 33 and 10 degC.
    """
    in_place = conductivity_from_specific_conductance(mS_cm_25C, temperature_C, compensation)
    here = salinity_from_conductivity(in_place, temperature_C)
    share = COMPENSATION_UNCERTAINTY * abs(temperature_C - 25.0) / (1.0 + compensation * (temperature_C - 25.0))
    nearby = in_place * (1.0 - share if here > 1.0 else 1.0 + share)  # away from the end of the range
    return hypot(UNCERTAINTY, salinity_from_conductivity(nearby, temperature_C) - here)


def salinity_usgs_quadratic(mS_cm_25C: float) -> float:
    """Practical salinity from specific conductance at 25 degC, mS/cm, by the second source.

    Source: USGS OWQ Technical Memorandum 2011.03, equation 4: S = 5.572e-4 SC + 2.02e-9 SC^2, SC in microS/cm. Made
    to correct oxygen tables: within 0.6 of PSS-78 to S 40.
    """
    micro = not_negative("mS_cm_25C", mS_cm_25C, 70.0, "mS/cm") * 1000.0
    return 5.572e-4 * micro + 2.02e-9 * micro**2


def conductivity_from_salinity(salinity: float, temperature_C: float) -> float:
    """Conductivity, mS/cm, at the surface: PSS-78 turned round by bisection. S 0.02 to 50."""
    within("salinity", salinity, 0.02, 50.0)
    within("temperature_C", temperature_C, -2.5, 45.0, "degC")
    t = t68(temperature_C)
    low, high = 0.0005, 2.6
    for _ in range(60):
        middle = (low + high) / 2.0
        Rt = middle / _rt35(t)
        found = _from_ratio(Rt, t)
        if found < 2.0:
            found = _hill(Rt, t, found)
        if found < salinity:
            low = middle
        else:
            high = middle
    return C_35_15_0 * (low + high) / 2.0
