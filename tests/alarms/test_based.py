"""Rule sets that stand on others: what is replaced, what is inherited, and what is refused."""

from __future__ import annotations

import pytest

from alarms.rulefiles import HEAD, SOURCES, table
from brinewatch.alarms.based import load_rules
from brinewatch.alarms.rules import Below
from brinewatch.alarms.ruleset import RuleSet, bind, load_ruleset
from brinewatch.errors import ConfigurationError


def on(base: str, *tables: str) -> str:
    return f'title = "A tank"\nbased_on = "{base}"\n' + "".join(tables or (table(),))


def load(file: str, **files: str) -> RuleSet:
    texts = {f"{name}.toml": text for name, text in files.items()}
    return load_rules(file, texts.get, SOURCES)


def test_a_rule_of_the_same_key_goes_before_and_everything_else_is_inherited() -> None:
    found = load(
        "fry.toml",
        fry=on("fish.toml", table(when="{ below = 75 }")),
        fish=on(
            "water.toml",
            table(),
            table(key='"chill"', quantity='"temperature"', unit='"degC"', when="{ below = 5 }"),
        ),
        water=HEAD + table(key='"oxygen-low"', when="{ below = 50 }") + table(key='"salt"', when="{ below = 1 }"),
    )
    assert (found.file, found.title, found.based_on) == ("fry.toml", "A tank", "")
    limits = {one.key: one.condition for one in found.rules}
    assert limits == {"oxygen-low": Below(75.0), "chill": Below(5.0), "salt": Below(1.0)}


def test_a_file_that_stands_on_nothing_is_itself() -> None:
    assert len(load("water.toml", water=HEAD + table()).rules) == 1


@pytest.mark.parametrize(
    ("files", "file", "key", "value", "expected"),
    [
        ({"fry": on("fish.toml")}, "fry.toml", "based_on", "fish.toml", "a rule set that is there"),
        ({}, "fry.toml", "file", "fry.toml", "a rule set that is there"),
        ({"fry": on("fry.toml")}, "fry.toml", "based_on", "fry.toml", "does not stand on this one"),
        (
            {"fry": on("fish.toml"), "fish": on("fry.toml")},
            "fish.toml", "based_on", "fry.toml", "does not stand on this one",
        ),
        (
            {"fry": on("fish.toml", table(quantity='"ph"', when="{ below = 7 }", unit='"pH"', deadband="0.1")),
             "fish": HEAD + table()},
            "fry.toml", "rule oxygen-low.quantity", "ph", "oxygen_saturation, as in fish.toml",
        ),
        (
            # the inherited, more urgent limit would be crossed first
            {"fry": on("fish.toml", table(key='"oxygen-warn"', priority='"medium"', when="{ below = 60 }")),
             "fish": HEAD + table()},
            "fry.toml", "oxygen-low.when.below", 65.0, "oxygen-warn",
        ),
    ],
)  # fmt: skip
def test_what_cannot_stand_is_refused(
    files: dict[str, str], file: str, key: str, value: object, expected: str
) -> None:
    with pytest.raises(ConfigurationError) as caught:
        load("fry.toml", **files)
    [fault] = caught.value.faults
    assert (fault.file, fault.key, fault.value) == (file, key, value)
    assert expected in fault.expected


def test_faults_of_the_other_file_are_told_at_its_own_place() -> None:
    with pytest.raises(ConfigurationError) as caught:
        load("fry.toml", fry=on("fish.toml"), fish=HEAD + table(short='"FAR TOO LONG A TEXT TO SEND"'))
    [fault] = caught.value.faults
    assert (fault.file, fault.key) == ("fish.toml", "rule[1].short")


def test_half_a_rule_set_is_not_bound() -> None:
    half = load_ruleset(on("fish.toml"), "fry.toml", SOURCES)
    with pytest.raises(ConfigurationError) as caught:
        bind([(half, None)], {"tank.oxygen_saturation": "oxygen_saturation"})
    [fault] = caught.value.faults
    assert (fault.file, fault.key, fault.value) == ("fry.toml", "based_on", "fish.toml")


def test_what_a_file_stands_on_is_a_name() -> None:
    with pytest.raises(ConfigurationError, match="based_on"):
        load("fry.toml", fry='title = "A tank"\nbased_on = 3\n' + table())
