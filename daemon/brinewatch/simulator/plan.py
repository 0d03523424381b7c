"""What a simulated shed is built of: stages in the order the water runs, and the air that moves everything.

Numbers from husbandry tables carry a mark: read (seen in its source), computed (from first principles), judgement
(our own default), memory (trade figure not checked).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

# oxygen transfer of a bubble, share for each metre it rises: about 2 % coarse, 6 % fine (memory)
Bubbles = Literal["coarse", "fine"]
TRANSFER_PER_M: dict[Bubbles, float] = {"coarse": 0.02, "fine": 0.06}


@dataclass(frozen=True, slots=True)
class Weir:
    """A sill or standpipe: what stands above it runs on to the next stage.

    over_s: seconds in which the water above the sill would run off at its present flow.
    """

    over_s: float = 20.0


@dataclass(frozen=True, slots=True)
class Airlift:
    """A riser: air lifts water to the next stage. Its level floats, and its water is what others drain to.

    submergence_m and lift_m at the stage's own volume; efficiency of the power balance 0.1 to 0.4 (computed).
    """

    submergence_m: float
    lift_m: float
    efficiency: float = 0.2


@dataclass(frozen=True, slots=True)
class Stage:
    """One body of water. volume_L is to the sill, or to the working level where an airlift draws from it.

    Animals: resting uptake mg O2/kg/h at 12 degC (sea cucumber 20: judgement on 7.6 to 25.9 read), Q10 2.1
    (judgement on 2.08 computed), ammonia mg N/kg/h at 12 degC (0.62 to 2.57 over 7 to 27 degC, read).
    """

    name: str
    volume_L: float
    surface_m2: float
    outlet: Weir | Airlift | None = None
    wall_W_K: float = 0.0  # U times A; the heat of evaporation counted in
    evaporation_mm_d: float = 0.0
    biomass_kg: float = 0.0
    uptake_mg_kg_h: float = 20.0
    excretion_mgN_kg_h: float = 1.5
    q10: float = 2.1
    media_m2: float = 0.0  # protected surface with nitrifiers


@dataclass(frozen=True, slots=True)
class Branch:
    """One outlet of the air manifold. flow_L_min is what its orifice passes, clean, at the design pressure."""

    stage: str
    depth_m: float
    flow_L_min: float
    bubbles: Bubbles = "coarse"
    lifts: bool = False  # whether this air drives the stage's airlift


@dataclass(frozen=True, slots=True)
class Blower:
    """A side-channel blower: pressure falls with the square of flow; current rises with pressure (practice)."""

    dead_head_kPa: float
    free_flow_L_min: float
    idle_A: float = 1.1
    per_kPa_A: float = 0.13

    def pressure(self, flow_L_min: float) -> float:
        return self.dead_head_kPa * (1.0 - (flow_L_min / self.free_flow_L_min) ** 2)

    def current(self, pressure_kPa: float) -> float:
        return self.idle_A + self.per_kPa_A * pressure_kPa


@dataclass(frozen=True, slots=True)
class AirPath:
    blower: Blower
    branches: tuple[Branch, ...] = ()
    design_kPa: float = 11.2  # at the manifold, behind the line
    relief_kPa: float | None = None  # at the blower's outlet, where its relief valve opens; None without one
    relief_L_min_kPa: float = 150.0  # what that passes for each kPa beyond (judgement)
    line_kPa_at_design: float = 0.6  # loss of the pipe between blower and manifold, 0.5 to 2 kPa (computed/memory)
    burst_L_min_at_1_kPa: float = 260.0  # what the hole passes at 1 kPa when the line has come off
    settle_s: float = 0.3  # pressure follows its cause in about this time (judgement)
    fouling_per_day: float = 0.003  # growth of the diffusers' loss (judgement)


@dataclass(frozen=True, slots=True)
class Plan:
    """A whole shed. Stages in the order the water runs; the last runs back to the first."""

    name: str
    stages: tuple[Stage, ...]
    air: AirPath
    salinity: float = 31.5
    start_C: float = 12.0
    start_percent: float = 92.0  # oxygen at the first moment, before the run-in
    tan_mgN_L: float = 0.22
    nitrate_mgN_L: float = 18.0
    alkalinity_meq_L: float = 2.45
    water_uptake_mg_L_h: float = 0.05  # bacteria in the water (judgement)
    surface_kl_m_d: float = 0.1  # indoors 0.05 to 0.5 at 20 degC (judgement)
    alpha: float = 0.9  # of clear seawater 0.8 to 1.0 (memory)
    critical_share: float = 0.42  # of saturation; below it uptake falls in proportion (read for urchins)
    ambient_C: float = 10.8
    ambient_swing_C: float = 1.8
    ambient_co2_uatm: float = 440.0
    start_co2_uatm: float = 775.0  # of the water at the first moment
    barometer_hPa: float = 1012.0
    activity_swing: float = 0.12  # sea cucumbers move and breathe more by night (judgement)
    top_up_stage: str = ""  # a float valve here makes good what evaporates, with fresh water
    top_up_L_h: float = 20.0  # flow of that valve, fully open
    dose_stage: str = ""  # bicarbonate runs in here, towards the set alkalinity
    dose_set_meq_L: float = 2.56
    dose_L_h: float = 60.0  # meq/h for each meq/L missing
    order: dict[str, int] = field(init=False, compare=False, hash=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "order", {stage.name: at for at, stage in enumerate(self.stages)})

    def at(self, name: str) -> int:
        """Where a stage stands in the order. KeyError when there is none of that name."""
        return self.order[name]


GANNET_QUAY = Plan(
    name="Gannet Quay",
    stages=(
        Stage(
            "raceway", 1000.0, 2.6, Weir(25.0), wall_W_K=28.0, evaporation_mm_d=0.5, biomass_kg=62.0,
        ),
        Stage("sieve", 30.0, 0.12, Weir(12.0), wall_W_K=1.5),
        Stage("cone", 180.0, 0.45, Weir(20.0), wall_W_K=5.0, evaporation_mm_d=0.5),
        Stage("bed", 360.0, 0.5, Airlift(0.85, 0.12), wall_W_K=10.0, evaporation_mm_d=1.0, media_m2=60.0),
        Stage("foam", 80.0, 0.12, Weir(10.0), wall_W_K=4.0),
        Stage("header", 140.0, 0.4, Weir(20.0), wall_W_K=6.0, evaporation_mm_d=0.5),
    ),
    air=AirPath(
        Blower(21.0, 275.0),
        (
            Branch("raceway", 0.45, 14.0),
            Branch("bed", 1.0, 80.0),
            Branch("bed", 0.85, 36.0, lifts=True),
            Branch("foam", 0.95, 48.0, bubbles="fine"),
        ),
        relief_kPa=18.0,
    ),
    top_up_stage="bed",
    dose_stage="cone",
)  # fmt: skip
