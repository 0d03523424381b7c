"""One measuring point as people see it: value, age, uncertainty, which way it goes, how far its limits are."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from itertools import pairwise
from math import isfinite

from brinewatch.alarms.events import State
from brinewatch.alarms.memory import Memory
from brinewatch.alarms.rules import Above, Alarm, Below, age_s
from brinewatch.forecast.robust import Window, robust_line
from brinewatch.moment import Moment
from brinewatch.overview import PointView
from brinewatch.quantities import QUANTITIES, Quantity
from brinewatch.readings import Flag, Reading, quantity_of
from brinewatch.signals.display import DisplayUnits, convert, show

# long enough to see through noise, short enough that a stop of the air turns it within minutes (judgement)
_WINDOW_S, _STRETCHES = 1800.0, 12
_LEAST_STRETCHES = 6
_ANEW_S = 60.0  # a trend is drawn anew no more often
_STEPS = 2.0  # steps of the last decimal shown that it must move in an hour to be told
_COVERAGE = 2.0  # standard uncertainties told: about 95 % (JCGM 100:2008, 6.2.1 and G.6)
# counts and shares of a stretch of time go one way, or in jumps, by their nature
_NO_TREND = frozenset({"h", "in 24 h", "kPa/30 d", "g", "animals", "state"})


class Trends:
    """Which way each point has gone in the last half hour. Bounded: a few medians of each point."""

    def __init__(self) -> None:
        self._windows: dict[str, Window] = {}
        self._drawn: dict[str, tuple[float, float | None]] = {}

    def take(self, readings: Iterable[Reading]) -> None:
        for one in readings:
            quantity = QUANTITIES.get(one.quantity)
            if quantity is None or not _moves(quantity):
                continue
            if one.usable and one.value is not None and isfinite(one.value):
                window = self._windows.setdefault(one.point, Window(_WINDOW_S, _STRETCHES))
                window.add(one.at.mono, one.value)

    def forget(self, point: str) -> None:
        """What made it move has changed: it was calibrated, or lay elsewhere."""
        self._windows.pop(point, None)
        self._drawn.pop(point, None)

    def slope(self, point: str, now: Moment) -> float | None:
        """Units per hour; None where it is not known, or cannot be told from none."""
        drawn = self._drawn.get(point)
        if drawn is None or now.mono - drawn[0] >= _ANEW_S:
            window = self._windows.get(point)
            points = [] if window is None else [one for one in window.points if one[0] >= now.mono - _WINDOW_S]
            drawn = self._drawn[point] = (now.mono, _slope(points))
        return drawn[1]


def _moves(quantity: Quantity) -> bool:
    return quantity.states is None and quantity.unit not in _NO_TREND and quantity.key != "health"


def _slope(points: Sequence[tuple[float, float]]) -> float | None:
    """Of the whole stretch; where its end goes another way, of the end alone: neither says rising of what falls."""
    for part in (points, points[-_LEAST_STRETCHES:]):
        if len(part) < _LEAST_STRETCHES:
            return None
        line = robust_line(part)
        against = [after[1] - before[1] for before, after in pairwise(part[-3:])]
        if line.slope_low * line.slope_high > 0.0 and any(step * line.slope >= 0.0 for step in against):
            return line.slope
    return None


class Points:
    """Makes the views of a shed's points.

    every_s: how often each is read, of those that are read at all; max_age_s: what makes it old.
    """

    def __init__(self, every_s: Mapping[str, float], max_age_s: Mapping[str, float], units: DisplayUnits) -> None:
        self._limits: dict[str, list[Alarm]] = {}
        self._every_s = every_s
        self._max_age_s = max_age_s
        self._units = units
        self.trends = Trends()

    def limit_by(self, alarms: Sequence[Alarm]) -> None:
        """Tell how far it is to the limits of these alarms."""
        self._limits = {}
        for alarm in alarms:
            if isinstance(alarm.rule.condition, (Above, Below)) and alarm.rule.only is None:
                self._limits.setdefault(alarm.point, []).append(alarm)

    def view(self, point: str, reading: Reading | None, memory: Memory, now: Moment) -> PointView:
        quantity, every = QUANTITIES[quantity_of(point)], self._every_s.get(point)
        if reading is None:
            nothing = "not read yet"
            return PointView(point, quantity.name, quantity.key, None, nothing, Flag.MISSING, None, True, "", every)
        age, value = age_s(reading, now), reading.value
        old = age > self._max_age_s.get(point, float("inf"))
        told = None if old or not reading.usable or value is None or not isfinite(value) else value
        return PointView(
            point,
            quantity.name,
            quantity.key,
            reading,
            self._show(point, value) if value is not None else reading.reason or "no value",
            reading.flag,
            age,
            old,
            " ".join(f"{part.rstrip('.')}." for part in (reading.reason, reading.basis) if part),
            every,
            self._uncertain(quantity, told, reading.uncertainty),
            "" if told is None else self._way(quantity, told, self.trends.slope(point, now)),
            "" if told is None else self._limit(point, quantity, told, memory),
        )

    def _show(self, point: str, value: float) -> str:
        return show(quantity_of(point), value, self._units)

    def _uncertain(self, quantity: Quantity, value: float | None, standard: float | None) -> str:
        if value is None or standard is None or quantity.states is not None or not isfinite(standard):
            return ""
        return self._apart(quantity, value, value + _COVERAGE * standard)

    def _way(self, quantity: Quantity, value: float, slope: float | None) -> str:
        if slope is None or abs(slope) < _STEPS * 10.0**-quantity.decimals:
            return ""
        return f"{'rising' if slope > 0.0 else 'falling'} {self._apart(quantity, value, value + slope)} in an hour"

    def _limit(self, point: str, quantity: Quantity, value: float, memory: Memory) -> str:
        """How far the nearest limit is that is in force."""
        found = []
        for alarm in self._limits.get(point, ()):
            one, limit = memory.alarms.get(alarm.id), alarm.rule.limit
            if limit is not None and (one is None or one.state is not State.OUT_OF_SERVICE):
                found.append((abs(value - limit), alarm.rule.side, limit))
        if not found or quantity.states is not None:
            return ""
        _, side, limit = min(found)
        which = f"the {'lower' if side == 'min' else 'upper'} limit of {self._show(point, limit)}"
        if value == limit:
            return f"at {which}"
        return f"{self._apart(quantity, value, limit)} {'above' if value > limit else 'below'} {which}"

    def _apart(self, quantity: Quantity, one: float, other: float) -> str:
        """How far two values lie apart, as text with the unit shown."""
        (here, unit, decimals), (there, _, _) = (convert(quantity.key, x, self._units) for x in (one, other))
        said = "" if unit.startswith(("pH", "in ")) else unit
        return f"{abs(there - here):.{decimals}f} {said}".rstrip()
