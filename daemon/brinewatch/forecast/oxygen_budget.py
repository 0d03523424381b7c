"""The oxygen of one tank without air: what it holds, what uses it, what comes in through the surface.

V dC/dt = kL A (Cs - C) 1000 - B R(T) m g(C) - w V - D_bio   [mg/h; V in L, A m2, kL m/h]
R(T) = R12 Q10^((T-12)/10); g = 1 at or above the critical oxygen, C/Ccrit below it (oxyregulators turn conformers;
Johansen & Vadas for Strongylocentrotus). Per tank: with the airlifts stopped, tanks and filter no longer mix.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from functools import lru_cache
from math import inf, log
from typing import Literal

from pydantic import Field

from brinewatch.seawater.oxygen import benson_krause
from brinewatch.seawater.pressure import HPA_PER_ATM
from brinewatch.settings import Settings

Animals = Literal["urchin", "abalone", "sea cucumber", "oyster", "lobster"]

# mg O2/kg/h at 12 degC of normally fed animals, for planning. Urchin: 1.5 times the well-fed mean of 16.5 (computed
# from the data of Schuster et al. 2022). The others: judgement on ranges read or recalled.
PLANNING_UPTAKE: Mapping[Animals, float] = {
    "urchin": 25.0, "abalone": 45.0, "sea cucumber": 20.0, "oyster": 10.0, "lobster": 60.0,
}  # fmt: skip
Q10 = 2.1  # judgement on 2.08 computed from Schuster et al. 2022, 4 to 26 degC
CRITICAL_SHARE = 0.42  # of saturation; 38 to 45 % read for three Strongylocentrotus (Johansen & Vadas)
KL_THETA = 1.024  # of gas transfer, for each K from 20 degC (ASCE 2-91 form)
REFERENCE_C = 12.0


class Feeding(StrEnum):
    """The state of the animals that multiplies their demand (judgement)."""

    FASTED = "fasted"  # no feed for more than two days
    FED = "fed"
    HANDLED = "handled"  # within six hours of handling or loading

    @property
    def multiplier(self) -> float:
        return {Feeding.FASTED: 0.65, Feeding.FED: 1.0, Feeding.HANDLED: 2.0}[self]


class TankOxygen(Settings):
    """What is known of one tank's oxygen."""

    volume_L: float = Field(gt=0, le=1e6, description="Water in the tank while the air is off, L.")
    surface_m2: float = Field(gt=0, le=1e4, description="Open water surface, m2.")
    animals: Animals = Field(description="The group whose oxygen demand is assumed.")
    biomass_kg: float = Field(ge=0, le=1e5, description="Live wet mass of the animals, kg.")
    biomass_on: date | None = Field(default=None, description="The day the biomass was weighed or estimated.")
    uptake_mg_kg_h: float | None = Field(
        default=None, gt=0, le=1000, description="Oxygen uptake at 12 degC, mg/kg/h, in place of the group's."
    )
    q10: float = Field(default=Q10, ge=1, le=5, description="Growth of the uptake for 10 K.")
    critical_share: float = Field(
        default=CRITICAL_SHARE, gt=0, lt=1, description="Share of saturation below which the uptake falls."
    )
    water_mg_L_h: float = Field(default=0.05, ge=0, le=5, description="Uptake of the water itself, mg/L/h.")
    filter_mg_h: float = Field(default=0.0, ge=0, le=1e6, description="Uptake of a filter inside the tank, mg/h.")
    kl_m_d: float | None = Field(
        default=None, ge=0, le=10, description="Measured gas transfer of the still surface at 20 degC, m/d."
    )


@dataclass(frozen=True, slots=True)
class Water:
    """The water's state that oxygen depends on; station pressure, never one reduced to sea level."""

    temperature_C: float
    salinity: float
    station_hPa: float = HPA_PER_ATM

    @property
    def saturated_mg_L(self) -> float:
        """Oxygen of air-saturated water (Benson & Krause 1984)."""
        return _saturated(self.temperature_C, self.salinity, self.station_hPa)


# a forecast asks for the same water over and over
_saturated = lru_cache(maxsize=64)(benson_krause)


@dataclass(frozen=True, slots=True)
class Balance:
    """The equation with its numbers put in, for one state of the water.

    demand: of everything at or above the critical oxygen, mg/L/h; share: the animals' part of it, 0..1; transfer:
    kL A/V, 1/h; saturated, critical: mg/L.
    """

    demand: float
    share: float
    transfer: float
    saturated: float
    critical: float

    def times(self, factor: float) -> Balance:
        """The same tank with so many times the demand."""
        return Balance(self.demand * factor, self.share, self.transfer, self.saturated, self.critical)

    def rate(self, oxygen: float) -> float:
        """dC/dt at an oxygen level, mg/L/h."""
        used = self.demand
        if oxygen < self.critical:
            used *= self.share * max(0.0, oxygen) / self.critical + 1.0 - self.share
        return self.transfer * (self.saturated - oxygen) - used

    def hours_to(self, start: float, limit: float) -> float:
        """Hours until a falling oxygen reaches a limit (both mg/L), in closed form; infinite if it never does.

        Straight for no transfer, exponential towards a balance otherwise; below the critical oxygen the equation is
        linear in C as well.
        """
        if start <= limit:
            return 0.0
        top = max(limit, min(start, self.critical))
        hours = _linear(start, top, self.transfer * self.saturated - self.demand, self.transfer)
        if top > limit and hours < inf:
            still = self.transfer * self.saturated - self.demand * (1.0 - self.share)
            hours += _linear(top, limit, still, self.transfer + self.demand * self.share / self.critical)
        return hours


def _linear(start: float, limit: float, gain: float, loss: float) -> float:
    """Hours for dC/dt = gain - loss C from start down to limit."""
    if start <= limit:
        return 0.0
    if loss * (start - limit) <= 1e-9 * abs(gain - loss * start):
        return (start - limit) / -gain if gain < 0.0 else inf
    end = gain / loss
    return log((start - end) / (limit - end)) / loss if end < limit else inf


def run_down(
    start: float, limit: float, at: Callable[[float], Balance], longest_h: float = 72.0, step_h: float = 1 / 30
) -> float:
    """Hours until a limit when the balance itself changes with time (a warming tank): fourth-order Runge-Kutta.

    at: hours from now -> Balance. Infinite when the limit is not reached within longest_h.
    """
    oxygen, hours = start, 0.0
    while oxygen > limit:
        if hours >= longest_h:
            return inf
        after = advance(oxygen, at, hours, step_h)
        if after <= limit:
            # inside one step the curve is nearly straight: secants close in on the crossing
            low, high = 0.0, step_h
            for _ in range(40):
                middle = 0.5 * (low + high)
                low, high = (low, middle) if advance(oxygen, at, hours, middle) <= limit else (middle, high)
            return hours + high
        oxygen, hours = after, hours + step_h
    return hours


def advance(oxygen: float, at: Callable[[float], Balance], hours: float, step_h: float) -> float:
    """Oxygen one step later (classical Runge-Kutta), mg/L, never below 0."""
    here, half, there = at(hours), at(hours + 0.5 * step_h), at(hours + step_h)
    k1 = here.rate(oxygen)
    k2 = half.rate(oxygen + 0.5 * step_h * k1)
    k3 = half.rate(oxygen + 0.5 * step_h * k2)
    k4 = there.rate(oxygen + step_h * k3)
    return max(0.0, oxygen + step_h * (k1 + 2.0 * k2 + 2.0 * k3 + k4) / 6.0)


@dataclass(frozen=True, slots=True)
class Demand:
    """All that uses oxygen, at 12 degC and above the critical oxygen. whole: mg/L/h; share: the animals' part."""

    whole: float
    share: float

    def at(self, tank: TankOxygen, temperature_C: float) -> Demand:
        """The same at another temperature: only the animals' part follows it."""
        pace = self.share * tank.q10 ** ((temperature_C - REFERENCE_C) / 10.0)
        factor = pace + 1.0 - self.share
        return Demand(self.whole * factor, pace / factor)


def planned_demand(tank: TankOxygen, feeding: Feeding = Feeding.FED) -> Demand:
    """What the figures of the tank come to."""
    uptake = tank.uptake_mg_kg_h if tank.uptake_mg_kg_h is not None else PLANNING_UPTAKE[tank.animals]
    animals = tank.biomass_kg * uptake * feeding.multiplier / tank.volume_L
    whole = animals + tank.water_mg_L_h + tank.filter_mg_h / tank.volume_L
    return Demand(whole, animals / whole if whole > 0.0 else 0.0)


def transfer(tank: TankOxygen, kl_m_d: float, temperature_C: float) -> float:
    """kL A/V in 1/h for a gas transfer given at 20 degC."""
    return float(kl_m_d / 24.0 * KL_THETA ** (temperature_C - 20.0) * tank.surface_m2 * 1000.0 / tank.volume_L)


def balance(tank: TankOxygen, water: Water, demand: Demand, kl_m_d: float | None = None) -> Balance:
    """The tank's budget in this water, for a demand given at 12 degC.

    kl_m_d: gas transfer at 20 degC; None for the tank's measured one, and 0 ("at least") where none was measured.
    """
    here = demand.at(tank, water.temperature_C)
    kl = kl_m_d if kl_m_d is not None else tank.kl_m_d or 0.0
    saturated = water.saturated_mg_L
    return Balance(
        here.whole,
        here.share,
        transfer(tank, kl, water.temperature_C),
        saturated,
        tank.critical_share * saturated,
    )
