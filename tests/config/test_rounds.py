"""What is asked on the round, in the shed file: every fault at once, and what it makes of the shed."""

from __future__ import annotations

from pathlib import Path

import pytest

from brinewatch.config import read_shed
from brinewatch.config.rounds import ROUND_BUS
from brinewatch.errors import ConfigurationError
from config.sheds import SMALL, write

ROUND = """
[[round]]
stage = "tank"
ask = ["tan", "deaths", "feed_given", "cleaning", "refractometer_salinity"]

[[round]]
stage = "tank"
ask = ["mean_weight"]
every_days = 14

[[batch]]
key = "spring"
name = "Spring animals"
species = "Apostichopus japonicus"
stage = "tank"
started = 2026-03-01
animals_in = 2000
mean_weight_g = 2.5
market_weight_g = 60
"""
DAY = 86400.0


def faults(folder: Path, text: str) -> dict[str, str]:
    with pytest.raises(ConfigurationError) as caught:
        read_shed(write(folder, SMALL + text))
    return {fault.key: fault.expected for fault in caught.value.faults}


def test_what_no_wire_feeds_is_entered_by_hand_and_judged_by_its_own_time(tmp_path: Path) -> None:
    shed = read_shed(write(tmp_path, SMALL + ROUND))
    assert shed.channels()["tank.deaths"][0] == ROUND_BUS
    assert shed.channels()["tank.tan"][0] == "hand"
    ages = {alarm.point: alarm.max_age_s for alarm in shed.alarms}
    # a quarter more than it is asked
    assert ages["tank.deaths"] == ages["tank.tan"] == 1.25 * DAY
    assert ages["tank.mean_weight"] == 17.5 * DAY
    # the page of the shed shows the water, not the book-keeping
    assert "deaths" not in shed.stage("tank").watch
    assert [batch.key for batch in shed.batches] == ["spring"]


def test_what_is_overdue_makes_one_call_of_low_priority(tmp_path: Path) -> None:
    shed = read_shed(write(tmp_path, SMALL + ROUND))
    by_id = {alarm.id: alarm for alarm in shed.alarms}
    whole = by_id["round-overdue@round.health"]
    assert whole.rule.priority.value == "low"
    for point, key in (("tan", "no-tan-data"), ("deaths", "no-deaths-data"), ("mean_weight", "no-weight-data")):
        one = by_id[f"{key}@tank.{point}"]
        assert one.causes == (whole.id,)
        assert one.rule.priority.value == "low"
    # each of them has its own rule: none falls back on that for a probe
    assert not any(alarm.rule.key == "no-data" and alarm.point.startswith("tank.m") for alarm in shed.alarms)


def test_without_a_round_there_is_no_such_part(tmp_path: Path) -> None:
    shed = read_shed(write(tmp_path))
    assert "round.health" not in {alarm.point for alarm in shed.alarms}
    assert ROUND_BUS not in shed.buses


def test_every_fault_is_told_at_once(tmp_path: Path) -> None:
    text = """
[[round]]
stage = "pond"
ask = ["tan"]

[[round]]
stage = "tank"
ask = ["tans", "deaths"]

[[round]]
stage = "tank"
ask = ["deaths", "salinity"]

[[batch]]
key = "one"
name = "One"
species = "urchins"
stage = "pond"
started = 2026-03-01
animals_in = 10
"""
    assert set(faults(tmp_path, text)) == {"round[1].stage", "round[2].ask", "round[3].ask", "batch[1].stage"}
    own = '\n[[round]]\nstage = "tank"\nask = []\nevery_days = 0\noften = 3\n'
    assert set(faults(tmp_path, own)) == {"round[1].ask", "round[1].every_days", "round[1].often"}


@pytest.mark.parametrize(
    ("quantity", "expected"),
    [
        ("tans", "a quantity; known: air_flow"),
        ("health", "a quantity; known"),
        ("nh3_n", "worked out from others"),
        ("salinity", "bus line feeds tank.salinity (beside the probe, ask for refractometer_salinity)"),
        ("oxygen", "no probe reads: bus line feeds tank.oxygen"),
    ],
)
def test_what_cannot_be_asked_is_refused_with_why(tmp_path: Path, quantity: str, expected: str) -> None:
    found = faults(tmp_path, f'\n[[round]]\nstage = "tank"\nask = ["{quantity}"]\n')
    assert expected in found["round[1].ask"]


def test_a_thing_is_asked_once(tmp_path: Path) -> None:
    found = faults(tmp_path, ROUND + '\n[[round]]\nstage = "tank"\nask = ["deaths"]\n')
    assert found == {"round[3].ask": "something else: round[1] asks for tank.deaths already"}


def test_the_name_of_the_rounds_bus_is_kept(tmp_path: Path) -> None:
    bus = '\n[bus.rounds]\nkind = "manual"\n[[bus.rounds.probe]]\nname = "kit-b"\n[[bus.rounds.probe.channel]]\n'
    found = faults(tmp_path, ROUND + bus + 'point = "tank.temperature"\n')
    assert "kept for the round" in found["bus.rounds"]


BATCH = '\n[[batch]]\nkey = "{}"\nname = "X"\nspecies = "urchins"\nstage = "tank"\nstarted = {}\nanimals_in = 5\n'


def test_two_batches_do_not_live_in_one_place_at_a_time(tmp_path: Path) -> None:
    two = BATCH.format("a", "2026-01-01") + BATCH.format("b", "2026-03-01")
    assert "give that one `ended`" in faults(tmp_path, two)["batch[2].started"]
    one_after = BATCH.format("a", "2026-01-01") + "ended = 2026-02-28\n" + BATCH.format("b", "2026-03-01")
    assert len(read_shed(write(tmp_path, SMALL + one_after)).batches) == 2
    same = one_after.replace('"b"', '"a"')
    assert "a name of its own" in faults(tmp_path, same)["batch[2].key"]
    assert (
        "ended on or after"
        in faults(tmp_path, BATCH.format("a", "2026-01-01") + "ended = 2025-01-01\n")["batch[1]"]
    )
