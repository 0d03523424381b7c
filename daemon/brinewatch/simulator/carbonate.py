"""pH of seawater from its alkalinity and dissolved inorganic carbon, by published constants on the total scale.

Carbonate, borate and water alkalinity only: nutrients and organic acids are left out, which moves pH by less than
0.01 here. Concentrations in mol/kg-SW. Constants written from memory, held to an independent library by the tests.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from math import exp, log, log10, sqrt

_LN10 = log(10.0)


@dataclass(frozen=True, slots=True)
class Constants:
    """k0: CO2 solubility, mol/kg/atm; k1, k2: carbonic acid; kb: boric acid; kw: water; boron: total, mol/kg."""

    k0: float
    k1: float
    k2: float
    kb: float
    kw: float
    boron: float


@lru_cache(maxsize=4096)
def constants(temperature_C: float, salinity: float) -> Constants:
    """All of them at one temperature and salinity (round both before asking often).

    Sources: k0 Weiss 1974, Mar. Chem. 2:203; k1, k2 Lueker et al. 2000, Mar. Chem. 70:105; kb Dickson 1990,
    Deep-Sea Res. 37:755; kw Millero 1995, Geochim. Cosmochim. Acta 59:661, as in Dickson & Goyet 1994; boron
    Uppstroem 1974, Deep-Sea Res. 21:161.
    """
    kelvin, s, root = temperature_C + 273.15, salinity, sqrt(salinity)
    hundred, ln_t = kelvin / 100.0, log(kelvin)
    ln_k0 = (
        -60.2409
        + 93.4517 / hundred
        + 23.3585 * log(hundred)
        + s * (0.023517 - 0.023656 * hundred + 0.0047036 * hundred**2)
    )
    pk1 = 3633.86 / kelvin - 61.2172 + 9.67770 * ln_t - 0.011555 * s + 0.0001152 * s**2
    pk2 = 471.78 / kelvin + 25.9290 - 3.16967 * ln_t - 0.01781 * s + 0.0001122 * s**2
    ln_kb = (
        (-8966.90 - 2890.53 * root - 77.942 * s + 1.728 * s * root - 0.0996 * s**2) / kelvin
        + 148.0248
        + 137.1942 * root
        + 1.62142 * s
        - (24.4344 + 25.085 * root + 0.2474 * s) * ln_t
        + 0.053105 * root * kelvin
    )
    ln_kw = (
        148.96502
        - 13847.26 / kelvin
        - 23.6521 * ln_t
        + (118.67 / kelvin - 5.977 + 1.0495 * ln_t) * root
        - 0.01615 * s
    )
    boron = 0.000232 / 10.811 * s / 1.80655
    return Constants(exp(ln_k0), 10.0**-pk1, 10.0**-pk2, exp(ln_kb), exp(ln_kw), boron)


def hydrogen(alkalinity: float, carbon: float, k: Constants) -> float:
    """Hydrogen ion, mol/kg on the total scale: Newton's method on pH, held within 3 to 12 by halving."""
    low, high, ph = 3.0, 12.0, 8.0
    for _ in range(60):
        h = float(10.0**-ph)
        first, second = k.k1 * h, k.k1 * k.k2
        parts = h * h + first + second
        carbonate = carbon * (first + 2.0 * second) / parts
        borate = k.boron * k.kb / (k.kb + h)
        missing = alkalinity - (carbonate + borate + k.kw / h - h)
        low, high = (ph, high) if missing > 0.0 else (low, ph)
        # how alkalinity falls with ln h, each part
        slope = carbon * (first * second + (first + 4.0 * second) * h * h) / (parts * parts)
        rate = slope + borate * h / (k.kb + h) + k.kw / h + h
        nearer = ph + missing / (rate * _LN10)
        if not low <= nearer <= high:
            nearer = (low + high) / 2.0
        if abs(nearer - ph) < 1e-11:
            break
        ph = nearer
    return float(10.0**-nearer)


def carbon_dioxide(alkalinity: float, carbon: float, k: Constants) -> float:
    """Dissolved carbon dioxide CO2*, mol/kg."""
    h = hydrogen(alkalinity, carbon, k)
    return carbon * h * h / (h * h + k.k1 * h + k.k1 * k.k2)


def carbon_from_dioxide(alkalinity: float, dioxide: float, k: Constants) -> float:
    """Dissolved inorganic carbon, mol/kg, that belongs to an alkalinity and a dissolved CO2, mol/kg."""
    low, high = 3.0, 12.0
    for _ in range(50):
        middle = (low + high) / 2.0
        h = 10.0**-middle
        carbonate = dioxide * (k.k1 / h + 2.0 * k.k1 * k.k2 / (h * h))
        if carbonate + k.boron * k.kb / (k.kb + h) + k.kw / h - h < alkalinity:
            low = middle
        else:
            high = middle
    h = float(10.0 ** -((low + high) / 2.0))
    return dioxide * (1.0 + k.k1 / h + k.k1 * k.k2 / (h * h))


def ph_total(alkalinity: float, carbon: float, k: Constants) -> float:
    """pH on the total scale."""
    return -log10(hydrogen(alkalinity, carbon, k))
