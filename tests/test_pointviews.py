"""What is said of one point: its uncertainty, which way it goes, how far its limits are."""

from __future__ import annotations

import random
from collections.abc import Callable
from datetime import UTC

import pytest

from brinewatch.alarms.events import Priority, State
from brinewatch.alarms.memory import AlarmMemory, Memory
from brinewatch.alarms.rules import Above, Alarm, Below, Condition, Rule
from brinewatch.moment import Moment
from brinewatch.pointviews import Points, Trends
from brinewatch.readings import Flag, Reading, quantity_of
from brinewatch.signals.display import DisplayUnits

START = 1_800_000_000.0


def at(second: float) -> Moment:
    return Moment(second, START + second, True, UTC)


def read(point: str, value: float | None, second: float, **more: object) -> Reading:
    more.setdefault("flag", Flag.PASS)
    return Reading(point, quantity_of(point), value, value, reason="", at=at(second), probe="p", **more)  # type: ignore[arg-type]


def alarm(key: str, point: str, condition: Condition) -> Alarm:
    rule = Rule(key, key, key, quantity_of(point), condition, Priority.HIGH, "", "", (), "", "", "judgement")
    return Alarm(rule, point, quantity_of(point), 60.0)


OXYGEN, WARMTH, PH = "tank.oxygen", "tank.temperature", "tank.ph"
ALARMS = (
    alarm("low", OXYGEN, Below(5.0)), alarm("rather-low", OXYGEN, Below(6.0)), alarm("high", OXYGEN, Above(14.0)),
    alarm("warm", WARMTH, Above(18.0)), alarm("acid", PH, Below(7.6)),
)  # fmt: skip


def points(units: DisplayUnits | None = None) -> Points:
    made = Points({OXYGEN: 2.0}, {OXYGEN: 60.0}, units or DisplayUnits())
    made.limit_by(ALARMS)
    return made


@pytest.mark.parametrize(
    ("point", "value", "units", "said"),
    [
        (OXYGEN, 8.0, {}, "2.00 mg/L above the lower limit of 6.00 mg/L"),
        (OXYGEN, 5.2, {}, "0.20 mg/L above the lower limit of 5.00 mg/L"),
        (OXYGEN, 4.0, {}, "1.00 mg/L below the lower limit of 5.00 mg/L"),
        (OXYGEN, 13.0, {}, "1.00 mg/L below the upper limit of 14.00 mg/L"),
        (PH, 8.05, {}, "0.45 above the lower limit of pH 7.60"),
        (WARMTH, 12.0, {}, "6.0 C below the upper limit of 18.0 C"),
        # a kelvin is 1.8 degrees Fahrenheit, by definition; 18 degC is 64.4 degF
        (WARMTH, 12.0, {"temperature": "degF"}, "10.8 F below the upper limit of 64.4 F"),
        ("tank.salinity", 33.0, {}, ""),
    ],
)
def test_how_far_the_nearest_limit_is(point: str, value: float, units: dict[str, str], said: str) -> None:
    one = points(DisplayUnits(**units))  # type: ignore[arg-type]
    assert one.view(point, read(point, value, 10), Memory(), at(11)).limit == said


def test_a_limit_out_of_service_is_none() -> None:
    memory = Memory({"rather-low@tank.oxygen": AlarmMemory("rather-low@tank.oxygen", state=State.OUT_OF_SERVICE)})
    view = points().view(OXYGEN, read(OXYGEN, 8.0, 10), memory, at(11))
    assert view.limit == "3.00 mg/L above the lower limit of 5.00 mg/L"


@pytest.mark.parametrize(
    "reading",
    [read(OXYGEN, 8.0, 10, flag=Flag.FAIL), read(OXYGEN, None, 10, flag=Flag.MISSING), read(OXYGEN, 8.0, -100)],
)
def test_of_what_is_not_known_nothing_is_said(reading: Reading) -> None:
    view = points().view(OXYGEN, reading, Memory(), at(11))
    assert (view.limit, view.trend, view.uncertainty) == ("", "", "")


def test_the_uncertainty_told_is_twice_the_standard_one_in_the_unit_shown() -> None:
    """JCGM 100:2008, 6.2.1: U = k u, here with k = 2."""
    reading = read(WARMTH, 12.0, 10, uncertainty=0.1)
    assert points().view(WARMTH, reading, Memory(), at(11)).uncertainty == "0.2 C"
    assert points(DisplayUnits(temperature="degF")).view(WARMTH, reading, Memory(), at(11)).uncertainty == "0.4 F"


def told(way: Callable[[float], float], until: float = 3600.0, noise: float = 0.02) -> str:
    """What is said of oxygen read every 5 s for so long."""
    one, chance = points(), random.Random(3)
    last = read(OXYGEN, way(0), 0)
    for second in range(0, int(until), 5):
        last = read(OXYGEN, way(second) + chance.gauss(0.0, noise), second)
        one.trends.take([last])
    return one.view(OXYGEN, last, Memory(), at(until)).trend


def test_a_trend_is_told_per_hour() -> None:
    assert told(lambda s: 9.0 - 0.30 * s / 3600) in ("falling 0.29 mg/L in an hour", "falling 0.30 mg/L in an hour",
                                                     "falling 0.31 mg/L in an hour")  # fmt: skip
    assert told(lambda s: 7.0 + 2.0 * s / 3600, noise=0.0) == "rising 2.00 mg/L in an hour"


def test_no_trend_is_told_of_noise_nor_of_minutes() -> None:
    assert told(lambda s: 9.0) == ""
    assert told(lambda s: 9.0 - s / 3600, until=500) == ""


def test_when_the_air_stops_rising_is_not_said_of_what_falls() -> None:
    """Oxygen rose, and has fallen 6 mg/L in an hour since the air stopped: from the fifth minute on rising is not
    said, from the fifteenth falling is."""
    for minutes in range(5, 31):
        stop = 3600.0 - 60.0 * minutes
        said = told(lambda s, stop=stop: 9.0 + 0.5 * min(s, stop) / 3600 - 6.0 * max(0.0, s - stop) / 3600)
        assert "rising" not in said, minutes
        if minutes >= 15:
            assert "falling" in said, minutes


def test_what_goes_one_way_by_nature_has_no_trend() -> None:
    trends = Trends()
    trends.take(read("blower.blower_hours", second / 3600, second) for second in range(0, 3600, 5))
    assert trends.slope("blower.blower_hours", at(3600)) is None
