"""Pressure: units, air pressure by altitude, and the head of a column of seawater."""

from __future__ import annotations

from brinewatch.seawater.density import density_eos80
from brinewatch.seawater.validity import not_negative, within

GRAVITY = 9.80665  # m/s2, standard acceleration of free fall (BIPM, CGPM 1901)
HPA_PER_ATM = 1013.25  # by definition (BIPM)
MMHG_PER_HPA = 0.750061683  # conventional millimetre of mercury (NIST SP 811)
KPA_PER_INH2O = 0.2490889  # inch of water at 4 degC (NIST SP 811, table B.8)

# How far weather carries station pressure from the standard atmosphere. Common practice, no source: highs reach
# some 45 hPa above and deep lows some 65 hPa below.
WEATHER_ABOVE_HPA = 45.0
WEATHER_BELOW_HPA = 65.0
ALTITUDE_UNCERTAINTY_HPA = 10.0  # standard uncertainty of taking station_pressure_hPa for today's


def station_pressure_hPa(altitude_m: float) -> float:
    """Mean air pressure, hPa, at an altitude, m above sea level. -500 to 5000 m.

    Source: International Standard Atmosphere (ISO 2533), troposphere: p = 101325 (1 - 2.25577e-5 h)^5.25588 Pa.
    """
    within("altitude_m", altitude_m, -500.0, 5000.0, "m")
    return float(HPA_PER_ATM * (1.0 - 2.25577e-5 * altitude_m) ** 5.25588)


def barometer_doubt(pressure_hPa: float, altitude_m: float) -> str:
    """Why a barometer reading cannot be the station pressure at this altitude; "" when it can.

    A forecast's or a barometer's pressure reduced to sea level puts oxygen saturation wrong by 1 % for each 85 m of
    altitude. Below about 380 m weather alone may explain the difference and nothing is said.
    """
    expected = station_pressure_hPa(altitude_m)
    excess = within("pressure_hPa", pressure_hPa, 300.0, 1200.0, "hPa") - expected
    if excess > WEATHER_ABOVE_HPA:
        return (
            f"{pressure_hPa:.0f} hPa at {altitude_m:.0f} m looks reduced to sea level: station pressure there is "
            f"about {expected:.0f} hPa"
        )
    if excess < -WEATHER_BELOW_HPA:
        return f"{pressure_hPa:.0f} hPa is too low for {altitude_m:.0f} m, where about {expected:.0f} hPa is usual"
    return ""


def static_head_kPa(depth_m: float, salinity: float, temperature_C: float) -> float:
    """Gauge pressure, kPa, under a column of water: density (EOS-80 at the surface) times g times depth.

    depth_m 0 to 50 m; compression of the water is left out (below 0.03 % at 50 m).
    """
    not_negative("depth_m", depth_m, 50.0, "m")
    return density_eos80(salinity, temperature_C) * GRAVITY * depth_m / 1000.0


def atm_from_hPa(pressure_hPa: float) -> float:
    """Standard atmospheres from hPa."""
    return _finite("pressure_hPa", pressure_hPa, "hPa") / HPA_PER_ATM


def mmHg_from_hPa(pressure_hPa: float) -> float:
    """Conventional millimetres of mercury from hPa."""
    return _finite("pressure_hPa", pressure_hPa, "hPa") * MMHG_PER_HPA


def hPa_from_mmHg(pressure_mmHg: float) -> float:
    """hPa from conventional millimetres of mercury."""
    return _finite("pressure_mmHg", pressure_mmHg, "mmHg") / MMHG_PER_HPA


def _finite(name: str, value: float, unit: str) -> float:
    # a difference of pressures may be negative
    return within(name, value, -10000.0, 10000.0, unit)
