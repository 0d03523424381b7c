"""Rule sets bound to measuring points, and what a shed file may change."""

from __future__ import annotations

import pytest

from alarms.nights import bound, shipped
from alarms.rulefiles import HEAD, SOURCES, table
from brinewatch.alarms.events import Priority
from brinewatch.alarms.rules import Alarm, Stale
from brinewatch.alarms.ruleset import BROKEN, Override, RuleSet, bind, load_ruleset
from brinewatch.errors import ConfigurationError

TANKS = {"a.oxygen_saturation": "oxygen_saturation", "b.oxygen_saturation": "oxygen_saturation"}


def tank_set(text: str = "", file: str = "tank.toml") -> RuleSet:
    return load_ruleset(HEAD + (text or table()), file, SOURCES)


def ids(alarms: list[Alarm]) -> set[str]:
    return {alarm.id for alarm in alarms}


def test_every_point_gets_its_data_alarm_and_its_broken_rule_alarm_asked_for_or_not() -> None:
    found = bind([], {**TANKS, "manifold.air_pressure": "air_pressure"})
    assert ids(found) == {
        "no-data@a.oxygen_saturation", "rule-broken@a.oxygen_saturation",
        "no-data@b.oxygen_saturation", "rule-broken@b.oxygen_saturation",
        "no-air-data@manifold.air_pressure", "rule-broken@manifold.air_pressure",
    }  # fmt: skip
    air = next(alarm for alarm in found if alarm.rule.key == "no-air-data")
    assert air.rule.priority is Priority.CRITICAL
    assert 15 <= air.max_age_s + air.rule.on_delay_s <= 30
    assert found[0] is air


def test_a_rule_set_for_one_stage_watches_that_stage_alone() -> None:
    found = bind([(tank_set(), ["b"])], TANKS)
    assert {alarm.id for alarm in found if alarm.rule.key == "oxygen-low"} == {"oxygen-low@b.oxygen_saturation"}


def test_a_rule_set_named_twice_watches_once() -> None:
    found = bind([(tank_set(), ["b"]), (tank_set(), None)], TANKS)
    assert len([alarm for alarm in found if alarm.rule.key == "oxygen-low"]) == 2


def test_two_rule_sets_with_one_key_for_one_point_are_a_fault() -> None:
    other = tank_set(table(when="{ below = 50 }"), "other.toml")
    with pytest.raises(ConfigurationError, match=r"other.toml: oxygen-low .* tank.toml has a rule of this name"):
        bind([(tank_set(), None), (other, None)], TANKS)


def test_the_most_specific_data_rule_wins() -> None:
    any_data = table(key='"data"', when="{ stale_s = 60 }", quantity='"any"', unit=None, deadband=None)
    oxygen = table(key='"oxygen-data"', when="{ stale_s = 30 }", unit=None, deadband=None)
    tank_b = table(key='"b-data"', when="{ stale_s = 10 }", unit=None, deadband=None, stages='["b"]')
    found = bind([(tank_set(any_data), None), (tank_set(oxygen + tank_b, "o.toml"), None)], {**TANKS, "a.ph": "ph"})
    data = {
        alarm.point: (alarm.rule.key, alarm.max_age_s) for alarm in found if isinstance(alarm.rule.condition, Stale)
    }
    assert data == {
        "a.oxygen_saturation": ("oxygen-data", 30.0),
        "b.oxygen_saturation": ("b-data", 10.0),
        "a.ph": ("data", 60.0),
    }


def test_a_rule_for_a_stage_stands_in_for_the_general_one_there() -> None:
    text = table() + table(key='"b-low"', when="{ below = 50 }", stages='["b"]')
    found = [alarm.id for alarm in bind([(tank_set(text), None)], TANKS) if not alarm.rule.about_data]
    assert sorted(found) == ["b-low@b.oxygen_saturation", "oxygen-low@a.oxygen_saturation"]


def test_a_slow_probe_is_given_its_own_age() -> None:
    found = bind([(tank_set(), None)], TANKS, ages={"a.oxygen_saturation": 2700.0})
    assert {alarm.max_age_s for alarm in found if alarm.point.startswith("a.")} == {2700.0}
    assert {alarm.max_age_s for alarm in found if alarm.point.startswith("b.")} == {30.0}


# what the shed file changes


def test_a_change_reaches_the_alarm_with_its_reason() -> None:
    change = Override(
        rule="oxygen-low", stages=["b"], limit=70, on_delay_s=3, off_delay_s=4, deadband=1,
        priority=Priority.CRITICAL, why="warm tank",
    )  # fmt: skip
    found = {alarm.id: alarm for alarm in bind([(tank_set(), None)], TANKS, [change])}
    b = found["oxygen-low@b.oxygen_saturation"]
    assert (b.limit, b.rule.on_delay_s, b.rule.off_delay_s, b.rule.deadband) == (70.0, 3.0, 4.0, 1.0)
    assert (b.rule.priority, b.rule.repeat_s, b.note) == (Priority.CRITICAL, 600.0, "warm tank")
    a = found["oxygen-low@a.oxygen_saturation"]
    assert (a.limit, a.note) == (65.0, "")


def test_a_change_may_use_another_unit() -> None:
    pressure = {"manifold.air_pressure": "air_pressure"}
    change = Override(rule="air-stopped", limit=32, unit="inH2O", why="our gauge")
    found = bind([(shipped("air.toml"), None)], pressure, [change])
    assert next(alarm for alarm in found if alarm.rule.key == "air-stopped").limit == pytest.approx(7.9708448)


def test_a_rule_can_be_taken_out() -> None:
    found = bind([(tank_set(), None)], TANKS, [Override(rule="oxygen-low", enabled=False, why="no animals yet")])
    assert "oxygen-low" not in {alarm.rule.key for alarm in found}


MILD = table() + table(key='"mild"', priority='"low"', when="{ below = 80 }")


@pytest.mark.parametrize(
    ("change", "key", "expected"),
    [
        (Override(rule="oxigen", limit=5, why="x"), "change[1].rule", "a rule in use: mild, no-data, oxygen-low"),
        (
            Override(rule="mild", stages=["c"], limit=5, why="x"),
            "change[1].stages",
            "stages this rule watches: a, b",
        ),
        (Override(rule="mild", why="x"), "change[1]", "something to change"),
        (Override(rule="mild", limit=900, why="x"), "change[1].limit", "inside 0 to 400 %"),
        (Override(rule="mild", limit=9, unit="kPa", why="x"), "change[1].unit", "one of %"),
        (Override(rule="no-data", limit=9, why="x"), "change[1].limit", "none: no-data has no limit"),
        (Override(rule="no-data", deadband=9, why="x"), "change[1].deadband", "none: no-data has no limit"),
        (Override(rule="no-data", enabled=False, why="x"), "change[1].enabled", "never silent"),
        (
            Override(rule="oxygen-low", stages=["a"], limit=85, why="x"),
            "oxygen-low.when.below at a.oxygen_saturation",
            "below the less urgent mild",
        ),
    ],
)
def test_a_change_that_cannot_be_is_a_fault(change: Override, key: str, expected: str) -> None:
    with pytest.raises(ConfigurationError) as caught:
        bind([(tank_set(MILD), None)], TANKS, [change])
    [fault] = caught.value.faults
    assert fault.key == key
    assert expected in fault.expected


def test_all_faulty_changes_come_at_once_at_their_places() -> None:
    changes = [
        Override(rule="a", limit=5, why="x"),
        Override(rule="mild", why="x"),
        Override(rule="b", limit=1, why="x"),
    ]
    with pytest.raises(ConfigurationError) as caught:
        bind([(tank_set(MILD), None)], TANKS, changes, places=["rules[1].change[1]", "rules[1].change[2]"])
    assert [fault.key for fault in caught.value.faults] == [
        "rules[1].change[1].rule",
        "rules[1].change[2]",
        "change[3].rule",
    ]


def test_two_kinds_of_animal_in_one_tank_may_have_limits_that_cross() -> None:
    # abalone are already critical (70 %) where oysters are not even warned of (65 %)
    alarms = bound("abalone.toml", "oyster.toml", points=["a.oxygen_saturation"])
    assert {"abalone-oxygen-low-critical@a.oxygen_saturation", "oyster-oxygen-low-warn@a.oxygen_saturation"} <= ids(
        alarms
    )
    assert BROKEN.key in {alarm.rule.key for alarm in alarms}
