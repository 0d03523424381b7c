"""How long is left: forecasts from the readings of the shed, told to the rules as readings of their own.

While the air runs, a quantity is foretold by the straight line of its recent past. From the moment the air stops,
the oxygen of a tank with animals is foretold by its budget, corrected by the fall as it is measured. The moment is
that of the first low reading, not of the alarm. Pure: `now` and readings come in. Bounded: one trend for each point
the rules ask about, one watch for each tank.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from math import hypot, inf, isfinite

from brinewatch.alarms.features import ForecastOf
from brinewatch.alarms.wording import Left
from brinewatch.forecast.air_off import AirOffTest
from brinewatch.forecast.air_stop import AirOff, AirStop
from brinewatch.forecast.belief import Belief, believed
from brinewatch.forecast.outlook import Forecast
from brinewatch.forecast.oxygen_budget import Feeding, TankOxygen, Water
from brinewatch.forecast.oxygen_watch import OxygenProbe, OxygenWatch
from brinewatch.forecast.trend import Trend
from brinewatch.forecast.words import sentence, short
from brinewatch.moment import Moment
from brinewatch.readings import Flag, Reading, quantity_of, stage_of

_EVERY_S = 30.0  # between two forecasts of one point
_OLDEST_S = 900.0  # of what a forecast stands on: oxygen at the stop, temperature, the last reading of a trend
_HOUR_S = 3600.0
_SHORT_WINDOW_S = 1200.0  # of a trend while the air is off: a fall is seen in minutes, not in an hour
_TAKEN_C, _TAKEN_SALINITY = 15.0, 33.0  # where no probe tells
_KNOWN_S = 6 * 3600.0  # a tank without air keeps its temperature so long within a kelvin or two (judgement)
_TAKEN_LN = 0.4  # what 5 K more or less do to the demand: ln 2.1 / 2 (judgement)
_LIMIT_PERCENT = 45.0  # told of a tank for which no rule asks for a forecast
_OXYGEN = ("oxygen", "oxygen_saturation")


@dataclass(frozen=True, slots=True)
class TankPlan:
    """A tank with animals: what is known of it, and what measures its oxygen."""

    stage: str
    tank: TankOxygen
    probe: OxygenProbe
    name: str = ""
    feeding: Feeding = Feeding.FED
    probe_lag_s: float = 30.0


class TimeLeft:
    """Keeps the trends and, while the air is off, the oxygen of each tank."""

    def __init__(
        self, wanted: Sequence[ForecastOf], tanks: Sequence[TankPlan], air: Sequence[AirOff], station_hPa: float
    ) -> None:
        self.tanks: Mapping[str, TankPlan] = {plan.stage: plan for plan in tanks}
        self.tells_air = bool(air)
        asked = {stage_of(one.point) for one in wanted if _falling_oxygen(one)}
        told = [
            ForecastOf(f"{stage}.oxygen_saturation", "below", _LIMIT_PERCENT, "earliest")
            for stage in self.tanks
            if stage not in asked
        ]
        self._wanted = (*wanted, *told)
        self._air = AirStop(air)
        self._stopped: float | None = None
        self._returned: float | None = None
        self._station_hPa = station_hPa
        self._trends = {one.point: Trend(quantity_of(one.point)) for one in self._wanted}
        self._seen: dict[str, float] = {}
        self._water: dict[str, Water] = {}
        self._warmth: dict[str, tuple[float, float]] = {}  # by stage: the last temperature, and when
        self._watches: dict[str, OxygenWatch] = {}
        self._tests: dict[str, AirOffTest] = {}
        self._told: dict[str, float] = {}
        self._latest: dict[str, tuple[ForecastOf, Forecast]] = {}

    @property
    def stopped_s(self) -> float | None:
        """Since when the air is off, monotonic seconds; None while it is not known to be."""
        return self._stopped

    @property
    def returning(self) -> bool:
        """Whether the air has come back within this minute."""
        return self._stopped is not None and self._air.returning

    def tested(self, test: AirOffTest) -> None:
        """What an air-off test measured; it counts from the next stop on."""
        self._tests[test.stage] = test

    def air_off(self, air: Sequence[AirOff]) -> None:
        """The limits that tell that the air has stopped were changed."""
        self._air.tell(air)

    def take(self, fresh: Iterable[Reading], latest: Mapping[str, Reading], now: Moment) -> list[Reading]:
        """New readings in, forecasts that are news out, under the keys the rules look them up by.

        What goes wrong comes out as failed readings, and so as an alarm of the rules that look them up.
        """
        try:
            moved = self._hear(fresh, latest, now)
        except Exception as error:  # noqa: BLE001 - a fault here must not stop the watch, nor be silent
            return [_failed(one, error, now) for one in self._wanted]
        found = []
        for one in self._wanted:
            told = self._told.get(one.key)
            if told is not None and not moved and now.mono - told < _EVERY_S:
                continue
            try:
                reading = self._foretell(one, latest, now)
            except Exception as error:  # noqa: BLE001 - as above
                reading = _failed(one, error, now)
            if reading is not None:
                found.append(reading)
        return found

    def _hear(self, fresh: Iterable[Reading], latest: Mapping[str, Reading], now: Moment) -> bool:
        """Take readings in; whether the air has just stopped or come back."""
        for one in fresh:
            self._air.hear(one)
            if not one.usable or one.value is None or not isfinite(one.value):
                continue
            stage, quantity = stage_of(one.point), quantity_of(one.point)
            if quantity == "temperature":
                self._warmth[stage] = (one.value, one.at.mono - one.age_s)
            watch = self._watches.get(stage)
            if watch is not None and quantity in _OXYGEN:
                water, _ = self._water_of(stage, latest, now)
                if (value := _mg_L(one, stage, latest, water)) is not None:
                    watch.observe(one.at.mono, value, water)
            elif (trend := self._trends.get(one.point)) is not None:
                trend.observe(one.at.mono, one.value)
                self._seen[one.point] = one.at.mono
        self._air.pass_time(now.mono)
        before, self._stopped = self._stopped, self._air.since(now.mono)
        if (before is None) == (self._stopped is None):
            return False
        self._begin(self._stopped, latest, now) if self._stopped is not None else self._end(now)
        return True

    def _begin(self, stopped: float, latest: Mapping[str, Reading], now: Moment) -> None:
        for stage, plan in self.tanks.items():
            water, doubt = self._water_of(stage, latest, now)
            belief = self._belief(plan, water, doubt, now)
            start = self.oxygen(stage, latest, now)
            probe = OxygenProbe.NONE if start is None else plan.probe
            self._watches[stage] = OxygenWatch(
                plan.tank, belief, water, stopped, start, probe, probe_lag_s=plan.probe_lag_s
            )
        self._turn(_SHORT_WINDOW_S)

    def _end(self, now: Moment) -> None:
        self._watches.clear()
        self._latest.clear()
        self._returned = now.mono
        self._turn(_HOUR_S)

    def _turn(self, window_s: float) -> None:
        """The line of oxygen before the air stopped, or came back, says nothing of what follows."""
        for point in self._trends:
            if quantity_of(point) in _OXYGEN:
                self._trends[point] = Trend(quantity_of(point), window_s)

    def _belief(self, plan: TankPlan, water: Water, doubt: str, now: Moment) -> Belief:
        test = self._tests.get(plan.stage)
        belief = believed(plan.tank, plan.feeding, water.temperature_C, now.local.date(), test)
        notes = belief.notes
        if doubt:
            belief, notes = replace(belief, ln_sd=hypot(belief.ln_sd, _TAKEN_LN)), (doubt, *notes)
        if self._air.found_off:
            notes = ("the air was off already when the watch began", *notes)
        return replace(belief, notes=notes)

    def oxygen(
        self, stage: str, latest: Mapping[str, Reading], now: Moment, oldest_s: float = _OLDEST_S
    ) -> float | None:
        """The tank's oxygen, mg/L; None when there is no usable reading so new."""
        water, _ = self._water_of(stage, latest, now)
        for quantity in _OXYGEN:
            one = latest.get(f"{stage}.{quantity}")
            if one is not None and _fresh(one, now, oldest_s) is not None:
                return _mg_L(one, stage, latest, water)
        return None

    def percent(
        self, stage: str, latest: Mapping[str, Reading], now: Moment, oldest_s: float = _OLDEST_S
    ) -> float | None:
        """The same in percent of saturation."""
        oxygen = self.oxygen(stage, latest, now, oldest_s)
        return None if oxygen is None else 100.0 * oxygen / self.water(stage, latest, now).saturated_mg_L

    def water(self, stage: str, latest: Mapping[str, Reading], now: Moment) -> Water:
        """The tank's water as it is, was last known, or is taken to be."""
        return self._water_of(stage, latest, now)[0]

    def _water_of(self, stage: str, latest: Mapping[str, Reading], now: Moment) -> tuple[Water, str]:
        """The tank's water, and what had to be taken for it."""
        last = self._water.get(stage)
        pressure = _newest("barometric_pressure", stage, latest, now) or self._station_hPa
        salinity = _newest("salinity", stage, latest, now)
        if salinity is None:
            salinity = last.salinity if last is not None else _TAKEN_SALINITY
        temperature, doubt = self._temperature(stage, latest, now)
        self._water[stage] = Water(temperature, salinity, pressure)
        return self._water[stage], doubt

    def _temperature(self, stage: str, latest: Mapping[str, Reading], now: Moment) -> tuple[float, str]:
        """The tank's own, its last one, that of other water in the shed, or one that is taken, with a doubt."""
        known = self._warmth.get(stage)
        if known is not None:
            hours = (now.mono - known[1]) / 3600.0
            return known[0], "" if hours <= _KNOWN_S / 3600.0 else f"temperature last read {hours:.0f} h ago"
        others = (_fresh(one, now) for point, one in latest.items() if quantity_of(point) == "temperature")
        temperature = next((one for one in others if one is not None), None)
        if temperature is not None:
            return temperature, ""
        return _TAKEN_C, f"temperature unknown, taken as {_TAKEN_C:.0f} degC"

    # -- forecasts ----------------------------------------------------------------------------------------------

    def _foretell(self, one: ForecastOf, latest: Mapping[str, Reading], now: Moment) -> Reading | None:
        forecast = self._forecast(one, latest, now)
        if forecast is None:
            self._latest.pop(one.key, None)
            return None
        self._told[one.key] = now.mono
        self._latest[one.key] = (one, forecast)
        seconds = forecast.earliest_s if one.time == "earliest" else forecast.middle_s
        width = forecast.latest_s - forecast.earliest_s if forecast.latest_s < inf else None
        spread = width / 3.92 if width is not None and one.time == "middle" else None
        basis = "; ".join((forecast.basis, *forecast.notes))
        return Reading(
            one.key, quantity_of(one.point), seconds, None, Flag.PASS, "", now, "forecast", uncertainty=spread,
            basis=basis,
        )  # fmt: skip

    def _forecast(self, one: ForecastOf, latest: Mapping[str, Reading], now: Moment) -> Forecast | None:
        watch = self._watches.get(stage_of(one.point))
        if watch is not None and _falling_oxygen(one):
            percent = one.limit
            if quantity_of(one.point) == "oxygen":
                percent = 100.0 * one.limit / self.water(stage_of(one.point), latest, now).saturated_mg_L
            return watch.forecast(now.mono, (percent,))[0]
        if now.mono - self._seen.get(one.point, -inf) > _OLDEST_S:
            return None  # the line of a probe that has fallen silent is no forecast
        line = self._trends[one.point].line
        forecast = self._trends[one.point].straight(now.mono, one.limit)
        if forecast is None or line is None:
            return self._just_back(one, latest, now)
        inside = line.level > one.limit if one.side == "below" else line.level < one.limit
        if inside and forecast.middle_s == inf:
            # the steepest line that noise allows is no way the water goes: a noisy probe would wake people with it
            return replace(forecast, earliest_s=inf)
        return forecast if inside else _passed(one)

    def _just_back(self, one: ForecastOf, latest: Mapping[str, Reading], now: Moment) -> Forecast | None:
        """With the air back and no line yet, oxygen is not on its way to a low limit."""
        value = _fresh(latest.get(one.point), now)
        if self._returned is None or self._stopped is not None or not _falling_oxygen(one) or value is None:
            return None
        if value <= one.limit:
            return _passed(one)
        return Forecast(quantity_of(one.point), one.limit, inf, inf, inf, False, "the air is back")

    # -- in words -----------------------------------------------------------------------------------------------

    def _said(self) -> list[tuple[TankPlan, Forecast]]:
        """While the air is off: of each tank the limit that is met next, the tank with least time first."""
        found: dict[str, Forecast] = {}
        for one, forecast in self._latest.values():
            stage = stage_of(one.point)
            if stage in self._watches and _falling_oxygen(one) and quantity_of(one.point) != "oxygen":
                before = found.get(stage)
                if before is None or _sooner(forecast, before):
                    found[stage] = forecast
        ordered = sorted(found.items(), key=lambda pair: pair[1].earliest_s)
        return [(self.tanks[stage], forecast) for stage, forecast in ordered]

    def words(self) -> str:
        """For the page and the terminal: "Oxygen, Raceway: about 3 h 10 min to 35 %, 2 h 20 min at the earliest."
        of each tank, or nothing."""
        said = []
        for plan, forecast in self._said():
            doubt = f" ({'; '.join(forecast.notes)})" if forecast.notes else ""
            said.append(f"Oxygen, {plan.name or plan.stage}: {sentence(forecast)}{doubt}.")
        return " ".join(said)

    def short(self, stage: str = "") -> Left | None:
        """For a text message about a stage: how long that tank has left, else the one with least time, which is
        named where there are more; None when nothing is to be said."""
        said = self._said()
        own = [pair for pair in said if pair[0].stage == stage]
        plan, forecast = next(iter(own or said), (None, None))
        if plan is None or forecast is None or forecast.never:
            return None
        how, numbers = short(forecast)
        return Left(how, plan.name or plan.stage if not own and len(self.tanks) > 1 else "", numbers)


def _falling_oxygen(one: ForecastOf) -> bool:
    return one.side == "below" and quantity_of(one.point) in _OXYGEN


def _sooner(one: Forecast, other: Forecast) -> bool:
    """Which of two limits of a tank is told: the next still ahead, else the last one passed."""
    if one.crossed != other.crossed:
        return other.crossed
    return one.limit < other.limit if one.crossed else one.limit > other.limit


def _fresh(one: Reading | None, now: Moment, oldest_s: float = _OLDEST_S) -> float | None:
    if one is None or not one.usable or one.value is None or not isfinite(one.value):
        return None
    return one.value if now.mono - one.at.mono + one.age_s <= oldest_s else None


def _mg_L(one: Reading, stage: str, latest: Mapping[str, Reading], water: Water) -> float | None:
    """A reading of oxygen in mg/L; None for a saturation that only says again what is read in mg/L."""
    if quantity_of(one.point) == "oxygen" or one.value is None:
        return one.value
    return None if f"{stage}.oxygen" in latest else one.value / 100.0 * water.saturated_mg_L


def _newest(quantity: str, stage: str, latest: Mapping[str, Reading], now: Moment) -> float | None:
    """Of the tank itself, or of any other part of the same water and room. Both change slowly: no age counts."""
    own = latest.get(f"{stage}.{quantity}")
    for one in (own, *(one for point, one in latest.items() if quantity_of(point) == quantity)):
        if one is not None and one.usable and one.value is not None and isfinite(one.value):
            return one.value
    return None


def _passed(one: ForecastOf) -> Forecast:
    return Forecast(quantity_of(one.point), one.limit, 0.0, 0.0, 0.0, True, "the limit is passed")


def _failed(one: ForecastOf, error: Exception, now: Moment) -> Reading:
    reason = f"no forecast: {type(error).__name__}: {error}"
    return Reading(one.key, quantity_of(one.point), None, None, Flag.FAIL, reason, now, "forecast")
