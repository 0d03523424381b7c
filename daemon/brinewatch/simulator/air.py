"""The air path in balance: a blower curve, the pipe behind it, and branches that each stand against their own head.

Gauge pressures in kPa, flows in L/min of free air. Losses go with the square of flow, as through an orifice.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import sqrt

from brinewatch.seawater.pressure import static_head_kPa
from brinewatch.simulator.plan import AirPath, Plan


@dataclass(frozen=True, slots=True)
class AirFlow:
    """The air at one moment, settled. outlet_kPa: at the blower, before the pipe; lost: by hole or relief valve;
    current_A: its motor.
    """

    outlet_kPa: float
    manifold_kPa: float
    branch_L_min: tuple[float, ...]
    lost_L_min: float
    current_A: float

    @property
    def total_L_min(self) -> float:
        return sum(self.branch_L_min) + self.lost_L_min


@lru_cache(maxsize=32)
def losses(plan: Plan) -> tuple[tuple[float, ...], float]:
    """Loss coefficients, kPa/(L/min)^2: of each branch when clean, and of the pipe."""
    air = plan.air
    branches = tuple(
        (air.design_kPa - static_head_kPa(one.depth_m, plan.salinity, plan.start_C)) / one.flow_L_min**2
        for one in air.branches
    )
    for one, loss in zip(air.branches, branches, strict=True):
        if loss <= 0:
            raise ValueError(f"branch in {one.stage} at {one.depth_m} m needs more than {air.design_kPa} kPa")
    total = sum(one.flow_L_min for one in air.branches)
    return branches, air.line_kPa_at_design / total**2 if total else 0.0


def still(branches: int) -> AirFlow:
    """No air at all."""
    return AirFlow(0.0, 0.0, (0.0,) * branches, 0.0, 0.0)


def solve(
    air: AirPath, loss: tuple[Sequence[float], float], heads_kPa: Sequence[float], fouling: float, burst: float
) -> AirFlow:
    """The running blower against its branches.

    heads_kPa: static head of each branch; fouling: how many times the clean loss; burst: 0 whole to 1 the pipe off.
    """
    branch_loss, line_loss = loss
    hole = burst * air.burst_L_min_at_1_kPa
    pairs = [(head, 1.0 / sqrt(one * fouling)) for head, one in zip(heads_kPa, branch_loss, strict=True)]

    def relief(outlet: float) -> float:
        return 0.0 if air.relief_kPa is None else max(0.0, outlet - air.relief_kPa) * air.relief_L_min_kPa

    def excess(manifold: float) -> float:
        flow = sum(sqrt(manifold - head) * ease for head, ease in pairs if manifold > head)
        flow += hole * sqrt(manifold)
        outlet = manifold + line_loss * flow * flow
        return air.blower.pressure(flow + relief(outlet)) - outlet

    manifold = _crossing(excess, air.blower.dead_head_kPa)
    flows = tuple(sqrt(manifold - head) * ease if manifold > head else 0.0 for head, ease in pairs)
    lost = hole * sqrt(manifold)
    total = sum(flows) + lost
    outlet = manifold + line_loss * total * total
    return AirFlow(outlet, manifold, flows, lost + relief(outlet), air.blower.current(outlet))


def _crossing(excess: Callable[[float], float], dead_head: float) -> float:
    """Where the blower's excess over its load is nothing: it falls steadily, above 0 without pressure and below at
    the dead head. False position, halving the weight of an end that stays (the Illinois rule)."""
    low, high = 0.0, dead_head
    above, below, side = excess(low), excess(high), 0
    middle = low
    for _ in range(100):
        middle = (low * below - high * above) / (below - above)
        value = excess(middle)
        if abs(value) < 1e-11 or high - low < 1e-13:
            break
        if value > 0.0:
            low, above = middle, value
            below, side = (below / 2.0 if side > 0 else below), 1
        else:
            high, below = middle, value
            above, side = (above / 2.0 if side < 0 else above), -1
    return middle
