"""Rule files: what they mean, and each thing that can be wrong with one, alone and all together."""

from __future__ import annotations

import pytest

from alarms.rulefiles import HEAD, SOURCES, table
from brinewatch.alarms.events import Priority
from brinewatch.alarms.rules import Above, Below, Failed, Is, Stale
from brinewatch.alarms.ruleset import load_ruleset, load_sources
from brinewatch.errors import ConfigurationError, Fault


def faults(text: str) -> list[Fault]:
    with pytest.raises(ConfigurationError) as caught:
        load_ruleset(text, "tank.toml", SOURCES)
    return list(caught.value.faults)


def test_a_good_rule_reads_as_it_stands() -> None:
    [one] = load_ruleset(HEAD + table(), "tank.toml", SOURCES).rules
    assert (one.key, one.condition, one.unit, one.deadband) == ("oxygen-low", Below(65.0), "%", 2.0)
    assert (one.priority, one.on_delay_s, one.off_delay_s, one.latching) == (Priority.HIGH, 180.0, 0.0, False)
    assert (one.todo, one.source, one.standing) == (("Air on?",), "survey-1999", "published")


@pytest.mark.parametrize(
    ("priority", "given", "expected"),
    [
        ("critical", None, 600.0),
        ("high", None, 1800.0),
        ("medium", None, None),
        ("low", None, None),
        ("critical", "0", None),
        ("low", "60", 60.0),
    ],
)
def test_calls_are_repeated_by_priority_unless_said_otherwise(
    priority: str, given: str | None, expected: float | None
) -> None:
    text = HEAD + table(priority=f'"{priority}"', repeat_s=given)
    assert load_ruleset(text, "tank.toml", SOURCES).rules[0].repeat_s == expected


@pytest.mark.parametrize(
    ("quantity", "unit", "limit", "band", "expected_limit", "expected_band"),
    [
        # NIST SP 811 (2008), appendix B: 1 inH2O (4 degC) = 0.2490889 kPa, 1 psi = 6.894757 kPa;
        # degF to degC is (t - 32)/1.8, and a difference of 1 degF is 1/1.8 K
        ("air_pressure", "inH2O", 32.0, 2.0, 7.9708448, 0.4981778),
        ("air_pressure", "psi", 1.0, 0.1, 6.894757, 0.6894757),
        ("temperature", "degF", 68.0, 0.9, 20.0, 0.5),
        ("water_level", "mm", 500.0, 20.0, 50.0, 2.0),
    ],
)
def test_limit_and_deadband_come_in_the_quantitys_own_unit(
    quantity: str, unit: str, limit: float, band: float, expected_limit: float, expected_band: float
) -> None:
    text = HEAD + table(
        quantity=f'"{quantity}"', unit=f'"{unit}"', when=f"{{ below = {limit} }}", deadband=str(band)
    )
    [one] = load_ruleset(text, "tank.toml", SOURCES).rules
    assert one.limit == pytest.approx(expected_limit, rel=1e-9)
    assert one.deadband == pytest.approx(expected_band, rel=1e-9)


@pytest.mark.parametrize(
    ("when", "quantity", "expected"),
    [
        ("{ above = 20 }", "temperature", Above(20.0)),
        ('{ state = "off" }', "mains", Is(0)),
        ('{ state = "in order" }', "level_switch", Is(1)),
        ("{ stale_s = 30 }", "temperature", Stale(30.0)),
        ("{ failed = true }", "any", Failed()),
    ],
)
def test_every_kind_of_condition(when: str, quantity: str, expected: object) -> None:
    unit = '"degC"' if "above" in when else None
    text = HEAD + table(when=when, quantity=f'"{quantity}"', unit=unit, deadband=None)
    assert load_ruleset(text, "tank.toml", SOURCES).rules[0].condition == expected


LOW_HIGH = [
    # name, rule tables, key path, value, part of what was expected
    ("unknown key", table(on_delay="5"), "rule[1].on_delay", 5, "did you mean on_delay_s?"),
    ("missing key", table(why=None), "rule[1].why", None, "this key, which is missing"),
    ("number in quotes", table(on_delay_s='"180"'), "rule[1].on_delay_s", "180", "a number"),
    ("unknown quantity", table(quantity='"oxigen"'), "rule[1].quantity", "oxigen", "one of air_flow, air_pressure"),
    ("any for a limit", table(quantity='"any"'), "rule[1].quantity", "any", "one of air_flow, air_pressure"),
    ("unit not accepted", table(unit='"mg/L"'), "rule[1].unit", "mg/L", "one of %"),
    ("unit left out", table(unit=None), "rule[1].unit", None, "one of %"),
    ("limit outside the span", table(when="{ below = 500 }"), "rule[1].when.below", 500.0, "inside 0 to 400 %"),
    ("limit nothing can cross", table(when="{ below = 0 }"), "rule[1].when.below", 0.0, "inside 0 to 400 %"),
    ("limit not a number", table(when="{ below = nan }"), "rule[1].when.below", None, "number"),
    ("negative deadband", table(deadband="-1.0"), "rule[1].deadband", -1.0, "0 or more"),
    ("deadband as wide as the span", table(deadband="400.0"), "rule[1].deadband", 400.0, "smaller than"),
    (
        "deadband on a state",
        table(quantity='"mains"', when='{ state = "off" }', unit=None),
        "rule[1].deadband", 2.0, "only a limit has a deadband",
    ),
    ("no condition", table(when="{ }"), "rule[1].when", None, "exactly one of below"),
    ("two conditions", table(when="{ below = 65, above = 70 }"), "rule[1].when", "below, above", "exactly one of"),
    ("limit for a state", table(quantity='"mains"', deadband=None), "rule[1].when.below", 65.0, 'state = "off"'),
    (
        "unknown state",
        table(quantity='"mains"', when='{ state = "dead" }', deadband=None, unit=None),
        "rule[1].when.state", "dead", "off or on",
    ),
    (
        "state of a measure",
        table(when='{ state = "low" }', deadband=None),
        "rule[1].when.state", "low", "below or above",
    ),
    ("unknown source", table(source='"hearsay"'), "rule[1].source", "hearsay", "a key of the list of sources"),
    (
        "judgement dressed as published",
        table(source='"judgement"'),
        "rule[1].standing", "published", "judgement, as its source says",
    ),
    ("unknown standing", table(standing='"certain"'), "rule[1].standing", "certain", "one of"),
    ("unknown priority", table(priority='"urgent"'), "rule[1].priority", "urgent", "'critical'"),
    ("nothing to do", table(todo="[]"), "rule[1].todo", [], "at least 1"),
    ("short too long", table(short='"THE OXYGEN IS TOO LOW"'), "rule[1].short", "THE OXYGEN IS TOO LOW", "1 to 20"),
    ("short empty", table(short='""'), "rule[1].short", "", "1 to 20"),
    ("short not GSM", table(short='"O₂ LOW"'), "rule[1].short", "O₂ LOW", "GSM 7-bit"),
    ("first action too long", table(todo=f'["{"x" * 41}"]'), "rule[1].todo[1]", "x" * 41, "1 to 40"),
    ("key with a space", table(key='"oxygen low"'), "rule[1].key", "oxygen low", "pattern"),
    ("negative delay", table(on_delay_s="-1"), "rule[1].on_delay_s", -1, "greater than or equal to 0"),
    ("key twice", table() + table(), "rule[2].key", "oxygen-low", "another key: rule[1]"),
    (
        "urgent limit crossed before the mild one",
        table(when="{ below = 80 }") + table(key='"mild"', priority='"low"', when="{ below = 65 }"),
        "rule[1].when.below", 80.0, "below the less urgent mild (65 %, rule[2])",
    ),
    (
        "two priorities at one limit",
        table() + table(key='"mild"', priority='"low"'),
        "rule[1].when.below", 65.0, "below the less urgent mild (65 %, rule[2])",
    ),
    (
        "deadband as wide as the gap",
        table(deadband="15.0") + table(key='"high"', when="{ above = 80 }"),
        "rule[1].deadband", 15.0, "smaller than the 15 % between oxygen-low and high",
    ),
    (
        "the same upside down",
        table(when="{ above = 105 }") + table(key='"mild"', priority='"low"', when="{ above = 110 }"),
        "rule[1].when.above", 105.0, "above the less urgent mild (110 %, rule[2])",
    ),
    (
        "low limit over the high one",
        table(when="{ below = 90 }") + table(key='"high"', when="{ above = 85 }"),
        "rule[1].when.below", 90.0, "below the high limit high (85 %, rule[2])",
    ),
    (
        "deadband wider than the gap",
        table(deadband="20.0") + table(key='"high"', when="{ above = 80 }"),
        "rule[1].deadband", 20.0, "smaller than the 15 % between oxygen-low and high",
    ),
]  # fmt: skip


@pytest.mark.parametrize(
    ("text", "key", "value", "expected"), [row[1:] for row in LOW_HIGH], ids=[row[0] for row in LOW_HIGH]
)
def test_one_fault_is_told_with_place_value_and_what_was_expected(
    text: str, key: str, value: object, expected: str
) -> None:
    found = faults(HEAD + text)
    assert [(one.file, one.key) for one in found] == [("tank.toml", key)]
    assert expected in found[0].expected
    if value is not None:
        assert found[0].value == value


@pytest.mark.parametrize(
    ("text", "key", "expected"),
    [
        ("", "title", "a text"),
        ("", "rule", "at least one [[rule]] table"),
        ('title = ""\n', "title", "a text"),
        (HEAD + 'colour = "red"\n' + table(), "colour", "no such key; known here: title, about, rule"),
        (HEAD + "about = 3\n" + table(), "about", "a text"),
        ("title = \n", "(the whole file)", "TOML"),
    ],
)
def test_faults_of_the_file_itself(text: str, key: str, expected: str) -> None:
    assert (key, expected) in [(one.key, one.expected) for one in faults(text)]


def test_all_faults_come_at_once() -> None:
    together = (
        'colour = "red"\n'
        + HEAD
        + table(key='"one"', why=None)
        + table(key='"two"', quantity='"oxigen"')
        + table(key='"three"', unit='"mg/L"', short='"O₂"', source='"hearsay"')
        + table(key='"four"', when="{ below = 500 }", todo="[]")
        + table(key='"five"', when="{ below = 500 }", deadband="-1.0")
        + table(key='"five"', priority='"low"', when="{ below = 60 }")
        + table(key='"six"', when="{ below = 61 }")
    )
    assert [one.key for one in faults(together)] == [
        "colour",
        "rule[1].why",
        "rule[2].quantity",
        "rule[3].short",
        "rule[3].source",
        "rule[3].unit",
        "rule[4].todo",
        "rule[5].when.below",
        "rule[5].deadband",
        "rule[6].key",
        "rule[7].when.below",
    ]


def test_faults_of_the_sources() -> None:
    with pytest.raises(ConfigurationError) as caught:
        load_sources('[a]\ncitation = "A"\nstanding = "true"\nseen = "text"\n[b]\ncitation = "B"\n', "sources.toml")
    assert [one.key for one in caught.value.faults] == ["a.standing", "b.standing", "b.seen"]
