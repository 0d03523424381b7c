"""Setting an alarm aside: by whom, how long at most, how it comes back. Bounds are judgement.

That a shelved alarm is bounded in time, that a longer request is refused, and that one-shot shelving ends when the
condition goes: OPC 10000-9 (ShelvedStateMachine, MaxTimeShelved), read. That an alarm leaving it goes to the state
that fits the present: common practice, no source.
"""

from __future__ import annotations

import pytest

from alarms.nights import Night, rule
from brinewatch.alarms.events import Happening, Order, Priority, State
from brinewatch.alarms.orders import LONGEST_SHELF_S
from brinewatch.alarms.rules import Alarm

TANK = "nursery.oxygen_saturation"
LOW = f"low@{TANK}"


def night(**more: object) -> Night:
    made = Night([Alarm(rule(on_delay_s=5.0, off_delay_s=5.0, **more), TANK, "oxygen_saturation", 30.0)])
    made.until("02:01:00", nursery__oxygen_saturation=90.0)
    return made


def test_a_shelved_alarm_is_silent_for_its_time_and_calls_when_it_wakes_and_still_holds() -> None:
    it = night()
    it.until("02:02:00", nursery__oxygen_saturation=50.0)
    it.says("Ann", 1, Order.SHELVE, for_s=1800.0, reason="probe being cleaned")
    assert it.state(LOW) is State.SHELVED
    it.until("02:31:00", nursery__oxygen_saturation=50.0)
    assert len(it.calls) == 1
    it.until("02:33:00", nursery__oxygen_saturation=50.0)
    assert it.events == [
        "02:01:05 raised low 1 since 02:01:00",
        "02:02:00 shelved low 1 since 02:01:00 by Ann",
        "02:32:00 repeated low 1 since 02:01:00",
    ]
    assert it.seen[1].detail == "probe being cleaned"
    assert it.seen[1].until is not None
    assert it.seen[1].until.local.strftime("%H:%M") == "02:32"


def test_a_shelved_alarm_whose_condition_went_wakes_quietly() -> None:
    it = night()
    it.until("02:02:00", nursery__oxygen_saturation=50.0)
    it.says("Ann", 1, Order.SHELVE, for_s=600.0)
    it.until("02:20:00", nursery__oxygen_saturation=90.0)
    assert it.events[-1].startswith("02:12:00 unshelved low 1")
    it.until("02:30:00", nursery__oxygen_saturation=50.0)
    assert it.events[-1].startswith("02:20:05 raised low 2")  # a new activation, a new number


def test_one_shot_lasts_until_the_condition_goes() -> None:
    it = night()
    it.until("02:02:00", nursery__oxygen_saturation=50.0)
    it.says("Ann", 1, Order.SHELVE, one_shot=True)
    it.until("03:30:00", nursery__oxygen_saturation=50.0)
    assert it.state(LOW) is State.SHELVED
    it.until("03:31:00", nursery__oxygen_saturation=90.0)
    assert it.state(LOW) is State.NORMAL
    it.until("03:32:00", nursery__oxygen_saturation=50.0)
    assert len(it.calls) == 2


@pytest.mark.parametrize("priority", list(Priority))
def test_no_shelf_is_longer_than_its_priority_allows(priority: Priority) -> None:
    it = night(priority=priority)
    it.until("02:02:00", nursery__oxygen_saturation=50.0)
    longest = LONGEST_SHELF_S[priority]
    it.says("Ann", 1, Order.SHELVE, for_s=longest + 1.0)
    assert it.state(LOW) is State.UNACKNOWLEDGED
    assert it.seen[-1].happening is Happening.REFUSED
    assert it.seen[-1].detail.startswith("say for how long: up to")
    it.says("Ann", 1, Order.SHELVE, for_s=longest)
    assert it.state(LOW) is State.SHELVED


def test_a_shelf_without_a_time_is_refused() -> None:
    it = night()
    it.until("02:02:00", nursery__oxygen_saturation=50.0)
    it.says("Ann", 1, Order.SHELVE)
    assert it.seen[-1].happening is Happening.REFUSED
    it.says("Ann", 1, Order.SHELVE, for_s=-5.0)
    assert it.seen[-1].happening is Happening.REFUSED


def test_a_shelf_and_its_end_outlive_restarts_and_steps_of_the_clock() -> None:
    it = night()
    it.until("02:02:00", nursery__oxygen_saturation=50.0)
    it.says("Ann", 1, Order.SHELVE, for_s=1800.0)
    it.restart()
    it.shift += 7200.0  # the wall clock is set forward: only monotonic time counts
    it.until("02:20:00", nursery__oxygen_saturation=50.0)
    assert it.state(LOW) is State.SHELVED
    it.restart(boot_after_s=300.0)
    it.until("02:31:30", nursery__oxygen_saturation=50.0)
    assert it.state(LOW) is State.SHELVED
    it.until("02:33:00", nursery__oxygen_saturation=50.0)
    assert it.state(LOW) is State.UNACKNOWLEDGED


def test_out_of_service_needs_a_reason_and_an_end() -> None:
    it = night()
    it.says("Ann", None, Order.REMOVE, alarm=LOW, for_s=3600.0)
    assert it.seen[-1].detail == "say why it is taken out of service"
    it.says("Ann", None, Order.REMOVE, alarm=LOW, reason="membrane ordered")
    assert it.seen[-1].detail.startswith("say for how long")
    it.says("Ann", None, Order.REMOVE, alarm=LOW, reason="membrane ordered", for_s=3600.0)
    assert it.state(LOW) is State.OUT_OF_SERVICE
    it.until("02:30:00", nursery__oxygen_saturation=10.0)
    assert it.calls == []
    it.says("Ben", None, Order.ACKNOWLEDGE)
    assert it.seen[-1].detail == "no alarm waits for an answer"
    it.says("Ben", None, Order.RESTORE)
    assert it.calls == ["02:30:00 low high"]


def test_out_of_service_ends_by_itself() -> None:
    it = night()
    it.says("Ann", None, Order.REMOVE, alarm=LOW, reason="membrane ordered", for_s=600.0)
    it.until("02:12:00", nursery__oxygen_saturation=10.0)
    assert it.state(LOW) is State.UNACKNOWLEDGED


@pytest.mark.parametrize(
    ("order", "said"),
    [
        (Order.SHELVE, "no alarm stands"),
        (Order.UNSHELVE, "no alarm is shelved"),
        (Order.RESTORE, "no alarm is out of service"),
        (Order.REMOVE, "name the alarm to take out of service"),
        (Order.LEAVE, "nobody is said to be in the shed"),
    ],
)
def test_an_order_that_fits_nothing_says_so(order: Order, said: str) -> None:
    it = night()
    it.says("Ann", None, order, for_s=60.0, reason="because")
    assert [(event.happening, event.detail) for event in it.seen] == [(Happening.REFUSED, said)]


def test_an_unknown_alarm_is_named() -> None:
    it = night()
    it.says("Ann", None, Order.SHELVE, alarm="nothing@nowhere", for_s=60.0)
    assert it.seen[-1].detail == "no alarm is called nothing@nowhere"
