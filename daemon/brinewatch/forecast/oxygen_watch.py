"""How long the oxygen of one tank lasts, from the moment its air stops and corrected by the fall as it is measured.

What cannot be known at the stop (the surface's gas transfer, how fast still water mixes, how low the animals keep
their pace) is covered by a bank of small filters, each believing in one set of values and weighted by how well it
foretells the readings.
"""

from __future__ import annotations

from collections.abc import Sequence
from enum import StrEnum
from math import exp, fsum, inf, sqrt
from statistics import NormalDist, median

from brinewatch.forecast.belief import Belief
from brinewatch.forecast.fall_filter import FallFilter
from brinewatch.forecast.outlook import Forecast
from brinewatch.forecast.oxygen_budget import Demand, TankOxygen, Water
from brinewatch.forecast.robust import Window, robust_line
from brinewatch.moment import span_text

LIMITS_PERCENT = (65.0, 45.0, 20.0)
COVERAGE = 0.95  # of the range, as the filters see it
_KL_M_D = ((0.03, 0.35), (0.12, 0.4), (0.4, 0.25))  # of a still indoor surface, and how much each is believed
_KL_MEASURED = ((0.6, 0.25), (1.0, 0.5), (1.6, 0.25))  # times the tank's measured one
_MIXING_H = ((0.08, 0.3), (0.35, 0.4), (1.0, 0.3))
# times the tank's critical oxygen: animals may go on at their pace far below the published one (judgement)
_CRITICAL = ((1.1, 0.4), (0.7, 0.35), (0.3, 0.25))
_STRETCH_S = (60.0, 300.0)  # readings are taken together over this time: a fortieth of that since the stop
_NOISE_MG_L = 0.03  # no mean of readings is trusted further than this
_RISING_S = 600.0
_RISE_MG_L = 0.12
_QUIET_S = 300.0  # without a reading this long, the text says so
_START_PERCENT, _START_SD_PERCENT = 85.0, 7.0  # where no probe says what the tank held at the stop (judgement)
# a filter's belief in 15 points, and the weight of each
_DEVIATES = [0.4 * at for at in range(-7, 8)]
_WEIGHTS = [NormalDist().pdf(z) for z in _DEVIATES]


def _bank(measured_kl: float | None) -> list[tuple[float, float, float, float]]:
    """(kL in m/d, mixing in h, critical oxygen as a factor, weight) of nine filters.

    A Latin square: each value of one meets each value of the others once, so nine do for twenty-seven.
    """
    transfers = _KL_M_D if measured_kl is None else tuple((f * measured_kl, w) for f, w in _KL_MEASURED)
    found = []
    for row, (kl, kl_weight) in enumerate(transfers):
        for column, (mixing, mixing_weight) in enumerate(_MIXING_H):
            critical, critical_weight = _CRITICAL[(row + column) % 3]
            found.append((kl, mixing, critical, kl_weight * mixing_weight * critical_weight))
    return found


class OxygenProbe(StrEnum):
    """What measures the tank's oxygen. A membrane probe uses up what it measures and reads low in still water."""

    OPTICAL = "optical"
    MEMBRANE = "membrane"
    NONE = "none"


class OxygenWatch:
    """One tank since its air stopped. Times are monotonic seconds; the caller drops it when the air is back.

    oxygen_mg_L: at the stop, None when not known; uncertainty_mg_L: one standard uncertainty of the calibration,
    which all readings share; probe_lag_s: the time constant of the probe (and of the caller's averaging).

    A limit is passed when the water at the probe passes it. Still water layers: around animals on the floor it may
    be passed sooner, which no single probe can tell.
    """

    def __init__(
        self, tank: TankOxygen, belief: Belief, water: Water, stopped_s: float, oxygen_mg_L: float | None,
        probe: OxygenProbe, *, probe_lag_s: float = 30.0, uncertainty_mg_L: float = 0.1,
    ) -> None:  # fmt: skip
        self._tank, self._belief, self._probe = tank, belief, probe
        self._water, self._stopped = water, stopped_s
        self._lag_s, self._level_sd = probe_lag_s, uncertainty_mg_L
        self._start_known = oxygen_mg_L is not None
        saturated = water.saturated_mg_L
        start = oxygen_mg_L if oxygen_mg_L is not None else saturated * _START_PERCENT / 100.0
        start_sd = 0.03 if self._start_known else saturated * _START_SD_PERCENT / 100.0
        self._filters = [
            FallFilter(
                tank.model_copy(update={"critical_share": tank.critical_share * critical}),
                belief.demand, belief.ln_sd, kl, mixing, weight, start, start_sd,
            )
            for kl, mixing, critical, weight in _bank(tank.kl_m_d)
        ]  # fmt: skip
        self._older = self._newer = [one.learnt for one in self._filters]
        self._kept_s = stopped_s
        self._open: list[tuple[float, float]] = []
        self._last_s = self._seen_s = stopped_s
        self._used = 0
        self._recent = Window(_RISING_S, 10)
        self._rising = False

    def observe(self, mono_s: float, oxygen_mg_L: float, water: Water) -> None:
        """One usable reading of the tank's oxygen. Stamps that do not advance are left out."""
        if mono_s < self._stopped or (self._open and mono_s <= self._open[-1][0]):
            return
        shortest, longest = _STRETCH_S
        stretch = min(longest, max(shortest, (mono_s - self._stopped) / 40.0))
        if self._open and mono_s - self._open[0][0] >= stretch:
            self._take(self._water)
        self._water, self._seen_s = water, mono_s
        if len(self._open) < 100:
            self._open.append((mono_s, oxygen_mg_L))
        self._recent.add(mono_s, oxygen_mg_L)

    def observe_water(self, water: Water) -> None:
        """Temperature and salinity alone, for a tank whose oxygen is not measured or not usable just now."""
        self._water = water

    def _take(self, water: Water) -> None:
        """One stretch of readings as one: its median, and what its own scatter says of the noise."""
        values = [value for _, value in self._open]
        at = sum(t for t, _ in self._open) / len(self._open)
        oxygen = median(values)
        middle = fsum(values) / len(values)
        scatter = fsum((value - middle) ** 2 for value in values) / len(values)
        noise = sqrt(_NOISE_MG_L**2 + 1.5 * scatter / len(values))
        self._open = []
        since = at - self._stopped
        # the probe's lag and the last bubbles: the first minutes tell little of the fall to come
        noise *= 1.0 + 4.0 * exp(-since / max(120.0, 2.0 * self._lag_s))
        was, self._rising = self._rising, self._is_rising()
        if self._probe is not OxygenProbe.OPTICAL:
            return  # the filters stay at the stop, so that their doubt is carried whole
        self._last_s = at
        if not self._rising and at - self._kept_s >= _RISING_S:
            self._older, self._newer = self._newer, [one.learnt for one in self._filters]
            self._kept_s = at
        for one, before in zip(self._filters, self._older, strict=True):
            one.predict(since / 3600.0, water)
            if self._rising or was:
                # what was learnt while it had begun to rise, unnoticed yet, is taken back
                one.settle(oxygen, noise, before)
            else:
                one.correct(oxygen - one.lag_shift(self._lag_s / 3600.0, water), noise)
        if not (self._rising or was):
            self._used += 1
            most = max(one.weight_ln for one in self._filters)
            for one in self._filters:
                one.weight_ln = max(one.weight_ln - most, -7.0)

    def _is_rising(self) -> bool:
        points = self._recent.points
        if len(points) < 5:
            return False
        line = robust_line(points)
        return line.slope_low > 0.0 and line.slope * line.seconds / 3600.0 > _RISE_MG_L

    @property
    def rising(self) -> bool:
        """Oxygen rises though the air is said to be off."""
        return self._rising

    @property
    def corrected(self) -> bool:
        """Whether readings since the stop have corrected the forecast."""
        return self._used >= 3

    def demand_mg_L_h(self) -> tuple[float, float, float]:
        """What the whole tank uses now while oxygen is plentiful: low, middle and high, two sigma apart."""
        weights = [exp(one.weight_ln) for one in self._filters]
        whole = fsum(weights)
        mean = fsum(w * one.demand_ln for w, one in zip(weights, self._filters, strict=True)) / whole
        spread = fsum(
            w * (one.demand_sd**2 + (one.demand_ln - mean) ** 2)
            for w, one in zip(weights, self._filters, strict=True)
        )
        sd = sqrt(spread / whole)
        pace = Demand(1.0, self._belief.demand.share).at(self._tank, self._water.temperature_C).whole
        return exp(mean - 2.0 * sd) * pace, exp(mean) * pace, exp(mean + 2.0 * sd) * pace

    def forecast(self, now_s: float, limits_percent: Sequence[float] = LIMITS_PERCENT) -> tuple[Forecast, ...]:
        """One Forecast for each limit, percent of saturation, as the probe would show it."""
        return tuple(self._one(now_s, limit) for limit in limits_percent)

    def _one(self, now_s: float, percent: float) -> Forecast:
        limit = percent / 100.0 * self._water.saturated_mg_L
        elapsed = max(0.0, now_s - self._last_s)
        weights = [exp(one.weight_ln) for one in self._filters]
        times = sorted(
            (max(0.0, 3600.0 * hours - elapsed), weight * share)
            for one, weight in zip(self._filters, weights, strict=True)
            for hours, share in zip(
                one.hours_to(limit, _DEVIATES, self._level_sd, self._water), _WEIGHTS, strict=True
            )
        )
        tail = (1.0 - COVERAGE) / 2.0
        earliest, middle, latest = (_quantile(times, p) for p in (tail, 0.5, 1.0 - tail))
        if self._rising and middle > 0.0:
            middle = latest = inf
        return Forecast(
            "oxygen_saturation",
            percent,
            middle,
            earliest,
            latest,
            self.corrected,
            self._basis(),
            self._notes(now_s),
        )

    def _basis(self) -> str:
        if not self.corrected:
            return f"budget only, {self._belief.basis}"
        return f"measured fall since the air stopped, {self._belief.basis}"

    def _notes(self, now_s: float) -> tuple[str, ...]:
        notes = []
        if self._rising:
            notes.append("oxygen is rising")
        if self._probe is OxygenProbe.NONE:
            notes.append("no oxygen probe")
        elif self._probe is OxygenProbe.MEMBRANE:
            notes.append("membrane probe reads low in still water: not used")
        elif now_s - self._seen_s > _QUIET_S:
            notes.append(f"no oxygen reading for {span_text(now_s - self._seen_s)}")
        if not self._start_known:
            notes.append(f"taken to have held {_START_PERCENT:.0f} % at the stop")
        return (*notes, *self._belief.notes)


def _quantile(weighted: Sequence[tuple[float, float]], p: float) -> float:
    """The value below which a share p of the weight lies; straight between neighbours, infinite beyond the last."""
    whole = sum(weight for _, weight in weighted)
    target, before, reached = p * whole, 0.0, 0.0
    at_before: float | None = None
    for value, weight in weighted:
        centre = reached + 0.5 * weight
        if centre >= target:
            if at_before is None or value == inf or centre <= before:
                return value
            return at_before + (value - at_before) * (target - before) / (centre - before)
        at_before, before, reached = value, centre, reached + weight
    return weighted[-1][0]
