"""The shed at a moment: the water and air of `physics` carried forward to whenever somebody looks."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from math import exp, log

from brinewatch.moment import Moment
from brinewatch.seawater.oxygen import benson_krause
from brinewatch.seawater.ph import nbs_from_total
from brinewatch.simulator.physics import LONGEST_STEP_S, air_flow, filled, step, water_flow
from brinewatch.simulator.plan import Plan
from brinewatch.simulator.state import Inputs, Ledger, State
from brinewatch.simulator.weather import Air, Weather, mean

_RUN_IN_S = 3 * 3600.0


@lru_cache(maxsize=8)
def run_in(plan: Plan) -> State:
    """The plan's water after three hours of an average day: stages apart as they are in steady running."""
    return step(plan, filled(plan), _RUN_IN_S, mean(plan), Inputs())


class ShedModel:
    """Advances to the moment of each look. The same whoever looks, and however often.

    Water is carried forward in whole steps counted from the last change of inputs, so it may be a step behind;
    air pressure, which changes in fractions of a second, is exact at the moment asked for.
    """

    def __init__(self, plan: Plan, start: Moment, seed: int = 1, state: State | None = None) -> None:
        self.plan = plan
        self.inputs = Inputs()
        self.ledger = Ledger()
        self._started = start.mono
        local = start.local
        self._weather = Weather(plan, seed, local.hour + local.minute / 60 + local.second / 3600)
        self._state = run_in(plan) if state is None else state
        self._water_at = 0.0  # seconds since the start, as everything below
        self._settled = air_flow(plan, self._state, self.inputs)
        self._pressure_from = self._settled.outlet_kPa
        self._changed_at = float("-inf")
        self._litres = 0.0

    def elapsed_s(self, now: Moment) -> float:
        return max(0.0, now.mono - self._started)

    def advance(self, now: Moment) -> State:
        """Carry the water forward to `now`; times before the last look change nothing."""
        elapsed = self.elapsed_s(now)
        while elapsed - self._water_at >= LONGEST_STEP_S:
            self._step(LONGEST_STEP_S)
        return self._state

    def change(self, now: Moment, **inputs: float | bool) -> None:
        """Set some of the inputs at this very moment; see physics.Inputs for their names."""
        self.advance(now)
        left = self.elapsed_s(now) - self._water_at
        if left > 0.0:
            self._step(left)
        self._pressure_from = self.air_pressure_kPa(now)
        self.inputs = replace(self.inputs, **inputs)  # type: ignore[arg-type]
        self._changed_at = self.elapsed_s(now)
        self._settled = air_flow(self.plan, self._state, self.inputs)

    def _step(self, dt: float) -> None:
        weather = self._weather.at(self._water_at)
        self._litres += dt * water_flow(self.plan, self._state, self._settled, weather)[-1]
        self._state = step(self.plan, self._state, dt, weather, self.inputs, self.ledger)
        self._water_at += dt
        self._settled = air_flow(self.plan, self._state, self.inputs)

    # what can be measured

    def weather(self, now: Moment) -> Air:
        return self._weather.at(self.elapsed_s(now))

    def air_pressure_kPa(self, now: Moment) -> float:
        """Gauge pressure at the blower's outlet."""
        self.advance(now)
        target = self._settled.outlet_kPa
        since = self.elapsed_s(now) - self._changed_at
        return target + (self._pressure_from - target) * exp(-since / self.plan.air.settle_s)

    def air_settled(self, now: Moment) -> bool:
        """Whether the air pressure has come to rest after the last change."""
        self.advance(now)
        return self.elapsed_s(now) - self._changed_at > 12 * self.plan.air.settle_s

    def air_falls_to(self, now: Moment, kPa: float) -> float | None:
        """Monotonic time at which the last change brings, or brought, the air pressure down to kPa; None: never."""
        self.advance(now)
        target = self._settled.outlet_kPa
        if not target < kPa < self._pressure_from:
            return None
        since = -self.plan.air.settle_s * log((kPa - target) / (self._pressure_from - target))
        return self._started + self._changed_at + since

    def motor_current_A(self, now: Moment) -> float:
        self.advance(now)
        if not self.inputs.running:
            return 0.0
        return self.plan.air.blower.current(self.air_pressure_kPa(now))

    def station_hPa(self, now: Moment) -> float:
        return self.weather(now).station_hPa

    def temperature_C(self, now: Moment, stage: str) -> float:
        return self.advance(now).temperature_C(self.plan.at(stage))

    def oxygen_mg_L(self, now: Moment, stage: str) -> float:
        return self.advance(now).oxygen_mg_L(self.plan.at(stage))

    def oxygen_percent(self, now: Moment, stage: str) -> float:
        state, at = self.advance(now), self.plan.at(stage)
        saturated = benson_krause(state.temperature_C(at), state.salinity(at), self.station_hPa(now))
        return 100.0 * state.oxygen_mg_L(at) / saturated

    def salinity(self, now: Moment, stage: str) -> float:
        return self.advance(now).salinity(self.plan.at(stage))

    def ph_nbs(self, now: Moment, stage: str) -> float:
        """As an electrode set up in NBS buffers shows it."""
        state, at = self.advance(now), self.plan.at(stage)
        return nbs_from_total(state.ph_total(at), state.temperature_C(at), state.salinity(at))

    def tan_mgN_L(self, now: Moment, stage: str) -> float:
        state, at = self.advance(now), self.plan.at(stage)
        return state.tan[at] / state.volume[at]

    def volume_L(self, now: Moment, stage: str) -> float:
        return self.advance(now).volume[self.plan.at(stage)]

    def level_cm(self, now: Moment, stage: str) -> float:
        """Water over the sill, or over the working level of an airlift's stage."""
        one = self.plan.stages[self.plan.at(stage)]
        return (self.volume_L(now, stage) - one.volume_L) / one.surface_m2 / 10.0

    def flow_L_min(self, now: Moment, stage: str) -> float:
        """Water running out of a stage to the next."""
        state = self.advance(now)
        return water_flow(self.plan, state, self._settled, self.weather(now))[self.plan.at(stage)] * 60.0

    def litres_returned(self, now: Moment) -> float:
        """What has run from the last stage back to the first since the start."""
        flow = self.flow_L_min(now, self.plan.stages[-1].name)
        return self._litres + max(0.0, self.elapsed_s(now) - self._water_at) * flow / 60.0
