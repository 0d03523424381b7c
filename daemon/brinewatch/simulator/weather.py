"""Slow weather: station pressure and the shed's air through the day, the same for the same seed."""

from __future__ import annotations

import random
from dataclasses import dataclass
from math import cos, pi, sin

from brinewatch.simulator.plan import Plan

_DAY_S = 86400.0
# period in days and swing in hPa of what passes over; common practice, no source
_PASSING = ((5.3, 6.0), (2.1, 2.5), (0.7, 0.6))
_TIDE_HPA = 0.4  # the twice-daily swell of the atmosphere, small in temperate latitudes


@dataclass(frozen=True, slots=True)
class Air:
    """What surrounds the shed at one moment. activity: of the animals, 1 on average over the day."""

    ambient_C: float
    station_hPa: float
    co2_uatm: float
    activity: float


class Weather:
    """start_h: the local hour at elapsed time 0."""

    def __init__(self, plan: Plan, seed: int, start_h: float) -> None:
        chance = random.Random(f"weather {seed}")  # noqa: S311
        self._plan = plan
        self._start_s = start_h * 3600.0
        self._passing = [(2 * pi / (days * _DAY_S), hPa, chance.uniform(0, 2 * pi)) for days, hPa in _PASSING]

    def at(self, elapsed_s: float) -> Air:
        plan, day = self._plan, 2 * pi * (elapsed_s + self._start_s) / _DAY_S
        # warmest at three in the afternoon, liveliest at midnight
        ambient = plan.ambient_C + plan.ambient_swing_C * cos(day - 2 * pi * 15 / 24)
        pressure = plan.barometer_hPa + _TIDE_HPA * cos(2 * day)
        pressure += sum(swing * sin(pace * elapsed_s + phase) for pace, swing, phase in self._passing)
        return Air(ambient, pressure, plan.ambient_co2_uatm, 1.0 + plan.activity_swing * cos(day))


def mean(plan: Plan) -> Air:
    """An average day held still: what a run-in is done in."""
    return Air(plan.ambient_C, plan.barometer_hPa, plan.ambient_co2_uatm, 1.0)
