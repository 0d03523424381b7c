"""The pH scales of seawater. A number on one is not a number on another: at S 35 they differ by 0.1 and more."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from math import exp, log, log10, sqrt
from typing import Literal

from brinewatch.seawater.validity import within

# Takahashi's fH is taken as right within 10 % either way, evenly: what the formulations that need it stand apart by
# is of this size. A field electrode's liquid junction comes on top: it belongs to the probe's accuracy.
FH_RELATIVE_UNCERTAINTY = 0.10 / sqrt(3)
NBS_SHIFT_UNCERTAINTY = FH_RELATIVE_UNCERTAINTY / log(10.0)  # the same in pH, 0.025


def _water(temperature_C: float, salinity: float) -> float:
    within("salinity", salinity, 0.0, 45.0)
    return within("temperature_C", temperature_C, -2.0, 45.0, "degC") + 273.15


def _ph(name: str, value: float) -> float:
    return within(name, value, 2.0, 12.0)


def ionic_strength_dickson(salinity: float) -> float:
    """mol/kg-H2O. Source: Dickson & Goyet 1994, DOE handbook: 19.924 S / (1000 - 1.005 S)."""
    s = within("salinity", salinity, 0.0, 45.0)
    return 19.924 * s / (1000.0 - 1.005 * s)


def total_sulfate(salinity: float) -> float:
    """mol/kg-SW. Source: Morris & Riley 1966, Deep-Sea Res. 13:699."""
    return (0.14 / 96.062) * (within("salinity", salinity, 0.0, 45.0) / 1.80655)


def total_fluoride(salinity: float) -> float:
    """mol/kg-SW. Source: Riley 1965, Deep-Sea Res. 12:219."""
    return (0.000067 / 18.998) * (within("salinity", salinity, 0.0, 45.0) / 1.80655)


def k_bisulfate(temperature_C: float, salinity: float) -> float:
    """Dissociation constant of HSO4-, free scale, mol/kg-SW. Source: Dickson 1990, J. Chem. Thermodyn. 22:113."""
    kelvin = _water(temperature_C, salinity)
    strength = ionic_strength_dickson(salinity)
    ln_k = (
        -4276.1 / kelvin
        + 141.328
        - 23.093 * log(kelvin)
        + (-13856.0 / kelvin + 324.57 - 47.986 * log(kelvin)) * sqrt(strength)
        + (35474.0 / kelvin - 771.54 + 114.723 * log(kelvin)) * strength
        + (-2698.0 / kelvin) * strength**1.5
        + (1776.0 / kelvin) * strength**2
    )
    return exp(ln_k) * (1.0 - 0.001005 * salinity)


def k_hydrogen_fluoride(temperature_C: float, salinity: float) -> float:
    """Dissociation constant of HF, free scale, mol/kg-SW. Source: Dickson & Riley 1979, Mar. Chem. 7:89."""
    kelvin = _water(temperature_C, salinity)
    strength = ionic_strength_dickson(salinity)
    return exp(1590.2 / kelvin - 12.641 + 1.525 * sqrt(strength)) * (1.0 - 0.001005 * salinity)


def f_h_takahashi(temperature_C: float, salinity: float) -> float:
    """Apparent activity factor fH: 10^-pH(NBS) / fH is the hydrogen ion on the seawater scale.

    Source: Takahashi et al. 1982, GEOSECS Pacific Expedition vol. 3. For about S 20 to 40; the liquid junction of a
    field electrode adds an error of its own.
    """
    kelvin = _water(temperature_C, salinity)
    return 1.2948 - 0.002036 * kelvin + (4.607e-4 - 1.475e-6 * kelvin) * salinity**2


def _total_over_free(temperature_C: float, salinity: float) -> float:
    return 1.0 + total_sulfate(salinity) / k_bisulfate(temperature_C, salinity)


def _seawater_over_free(temperature_C: float, salinity: float) -> float:
    fluoride = total_fluoride(salinity) / k_hydrogen_fluoride(temperature_C, salinity)
    return _total_over_free(temperature_C, salinity) + fluoride


def sws_from_nbs(ph_nbs: float, temperature_C: float, salinity: float) -> float:
    """pH on the seawater scale from one on the NBS scale, by Takahashi's fH."""
    return _ph("ph_nbs", ph_nbs) + log10(f_h_takahashi(temperature_C, salinity))


def nbs_from_sws(ph_sws: float, temperature_C: float, salinity: float) -> float:
    """pH on the NBS scale from one on the seawater scale, by Takahashi's fH."""
    return _ph("ph_sws", ph_sws) - log10(f_h_takahashi(temperature_C, salinity))


def free_from_sws(ph_sws: float, temperature_C: float, salinity: float) -> float:
    """pH on the free scale from one on the seawater scale (sulfate and fluoride taken off)."""
    return _ph("ph_sws", ph_sws) + log10(_seawater_over_free(temperature_C, salinity))


def total_from_sws(ph_sws: float, temperature_C: float, salinity: float) -> float:
    """pH on the total scale from one on the seawater scale (fluoride taken off)."""
    ratio = _seawater_over_free(temperature_C, salinity) / _total_over_free(temperature_C, salinity)
    return _ph("ph_sws", ph_sws) + log10(ratio)


def sws_from_total(ph_total: float, temperature_C: float, salinity: float) -> float:
    """pH on the seawater scale from one on the total scale."""
    ratio = _seawater_over_free(temperature_C, salinity) / _total_over_free(temperature_C, salinity)
    return _ph("ph_total", ph_total) - log10(ratio)


def sws_from_free(ph_free: float, temperature_C: float, salinity: float) -> float:
    """pH on the seawater scale from one on the free scale."""
    return _ph("ph_free", ph_free) - log10(_seawater_over_free(temperature_C, salinity))


def total_from_nbs(ph_nbs: float, temperature_C: float, salinity: float) -> float:
    """pH on the total scale from one on the NBS scale: about 0.1 lower at S 35."""
    return total_from_sws(sws_from_nbs(ph_nbs, temperature_C, salinity), temperature_C, salinity)


def nbs_from_total(ph_total: float, temperature_C: float, salinity: float) -> float:
    """pH on the NBS scale from one on the total scale."""
    return nbs_from_sws(sws_from_total(ph_total, temperature_C, salinity), temperature_C, salinity)


def free_from_nbs(ph_nbs: float, temperature_C: float, salinity: float) -> float:
    """pH on the free scale from one on the NBS scale."""
    return free_from_sws(sws_from_nbs(ph_nbs, temperature_C, salinity), temperature_C, salinity)


def free_from_total(ph_total: float, temperature_C: float, salinity: float) -> float:
    """pH on the free scale from one on the total scale."""
    return free_from_sws(sws_from_total(ph_total, temperature_C, salinity), temperature_C, salinity)


Scale = Literal["nbs", "free", "total", "seawater"]
SCALES: tuple[Scale, ...] = ("nbs", "free", "total", "seawater")

_TO_SWS: Mapping[str, Callable[[float, float, float], float]] = {
    "nbs": sws_from_nbs, "free": sws_from_free, "total": sws_from_total, "seawater": lambda value, t, s: value,
}  # fmt: skip
_FROM_SWS: Mapping[str, Callable[[float, float, float], float]] = {
    "nbs": nbs_from_sws, "free": free_from_sws, "total": total_from_sws, "seawater": lambda value, t, s: value,
}  # fmt: skip


def _known(*scales: str) -> None:
    for name in scales:
        if name not in SCALES:
            raise ValueError(f"pH scale {name!r}: expected one of {', '.join(SCALES)}")


def conversion_uncertainty(scale: Scale, to: Scale) -> float:
    """Standard uncertainty, pH, that convert adds: that of fH when just one of the two scales is NBS, else none."""
    _known(scale, to)
    return NBS_SHIFT_UNCERTAINTY if (scale == "nbs") is not (to == "nbs") else 0.0


def convert(value: float, scale: Scale, to: Scale, temperature_C: float, salinity: float) -> float:
    """A pH on one scale from one on another, by way of the seawater scale; the same scale changes nothing."""
    _ph("ph", value)
    _water(temperature_C, salinity)
    _known(scale, to)
    if scale == to:
        return value
    return _FROM_SWS[to](_TO_SWS[scale](value, temperature_C, salinity), temperature_C, salinity)
