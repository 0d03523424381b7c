"""What of an incident is said first: what makes it urgent, then its cause; what to do against both."""

from __future__ import annotations

from alarms.nights import rule
from brinewatch.alarms.events import Priority
from brinewatch.alarms.rules import Alarm
from brinewatch.leading import beside_of, steps_of, title_of


def alarm(title: str, priority: Priority, *todo: str, caution: str = "") -> Alarm:
    return Alarm(rule(title=title, priority=priority, todo=todo, caution=caution), "tank.oxygen", "oxygen", 30.0)


MOTOR = alarm("Blower motor draws no current", Priority.HIGH, "Breaker?", "Spare blower.", caution="Isolate first.")
AIR = alarm("Air supply stopped", Priority.CRITICAL, "Breaker?", "Stop feeding.", caution="Isolate first.")
RISE = alarm("Air hardly rises", Priority.MEDIUM, "Look.")


def test_what_makes_it_urgent_leads_and_its_steps_follow_those_against_the_cause() -> None:
    held = (RISE, AIR)
    assert title_of(MOTOR, held) == "Air supply stopped: blower motor draws no current"
    assert beside_of(MOTOR, held) == ("Air hardly rises",)
    assert steps_of(MOTOR, held) == ("Breaker?", "Spare blower.", "Stop feeding.", "Caution: Isolate first.")


def test_what_is_less_urgent_is_named_beside_it_only() -> None:
    assert title_of(AIR, (MOTOR, RISE)) == "Air supply stopped"
    assert beside_of(AIR, (MOTOR, RISE, RISE)) == ("Blower motor draws no current", "Air hardly rises")
    assert steps_of(AIR, (RISE,)) == ("Breaker?", "Stop feeding.", "Caution: Isolate first.")


def test_a_name_in_capitals_keeps_them() -> None:
    dc = alarm("DC supply lost", Priority.HIGH)
    assert title_of(dc, (AIR,)) == "Air supply stopped: DC supply lost"
