"""The rule sets that come with the program: their numbers, their sources and their manners.

checkvalues/species_alert_limits.csv: alert limits by animal, each with the work it leans on and how that was seen
(`provenance`); most are judgement leaning on published effects, and say so.
"""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from alarms.nights import RULES, bound, shipped
from brinewatch.alarms.events import Priority
from brinewatch.alarms.rules import Above, Below, Rule, Stale
from brinewatch.alarms.ruleset import bind, load_sources
from brinewatch.quantities import QUANTITIES
from brinewatch.readings import quantity_of
from brinewatch.signals.following import FOLLOWED

FILES = sorted(path.name for path in RULES.glob("*.toml") if path.name != "sources.toml")
SETS = {name: shipped(name) for name in FILES}
ALL = [(name, one) for name, ruleset in SETS.items() for one in ruleset.rules]
SOURCES = load_sources((RULES / "sources.toml").read_text(encoding="utf-8"), "sources.toml")

ANIMALS = {
    "sea_urchin.toml": ["Sea urchin (temperate generic)", "Strongylocentrotus purpuratus"],
    "abalone.toml": ["Haliotis spp. (temperate generic)"],
    "sea_cucumber.toml": ["Apostichopus japonicus"],
    "oyster.toml": ["Crassostrea (Magallana) gigas"],
}
MEASURED = {
    "do_sat": "oxygen_saturation", "temperature": "temperature", "salinity": "salinity", "ph": "ph",
    "nh3n": "nh3_n", "no2n": "nitrite", "no3n": "nitrate", "alkalinity": "alkalinity",
}  # fmt: skip


def table() -> list[dict[str, str]]:
    path = Path(__file__).parents[1] / "checkvalues" / "species_alert_limits.csv"
    with path.open(encoding="utf-8", newline="") as lines:
        return list(csv.DictReader(lines))


def test_every_rule_set_wanted_is_here() -> None:
    assert set(FILES) >= {"air.toml", "watch.toml", *ANIMALS}


@pytest.mark.parametrize("name", ANIMALS)
def test_limits_are_those_of_the_table_no_more_and_no_fewer(name: str) -> None:
    wanted = {
        (MEASURED[row["parameter"]], kind, row["level"], float(row[column]))
        for row in table()
        if row["species"] in ANIMALS[name]
        for column, kind in (("low", Below), ("high", Above))
        if row[column]
    }
    found = {(one.quantity, type(one.condition), one.key.rpartition("-")[2], one.limit) for one in SETS[name].rules}
    assert found == wanted


@pytest.mark.parametrize("name", ANIMALS)
def test_the_urgent_limits_are_the_more_urgent_alarms(name: str) -> None:
    for one in SETS[name].rules:
        level = one.key.rpartition("-")[2]
        if one.quantity == "oxygen_saturation" and isinstance(one.condition, Below):
            expected = {"warn": Priority.MEDIUM, "critical": Priority.HIGH, "emergency": Priority.CRITICAL}[level]
            assert one.priority is expected


def test_the_air_limit_is_the_static_head_it_claims_to_be() -> None:
    # rho g h with EOS-80 density of seawater, S 35, 20 degC: 1024.763 kg/m3 (UNESCO 44; from memory)
    [one] = [one for one in SETS["air.toml"].rules if one.key == "air-stopped"]
    assert one.limit == pytest.approx(1024.763 * 9.80665 * 0.8 / 1000, abs=0.1)
    assert (one.priority, one.on_delay_s) == (Priority.CRITICAL, 15.0)


def test_mains_wait_a_minute_and_air_data_half_of_one() -> None:
    [mains] = [one for one in SETS["air.toml"].rules if one.key == "mains-off"]
    assert (mains.priority, mains.on_delay_s) == (Priority.HIGH, 60.0)
    [data] = [one for one in SETS["watch.toml"].rules if one.key == "no-air-data"]
    assert isinstance(data.condition, Stale)
    assert data.priority is Priority.CRITICAL
    assert 15 <= data.on_delay_s + data.condition.seconds <= 30


@pytest.mark.parametrize(("name", "one"), ALL, ids=[one.key for _, one in ALL])
def test_every_rule_cites_its_source_honestly(name: str, one: Rule) -> None:
    source = SOURCES[one.source]
    if one.standing == "published":
        assert source.standing == "published"
        assert source.seen not in ("memory", "none"), "a number nobody has checked is not published for us"
    if source.seen in ("memory", "none"):
        assert one.standing == "judgement"
    assert one.why.endswith(".")
    assert len(one.todo) >= 1
    assert one.time_available


def test_every_source_is_cited_and_every_key_is_the_only_one() -> None:
    assert {one.source for _, one in ALL} == set(SOURCES)
    keys = [one.key for _, one in ALL]
    assert len(keys) == len(set(keys))


def test_where_work_can_hurt_the_rule_says_so() -> None:
    for _, one in ALL:
        if (
            one.quantity in ("air_pressure", "air_rise", "motor_current", "mains", "level_switch", *FOLLOWED)
            and not one.about_data
        ):
            assert "licensed electrician" in one.caution
        if one.quantity in ("nh3_n", "nitrite", "nitrate", "alkalinity", "ph") and not one.about_data:
            assert "Gloves" in one.caution


@pytest.mark.parametrize(("name", "one"), ALL, ids=[one.key for _, one in ALL])
def test_deadband_and_off_delay_keep_noise_out(name: str, one: Rule) -> None:
    if isinstance(one.condition, (Below, Above)):
        assert one.deadband > 0
    by_hand = {"nitrite", "nitrate", "alkalinity", "tan"}
    if one.quantity not in by_hand and not one.about_data:
        assert one.off_delay_s >= 30 or one.priority is Priority.CRITICAL


def test_every_quantity_that_is_watched_by_a_limit_can_be_bound_with_everything_at_once() -> None:
    points = {f"stage.{key}": key for key in QUANTITIES}
    alarms = bind([(ruleset, None) for ruleset in SETS.values()], points)
    for point in points:
        data = [alarm for alarm in alarms if alarm.point == point and isinstance(alarm.rule.condition, Stale)]
        assert len(data) == 1


def test_each_part_of_the_watch_has_its_own_rule_and_an_unknown_part_the_general_one() -> None:
    parts = ["modem", "broker", "journal", "history", "tides"]
    alarms = bound("watch.toml", points=[f"{part}.health" for part in parts])
    failing = {alarm.point: alarm.rule.key for alarm in alarms if alarm.rule.key.endswith("-failing")}
    assert failing == {
        "modem.health": "modem-failing",
        "broker.health": "broker-failing",
        "journal.health": "journal-failing",
        "history.health": "history-failing",
        "tides.health": "part-failing",
    }
    assert all(quantity_of(alarm.point) == "health" for alarm in alarms)
