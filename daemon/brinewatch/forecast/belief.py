"""What is believed of a tank's demand before the fall has been seen: its middle, how sure, and why."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime
from math import sqrt

from brinewatch.forecast.air_off import AirOffTest
from brinewatch.forecast.oxygen_budget import Demand, Feeding, TankOxygen, planned_demand

BIOMASS_FRESH_DAYS = 30
# standard uncertainties, of logarithms. Uptake: 0.31 between single animals (computed from Schuster et al. 2022),
# more between groups, feeds and seasons; the others are judgement
_UPTAKE = 0.42
_BIOMASS = 0.15
_UNDATED = 0.30
_AGEING = 0.12  # for each 30 days past the first 30
_DAY_TO_DAY = 0.15  # a measured tank on another day
_LN_Q10 = 0.15  # of ln Q10, to be carried over a difference of temperature
_WIDEST = 0.8


@dataclass(frozen=True, slots=True)
class Belief:
    """A demand at 12 degC, one standard uncertainty of its logarithm, a line on its basis, and short doubts."""

    demand: Demand
    ln_sd: float
    basis: str
    notes: tuple[str, ...] = ()


def believed(
    tank: TankOxygen, feeding: Feeding, temperature_C: float, today: date, test: AirOffTest | None = None
) -> Belief:
    """The demand as figures or, where there is one, an air-off test have it.

    temperature_C: of the water now, to say how far the test must be carried; today: the shed's calendar.
    """
    if test is None:
        sd, notes = _biomass(tank, today)
        return Belief(
            planned_demand(tank, feeding), min(_WIDEST, sqrt(_UPTAKE**2 + sd**2)), "assumed demand", notes
        )
    return _from_test(tank, feeding, temperature_C, today, test)


def _biomass(tank: TankOxygen, today: date) -> tuple[float, tuple[str, ...]]:
    if tank.biomass_on is None:
        return _UNDATED, ("biomass has no date",)
    days = (today - tank.biomass_on).days
    if days <= BIOMASS_FRESH_DAYS:
        return _BIOMASS, ()
    return sqrt(_BIOMASS**2 + _aged(days) ** 2), (f"biomass {days} days old",)


def _aged(days: int) -> float:
    return _AGEING * max(0, days - BIOMASS_FRESH_DAYS) / 30.0


def _from_test(tank: TankOxygen, feeding: Feeding, temperature_C: float, today: date, test: AirOffTest) -> Belief:
    """The measured demand brought to 12 degC, and to today's animals and their state."""
    other = tank.water_mg_L_h * tank.volume_L + tank.filter_mg_h
    # the water's and filter's figures are guesses: they may take no more than half of what was measured
    animals = max(test.demand_mg_h - other, 0.5 * test.demand_mg_h)
    other = test.demand_mg_h - animals
    pace = tank.q10 ** ((test.temperature_C - 12.0) / 10.0)
    stock = tank.biomass_kg / test.biomass_kg if test.biomass_kg > 0.0 else 1.0
    state = feeding.multiplier / test.feeding.multiplier
    animals *= stock * state / pace
    whole = (animals + other) / tank.volume_L
    days = (today - datetime.fromtimestamp(test.made_utc, UTC).date()).days
    notes = []
    if days > BIOMASS_FRESH_DAYS:
        notes.append(f"air-off test {days} days old")
    if abs(stock - 1.0) > 0.02:
        notes.append(f"biomass {100 * (stock - 1):+.0f} % since the test")
    carried = _LN_Q10 * abs(temperature_C - test.temperature_C) / 10.0
    changed = 0.3 * abs(stock - 1.0) if stock < 2.0 else 0.3
    fed = 0.2 if feeding is not test.feeding else 0.0
    sd = sqrt(test.ln_sd**2 + _DAY_TO_DAY**2 + carried**2 + changed**2 + fed**2 + _aged(days) ** 2)
    share = animals / (animals + other)
    return Belief(Demand(whole, share), min(_WIDEST, sd), "demand measured with the air off", tuple(notes))
