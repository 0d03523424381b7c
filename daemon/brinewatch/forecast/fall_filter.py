"""One small Kalman filter on the fall of a tank's oxygen, for one assumed transfer and one assumed time of mixing.

State: oxygen at the probe; ln of the whole demand at 12 degC; and by what share of it the probe's own layer falls
faster (or slower) than the tank, which wears off with the time of mixing. An extended Kalman filter (Jazwinski
1970), linearised anew at every step.
"""

from __future__ import annotations

from math import exp, inf, log, sqrt

from brinewatch.forecast.oxygen_budget import Balance, Demand, TankOxygen, Water, advance, balance

_DRIFT = 0.05  # of the demand, in an hour, as a share: activity, hunger, the hour of the day (judgement)
_DRIFT_MOST = 0.25
_LAYER = 0.8  # one sd of the layer's share at the stop: animals below, probe above, or both (judgement)
_LAYER_LEFT = 0.12  # what of it mixing never quite takes away
_PATCHES = 0.06  # mg/L in the square root of an hour: parcels of water that drift past the probe
_LONGEST_STEP_H = 1 / 12
_LIKELY_POWER = 0.5  # readings close together share their errors: each tells half of what it seems to
_WILD = 4.0  # standard deviations beyond which a reading counts as no further off


def _whole(demand_ln: float, layer: float) -> float:
    return exp(min(demand_ln, 12.0)) * max(0.02, 1.0 + layer)


class FallFilter:
    """Follows one tank from the stop of its air. Times in hours since the stop, oxygen in mg/L."""

    def __init__(
        self, tank: TankOxygen, demand: Demand, ln_sd: float, kl_m_d: float, mixing_h: float, weight: float,
        oxygen: float, oxygen_sd: float,
    ) -> None:  # fmt: skip
        self._tank, self._share = tank, demand.share
        self._kl, self._mixing = kl_m_d, mixing_h
        self.weight_ln = log(weight)
        self.hours = 0.0
        self.oxygen, self.demand_ln, self.layer = oxygen, log(max(demand.whole, 1e-4)), 0.0
        # covariances: oxygen, demand, layer
        self.oo, self.od, self.ol = oxygen_sd * oxygen_sd, 0.0, 0.0
        self.dd, self.dl, self.ll = ln_sd * ln_sd, 0.0, _LAYER * _LAYER

    def _unit(self, water: Water) -> Balance:
        """The tank in this water for a demand of 1 mg/L/h at 12 degC."""
        return balance(self._tank, water, Demand(1.0, self._share), self._kl)

    def predict(self, hours: float, water: Water) -> None:
        """Carry the state on to a later hour in this water."""
        unit = self._unit(water)
        while hours - self.hours > 1e-9:
            self._step(min(_LONGEST_STEP_H, hours - self.hours), unit)

    def _step(self, dt: float, unit: Balance) -> None:
        now = unit.times(_whole(self.demand_ln, self.layer))
        pulled = now.transfer * (now.saturated - self.oxygen) - now.rate(self.oxygen)  # mg/L/h, all that is used
        before = self.oxygen
        self.oxygen = advance(before, lambda _: now, 0.0, dt)
        slack = now.transfer + (now.demand * now.share / now.critical if before < now.critical else 0.0)
        keep, wear = exp(-slack * dt), exp(-dt / self._mixing)
        by_demand, by_layer = -pulled * dt, -pulled * dt / max(0.02, 1.0 + self.layer)
        # P <- F P F' + Q with F = [[keep, by_demand, by_layer], [0, 1, 0], [0, 0, wear]]
        oo, od, ol, dd, dl, ll = self.oo, self.od, self.ol, self.dd, self.dl, self.ll
        row_o = keep * oo + by_demand * od + by_layer * ol
        row_d = keep * od + by_demand * dd + by_layer * dl
        row_l = keep * ol + by_demand * dl + by_layer * ll
        self.oo = keep * row_o + by_demand * row_d + by_layer * row_l + _PATCHES * _PATCHES * dt
        self.od, self.ol = row_d, wear * row_l
        self.dd, self.dl = dd + _DRIFT * _DRIFT * dt, wear * dl
        self.ll = wear * wear * ll + _LAYER_LEFT * _LAYER_LEFT * (1.0 - wear * wear)
        self.layer *= wear
        self.hours += dt

    def lag_shift(self, lag_h: float, water: Water) -> float:
        """How far a probe that follows with a first-order lag stands above the water, mg/L."""
        return -lag_h * self._unit(water).times(_whole(self.demand_ln, self.layer)).rate(self.oxygen)

    def correct(self, oxygen: float, noise: float) -> None:
        """Take in one reading of the water at the probe, with one standard deviation of its noise."""
        spread = self.oo + noise * noise
        off = oxygen - self.oxygen
        if off * off > _WILD * _WILD * spread:
            # bent back, not thrown away: a probe that keeps saying so is believed in the end
            spread = spread * sqrt(off * off / spread) / _WILD
        self.weight_ln -= 0.5 * _LIKELY_POWER * (log(spread) + min(off * off / spread, _WILD * _WILD))
        to_o, to_d, to_l = self.oo / spread, self.od / spread, self.ol / spread
        self.oxygen = max(0.0, self.oxygen + to_o * off)
        self.demand_ln += to_d * off
        self.layer = max(-0.95, min(3.0, self.layer + to_l * off))
        oo, od, ol = self.oo, self.od, self.ol
        self.dd -= to_d * od
        self.dl -= to_d * ol
        self.ll -= to_l * ol
        self.oo, self.od, self.ol = (1.0 - to_o) * oo, (1.0 - to_o) * od, (1.0 - to_o) * ol

    @property
    def learnt(self) -> tuple[float, float]:
        """The demand's logarithm and its variance."""
        return self.demand_ln, self.dd

    def settle(self, oxygen: float, oxygen_sd: float, learnt: tuple[float, float]) -> None:
        """Begin anew at an oxygen level, keeping what was learnt of the demand (the air came back for a while)."""
        self.oxygen, self.layer = oxygen, 0.0
        self.demand_ln, self.dd = learnt
        self.oo, self.od, self.ol = oxygen_sd * oxygen_sd, 0.0, 0.0
        self.dl, self.ll = 0.0, _LAYER * _LAYER

    def hours_to(self, limit: float, deviates: list[float], level_sd: float, water: Water) -> list[float]:
        """Hours from `self.hours` until the oxygen at the probe reaches a limit, one for each normal deviate.

        A deviate of +2 is a fall faster than all but one in forty. level_sd: of a calibration error the readings
        share. Solved by repetition: how unsure the mean demand is depends on how far off the crossing lies.
        """
        gap = self.oxygen - limit
        blur = sqrt(self.oo + level_sd * level_sd)
        if gap <= 0.0:
            return [0.0 for _ in deviates]
        wide, unit = max(gap, 2.0 * blur), self._unit(water)
        found, hours = [], 1.0
        for z in deviates:
            for _ in range(3):
                reach = min(max(hours, 1 / 60), 48.0)
                part = self._mixing / reach * (1.0 - exp(-reach / self._mixing))
                lean = part / max(0.05, 1.0 + part * self.layer)
                drift = min(_DRIFT_MOST**2, _DRIFT**2 * reach / 3.0)
                variance = (
                    self.dd + lean * lean * self.ll + 2.0 * lean * self.dl + drift
                    + (blur / wide) ** 2 - 2.0 * (self.od + lean * self.ol) / wide
                )  # fmt: skip
                faster = z * sqrt(max(variance, 1e-6))
                whole = _whole(self.demand_ln + faster, part * self.layer)
                hours = unit.times(whole).hours_to(self.oxygen, limit)
            found.append(hours)
            hours = hours if hours < inf else 48.0
        return found

    @property
    def demand_sd(self) -> float:
        """One standard uncertainty of the demand's logarithm."""
        return sqrt(max(self.dd, 0.0))
