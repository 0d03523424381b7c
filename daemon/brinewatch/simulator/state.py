"""What the water of a shed holds, what is done to it, and the book of what came and went."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass

from brinewatch.simulator import carbonate

HEAT_KJ_L_K = 4.09  # of seawater, S 32: 1.024 kg/L times 3.99 kJ/kg/K (rounded from UNESCO 44)
DENSITY_KG_L = 1.024


@dataclass(frozen=True, slots=True)
class Inputs:
    """What people and mishaps do. burst: 0 whole to 1 the air line off; blocked: diffuser loss times this; standby:
    a second blower of the same kind, on a supply of its own, starts when the first stands; attended: the switch on
    the wall is on."""

    blower: bool = True
    mains: bool = True
    burst: float = 0.0
    blocked: float = 1.0
    leak_L_min: float = 0.0
    standby: bool = False
    attended: bool = False

    @property
    def running(self) -> bool:
        return self.blower and self.mains

    @property
    def standby_runs(self) -> bool:
        return self.standby and not self.running


@dataclass(frozen=True, slots=True)
class State:
    """Amounts by stage, in the plan's order: L, mg O2, kJ over 0 degC, mg N, PSS-78 times L, meq, mmol C."""

    volume: tuple[float, ...]
    oxygen: tuple[float, ...]
    heat: tuple[float, ...]
    tan: tuple[float, ...]
    nitrate: tuple[float, ...]
    salt: tuple[float, ...]
    alkalinity: tuple[float, ...]
    carbon: tuple[float, ...]
    fouling: float = 1.0
    blocked: float = 1.0

    def temperature_C(self, at: int) -> float:
        return self.heat[at] / (HEAT_KJ_L_K * self.volume[at])

    def salinity(self, at: int) -> float:
        return self.salt[at] / self.volume[at]

    def oxygen_mg_L(self, at: int) -> float:
        return self.oxygen[at] / self.volume[at]

    def ph_total(self, at: int) -> float:
        """On the total scale; see carbonate."""
        kilograms = self.volume[at] * DENSITY_KG_L * 1000.0  # with mmol: mol/kg
        return carbonate.ph_total(self.alkalinity[at] / kilograms, self.carbon[at] / kilograms, self._k(at))

    def dioxide_mol_kg(self, at: int) -> float:
        kilograms = self.volume[at] * DENSITY_KG_L * 1000.0
        return carbonate.carbon_dioxide(self.alkalinity[at] / kilograms, self.carbon[at] / kilograms, self._k(at))

    def _k(self, at: int) -> carbonate.Constants:
        return carbonate.constants(round(self.temperature_C(at), 2), round(self.salinity(at), 2))


AMOUNTS = ("oxygen", "heat", "tan", "nitrate", "salt", "alkalinity", "carbon")


class Ledger:
    """Everything that came in or went out, by amount and way: ("oxygen", "animals") -> mg, positive inwards."""

    def __init__(self) -> None:
        self.ways: dict[tuple[str, str], float] = defaultdict(float)

    def total(self, amount: str) -> float:
        return sum(value for (name, _), value in self.ways.items() if name == amount)
