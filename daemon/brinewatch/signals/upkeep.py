"""How long a calibration lasts, by quantity: the one table of drift, due intervals and what is too far off.

All numbers are judgement from common practice in marine hatcheries and makers' usual advice, no source, unless a
line says otherwise. A channel's own settings go before them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Upkeep:
    """What to expect of one quantity's probe, in its own unit.

    drift_per_day: one standard uncertainty that a day adds; due_days: until the next calibration; off: worth a new
    calibration, or a correction of what was read; far: no calibration mends an error beyond this, something is
    broken or mixed up; apart: how far two reference points must stand apart to give a slope; instrument: one
    standard uncertainty of a usual hand-held reference instrument.
    """

    drift_per_day: float
    due_days: float
    off: float
    far: float
    apart: float
    instrument: float


# `off` for temperature, oxygen and pH: Wagner, Boulger, Oblinger & Smith 2006, USGS TM 1-D3, table of calibration
# criteria (from memory: 0.2 degC, 0.3 mg/L, 0.2 pH, 3 % of conductivity); halved for pH, since un-ionized ammonia
# and carbonate chemistry hang on it.
_TABLE: Mapping[str, Upkeep] = {
    "temperature": Upkeep(0.0002, 365.0, 0.2, 2.0, 5.0, 0.1),
    "air_temperature": Upkeep(0.0005, 365.0, 0.5, 3.0, 5.0, 0.2),
    "oxygen": Upkeep(0.004, 30.0, 0.3, 3.0, 4.0, 0.15),
    "oxygen_saturation": Upkeep(0.05, 30.0, 3.0, 30.0, 50.0, 2.0),
    "ph": Upkeep(0.003, 21.0, 0.1, 1.0, 1.0, 0.03),
    "ph_potential": Upkeep(0.2, 21.0, 6.0, 60.0, 50.0, 2.0),
    "salinity": Upkeep(0.01, 30.0, 1.0, 10.0, 5.0, 0.3),
    "conductivity": Upkeep(0.015, 30.0, 1.5, 15.0, 5.0, 0.5),
    "specific_conductance": Upkeep(0.015, 30.0, 1.5, 15.0, 5.0, 0.5),
    "air_pressure": Upkeep(0.004, 30.0, 0.3, 2.0, 5.0, 0.1),
    "barometric_pressure": Upkeep(0.005, 365.0, 2.0, 20.0, 50.0, 0.5),
    "water_flow": Upkeep(0.05, 180.0, 5.0, 1000.0, 10.0, 2.0),
    "water_level": Upkeep(0.01, 90.0, 1.0, 20.0, 10.0, 0.5),
    "depth": Upkeep(0.0002, 90.0, 0.02, 0.5, 0.3, 0.01),
    "motor_current": Upkeep(0.0005, 365.0, 0.2, 5.0, 1.0, 0.1),
    "turbidity": Upkeep(0.05, 30.0, 5.0, 100.0, 20.0, 2.0),
}  # fmt: skip


def upkeep_of(quantity: str) -> Upkeep | None:
    """The row of a quantity; None for one that takes no calibration (a switch, a hand test, a derived value)."""
    return _TABLE.get(quantity)
