"""What a siren, a lamp and a stand-by pump do, and when: they are the last to rest, never the first."""

from __future__ import annotations

from dataclasses import replace

import pytest
from pydantic import ValidationError

from alarms.nights import at, rule
from alarms.nights import reading as read
from brinewatch.alarms.events import Priority, State
from brinewatch.alarms.memory import AlarmMemory
from brinewatch.alarms.relays import PROOF_S, Relay, RelaySettings, faults
from brinewatch.alarms.rules import Alarm
from brinewatch.readings import Reading

AIR = "air-stopped@manifold.air_pressure"
POINT = "room.standby_air"
ALARMS = {
    AIR: Alarm(
        rule(key="air-stopped", takes="air", priority=Priority.CRITICAL),
        "manifold.air_pressure",
        "air_pressure",
        10.0,
    )
}


def relay(does: str, **more: object) -> Relay:
    return Relay(RelaySettings.model_validate({"key": "one", "does": does, "line": 5, **more}))


def memory(state: State, *, active: bool = True, called: float = 0.0, priority: Priority = Priority.CRITICAL,
           reason: str = "") -> dict[str, AlarmMemory]:  # fmt: skip
    return {AIR: AlarmMemory(AIR, state, active=active, called=at(called), priority=priority, reason=reason)}


def running(value: float, second: float) -> dict[str, Reading]:
    return {POINT: read(POINT, value, at(second))}


@pytest.mark.parametrize(
    ("state", "lit"),
    [
        (State.NORMAL, False), (State.UNACKNOWLEDGED, True), (State.ACKNOWLEDGED, True), (State.RETURNED, True),
        (State.LATCHED, True), (State.SHELVED, False), (State.SUPPRESSED, False), (State.OUT_OF_SERVICE, False),
    ],
)  # fmt: skip
def test_the_lamp_burns_while_anything_stands(state: State, lit: bool) -> None:
    assert relay("lamp").look(ALARMS, memory(state), {}, at(1)) is lit


def test_the_siren_sounds_for_what_is_critical_and_unanswered_and_not_for_ever() -> None:
    siren = relay("siren", for_s=300)
    waits = memory(State.UNACKNOWLEDGED, called=10)
    assert siren.look(ALARMS, waits, {}, at(11))
    assert not siren.look(ALARMS, waits, {}, at(311))
    assert siren.look(ALARMS, memory(State.UNACKNOWLEDGED, called=610), {}, at(611))  # it called again
    assert not siren.look(ALARMS, memory(State.ACKNOWLEDGED, called=610), {}, at(611))
    assert not siren.look(ALARMS, memory(State.UNACKNOWLEDGED, called=10, priority=Priority.HIGH), {}, at(11))


def test_stand_by_air_runs_until_a_person_rests_it_though_it_brings_the_pressure_back_itself() -> None:
    pump = relay("stand-by air")
    assert not pump.look(ALARMS, memory(State.NORMAL, active=False), {}, at(0))
    assert pump.look(ALARMS, memory(State.UNACKNOWLEDGED), {}, at(1))
    assert pump.look(ALARMS, memory(State.NORMAL, active=False), {}, at(100))
    again = relay("stand-by air")
    again.recall(pump.to_dict())
    assert again.look(ALARMS, {}, {}, at(200))  # over a restart too
    again.rest()
    assert not again.look(ALARMS, memory(State.NORMAL, active=False), {}, at(300))
    assert again.look(
        ALARMS, memory(State.ACKNOWLEDGED), {}, at(400)
    )  # rested while the air is gone: at once again


@pytest.mark.parametrize(
    ("state", "reason", "runs"),
    [
        (State.SHELVED, "new hose", True),  # a silent phone needs no less air
        (State.SUPPRESSED, "mains-off@room.mains", True),
        (State.OUT_OF_SERVICE, "gauge", True),
        (State.SHELVED, "air-off test of Nursery raceway", False),
    ],
)
def test_only_an_attended_air_off_test_holds_the_pump_back(state: State, reason: str, runs: bool) -> None:
    assert relay("stand-by air").look(ALARMS, memory(state, reason=reason), {}, at(1)) is runs


def test_other_losses_start_no_pump() -> None:
    other = {AIR: replace(ALARMS[AIR], rule=replace(ALARMS[AIR].rule, takes="flow"))}
    assert not relay("stand-by air").look(other, memory(State.UNACKNOWLEDGED), {}, at(1))


PROVEN = {"proven_by": POINT, "prove_day": 3}


def test_a_pump_that_runs_when_tried_is_proven_and_rests_again() -> None:
    pump = relay("stand-by air", **PROVEN)
    pump.begin_proof(at(0))
    assert pump.look(ALARMS, {}, running(0.0, 1), at(1))
    assert pump.look(ALARMS, {}, running(1.0, 5), at(5))
    assert not pump.look(ALARMS, {}, running(1.0, PROOF_S), at(PROOF_S))
    assert (pump.fault, pump.proven_utc) == ("", at(PROOF_S).utc)


@pytest.mark.parametrize("readings", [{}, running(0.0, 20), running(1.0, -5)])
def test_one_that_does_not_or_of_which_nobody_can_tell_is_at_fault(readings: dict[str, Reading]) -> None:
    pump = relay("stand-by air", **PROVEN)
    pump.begin_proof(at(0))
    pump.look(ALARMS, {}, readings, at(20))
    assert not pump.look(ALARMS, {}, readings, at(PROOF_S))
    assert faults([pump], at(PROOF_S)) == "one: the stand-by air did not run when it was tried"
    assert pump.proven_utc is None


def test_a_pump_that_is_needed_while_it_is_tried_runs_on() -> None:
    pump = relay("stand-by air", **PROVEN)
    pump.begin_proof(at(0))
    pump.look(ALARMS, memory(State.UNACKNOWLEDGED), running(1.0, 5), at(5))
    assert pump.look(ALARMS, {}, running(1.0, PROOF_S), at(PROOF_S))


def test_a_proof_too_long_ago_is_told_unless_nobody_knows_the_time() -> None:
    pump = relay("stand-by air", **PROVEN)
    pump.recall({"latched": False, "proven_utc": at(0).utc, "fault": ""})
    assert pump.health(at(39 * 86400.0)) == ""
    assert "not proven for more than a month" in pump.health(at(41 * 86400.0))
    assert pump.health(at(41 * 86400.0, trusted=False)) == ""


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"does": "disco"}, "siren"),
        ({"does": "siren", "prove_day": 3}, "stand-by air only"),
        ({"does": "stand-by air", "prove_day": 3}, "proven_by beside prove_day"),
        ({"does": "siren", "rests": "on"}, "energised"),
        ({"does": "stand-by air", **PROVEN, "prove_at": "25:00"}, "a time of the day"),
        ({"does": "siren", "for_s": 2}, "greater than or equal to 10"),
    ],
)
def test_faults_of_the_settings(changes: dict[str, object], message: str) -> None:
    with pytest.raises(ValidationError, match=message):
        RelaySettings.model_validate({"key": "one", "line": 5, **changes})


def test_a_relay_rests_energised_unless_said_otherwise() -> None:
    # a dead watch, a cut wire or a lost supply drops it, and that is what an alarm does
    assert RelaySettings.model_validate({"key": "one", "does": "siren", "line": 5}).rests == "energised"
