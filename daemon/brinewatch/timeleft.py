"""How long is left: forecasts from the readings of the shed, told to the rules as readings of their own.

While the air runs, a quantity is foretold by the straight line of its recent past. From the moment the air stops,
the oxygen of a tank with animals is foretold by its budget, corrected by the fall as it is measured. The moment is
that of the first low reading, not of the alarm.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import inf

from brinewatch.alarms.features import ForecastOf
from brinewatch.forecast.belief import believed
from brinewatch.forecast.outlook import Forecast
from brinewatch.forecast.oxygen_budget import Feeding, TankOxygen, Water
from brinewatch.forecast.oxygen_watch import OxygenProbe, OxygenWatch
from brinewatch.forecast.trend import Trend
from brinewatch.forecast.words import sentence, short
from brinewatch.moment import Moment
from brinewatch.readings import Flag, Reading, quantity_of, stage_of

# a dip shorter than this is no stop; and the air must be back for so long before a stop is over (judgement)
_STOPPED_S, _BACK_S = 10.0, 60.0
_EVERY_S = 30.0  # between two forecasts of one point
_OLDEST_S = 900.0  # of temperature and salinity, and of the oxygen at the stop


@dataclass(frozen=True, slots=True)
class AirOff:
    """The point that tells that the air has stopped, and the limit below which it has."""

    point: str
    below: float


@dataclass(frozen=True, slots=True)
class TankPlan:
    """A tank with animals: what is known of it, and what measures its oxygen."""

    stage: str
    tank: TankOxygen
    probe: OxygenProbe


class TimeLeft:
    """Keeps the trends and, while the air is off, the oxygen of each tank. Pure: `now` and readings come in."""

    def __init__(
        self, wanted: Sequence[ForecastOf], tanks: Sequence[TankPlan], air: Sequence[AirOff], station_hPa: float
    ) -> None:
        self._wanted = tuple(wanted)
        self._tanks = {plan.stage: plan for plan in tanks}
        self._air = {one.point: one.below for one in air}
        self._station_hPa = station_hPa
        self._trends = {one.point: Trend(quantity_of(one.point)) for one in wanted}
        self._low: dict[str, float] = {}
        self._back: float | None = None
        self._watches: dict[str, OxygenWatch] = {}
        self._told: dict[str, float] = {}
        self._latest: dict[tuple[str, str], Forecast] = {}

    @property
    def stopped_s(self) -> float | None:
        """Since when the air is off, monotonic seconds; None while it is not known to be."""
        return min(self._low.values(), default=None)

    def take(self, fresh: Iterable[Reading], latest: Mapping[str, Reading], now: Moment) -> list[Reading]:
        """New readings in, forecasts that are news out, under the keys the rules look them up by."""
        moved = False
        for one in fresh:
            if one.point in self._air:
                moved = self._hear_air(one) or moved
            if not one.usable or one.value is None:
                continue
            if (trend := self._trends.get(one.point)) is not None:
                trend.observe(one.at.mono, one.value)
            if (watch := self._watches.get(stage_of(one.point))) is not None and quantity_of(one.point) == "oxygen":
                watch.observe(one.at.mono, one.value, self._water(stage_of(one.point), latest))
        self._begin_or_end(latest, now)
        return [reading for one in self._wanted if (reading := self._foretell(one, now, moved)) is not None]

    def _hear_air(self, one: Reading) -> bool:
        if not one.usable or one.value is None:
            return False  # nothing is known of the air: what was known stands
        if one.value < self._air[one.point]:
            self._back = None
            return self._low.setdefault(one.point, one.at.mono) == one.at.mono
        if one.point in self._low and self._back is None:
            self._back = one.at.mono
        return False

    def _begin_or_end(self, latest: Mapping[str, Reading], now: Moment) -> None:
        if self._low and self._back is not None and now.mono - self._back >= _BACK_S:
            self._low.clear()
            self._watches.clear()
            self._latest.clear()
            self._back = None
            for point, trend in self._trends.items():
                if quantity_of(point).startswith("oxygen"):
                    trend.clear()  # the fall is over: its line says nothing of the rise
        stopped = self.stopped_s
        if stopped is None or self._watches or now.mono - stopped < _STOPPED_S:
            return
        for stage, plan in self._tanks.items():
            oxygen = latest.get(f"{stage}.oxygen")
            known = oxygen is not None and oxygen.usable and now.mono - oxygen.at.mono <= _OLDEST_S
            water = self._water(stage, latest)
            belief = believed(plan.tank, Feeding.FED, water.temperature_C, now.local.date())
            probe = plan.probe if known else OxygenProbe.NONE
            start = oxygen.value if known and oxygen is not None else None
            self._watches[stage] = OxygenWatch(plan.tank, belief, water, stopped, start, probe)

    def _water(self, stage: str, latest: Mapping[str, Reading]) -> Water:
        def newest(quantity: str, otherwise: float) -> float:
            own = latest.get(f"{stage}.{quantity}")
            some = [own] if own is not None else [one for one in latest.values() if one.quantity == quantity]
            known = (one.value for one in some if one.usable and one.value is not None)
            return next(known, otherwise)

        return Water(
            newest("temperature", 15.0), newest("salinity", 33.0), newest("barometric_pressure", self._station_hPa)
        )

    def _foretell(self, one: ForecastOf, now: Moment, moved: bool) -> Reading | None:
        told = self._told.get(one.key)
        if told is not None and not moved and now.mono - told < _EVERY_S:
            return None
        forecast = self._forecast(one, now)
        if forecast is None:
            return None
        self._told[one.key] = now.mono
        self._latest[one.point, one.side] = forecast
        seconds = forecast.earliest_s if one.time == "earliest" else forecast.middle_s
        return Reading(
            one.key, quantity_of(one.point), seconds, None, Flag.PASS, "", now, "forecast", basis=forecast.basis
        )

    def _forecast(self, one: ForecastOf, now: Moment) -> Forecast | None:
        watch = self._watches.get(stage_of(one.point))
        if watch is not None and quantity_of(one.point) == "oxygen_saturation" and one.side == "below":
            return watch.forecast(now.mono, (one.limit,))[0]
        forecast = self._trends[one.point].straight(now.mono, one.limit)
        line = self._trends[one.point].line
        if forecast is None or line is None:
            return None
        inside = line.level > one.limit if one.side == "below" else line.level < one.limit
        if not inside:
            return Forecast(forecast.quantity, one.limit, 0.0, 0.0, 0.0, True, "the limit is passed")
        return forecast

    # -- in words -----------------------------------------------------------------------------------------------

    def tightest(self, stage: str | None = None) -> Forecast | None:
        """While the air is off: the forecast of the tank that has least time, or of one stage."""
        if self.stopped_s is None:
            return None
        found = [
            forecast
            for (point, side), forecast in self._latest.items()
            if quantity_of(point) == "oxygen_saturation"
            and side == "below"
            and stage_of(point) in self._watches
            and stage in (None, stage_of(point))
        ]
        return min(found, key=lambda forecast: forecast.earliest_s, default=None)

    def words(self, stage: str | None = None) -> str:
        """For the page and the terminal: "about 3 h 10 min to 35 %, 2 h 20 min at the earliest", or nothing."""
        forecast = self.tightest(stage)
        if forecast is None or forecast.earliest_s == inf:
            return ""
        doubt = f" ({'; '.join(forecast.notes)})" if forecast.notes else ""
        return f"Oxygen: {sentence(forecast)}{doubt}."

    def short(self) -> str:
        """For a text message: "O2 35% in ~3h10, earliest 2h20", or nothing."""
        forecast = self.tightest()
        return "" if forecast is None or forecast.earliest_s == inf else short(forecast)
