"""The attended air-off test: ten to fifteen minutes without air, somebody present, and the demand is known.

Better than any assumed figure. Stir the water gently while it runs: a still tank layers, and one probe then sees
its own layer only.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from math import hypot, isfinite, sqrt
from typing import Any

from brinewatch.errors import BrinewatchError
from brinewatch.forecast.oxygen_budget import Feeding, TankOxygen, Water, transfer
from brinewatch.forecast.robust import robust_line

LONGEST_S = 900.0  # then the air goes back on, measured or not
SHORTEST_S = 480.0  # of falling readings, after the probe has settled
FLOOR_PERCENT = 70.0  # of saturation: no test goes lower
_SETTLE_S = 90.0  # or three probe lags: until the probe shows the water's own fall
_POINTS = 60
_WANDER_MG_L = 0.012  # that a probe drifts by within minutes, at either end of the fall (judgement)
# what a still tank's layers, and a stirred one's rest of them, do to the slope (judgement)
_LAYERS = {False: 0.35, True: 0.12}
_KL_M_D = {False: (0.1, 0.1), True: (0.6, 0.5)}  # middle and one sd of the surface's transfer (judgement)


class NotMeasured(BrinewatchError):
    """The readings of an air-off test do not give a demand one could stand on."""


@dataclass(frozen=True, slots=True)
class AirOffTest:
    """What one test measured; kept for good, the latest counts.

    demand_mg_h: of the whole tank at temperature_C, animals, water and filter; ln_sd: one standard uncertainty of
    its logarithm; fall_mg_L_h: as the probe saw it; biomass_kg, feeding: as then believed; seconds: of readings.
    """

    stage: str
    made_utc: float
    by: str
    temperature_C: float
    demand_mg_h: float
    ln_sd: float
    fall_mg_L_h: float
    scatter_mg_L: float
    seconds: float
    start_mg_L: float
    end_mg_L: float
    stirred: bool
    biomass_kg: float
    feeding: Feeding

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON values; `from_dict` is the way back."""
        return {**asdict(self), "feeding": str(self.feeding)}

    @staticmethod
    def from_dict(body: Mapping[str, Any]) -> AirOffTest:
        """ValueError or TypeError when the body is not one of ours."""
        test = AirOffTest(**{**body, "feeding": Feeding(body.get("feeding", ""))})
        if not (
            isfinite(test.demand_mg_h) and test.demand_mg_h > 0.0 and isfinite(test.ln_sd) and test.ln_sd > 0.0
        ):
            raise ValueError(f"air-off test of {test.stage}: demand {test.demand_mg_h}, ln_sd {test.ln_sd}")
        return test


def put_air_back(since_stop_s: float, percent: float | None) -> str:
    """Why the test must end now; empty while it may go on. percent: oxygen, of saturation; None when not known."""
    if percent is None:
        return "no oxygen reading: put the air back on"
    if percent <= FLOOR_PERCENT:
        return f"oxygen {percent:.0f} %: put the air back on"
    if since_stop_s >= LONGEST_S:
        return f"{LONGEST_S / 60:.0f} min have passed: put the air back on"
    return ""


def measure(
    stage: str, tank: TankOxygen, feeding: Feeding, water: Water, readings: Sequence[tuple[float, float]],
    stopped_mono: float, made_utc: float, by: str, *, stirred: bool = False, probe_lag_s: float = 30.0,
) -> AirOffTest:  # fmt: skip
    """The demand from oxygen readings (monotonic seconds, mg/L) taken while the air was off.

    water: as it was halfway; the surface's small share is put back on an assumed transfer. NotMeasured names
    everything that is wrong with the readings at once.
    """
    settled = stopped_mono + max(_SETTLE_S, 3.0 * probe_lag_s)
    used = sorted((t, c) for t, c in readings if t >= settled and isfinite(c))
    span = used[-1][0] - used[0][0] if used else 0.0
    wrong = []
    if span < SHORTEST_S:
        wrong.append(f"{span / 60:.1f} min of readings after the first {(settled - stopped_mono) / 60:.1f}: "
                     f"expected {SHORTEST_S / 60:.0f} or more")  # fmt: skip
    if len(used) < 10:
        wrong.append(f"{len(used)} readings: expected 10 or more")
    if wrong:
        raise NotMeasured(f"Air-off test of {stage}: {'; '.join(wrong)}.", "Repeat it, air off for 12 minutes.")
    points = _thinned(used)
    line = robust_line(points, z=1.0)
    fall = -line.slope
    sd = hypot(0.5 * (line.slope_high - line.slope_low), sqrt(2.0) * _WANDER_MG_L * 3600.0 / line.seconds)
    start = line.level + fall * line.seconds / 3600.0
    if fall <= 0.0 or fall * line.seconds / 3600.0 < 4.0 * line.scatter / sqrt(len(points) / 10.0):
        wrong.append(f"oxygen fell {fall * line.seconds / 3600.0:.2f} mg/L in a scatter of {line.scatter:.2f}")
    if sd > 0.3 * abs(fall):
        wrong.append(f"the fall of {fall:.2f} mg/L/h is uncertain by {sd:.2f}")
    halves = [robust_line(half).slope for half in (points[: len(points) // 2], points[len(points) // 2 :])]
    if fall > 0.0 and min(-half for half in halves) < 0.3 * fall:
        wrong.append(f"it did not fall steadily: {-halves[0]:.2f} mg/L/h, then {-halves[1]:.2f}")
    if line.level < tank.critical_share * water.saturated_mg_L:
        wrong.append(f"oxygen went down to {line.level:.1f} mg/L, where the animals breathe less")
    if wrong:
        raise NotMeasured(
            f"Air-off test of {stage}: {'; '.join(wrong)}.",
            "Clean the probe, make sure that all air is off, and repeat it.",
        )
    kl, kl_sd = (tank.kl_m_d, 0.3 * tank.kl_m_d) if tank.kl_m_d is not None and not stirred else _KL_M_D[stirred]
    deficit = water.saturated_mg_L - 0.5 * (start + line.level)
    gained = transfer(tank, kl, water.temperature_C) * deficit
    doubt = abs(transfer(tank, kl_sd, water.temperature_C) * deficit)
    demand = max(fall + gained, 0.2 * fall)
    return AirOffTest(
        stage, made_utc, by, water.temperature_C, demand * tank.volume_L,
        sqrt((sd * sd + doubt * doubt) / demand**2 + _LAYERS[stirred] ** 2),
        fall, line.scatter, line.seconds, start, line.level, stirred, tank.biomass_kg, feeding,
    )  # fmt: skip


def _thinned(points: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """Medians of neighbours, so that at most 60 are left."""
    each = -(-len(points) // _POINTS)
    groups = [points[at : at + each] for at in range(0, len(points), each)]
    return [(sum(t for t, _ in one) / len(one), sorted(c for _, c in one)[len(one) // 2]) for one in groups]
