"""The un-ionized share of total ammonia, NH3 / (NH3 + NH4+), by its published formulations.

A share is the same by N and by NH3; concentrations are not: NH3-N = 0.822 NH3. Each pKa belongs to one pH scale,
named in its function; a pH of another scale makes an error of a third. The default is US EPA 1989 on an NBS pH,
which stands 13 to 20 % above Clegg & Whitfield (S 30 to 35, 10 to 30 degC): the safe side. Khoo et al. 1977 is left
out on purpose, its expression for seawater is wrong as printed (Bell et al. 2007, Environ. Chem. 4:183).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from math import hypot, log, log10, sqrt

from brinewatch.seawater.ph import FH_RELATIVE_UNCERTAINTY, SCALES, Scale, convert, total_from_nbs
from brinewatch.seawater.validity import not_negative, within

N_PER_NH3 = 14.0067 / 17.0305  # mg N in a mg NH3, IUPAC atomic masses


def share(ph: float, pka: float) -> float:
    """NH3 / (NH3 + NH4+) = 1 / (1 + 10^(pKa - pH)); both on one scale."""
    within("ph", ph, 4.0, 12.0)
    return float(1.0 / (1.0 + 10.0 ** (within("pka", pka, 6.0, 13.0) - ph)))


def pka_emerson1975(temperature_C: float) -> float:
    """Fresh water, 0 to 40 degC. Source: Emerson et al. 1975, J. Fish. Res. Board Can. 32:2379."""
    return 0.09018 + 2729.92 / (within("temperature_C", temperature_C, -2.0, 40.0, "degC") + 273.15)


def fraction_emerson1975(temperature_C: float, ph_nbs: float) -> float:
    """Un-ionized share in fresh water; 28 to 41 % too high in seawater. Source: Emerson et al. 1975."""
    return share(ph_nbs, pka_emerson1975(temperature_C))


def pka_epa1989(temperature_C: float, salinity: float, pressure_atm: float = 1.0) -> float:
    """Seawater and estuary, for an NBS pH. S 0 to 40, 0 to 40 degC.

    Source: US EPA 1989, Ambient water quality criteria for ammonia (saltwater), EPA 440/5-88-004: ionic strength
    I = 19.9273 S / (1000 - 1.005109 S); pKa = 9.245 + 0.116 I + 0.0324 (298 - T) + 0.0415 P / T.
    """
    kelvin = within("temperature_C", temperature_C, -2.0, 40.0, "degC") + 273.15
    s = within("salinity", salinity, 0.0, 45.0)
    within("pressure_atm", pressure_atm, 0.4, 10.0, "atm")
    strength = 19.9273 * s / (1000.0 - 1.005109 * s)
    return 9.245 + 0.116 * strength + 0.0324 * (298.0 - kelvin) + 0.0415 * pressure_atm / kelvin


def fraction_epa1989(temperature_C: float, salinity: float, ph_nbs: float, pressure_atm: float = 1.0) -> float:
    """Un-ionized share in seawater from an NBS pH: the default here, 13 to 20 % on the safe side (see above)."""
    return share(ph_nbs, pka_epa1989(temperature_C, salinity, pressure_atm))


def pka_bell2007(temperature_C: float, salinity: float) -> float:
    """Seawater, for an NBS pH. S 0 to 40, 0 to 35 degC.

    Source: Bell et al. 2007, Environ. Chem. 4:183 with the corrigendum 2008, 5:258.
    """
    t = within("temperature_C", temperature_C, -2.0, 40.0, "degC")
    return 10.0423 - 0.0315536 * t + 0.003071 * within("salinity", salinity, 0.0, 45.0)


def fraction_bell2007(temperature_C: float, salinity: float, ph_nbs: float) -> float:
    """Un-ionized share in seawater from an NBS pH. Source: Bell et al. 2007 and corrigendum."""
    return share(ph_nbs, pka_bell2007(temperature_C, salinity))


def pka_clegg_whitfield1995(temperature_C: float, salinity: float) -> float:
    """Seawater, for a total-scale pH, mol/kg-SW. S 0 to 40, -2 to 40 degC.

    Source: Clegg & Whitfield 1995, Geochim. Cosmochim. Acta 59:2403, equation 18 (mol/kg-H2O), with
    -log10(1 - 0.001005 S) to mol/kg-SW.
    """
    kelvin = within("temperature_C", temperature_C, -2.0, 40.0, "degC") + 273.15
    s = within("salinity", salinity, 0.0, 45.0)
    root = sqrt(kelvin)
    molal = (
        9.244605
        - 2729.33 * (1.0 / 298.15 - 1.0 / kelvin)
        + (0.04203362 - 11.24742 / kelvin) * s**0.25
        + (-13.6416 + 1.176949 * root - 0.02860785 * kelvin + 545.4834 / kelvin) * sqrt(s)
        + (-0.1462507 + 0.0090226468 * root - 0.0001471361 * kelvin + 10.5425 / kelvin) * s**1.5
        + (0.004669309 - 0.0001691742 * root - 0.5677934 / kelvin) * s**2
        + (-2.354039e-5 + 0.009698623 / kelvin) * s**2.5
    )
    return float(molal - log10(1.0 - 0.001005 * s))


def fraction_clegg_whitfield1995(temperature_C: float, salinity: float, ph_total: float) -> float:
    """Un-ionized share in seawater from a total-scale pH; the most exact here. Source: Clegg & Whitfield 1995."""
    return share(ph_total, pka_clegg_whitfield1995(temperature_C, salinity))


def fraction_clegg_whitfield1995_nbs(temperature_C: float, salinity: float, ph_nbs: float) -> float:
    """As fraction_clegg_whitfield1995, from an NBS pH brought to the total scale by Takahashi's fH (S 20 to 40)."""
    return fraction_clegg_whitfield1995(temperature_C, salinity, total_from_nbs(ph_nbs, temperature_C, salinity))


def pka_yao_millero1995(temperature_C: float, salinity: float) -> float:
    """Seawater, for a pH on the seawater scale, mol/kg-SW. S 0 to 40, 0 to 40 degC.

    Source: Yao & Millero 1995, Aquat. Geochem. 1:53: 3 to 5 % below Clegg & Whitfield.
    """
    kelvin = within("temperature_C", temperature_C, -2.0, 40.0, "degC") + 273.15
    s = within("salinity", salinity, 0.0, 45.0)
    ln_k = (
        -6285.33 / kelvin
        + 0.0001635 * kelvin
        - 0.25444
        + (0.46532 - 123.7184 / kelvin) * sqrt(s)
        + (-0.01992 + 3.17556 / kelvin) * s
    )
    return -ln_k / log(10.0)


@dataclass(frozen=True, slots=True)
class Formulation:
    """A published pKa with the pH scale it belongs to."""

    source: str
    scale: Scale
    pka: Callable[[float, float], float]


DEFAULT_FORMULATION = "epa1989"
FORMULATIONS: Mapping[str, Formulation] = {
    "epa1989": Formulation("US EPA 1989, EPA 440/5-88-004", "nbs", pka_epa1989),
    "bell2007": Formulation("Bell et al. 2007 with corrigendum", "nbs", pka_bell2007),
    "clegg_whitfield1995": Formulation("Clegg & Whitfield 1995", "total", pka_clegg_whitfield1995),
    "yao_millero1995": Formulation("Yao & Millero 1995", "seawater", pka_yao_millero1995),
    "emerson1975": Formulation("Emerson et al. 1975, fresh water", "nbs", lambda t, _: pka_emerson1975(t)),
}


def fraction(
    temperature_C: float,
    salinity: float,
    ph: float,
    formulation: str = DEFAULT_FORMULATION,
    ph_scale: Scale = "nbs",
) -> float:
    """Un-ionized share by any of FORMULATIONS, the pH brought from its scale to the one the formulation wants."""
    if formulation not in FORMULATIONS:
        raise ValueError(f"formulation = {formulation!r}: expected one of {', '.join(FORMULATIONS)}")
    if ph_scale not in SCALES:
        raise ValueError(f"ph_scale = {ph_scale!r}: expected one of {', '.join(SCALES)}")
    one = FORMULATIONS[formulation]
    within("ph", ph, 4.0, 12.0)
    pka = one.pka(temperature_C, salinity)
    return share(convert(ph, ph_scale, one.scale, temperature_C, salinity), pka)


_FH_FROM_SALINITY = 20.0  # Takahashi's fH is not for fresher water


def relative_spread(
    temperature_C: float, salinity: float, ph_nbs: float, formulation: str = DEFAULT_FORMULATION
) -> float:
    """Standard uncertainty of the un-ionized share by a formulation, as a share of it, at this very water.

    The truth is taken to lie evenly anywhere between the shares by US EPA 1989, Bell 2007 and Clegg & Whitfield
    1995 (the pH brought to its scale by fH): the root mean square distance from the one used, the whole range /
    sqrt 3 when that is the outermost, as EPA 1989 is in seawater (GUM, JCGM 100:2008, 4.3.7 and F.2.4.5). To it
    comes fH, +-10 %. Below S 20, where fH is not known, the pH is shifted in proportion to salinity, by nothing in
    fresh water (judgement). 0.10 at S 33 and 12 degC, never below 0.057.
    """
    used = fraction(temperature_C, salinity, ph_nbs, formulation)
    reach = max(salinity, _FH_FROM_SALINITY)
    shift = (total_from_nbs(ph_nbs, temperature_C, reach) - ph_nbs) * salinity / reach
    shares = (
        fraction_epa1989(temperature_C, salinity, ph_nbs),
        fraction_bell2007(temperature_C, salinity, ph_nbs),
        fraction_clegg_whitfield1995(temperature_C, salinity, ph_nbs + shift),
    )
    low, high = min(shares), max(shares)
    return hypot(((low + high) / 2.0 - used) / used, (high - low) / 2.0 / sqrt(3) / used, FH_RELATIVE_UNCERTAINTY)


def nh3_n_from_tan(tan_mgN_L: float, fraction: float) -> float:
    """Un-ionized ammonia, mg N/L, from total ammonia as N and the un-ionized share."""
    return not_negative("tan_mgN_L", tan_mgN_L, 10000.0, "mg N/L") * within("fraction", fraction, 0.0, 1.0)


def nh3_from_n(mgN_L: float) -> float:
    """mg NH3/L from mg N/L."""
    return not_negative("mgN_L", mgN_L, 10000.0, "mg N/L") / N_PER_NH3
