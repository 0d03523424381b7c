"""An invented shed for measurements: twenty channels that swing with the day, drift, and are upset now and then."""

from __future__ import annotations

import math
import random
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from brinewatch.alarms.features import wanted_forecasts
from brinewatch.alarms.links import Place
from brinewatch.alarms.rulefile import Source, load_ruleset
from brinewatch.alarms.rules import Alarm
from brinewatch.alarms.ruleset import bind
from brinewatch.readings import quantity_of

_DAY = 86400.0


@dataclass(frozen=True)
class Signal:
    """A daily swing about a middle with Gaussian noise of so many counts of the probe's resolution.

    upset: how far it goes off for a quarter of an hour in one hour of a hundred or so; never: of a forecast, that
    nothing is to come most of the time.
    """

    middle: float
    swing: float = 0.0
    count: float = 0.01
    noise: float = 1.0
    upset: float = 0.0
    never: bool = False

    def values(self, stamps: Sequence[float], second: float, chance: random.Random) -> Iterator[float]:
        off = self.upset if chance.random() < 0.012 else 0.0
        begin = chance.uniform(0.0, 2700.0)
        first = stamps[0]
        for stamp in stamps:
            phase = 2 * math.pi * (second + stamp - first) / _DAY
            here = off if begin <= stamp - first < begin + 900.0 else 0.0
            if self.never:
                yield self.middle + here + chance.uniform(-60.0, 60.0) if here else math.inf
                continue
            value = (
                self.middle + self.swing * math.sin(phase) + here + self.count * self.noise * chance.gauss(0.0, 1.0)
            )
            yield round(value / self.count) * self.count if self.noise else value


# twelve that probes read, eight worked out from them
SIGNALS: Mapping[str, Signal] = {
    "north.temperature": Signal(12.0, 0.7, 0.01, 0.7, 2.5),
    "north.oxygen": Signal(8.6, 0.5, 0.01, 1.5, -4.5),
    "north.ph": Signal(8.05, 0.06, 0.01, 0.8, -0.9),
    "south.temperature": Signal(12.1, 0.7, 0.01, 0.7),
    "south.oxygen": Signal(8.5, 0.5, 0.01, 1.5, -4.5),
    "south.ph": Signal(8.03, 0.06, 0.01, 0.8),
    "header.salinity": Signal(33.2, 0.05, 0.01, 0.8),
    "header.water_flow": Signal(42.0, 0.5, 0.1, 1.2, -30.0),
    "sump.water_level": Signal(46.0, 0.4, 0.1, 0.7),
    "manifold.air_pressure": Signal(12.3, 0.05, 0.01, 1.4, -12.0),
    "manifold.motor_current": Signal(2.7, 0.03, 0.01, 1.0),
    "room.barometric_pressure": Signal(1013.0, 2.0, 0.1, 1.0),
    "north.oxygen_saturation": Signal(94.0, 4.0, 0.1, 1.2, -45.0),
    "south.oxygen_saturation": Signal(93.0, 4.0, 0.1, 1.2, -45.0),
    "north.oxygen_tension": Signal(195.0, 9.0, 1.0, 0.7),
    "south.oxygen_tension": Signal(194.0, 9.0, 1.0, 0.7),
    "north.nh3_n": Signal(0.004, 0.0005, 0.001, 0.7),
    "south.nh3_n": Signal(0.004, 0.0005, 0.001, 0.7),
    "manifold.air_rise": Signal(2.0, 0.05, 0.01, 1.4),
    "manifold.air_rise_trend": Signal(0.3, 0.0, 0.01, 0.7),
}  # fmt: skip
_STOPS = {
    "room": Place("room", 0), "manifold": Place("air", 0), "sump": Place("water", 0), "header": Place("water", 1),
    "north": Place("water", 2), "south": Place("water", 3),
}  # fmt: skip


def _rule(key: str, quantity: str, unit: str, when: str, priority: str = "high", **more: str) -> str:
    # as rules of the shipped sets are: a delay on either side, one level of priority
    keys = {
        "key": f'"{key}"', "title": '"Made up"', "short": '"MADE UP"', "quantity": f'"{quantity}"', "when": when,
        "unit": f'"{unit}"', "on_delay_s": "120", "off_delay_s": "300", "priority": f'"{priority}"', "why": '"-"',
        "consequence": '"-"', "todo": '["Look."]', "time_available": '"-"', "source": '"made"',
        "standing": '"judgement"', **more,
    }  # fmt: skip
    return "[[rule]]\n" + "".join(f"{name} = {value}\n" for name, value in keys.items())


def _limits() -> Iterator[str]:
    both = (
        ("temperature", "degC", 9.0, 13.5, 0.2), ("oxygen_saturation", "%", 75.0, 115.0, 2.0),
        ("ph", "pH", 7.6, 8.4, 0.05), ("oxygen", "mg/L", 6.5, 11.0, 0.2),
    )  # fmt: skip
    for quantity, unit, low, high, band in both:
        for tank in ("north", "south"):
            only = {"deadband": f"{band}", "stages": f'["{tank}"]', "needs": '["air", "flow"]'}
            yield _rule(f"{quantity.replace('_', '-')}-{tank}-low", quantity, unit, f"{{ below = {low} }}", **only)
            yield _rule(
                f"{quantity.replace('_', '-')}-{tank}-high", quantity, unit, f"{{ above = {high} }}", **only
            )
    one_way = (
        ("salinity", "PSS-78", "below", 28.0), ("salinity", "PSS-78", "above", 36.0),
        ("water_flow", "L/min", "above", 60.0), ("water_level", "cm", "below", 40.0),
        ("water_level", "cm", "above", 52.0), ("motor_current", "A", "below", 1.5),
        ("motor_current", "A", "above", 4.0),
        ("barometric_pressure", "hPa", "below", 960.0), ("air_rise", "kPa", "above", 6.0),
        ("air_rise_trend", "kPa/30 d", "above", 1.5), ("air_pressure", "kPa", "above", 16.0),
    )  # fmt: skip
    for quantity, unit, way, limit in one_way:
        yield _rule(f"{quantity.replace('_', '-')}-{way}", quantity, unit, f"{{ {way} = {limit} }}", "medium")
    yield _rule("nh3-n-high", "nh3_n", "mg/L N", "{ above = 0.02 }", "medium", stages='["north"]')
    yield _rule("air-stopped", "air_pressure", "kPa", "{ below = 8.0 }", "critical", takes='"air"', on_delay_s="15")
    yield _rule("flow-stopped", "water_flow", "L/min", "{ below = 20.0 }", takes='"flow"', needs='["air"]')


def _others() -> Iterator[str]:
    hourly = "per = 'h', over_s = 3600"
    for tank, other in (("north", "south"), ("south", "north")):
        only = {"stages": f'["{tank}"]', "needs": '["air", "flow"]'}
        falling = "{ falls = 12.0, per = 'h', over_s = 1800, deadband = 2.0 }, { below = 85.0, deadband = 2.0 }"
        yield _rule(f"oxygen-{tank}-falling", "oxygen_saturation", "%", f"{{ all = [{falling}] }}", **only)
        for quantity, unit, speed, band in (("temperature", "degC", 1.0, 0.2), ("ph", "pH", 0.2, 0.05)):
            moves = f"{{ changes = {speed}, {hourly} }}"
            yield _rule(f"{quantity}-{tank}-changing", quantity, unit, moves, "medium", deadband=f"{band}", **only)
        forecast = "{ forecast_below = 45.0, within_s = 3600, time = 'earliest' }"
        yield _rule(f"oxygen-{tank}-soon-gone", "oxygen_saturation", "%", forecast, "critical", **only)
        apart = f"{{ differs_from = '{other}.temperature', by = 1.5 }}"
        yield _rule(f"temperature-{tank}-apart", "temperature", "degC", apart, "low", deadband="0.3", **only)
    pressure = "{ falls = 0.5, per = 'h', over_s = 7200 }"
    yield _rule("air-falling", "air_pressure", "kPa", pressure, "medium", deadband="0.1")
    yield _rule("level-falling", "water_level", "cm", f"{{ falls = 2.0, {hourly} }}", "medium", deadband="0.5")
    both = "{ below = 42.0 }, { quantity = 'water_flow', below = 25.0, unit = 'L/min' }"
    yield _rule(
        "sump-running-dry",
        "water_level",
        "cm",
        f"{{ any = [{{ below = 38.0, for_s = 60 }}, {{ all = [{both}] }}] }}",
    )
    weak = "{ below = 11.0, deadband = 0.2 }, { quantity = 'motor_current', below = 2.2, unit = 'A', for_s = 30 }"
    yield _rule("blower-weak", "air_pressure", "kPa", f"{{ all = [{weak}] }}", takes='"air"')


def _text(rules: Sequence[str]) -> str:
    return 'title = "Made up"\n' + "\n".join(rules)


def _mixed() -> list[str]:
    others, limits = list(_others()), list(_limits())
    # what a shed has of limits beside them: the low ones of the tanks, the air, the flow, and some more
    return [*others, *limits[-2:], *limits[::2]][:30]


MIXES: Mapping[str, str] = {
    "plain limits": _text(list(_limits())),
    "limits, rates, differences, forecasts, combinations": _text(_mixed()),
}


def alarms_of(text: str) -> list[Alarm]:
    """The rules bound to the shed, with the alarms about data that every point has."""
    rules = load_ruleset(text, "made.toml", {"made": Source("made", "made up", "", "judgement", "none")})
    points = {point: quantity_of(point) for point in SIGNALS}
    return bind([(rules, None)], points, ages=dict.fromkeys(points, 15.0), stops=_STOPS)


def forecast_keys(alarms: Sequence[Alarm]) -> Mapping[str, Signal]:
    """A forecast for every rule that looks one up."""
    return {one.key: Signal(2400.0, upset=600.0, never=True) for one in wanted_forecasts(alarms)}
