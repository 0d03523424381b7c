"""What rules ask of a stretch of time: a slope, a span, a count; and of the time to come: a forecast.

Each is worked out once, as readings come in, and looked up by the engine like a reading, under a key of its own.
Pure and bounded: at most sixty stretches or a thousand starts are kept of each.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from brinewatch.alarms.windows import Slope, Span, Starts, Window
from brinewatch.moment import Moment
from brinewatch.readings import Flag, Reading, quantity_of

if TYPE_CHECKING:
    from brinewatch.alarms.condition import Condition
    from brinewatch.alarms.rules import Alarm

# how long a forecast may be judged by; it is worked out anew every minute or so (judgement)
FORECAST_MAX_AGE_S = 300.0


def forecast_key(point: str, side: str, limit: float, time: str) -> str:
    """Under which the seconds until a limit are found: side is below or above, limit in the quantity's own unit,
    time is earliest or middle. The value is counted from the reading's stamp; infinity means never."""
    return f"{point}~{side}~{limit:.10g}~{time}"


def done_key(point: str, what: str) -> str:
    """Under which it is found when something was last done about a point: calibration, round."""
    return f"{point}~{what}"


@dataclass(frozen=True, slots=True)
class SlopeOf:
    """The Theil-Sen slope of a point over so many seconds, in its unit per second."""

    point: str
    over_s: float
    max_age_s: float
    key: str = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "key", f"{self.point}~slope~{self.over_s:.10g}")

    def window(self) -> Window:
        return Slope(self.over_s)


@dataclass(frozen=True, slots=True)
class SpanOf:
    """The highest less the lowest value of a point over so many seconds."""

    point: str
    over_s: float
    max_age_s: float
    key: str = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "key", f"{self.point}~span~{self.over_s:.10g}")

    def window(self) -> Window:
        return Span(self.over_s, self.max_age_s)


@dataclass(frozen=True, slots=True)
class StartsOf:
    """How often a condition of a point's readings began to hold in so many seconds."""

    point: str
    condition: Condition
    band: float
    over_s: float
    max_age_s: float
    key: str = field(init=False)

    def __post_init__(self) -> None:
        key = f"{self.point}~starts~{self.condition}~{self.band:.10g}~{self.over_s:.10g}"
        object.__setattr__(self, "key", key)

    def window(self) -> Window:
        return Starts(self.condition, self.band, self.over_s, self.max_age_s)


@dataclass(frozen=True, slots=True)
class ForecastOf:
    """How long until a limit is crossed: worked out elsewhere, looked up here.

    side: below or above; limit: in the quantity's own unit; time: earliest or middle.
    """

    point: str
    side: str
    limit: float
    time: str
    key: str = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "key", forecast_key(self.point, self.side, self.limit, self.time))


Feature = SlopeOf | SpanOf | StartsOf | ForecastOf


def wanted(alarms: Iterable[Alarm]) -> tuple[Feature, ...]:
    """Every feature these alarms look up, each once."""
    found = {one.key: one for alarm in alarms for one in alarm.rule.condition.features()}
    return tuple(found.values())


def wanted_forecasts(alarms: Iterable[Alarm]) -> tuple[ForecastOf, ...]:
    """The forecasts these alarms look up: what whoever foretells should work out."""
    return tuple(one for one in wanted(alarms) if isinstance(one, ForecastOf))


class Features:
    """The windows of one shed. Give it every new reading; find the features in `readings` under their keys."""

    def __init__(self, features: Iterable[Feature]) -> None:
        self._windows: dict[str, list[tuple[str, Window]]] = {}
        self._reach: dict[str, float] = {}
        for one in features:
            if isinstance(one, ForecastOf):
                continue
            self._windows.setdefault(one.point, []).append((one.key, one.window()))
            # a window may begin in the middle of one of its stretches
            reach = 1.05 * one.over_s + one.max_age_s
            self._reach[one.point] = max(reach, self._reach.get(one.point, 0.0))
        self._counts = [
            (point, key, window)
            for point, windows in self._windows.items()
            for key, window in windows
            if isinstance(window, Starts)
        ]
        self.readings: dict[str, Reading] = {}

    @property
    def reach(self) -> Mapping[str, float]:
        """How many seconds back the features of each point look: what `replay` should be given after a restart."""
        return self._reach

    def take(self, readings: Iterable[Reading], now: Moment) -> Mapping[str, Reading]:
        """Take in new readings, or let time alone pass. Returns the features that are new."""
        new: dict[str, Reading] = {}
        for reading in readings:
            for key, window in self._windows.get(reading.point, ()):
                try:
                    if window.take(reading):
                        new[key] = _reading(key, reading.point, window, reading.at)
                except Exception as error:  # noqa: BLE001 - the rule that looks it up is broken, and says so
                    reason = f"{type(error).__name__}: {error}"
                    quantity = quantity_of(reading.point)
                    new[key] = Reading(key, quantity, None, None, Flag.FAIL, reason, now, "rules")
        for point, key, window in self._counts:
            if window.forget(now.mono):
                new[key] = _reading(key, point, window, now)
        self.readings.update(new)
        return new

    def replay(self, readings: Iterable[Reading]) -> None:
        """Take in readings of the past, oldest first, their monotonic stamps counted as `now` counts."""
        for reading in readings:
            if reading.point in self._windows:
                self.take((reading,), reading.at)

    def due(self, now: Moment) -> float | None:
        """The monotonic second at which time alone next changes a feature: when a start is no longer counted."""
        times = (window.due for _, _, window in self._counts if window.due is not None)
        return min((one for one in times if one > now.mono), default=None)


def _reading(key: str, point: str, window: Window, at: Moment) -> Reading:
    reason = window.reason
    flag = Flag.NOT_EVALUATED if reason else Flag.PASS
    return Reading(key, quantity_of(point), window.value, None, flag, reason, at, "rules")
