"""A version says which rule it was: whatever judges or calls otherwise has another, wording alone does not."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given

from alarms.any_condition import TABLES, alarm
from alarms.nights import at, reading, rule
from brinewatch.alarms.engine import Memory, step
from brinewatch.alarms.events import Priority
from brinewatch.alarms.only import Only
from brinewatch.alarms.rules import Alarm, Below
from brinewatch.alarms.version import begin_text, body_of, version_of, version_of_all
from brinewatch.config import read_shed
from scenarios.night import DEMO

POINT = "a.oxygen_saturation"
LOW = Alarm(rule(), POINT, "oxygen_saturation", 10.0)


def version(one: Alarm) -> str:
    return version_of(body_of(one))


OTHERWISE: list[Mapping[str, Any]] = [
    {"condition": Below(64.9)}, {"deadband": 1.25}, {"on_delay_s": 7.0}, {"off_delay_s": 7.0},
    {"priority": Priority.LOW}, {"repeat_s": 5.0}, {"ack_expires_s": 5.0}, {"latching": True}, {"emergency": True},
    {"attended": "hold"}, {"takes": "air"}, {"needs": ("air",)}, {"only": Only(hours=(60, 120))},
    {"source": "another"}, {"standing": "published"}, {"key": "other"},
]  # fmt: skip


@pytest.mark.parametrize("changes", OTHERWISE, ids=lambda changes: next(iter(changes)))
def test_what_judges_or_calls_otherwise_is_another_version(changes: Mapping[str, Any]) -> None:
    assert version(replace(LOW, rule=replace(LOW.rule, **changes))) != version(LOW)


@pytest.mark.parametrize(
    "changes",
    [{"point": "b.oxygen_saturation"}, {"max_age_s": 11.0}, {"note": "ours are young"}, {"causes": ("x",)}],
)
def test_so_is_the_same_rule_bound_otherwise_or_for_another_reason(changes: Mapping[str, Any]) -> None:
    assert version(replace(LOW, **changes)) != version(LOW)


@pytest.mark.parametrize("changes", [{"title": "Another"}, {"why": "x"}, {"todo": ("y",)}, {"caution": "z"}])
def test_another_wording_is_the_same_version(changes: Mapping[str, Any]) -> None:
    assert version(replace(LOW, rule=replace(LOW.rule, **changes))) == version(LOW)


@given(TABLES, TABLES)
def test_two_conditions_have_one_version_only_when_they_are_the_same(one: Any, other: Any) -> None:
    first, second = alarm(one), alarm(other)
    assert (version(first) == version(second)) == (first.rule.condition == second.rule.condition)


def test_every_rule_of_a_shed_has_its_own_and_it_is_the_same_in_another_process() -> None:
    """Python gives texts other hashes in every process (docs.python.org, PYTHONHASHSEED); ours must not."""
    alarms = read_shed(DEMO).alarms
    versions = {one.id: version(one) for one in alarms}
    assert len(set(versions.values())) == len(alarms) > 50
    program = (
        "from brinewatch.config import read_shed; from pathlib import Path;"
        "from brinewatch.alarms.version import body_of, version_of, version_of_all;"
        f"alarms = read_shed(Path({str(DEMO)!r})).alarms;"
        "print(version_of_all({one.id: version_of(body_of(one)) for one in alarms}))"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == version_of_all(versions)


def test_body_is_json_a_person_can_read() -> None:
    body = json.loads(body_of(LOW))
    assert body["alarm"] == f"low@{POINT}"
    assert body["when"] == {"below": 65.0}
    assert body["priority"] == "high"
    assert list(body) == sorted(body)


def test_an_event_carries_the_version_of_its_rule_and_none_when_the_rule_is_gone() -> None:
    came = step((LOW,), Memory(), {POINT: reading(POINT, 50.0, at(0))}, at(0))
    [raised] = came.events
    assert raised.version == version(LOW)
    [gone] = step((), came.memory, {}, at(1)).events
    assert gone.version == ""


def test_what_is_said_when_a_watch_begins() -> None:
    one, two = {"a@p": "1", "b@p": "2"}, {"b@p": "3", "c@p": "4"}
    assert begin_text(None, one) == f"The watch begins with 2 alarms, rule set {version_of_all(one)}."
    assert begin_text(one, dict(reversed(one.items()))).endswith(f"{version_of_all(one)}, as before.")
    assert begin_text(one, two) == (
        f"The watch begins with 2 alarms, rule set {version_of_all(two)}, before it was {version_of_all(one)}"
        " (changed: b@p; new: c@p; gone: a@p)."
    )
