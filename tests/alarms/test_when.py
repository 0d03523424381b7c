"""How conditions are written, what is refused, and what a shed file may change of them."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alarms.any_condition import TABLES, here, read
from alarms.rulefiles import HEAD, SOURCES
from alarms.shed_rules import bound_to, rule_text
from brinewatch.alarms.change import Override
from brinewatch.alarms.memory import AlarmMemory
from brinewatch.alarms.only import Only
from brinewatch.alarms.ruleset import load_ruleset
from brinewatch.alarms.when import HEADS
from brinewatch.alarms.written import OnlySettings, PartSettings, When
from brinewatch.errors import ConfigurationError, Fault
from brinewatch.moment import Moment

# name, condition, quantity, more keys, key path, value, part of what was expected
FAULTS: list[tuple[str, str, str, dict[str, str | None], str, object, str]] = [
    ("no by", '{ differs_from = "temperature" }', "temperature", {}, "when.by", None, "which differs_from needs"),
    ("by of a limit", "{ below = 12, by = 1 }", "temperature", {}, "when.by", 1.0,
     "no such key beside below; it goes with differs_from, higher_than, lower_than"),
    ("not further than nothing", '{ differs_from = "temperature", by = 0 }', "temperature", {}, "when.by", 0,
     "greater than 0"),
    ("further than can be", '{ differs_from = "temperature", by = 60 }', "temperature", {}, "when.by", 60.0,
     "smaller than the 55 degC the quantity spans"),
    ("another unit", '{ differs_from = "oxygen", by = 1 }', "temperature", {}, "when.differs_from", "oxygen",
     "in degC, as the rule's"),
    ("from no quantity", '{ differs_from = "sump.heat", by = 1 }', "temperature", {}, "when.differs_from",
     "sump.heat",
     "a point (stage.quantity) or a quantity"),
    ("deadband as wide as the difference", '{ differs_from = "temperature", by = 1 }', "temperature",
     {"deadband": "1.0"}, "deadband", 1.0, "smaller than the limit"),
    ("no window", "{ falls = 1 }", "temperature", {}, "when.over_s", None, "which falls needs"),
    ("two heads", "{ falls = 1, rises = 1, over_s = 600 }", "temperature", {}, "when", "falls, rises",
     "exactly one of"),
    ("window too short", "{ falls = 1, over_s = 30 }", "temperature", {}, "when.over_s", 30,
     "greater than or equal to 60"),
    ("unknown time", '{ falls = 1, over_s = 600, per = "week" }', "temperature", {}, "when.per", "week",
     "'min', 'h' or 'd'"),
    ("faster than can be", "{ falls = 1000, over_s = 1800 }", "temperature", {}, "when.falls", 1000.0,
     "less than the 55 degC the quantity spans, in its window"),
    ("negative rate", "{ falls = -1, over_s = 1800 }", "temperature", {}, "when.falls", -1, "greater than 0"),
    ("deadband over the rate", "{ falls = 1, over_s = 1800 }", "temperature", {"deadband": "1.5"}, "deadband", 1.5,
     "smaller than the limit"),
    ("rate of a state", "{ falls = 1, over_s = 1800 }", "mains", {}, "when.falls", 1.0, 'state = "off" or "on"'),
    ("unit of a rate", "{ falls = 1, over_s = 1800 }", "temperature", {"unit": '"kPa"'}, "unit", "kPa",
     "one of degC"),
    ("flat without a span", "{ flat_s = 600 }", "temperature", {}, "when.within", None, "which flat_s needs"),
    ("deadband on flat", "{ flat_s = 600, within = 0.1 }", "temperature", {"deadband": "0.1"}, "deadband", 0.1,
     "none"),
    ("flat within everything", "{ flat_s = 600, within = 60 }", "temperature", {}, "when.within", 60.0,
     "smaller than"),
    ("starts of a number", "{ starts_more_than = 6, over_s = 3600 }", "temperature", {}, "when.of", None,
     "what is counted, as { above = 2.0 }"),
    ("starts of a state that is none", '{ starts_more_than = 6, over_s = 3600, state = "up" }', "mains", {},
     "when.state", "up", "off or on"),
    ("starts of two things", "{ starts_more_than = 6, over_s = 3600, of = { above = 2, below = 1 } }",
     "temperature", {},
     "when.of", "below, above", "exactly one of below, above"),
    ("starts over the span", "{ starts_more_than = 6, over_s = 3600, of = { above = 70 } }", "temperature", {},
     "when.of.above", 70.0, "inside -5 to 50 degC"),
    ("half a start", "{ starts_more_than = 6.5, over_s = 3600 }", "mains", {}, "when.starts_more_than", 6.5,
     "a whole number"),
    ("never overdue", "{ overdue_s = 0 }", "tan", {}, "when.overdue_s", 0, "greater than 0"),
    ("overdue since what", '{ overdue_s = 60, since = "lunch" }', "tan", {}, "when.since", "lunch", "'entry'"),
    ("forecast without a time", "{ forecast_below = 5 }", "temperature", {}, "when.within_s", None,
     "forecast_below needs"),
    ("forecast of what cannot be", "{ forecast_below = 70, within_s = 60 }", "temperature", {},
     "when.forecast_below",
     70.0, "inside -5 to 50 degC"),
    ("forecast at another time", '{ forecast_below = 5, within_s = 60, time = "latest" }', "temperature", {},
     "when.time", "latest", "'earliest'"),
    ("deadband on a forecast", "{ forecast_below = 5, within_s = 60 }", "temperature", {"deadband": "1.0"},
     "deadband",
     1.0, "none"),
    ("all of one", "{ all = [{ below = 5 }] }", "temperature", {}, "when.all", [{"below": 5}], "at least 2"),
    ("no condition in a part", "{ any = [{ below = 5 }, { for_s = 5 }] }", "temperature", {}, "when.any[2]", None,
     "exactly one of"),
    ("unknown key of a part", "{ any = [{ below = 5 }, { above = 30, for = 5 }] }", "temperature", {},
     "when.any[2].for",
     5, "did you mean for_s?"),
    ("unit of a part", '{ all = [{ below = 5 }, { quantity = "oxygen", below = 4 }] }', "temperature", {},
     "when.all[2].unit", None, "one of mg/L"),
    ("limit of a part", "{ all = [{ below = 5 }, { below = 99 }] }", "temperature", {}, "when.all[2].below",
     99.0, "inside"),
    ("point and quantity", '{ not = { point = "a.ph", quantity = "ph", below = 5, unit = "pH" } }',
     "temperature", {},
     "when.not.quantity", "ph", "either a point or a quantity"),
    ("quantity of a part", '{ not = { quantity = "heat", below = 5 } }', "temperature", {},
     "when.not.quantity", "heat",
     "one of"),
    ("point that is none", '{ not = { point = "temperature", below = 5 } }', "temperature", {}, "when.not.point",
     "temperature", "a point, as stage.quantity"),
    ("deadband of a combination", "{ not = { below = 5 } }", "temperature", {"deadband": "1.0"}, "deadband", 1.0,
     "each part has its own"),
    ("deadband of a part", '{ not = { quantity = "mains", state = "on", deadband = 1.0 } }', "temperature", {},
     "when.not.deadband", 1.0, "none"),
    ("hidden deep", '{ any = [{ below = 5 }, { all = [{ above = 5 }, { state = "on" }] }] }', "temperature", {},
     "when.any[2].all[2].state", "on", "below or above"),
    ("combination about anything", "{ not = { stale_s = 5 } }", "any", {"unit": None}, "quantity", "any", "one of"),
    ("hours", "{ below = 5 }", "temperature", {"only": '{ hours = "22-6" }'}, "only.hours", "22-6",
     '"22:00-06:00"'),
    ("no hour between", "{ below = 5 }", "temperature", {"only": '{ hours = "06:00-06:00" }'}, "only.hours",
     "06:00-06:00", "two different times"),
    ("month 13", "{ below = 5 }", "temperature", {"only": "{ months = [13] }"}, "only.months[1]", 13,
     "less than or equal"),
    ("month twice", "{ below = 5 }", "temperature", {"only": "{ months = [1, 1] }"}, "only.months", [1, 1], "once"),
    ("start-up", "{ below = 5 }", "temperature", {"only": '{ start_up = ["ripe"] }'}, "only.start_up", "ripe",
     "mature"),
    ("only nothing", "{ below = 5 }", "temperature", {"only": "{ }"}, "only", "(a table)", "at least one of hours"),
]  # fmt: skip


def faults(text: str) -> list[Fault]:
    with pytest.raises(ConfigurationError) as caught:
        load_ruleset(HEAD + text, "tank.toml", SOURCES)
    return list(caught.value.faults)


@pytest.mark.parametrize("row", FAULTS, ids=[row[0] for row in FAULTS])
def test_one_fault_is_told_with_place_value_and_what_was_expected(
    row: tuple[str, str, str, dict[str, str | None], str, object, str],
) -> None:
    _, when, quantity, keys, key, value, expected = row
    [found] = faults(rule_text(when, quantity, **keys))
    assert (found.file, found.key) == ("tank.toml", f"rule[1].{key}")
    assert expected in found.expected
    assert found.value == value


def test_all_faults_of_parts_come_at_once() -> None:
    text = rule_text('{ all = [{ below = 99 }, { any = [{ above = -9 }, { state = "on" }, { falls = 1 }] }] }')
    assert [one.key for one in faults(text)] == [
        "rule[1].when.all[1].below", "rule[1].when.all[2].any[1].above", "rule[1].when.all[2].any[2].state",
        "rule[1].when.all[2].any[3].over_s",
    ]  # fmt: skip


ORDER = [
    ("{ rises = 2, over_s = 600 }", "{ rises = 3, over_s = 600 }", "rises", True),
    ("{ rises = 4, over_s = 600 }", "{ rises = 3, over_s = 600 }", "rises", False),
    ("{ rises = 2, over_s = 600 }", "{ rises = 3, over_s = 900 }", "rises", False),  # another window says nothing
    ('{ differs_from = "temperature", by = 1 }', '{ differs_from = "temperature", by = 2 }', "differs_from", True),
    ("{ overdue_s = 60 }", "{ overdue_s = 90 }", "overdue_s", True),
    ("{ forecast_below = 5, within_s = 900 }", "{ forecast_below = 5, within_s = 600 }", "forecast_below", True),
]


@pytest.mark.parametrize(("urgent", "mild", "head", "wrong"), ORDER)
def test_the_urgent_one_of_two_alike_asks_for_more(urgent: str, mild: str, head: str, wrong: bool) -> None:
    text = rule_text(urgent) + rule_text(mild, key='"mild"', priority='"low"')
    if not wrong:
        load_ruleset(HEAD + text, "tank.toml", SOURCES)
        return
    [found] = faults(text)
    assert found.key == f"rule[1].when.{head}"
    assert "later than the less urgent mild (" in found.expected


def test_limits_of_different_seasons_are_not_compared() -> None:
    summer = rule_text("{ above = 24 }", only="{ months = [6, 7, 8] }")
    winter = rule_text("{ above = 14 }", key='"winter"', priority='"low"', only="{ months = [12, 1, 2] }")
    assert len(load_ruleset(HEAD + summer + winter, "tank.toml", SOURCES).rules) == 2


# several limits in one table

LIMITS = rule_text(None, "oxygen_saturation", unit='"%"', key='"low"')


def limit(name: str, **keys: str) -> str:
    return "[[rule.limit]]\n" + "".join(
        f"{key} = {value}\n" for key, value in {"name": f'"{name}"', **keys}.items()
    )


@pytest.mark.parametrize(
    ("text", "key", "expected"),
    [
        (limit("Warn", when="{ below = 85 }"), "rule[1].limit[1].name", "small letters"),
        (limit("a", when="{ below = 85 }") + limit("a", when="{ below = 70 }"), "rule[1].limit[2].name",
         "another name"),
        (limit("a", when="{ below = 85 }", quantity='"ph"'), "rule[1].limit[1].quantity", "in the rule, for all"),
        (limit("a", when="{ below = 500 }"), "rule[1].limit[1].when.below", "inside 0 to 400 %"),
        (limit("a", when="{ below = 85 }", shrt='"A"'), "rule[1].limit[1].shrt", "did you mean short?"),
        (limit("a"), "rule[1].limit[1].when", "this key, which is missing"),
        (limit("a", when="{ below = 70 }") + limit("b", when="{ below = 85 }", priority='"critical"'),
         "rule[1].limit[2].when.below", "below the less urgent low-a (70 %, rule[1].limit[1])"),
    ],
)  # fmt: skip
def test_faults_of_one_limit_stand_at_it(text: str, key: str, expected: str) -> None:
    [found] = faults(LIMITS + text)
    assert found.key == key
    assert expected in found.expected


def test_faults_of_what_limits_share_are_told_once_at_the_rule() -> None:
    text = (
        LIMITS.replace('"survey-1999"', '"hearsay"')
        + limit("a", when="{ below = 85 }")
        + limit("b", when="{ below = 70 }")
    )
    assert [one.key for one in faults(text)] == ["rule[1].source"]


def test_no_limits_are_none() -> None:
    # in TOML an empty list of tables can only be written so
    assert [one.key for one in faults(LIMITS + "limit = []\n")] == ["rule[1].when", "rule[1].limit"]
    assert [one.key for one in faults(LIMITS + "limit = 5\n")] == ["rule[1].when", "rule[1].limit"]


# what belongs to a shed


@pytest.mark.parametrize(
    ("when", "expected"),
    [
        ("{ falls = 1, over_s = 1200 }", "1350 or more: the point is read every 2 min"),
        ("{ flat_s = 1200, within = 0.1 }", "1350 or more"),
        ("{ starts_more_than = 1, over_s = 1200, of = { above = 5 } }", "1350 or more"),
        ('{ differs_from = "south.temperature", by = 1 }', "a point of the shed, such as north.temperature"),
        ('{ not = { point = "sump.water_level", below = 5, unit = "cm" } }', "a point of the shed"),
    ],
)
def test_what_the_shed_cannot_tell_is_a_fault(when: str, expected: str) -> None:
    with pytest.raises(ConfigurationError) as caught:
        bound_to(["north.temperature"], rule_text(when), every={"north.temperature": 150.0})
    [found] = caught.value.faults
    assert found.key.endswith(" at north.temperature")
    assert expected in found.expected


POINTS = ["north.temperature", "south.temperature", "room.mains", "north.tan"]
PARTS = (
    "{ all = [{ below = 12, for_s = 60 },"
    ' { any = [{ falls = 2, over_s = 600 }, { point = "room.mains", state = "off" }] }] }'
)


@pytest.mark.parametrize(
    ("when", "quantity", "change", "expected"),
    [
        ("{ below = 12 }", "temperature", {"limit": 53.6, "unit": "degF"}, {"below": pytest.approx(12.0)}),
        ('{ higher_than = "temperature", by = 1 }', "temperature", {"limit": 3.6, "unit": "degF"},
         {"higher_than": "temperature", "by": pytest.approx(2.0)}),
        ("{ falls = 2, over_s = 600 }", "temperature", {"limit": 3, "over_s": 1200},
         {"falls": 3.0, "per": "h", "over_s": 1200.0}),
        ("{ flat_s = 600, within = 0.1 }", "temperature", {"limit": 0.2, "flat_s": 1200}, {"flat_s": 1200.0,
         "within": 0.2}),
        ("{ starts_more_than = 6, over_s = 3600 }", "mains", {"limit": 4, "over_s": 1800},
         {"starts_more_than": 4, "over_s": 1800.0, "state": "on"}),
        ("{ starts_more_than = 6, over_s = 3600, of = { above = 30 } }", "temperature", {"of": 25},
         {"starts_more_than": 6, "over_s": 3600.0, "of": {"above": 25.0}}),
        ("{ overdue_s = 60 }", "tan", {"overdue_s": 90}, {"overdue_s": 90.0}),
        ("{ forecast_above = 25, within_s = 600 }", "temperature", {"limit": 24, "within_s": 900},
         {"forecast_above": 24.0, "within_s": 900.0, "time": "earliest"}),
    ],
)  # fmt: skip
def test_a_shed_may_change_every_number(
    when: str, quantity: str, change: dict[str, Any], expected: dict[str, object]
) -> None:
    [found, *_] = bound_to(POINTS, rule_text(when, quantity), changes=[Override(rule="it", why="ours", **change)])
    assert found.rule.condition.spelled(quantity) == expected
    assert found.note == "ours"


def test_a_shed_may_change_the_numbers_of_a_part_and_the_hours() -> None:
    changes = [
        Override(rule="it", part="1", limit=14, for_s=30, deadband=0.5, why="ours"),
        Override(rule="it", part="2.1", over_s=1200, why="ours"),
        Override(rule="it", only=OnlySettings(hours="20:00-04:30"), why="ours"),
    ]
    [found, *_] = bound_to(POINTS, rule_text(PARTS), changes=changes)
    [one, two] = found.rule.condition.spelled("temperature")["all"]
    assert one == {"below": 14.0, "for_s": 30.0, "deadband": 0.5, "unit": "degC"}
    assert two["any"][0] == {"falls": 2.0, "per": "h", "over_s": 1200.0, "unit": "degC"}
    assert found.rule.only == Only((1200, 270))


@pytest.mark.parametrize(
    ("when", "quantity", "change", "key", "expected"),
    [
        ("{ falls = 2, over_s = 600 }", "temperature", {"limit": 900}, "limit", "less than the 55 degC"),
        ("{ falls = 2, over_s = 600 }", "temperature", {"over_s": 5}, "over_s", "greater than or equal to 60"),
        ("{ falls = 2, over_s = 600 }", "temperature", {"flat_s": 600}, "flat_s", "none: it has no flat_s"),
        ("{ falls = 2, over_s = 600 }", "temperature", {"for_s": 600}, "for_s", "the rule itself has on_delay_s"),
        ("{ falls = 2, over_s = 600 }", "temperature", {"deadband": 2}, "deadband", "smaller than the limit"),
        ("{ below = 12 }", "temperature", {"over_s": 600}, "over_s", "none: it has no over_s"),
        ("{ below = 12 }", "temperature", {"part": "1", "limit": 5}, "part", "a part of it"),
        ("{ starts_more_than = 6, over_s = 3600 }", "mains", {"limit": 2.5}, "limit", "a whole number"),
        ("{ starts_more_than = 6, over_s = 3600 }", "mains", {"unit": "degC", "limit": 2}, "unit", "none"),
        ("{ overdue_s = 60 }", "tan", {"limit": 90}, "limit", "none: it has no limit"),
        ("{ forecast_above = 25, within_s = 600 }", "temperature", {"deadband": 1}, "deadband", "none"),
        ("{ forecast_above = 25, within_s = 600 }", "temperature", {"limit": 75}, "limit", "inside -5 to 50"),
        (PARTS, "temperature", {"limit": 5}, "limit", "none: it has no limit"),
        (PARTS, "temperature", {"part": "3", "limit": 5}, "part", "a part of it"),
        (PARTS, "temperature", {"part": "2.2", "limit": 5}, "limit", "none: it has no limit"),
        (PARTS, "temperature", {"part": "1", "limit": 99}, "limit", "inside -5 to 50"),
        (PARTS, "temperature", {"part": "1", "for_s": -5}, "for_s", "greater than or equal to 0"),
        ("{ below = 12 }", "temperature", {"only": OnlySettings(hours="25:00-01:00")}, "only.hours", "22:00-06:00"),
    ],
)  # fmt: skip
def test_nonsense_is_refused_where_it_stands(
    when: str, quantity: str, change: dict[str, Any], key: str, expected: str
) -> None:
    with pytest.raises(ConfigurationError) as caught:
        bound_to(POINTS, rule_text(when, quantity), changes=[Override(rule="it", why="ours", **change)])
    [found] = caught.value.faults
    assert found.key == f"change[1].{key}"
    assert expected in found.expected


def test_what_is_entered_by_hand_may_be_trusted_for_longer_and_what_is_read_may_not() -> None:
    rules = rule_text("{ below = 12 }"), rule_text("{ stale_s = 86400 }", key='"data"')
    change = Override(rule="data", stale_s=172800, why="two days")
    by_hand = bound_to(["north.temperature"], *rules, changes=[change], every={"north.temperature": 0.0})
    assert {one.max_age_s for one in by_hand} == {172800.0}
    with pytest.raises(ConfigurationError, match="too old after 3 s"):
        bound_to(["north.temperature"], *rules, changes=[change])


# all of them


@settings(max_examples=300, deadline=None)
@given(TABLES, st.sampled_from([0.0, 0.2]))
def test_what_is_read_and_written_out_is_read_the_same_again(table: dict[str, Any], band: float) -> None:
    if not HEADS[next(key for key in HEADS if key in table)].measured or "flat_s" in table or "within_s" in table:
        band = 0.0
    band = (
        band
        if min((value for key, value in table.items() if key in ("by", "falls", "changes")), default=9) > band
        else 0.0
    )
    condition, kept = read(table, band)
    assert read(condition.spelled("oxygen"), kept) == (condition, kept)
    # in words as well, and bound to a point without a fault
    assert here(condition).words("oxygen") == condition.words("oxygen") != ""


def test_every_key_is_described_since_the_documents_are_made_of_them() -> None:
    for settings_class in (When, PartSettings, OnlySettings, Override):
        assert all(field.description for field in settings_class.model_fields.values())
    written = {field.alias or key for key, field in When.model_fields.items()}
    assert set(HEADS) <= written


def test_a_memory_saved_before_there_were_parts_is_read() -> None:
    one = AlarmMemory("it@north.temperature", pending=Moment(5.0, 6.0, True))
    saved = one.to_dict()
    assert saved.pop("parts") == {}
    assert AlarmMemory.from_dict(saved, Moment(0.0, 0.0, True)) == one
