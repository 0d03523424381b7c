"""First-order forecasts of slow quantities: a robust straight line, and for temperature the way towards the room's.

dT/dt = (T_room - T)/tau + P/(rho c V); tau = rho c V/(U A). Streaming, in bounded memory.
"""

from __future__ import annotations

from itertools import product
from math import inf, log

from brinewatch.forecast.outlook import Forecast
from brinewatch.forecast.robust import Line, Window, robust_line
from brinewatch.moment import span_text
from brinewatch.quantities import QUANTITIES

HEAT_MJ_M3_K = 4.09  # of seawater, S 33 at 12 degC (1025 kg/m3 times 3.99 kJ/kg/K)
# W/m2/K through all of the tank's surface: insulated with a lid, bare, open and bubbling (memory)
WALLS_W_M2_K = (4.0, 8.0, 15.0)
_ROOM_SD = 1.0  # K that the room's own temperature may go on to change, either way (judgement)
_UNSTEADY = 1.25  # no slope holds better than this into the future (judgement)
_LEAST_POINTS = 8


def time_constant_h(volume_L: float, area_m2: float, u_W_m2_K: float) -> float:
    """tau, hours, of a body of water whose walls, floor and surface come to area_m2."""
    return HEAT_MJ_M3_K * 1e6 * volume_L / 1000.0 / (u_W_m2_K * area_m2) / 3600.0


def relaxation_hours(level: float, limit: float, end: float, tau_h: float) -> float:
    """Hours until a value on its exponential way to `end` passes a limit; infinite when it ends before it."""
    if level == limit:
        return 0.0
    if (limit - level) * (end - limit) <= 0.0:
        return inf
    return tau_h * log((end - level) / (end - limit))


class Trend:
    """The recent way of one point. Times are monotonic seconds; add usable readings only."""

    def __init__(self, quantity: str, window_s: float = 3600.0, points: int = 40) -> None:
        self.quantity = quantity
        self._window = Window(window_s, points)
        self._line: Line | None = None
        self._newest_s = -inf

    def observe(self, mono_s: float, value: float) -> None:
        """One reading."""
        self._window.add(mono_s, value)
        self._newest_s = max(self._newest_s, mono_s)
        self._line = None

    def clear(self) -> None:
        """Begin anew: a calibration, a water change or a heater switched make the past useless."""
        self._window.clear()
        self._line = None

    @property
    def line(self) -> Line | None:
        """The robust line through the window; None while there are fewer than eight points."""
        if self._line is None:
            points = self._window.points
            if len(points) >= _LEAST_POINTS:
                self._line = robust_line(points)
        return self._line

    def straight(self, now_s: float, limit: float) -> Forecast | None:
        """Time to a limit if it goes on as it went; None while too little is known.

        The limit may lie above or below. A slope that cannot be told from none reaches it at the earliest figure or
        never.
        """
        line = self.line
        if line is None:
            return None
        gap = limit - line.level
        way = 1.0 if gap >= 0.0 else -1.0
        towards = sorted(way * one for one in (line.slope_low, line.slope, line.slope_high))
        fastest = towards[2] * (_UNSTEADY if towards[2] > 0.0 else 1.0)
        slowest = towards[0] / _UNSTEADY
        middle = towards[1] if towards[0] > 0.0 else 0.0
        near, far = max(0.0, abs(gap) - line.scatter), abs(gap) + line.scatter
        times = (_hours(near, fastest), _hours(abs(gap), middle), _hours(far, slowest))
        notes = () if middle > 0.0 else ("no clear trend towards it",)
        return self._forecast(now_s, limit, times, f"straight line through {span_text(line.seconds)}", notes)

    def relaxing(
        self, now_s: float, limit: float, room_C: float, *, heating_K_h: float = 0.0,
        tau_h: tuple[float, float, float] | None = None,
    ) -> Forecast | None:  # fmt: skip
        """Time until a temperature passes a limit on its way to the room's; None while too little is known.

        heating_K_h: what heaters and pumps alone would add in an hour; tau_h: the tank's time constant, least,
        likely and most, to be used while the measured slope says too little. "Never" is an infinite time: the
        temperature at which it ends does not cross the limit.
        """
        line, points = self.line, self._window.points
        if not points:
            return None
        level = line.level if line is not None else points[-1][1]
        ends = (room_C - _ROOM_SD, room_C, room_C + _ROOM_SD)
        if line is not None and line.slope_low * line.slope_high > 0.0:
            rates = (line.slope_low / _UNSTEADY, line.slope, line.slope_high * _UNSTEADY)
            if line.slope < 0.0:
                rates = (line.slope_low * _UNSTEADY, line.slope, line.slope_high / _UNSTEADY)
            return self._as_measured(now_s, limit, level, ends, rates, heating_K_h, line)
        if tau_h is None:
            return self.straight(now_s, limit)
        hours = [
            relaxation_hours(level, limit, end + heating_K_h * tau, tau) for end, tau in product(ends, tau_h)
        ]  # fmt: skip
        middle = relaxation_hours(level, limit, room_C + heating_K_h * tau_h[1], tau_h[1])
        basis = f"towards {room_C:.1f} degC with a time constant of {tau_h[1]:.0f} h"
        return self._forecast(now_s, limit, (min(hours), middle, max(hours)), basis, (), corrected=False)

    def _as_measured(
        self, now_s: float, limit: float, level: float, ends: tuple[float, float, float],
        rates: tuple[float, float, float], heating_K_h: float, line: Line,
    ) -> Forecast:  # fmt: skip
        def hours(end: float, rate: float) -> float:
            pull = rate - heating_K_h
            if (end - level) * pull <= 0.0:
                return _hours((limit - level) * (1.0 if rate > 0.0 else -1.0), abs(rate))
            tau = (end - level) / pull
            return relaxation_hours(level, limit, end + heating_K_h * tau, tau)

        all_ways = [hours(end, rate) for end, rate in product(ends, rates)]
        middle = hours(ends[1], rates[1])
        notes: tuple[str, ...] = ()
        if (ends[1] - level) * (rates[1] - heating_K_h) <= 0.0:
            notes = ("moves away from the room's temperature",)
        basis = f"measured over {span_text(line.seconds)}, towards {ends[1]:.1f} degC"
        return self._forecast(now_s, limit, (min(all_ways), middle, max(all_ways)), basis, notes)

    def _forecast(
        self, now_s: float, limit: float, hours: tuple[float, float, float], basis: str, notes: tuple[str, ...],
        *, corrected: bool = True,
    ) -> Forecast:  # fmt: skip
        since = max(0.0, now_s - self._newest_s)
        earliest, middle, latest = (max(0.0, 3600.0 * one - since) for one in hours)
        if since > 2.0 * self._window.seconds:
            notes = (f"no {QUANTITIES[self.quantity].name} for {span_text(since)}", *notes)
        middle = min(max(middle, earliest), latest)
        return Forecast(self.quantity, limit, middle, earliest, latest, corrected, basis, notes)


def _hours(gap: float, speed: float) -> float:
    """Hours over a gap at a speed towards it; infinite when it goes the other way or nowhere."""
    if gap <= 0.0:
        return 0.0
    return gap / speed if speed > 0.0 else inf
