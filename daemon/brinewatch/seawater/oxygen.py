"""Dissolved oxygen in equilibrium with water-saturated air, and percent of it.

Station pressure always: the pressure of the air where the water is, never one reduced to sea level.
"""

from __future__ import annotations

from math import exp, log

from brinewatch.seawater.density import t68
from brinewatch.seawater.pressure import HPA_PER_ATM
from brinewatch.seawater.validity import within

O2_MOLAR_MASS = 31.9988  # g/mol
O2_MG_PER_ML = 1.42905  # mg in a millilitre of O2 at 0 degC and 1 atm (USGS OWQ Technical Memorandum 2011.03)
RELATIVE_UNCERTAINTY = 0.001  # standard uncertainty of the solubility, a share of it, as Benson & Krause 1984 state


def _water(temperature_C: float, salinity: float) -> None:
    # Stated for 0 to 40 degC and S 0 to 40; carried to seawater's freezing point and a little beyond the top, where
    # the two sources here still agree within 0.1 %.
    within("temperature_C", temperature_C, -2.0, 42.0, "degC")
    within("salinity", salinity, 0.0, 45.0)


def _station(station_pressure_hPa: float) -> float:
    # 0.5 to 1.1 atm, as stated by Benson & Krause
    return within("station_pressure_hPa", station_pressure_hPa, 506.6, 1114.6, "hPa") / HPA_PER_ATM


def vapour_pressure_usgs(temperature_C: float) -> float:
    """Vapour pressure of fresh water, hPa.

    Source: Benson & Krause 1980, Limnol. Oceanogr. 25:662, as adopted by USGS OWQ Technical Memorandum 2011.03 and
    APHA 4500-O. The salt's effect is left out there; on oxygen it stays below 0.04 %.
    """
    kelvin = within("temperature_C", temperature_C, -2.0, 42.0, "degC") + 273.15
    return HPA_PER_ATM * exp(11.8571 - 3840.70 / kelvin - 216961.0 / kelvin**2)


def vapour_pressure_green_carritt(temperature_C: float, salinity: float) -> float:
    """Vapour pressure over seawater, hPa.

    Source: Green & Carritt 1967, J. Mar. Res. 25:140, as used in Benson & Krause 1984, table 2.
    """
    _water(temperature_C, salinity)
    steam = 373.16 / (temperature_C + 273.15)
    return (
        HPA_PER_ATM
        * (1.0 - 0.000537 * salinity)
        * exp(
            18.1973 * (1.0 - steam)
            + 3.1813e-7 * (1.0 - exp(26.1205 * (1.0 - 1.0 / steam)))
            - 0.018726 * (1.0 - exp(8.03945 * (1.0 - steam)))
            + 5.02802 * log(steam)
        )
    )


def pressure_factor(temperature_C: float, station_pressure_hPa: float) -> float:
    """Oxygen at a station pressure over that at 1 atm: vapour pressure and the second virial coefficient taken in.

    Source: Benson & Krause 1980 and 1984, as in USGS OWQ Technical Memorandum 2011.03; theta with t in degC, vapour
    pressure with T in K. Scaling by pressure alone is 0.1 to 2.1 % high at 800 hPa.
    """
    p = _station(station_pressure_hPa)
    t = within("temperature_C", temperature_C, -2.0, 42.0, "degC")
    theta = 0.000975 - 1.426e-5 * t + 6.436e-8 * t**2
    u = vapour_pressure_usgs(t) / HPA_PER_ATM
    return (p - u) * (1.0 - theta * p) / ((1.0 - u) * (1.0 - theta))


def benson_krause(temperature_C: float, salinity: float, station_pressure_hPa: float = HPA_PER_ATM) -> float:
    """Oxygen of air-saturated water, mg/L. The default here.

    Source: Benson & Krause 1980, Limnol. Oceanogr. 25:662 and 1984, 29:620; adopted by USGS OWQ Technical
    Memorandum 2011.03 and APHA 4500-O. As there, the temperature is used as it stands (ITS-90 for IPTS-68: below
    0.02 %).
    """
    _water(temperature_C, salinity)
    kelvin = temperature_C + 273.15
    fresh = exp(
        -139.34411
        + 1.575701e5 / kelvin
        - 6.642308e7 / kelvin**2
        + 1.243800e10 / kelvin**3
        - 8.621949e11 / kelvin**4
    )
    salt = exp(-salinity * (0.017674 - 10.754 / kelvin + 2140.7 / kelvin**2))
    return fresh * salt * pressure_factor(temperature_C, station_pressure_hPa)


def _garcia_gordon(
    temperature_C: float, salinity: float, a: tuple[float, ...], b: tuple[float, ...], c0: float
) -> float:
    _water(temperature_C, salinity)
    t = t68(temperature_C)
    ts = log((298.15 - t) / (273.15 + t))
    poly_a = sum(coefficient * ts**power for power, coefficient in enumerate(a))
    poly_b = sum(coefficient * ts**power for power, coefficient in enumerate(b))
    return exp(poly_a + salinity * poly_b + c0 * salinity**2)


def garcia_gordon_umol_kg(temperature_C: float, salinity: float) -> float:
    """Oxygen of air-saturated water at 1 atm, micromol/kg.

    Source: Garcia & Gordon 1992, Limnol. Oceanogr. 37:1307, equation 8 with the coefficients fitted to Benson &
    Krause (the paper's spurious extra A3 Ts^2 term left out).
    """
    return _garcia_gordon(
        temperature_C,
        salinity,
        (5.80871, 3.20291, 4.17887, 5.10006, -9.86643e-2, 3.80369),
        (-7.01577e-3, -7.70028e-3, -1.13864e-2, -9.51519e-3),
        -2.75915e-7,
    )


def garcia_gordon_mL_L(temperature_C: float, salinity: float) -> float:
    """Oxygen of air-saturated water at 1 atm, mL/L at 0 degC and 1 atm. Source: as garcia_gordon_umol_kg."""
    return _garcia_gordon(
        temperature_C,
        salinity,
        (2.00907, 3.22014, 4.05010, 4.94457, -2.56847e-1, 3.88767),
        (-6.24523e-3, -7.37614e-3, -1.03410e-2, -8.17083e-3),
        -4.88682e-7,
    )


def garcia_gordon(temperature_C: float, salinity: float, station_pressure_hPa: float = HPA_PER_ATM) -> float:
    """Oxygen of air-saturated water, mg/L, by the second source; pressure as for Benson & Krause."""
    at_one_atm = garcia_gordon_mL_L(temperature_C, salinity) * O2_MG_PER_ML
    return at_one_atm * pressure_factor(temperature_C, station_pressure_hPa)


def percent_saturation(
    mg_L: float, temperature_C: float, salinity: float, station_pressure_hPa: float = HPA_PER_ATM
) -> float:
    """Oxygen as percent of air saturation at this temperature, salinity and station pressure (Benson & Krause).

    mg_L may be a little below 0, by a probe's zero error: water without oxygen is not to be refused.
    """
    within("mg_L", mg_L, -1.0, 100.0, "mg/L")
    return 100.0 * mg_L / benson_krause(temperature_C, salinity, station_pressure_hPa)


def mg_L_from_percent(
    percent: float, temperature_C: float, salinity: float, station_pressure_hPa: float = HPA_PER_ATM
) -> float:
    """Oxygen, mg/L, from percent of air saturation (Benson & Krause); a little below 0 as percent_saturation."""
    within("percent", percent, -10.0, 600.0, "%")
    return percent / 100.0 * benson_krause(temperature_C, salinity, station_pressure_hPa)
