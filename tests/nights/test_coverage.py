"""The share of time in which every critical alarm was provably able to call."""

from __future__ import annotations

from dataclasses import replace

import pytest

from alarms.nights import at, rule
from alarms.nights import reading as read
from brinewatch.alarms.coverage import POINT, Coverage
from brinewatch.alarms.events import Priority, State
from brinewatch.alarms.memory import AlarmMemory
from brinewatch.alarms.rules import Alarm
from brinewatch.readings import Flag, Reading, quantity_of

AIR, OXYGEN = "manifold.air_pressure", "raceway.oxygen_saturation"


def reading(point: str, value: float, second: float, flag: Flag = Flag.PASS) -> Reading:
    return read(point, value, at(second), flag)


def critical(point: str, key: str) -> Alarm:
    return Alarm(rule(key=key, priority=Priority.CRITICAL), point, quantity_of(point), 10.0)


ALARMS = [critical(AIR, "air"), critical(OXYGEN, "low")]


def minute(
    coverage: Coverage, start: int, *, without: str = "", bad: str = "", state: State = State.NORMAL,
    held: str = "", ways: str = "", every: int = 5,
) -> list[Reading]:  # fmt: skip
    """One minute of looks every five seconds; what they said."""
    said = []
    for second in range(start, start + 61, every):
        readings = {
            point: reading(point, 50.0, second, Flag.FAIL if point == bad else Flag.PASS)
            for point in (AIR, OXYGEN)
            if point != without
        }
        memory = {"air@" + AIR: AlarmMemory("air@" + AIR, state)}
        found = coverage.take(readings, memory, {held} if held else set(), ways, at(second))
        said += [found] if found is not None else []
    return said


def test_a_minute_in_which_everything_could_call_is_covered() -> None:
    [one] = minute(Coverage(ALARMS), 0)
    assert (one.point, one.quantity, one.value, one.reason) == (POINT, "coverage", 100.0, "")


@pytest.mark.parametrize(
    ("how", "reason"),
    [
        ({"without": OXYGEN}, f"low@{OXYGEN}: no trustworthy reading"),
        ({"bad": AIR}, f"air@{AIR}: no trustworthy reading"),
        ({"state": State.SHELVED}, f"air@{AIR}: shelved"),
        ({"state": State.OUT_OF_SERVICE}, f"air@{AIR}: out of service"),
        ({"held": OXYGEN}, f"low@{OXYGEN}: being calibrated"),
        ({"ways": "no way to people works"}, f"air@{AIR}, low@{OXYGEN}: no way to people works"),
    ],
)
def test_what_keeps_one_critical_alarm_from_calling_keeps_the_minute_from_counting(
    how: dict[str, object], reason: str
) -> None:
    [one] = minute(Coverage(ALARMS), 0, **how)  # type: ignore[arg-type]
    assert (one.value, one.reason) == (0.0, reason)


def test_a_suppressed_alarm_is_covered_its_cause_has_called() -> None:
    [one] = minute(Coverage(ALARMS), 0, state=State.SUPPRESSED)
    assert one.value == 100.0


def test_part_of_a_minute_counts_in_part() -> None:
    coverage = Coverage(ALARMS)
    for second in range(0, 61, 5):
        lost = 20 <= second < 50
        readings = {AIR: reading(AIR, 9.0, second)} | ({} if lost else {OXYGEN: reading(OXYGEN, 90.0, second)})
        found = coverage.take(readings, {}, (), "", at(second))
    assert found is not None
    assert found.value == pytest.approx(50.0)


def test_a_reading_grown_too_old_covers_nothing() -> None:
    coverage = Coverage(ALARMS)
    old = {point: reading(point, 90.0, 0) for point in (AIR, OXYGEN)}
    said = [coverage.take(old, {}, (), "", at(second)) for second in range(0, 61, 5)]
    assert said[-1] is not None
    assert said[-1].value == pytest.approx(100.0 * 15 / 60)  # judged until ten seconds old, looked at every five


def test_a_watch_that_slept_covered_nothing_meanwhile() -> None:
    coverage = Coverage(ALARMS)
    minute(coverage, 0)
    fresh = {point: reading(point, 90.0, 400) for point in (AIR, OXYGEN)}
    found = coverage.take(fresh, {}, (), "", at(400))
    assert found is not None
    assert found.value == 0.0
    assert found.reason.endswith("the watch slept")


def test_less_urgent_alarms_and_those_about_data_are_not_asked() -> None:
    low = replace(ALARMS[0], rule=replace(ALARMS[0].rule, priority=Priority.HIGH))
    assert minute(Coverage([low]), 0) == []
