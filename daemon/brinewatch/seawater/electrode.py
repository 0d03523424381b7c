"""The glass electrode: Nernst slope, what calibration buffers truly are at their temperature, tris in seawater."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping
from math import log

from brinewatch.seawater.validity import within

GAS_CONSTANT = 8.314462618  # J/(mol K), CODATA 2018
FARADAY = 96485.33212  # C/mol, CODATA 2018

# Standard uncertainty, pH, of ph_from_mV when its calibration was made some 10 K from the water and the electrode's
# isopotential point is within 0.5 of pH 7 (judgement). That of the electrode itself comes on top.
NERNST_UNCERTAINTY = 0.01

# degC at which the tables below are given
_DEGREES = (0.0, 5.0, 10.0, 15.0, 20.0, 25.0, 30.0, 35.0, 40.0, 45.0, 50.0)
# NBS/NIST primary standards: Bates 1973, Determination of pH; Covington, Bates & Durst 1985, Pure Appl. Chem.
# 57:531; Staples & Bates 1969 for carbonate. The values are from memory but for borax and carbonate at 25 degC, and
# agree with the tables buffers are sold with. "4.01", "7.00" and "10.01" are technical buffers, by such a table.
BUFFERS: Mapping[str, tuple[float, ...]] = {
    "4.01": (4.00, 4.00, 4.00, 4.00, 4.00, 4.01, 4.01, 4.02, 4.03, 4.04, 4.06),
    "6.865": (6.984, 6.951, 6.923, 6.900, 6.881, 6.865, 6.853, 6.844, 6.838, 6.834, 6.833),
    "7.00": (7.12, 7.09, 7.06, 7.04, 7.02, 7.00, 6.99, 6.99, 6.98, 6.98, 6.97),
    "7.413": (7.534, 7.500, 7.472, 7.448, 7.429, 7.413, 7.400, 7.389, 7.380, 7.373, 7.367),
    "9.180": (9.464, 9.395, 9.332, 9.276, 9.225, 9.180, 9.139, 9.102, 9.068, 9.038, 9.011),
    "10.01": (10.32, 10.25, 10.18, 10.12, 10.06, 10.01, 9.97, 9.93, 9.89, 9.86, 9.83),
    "10.012": (10.317, 10.245, 10.179, 10.118, 10.062, 10.012, 9.966, 9.925, 9.889, 9.856, 9.828),
}  # fmt: skip


def nernst_slope_mV(temperature_C: float) -> float:
    """Millivolts a pH unit of a perfect electrode: ln 10 R T / F. 59.16 at 25 degC."""
    kelvin = within("temperature_C", temperature_C, -5.0, 100.0, "degC") + 273.15
    return log(10.0) * GAS_CONSTANT * kelvin / FARADAY * 1000.0


def ph_from_mV(mV: float, temperature_C: float) -> float:
    """pH by a perfect electrode, on the scale of the buffers it was set with: 7 - mV / Nernst slope.

    mV: its potential against its reference with offset and slope taken off, 0 at pH 7.
    """
    return 7.0 - within("mV", mV, -500.0, 500.0, "mV") / nernst_slope_mV(temperature_C)


def mV_from_ph(ph: float, temperature_C: float) -> float:
    """Millivolts of a perfect electrode at this pH: ph_from_mV turned round."""
    return (7.0 - within("ph", ph, 0.0, 14.0)) * nernst_slope_mV(temperature_C)


def slope_percent(mV_one: float, ph_one: float, mV_other: float, ph_other: float, temperature_C: float) -> float:
    """The electrode's slope in percent of Nernst from two buffers; a sound one falls in millivolts as pH rises."""
    for name, value in (("mV_one", mV_one), ("mV_other", mV_other)):
        within(name, value, -1500.0, 1500.0, "mV")
    for name, value in (("ph_one", ph_one), ("ph_other", ph_other)):
        within(name, value, 0.0, 14.0)
    if abs(ph_one - ph_other) < 1.0:
        raise ValueError(f"ph_one = {ph_one:g} and ph_other = {ph_other:g}: expected buffers at least 1 pH apart")
    return -100.0 * (mV_one - mV_other) / (ph_one - ph_other) / nernst_slope_mV(temperature_C)


def offset_mV(mV: float, ph: float, temperature_C: float) -> float:
    """The electrode's potential at pH 7, mV, from one buffer and the Nernst slope; 0 for a perfect one."""
    within("mV", mV, -1500.0, 1500.0, "mV")
    return mV + nernst_slope_mV(temperature_C) * (within("ph", ph, 0.0, 14.0) - 7.0)


def buffer_ph(nominal: str, temperature_C: float) -> float:
    """NBS pH of a calibration buffer at its temperature, 0 to 50 degC: tables every 5 degC, straight lines between.

    nominal: "4.01", "7.00" and "10.01" are technical buffers; "6.865", "7.413", "9.180" and "10.012" NBS primary
    ones. "7.00" is not 6.865, and at 10 degC it is 7.06.
    """
    if nominal not in BUFFERS:
        raise ValueError(f"nominal = {nominal!r}: expected one of {', '.join(BUFFERS)}")
    within("temperature_C", temperature_C, 0.0, 50.0, "degC")
    right = min(bisect_right(_DEGREES, temperature_C), len(_DEGREES) - 1)
    left = right - 1
    share = (temperature_C - _DEGREES[left]) / (_DEGREES[right] - _DEGREES[left])
    values = BUFFERS[nominal]
    return values[left] + share * (values[right] - values[left])


def phthalate_ph(temperature_C: float) -> float:
    """NBS pH of 0.05 mol/kg potassium hydrogen phthalate, 0 to 50 degC.

    Source: Hetzer, Durst, Robinson & Bates 1977, J. Res. NBS 81A:21.
    """
    kelvin = within("temperature_C", temperature_C, 0.0, 50.0, "degC") + 273.15
    return 2073.44 / kelvin - 13.3270 + 0.045199 * kelvin - 3.4846e-5 * kelvin**2


def tris_ph_total(temperature_C: float, salinity: float) -> float:
    """Total-scale pH of equimolal tris buffer in artificial seawater, 0.04 mol/kg. S 20 to 40, 0 to 45 degC.

    Source: DelValls & Dickson 1998, Deep-Sea Res. I 45:1541. 8.094 at S 35 and 25 degC.
    """
    kelvin = within("temperature_C", temperature_C, 0.0, 45.0, "degC") + 273.15
    s = within("salinity", salinity, 20.0, 40.0)
    return (
        (11911.08 - 18.2499 * s - 0.039336 * s**2) / kelvin
        - 366.27059
        + 0.53993607 * s
        + 0.00016329 * s**2
        + (64.52243 - 0.084041 * s) * log(kelvin)
        - 0.11149858 * kelvin
    )
