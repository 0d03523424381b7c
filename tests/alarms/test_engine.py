"""Orders, numbers, settings that change and rules that break: one step at a time."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import cast

import pytest

from alarms.nights import Night, at, bound, reading, rule
from brinewatch.alarms.engine import Memory, resume, step
from brinewatch.alarms.events import AlarmEvent, Command, Happening, Order, Priority, State
from brinewatch.alarms.memory import AlarmMemory, next_number
from brinewatch.alarms.rules import Above, Alarm, Below, Failed, Is, Stale
from brinewatch.alarms.ruleset import BROKEN
from brinewatch.readings import Flag, Reading, quantity_of

A, B = "a.oxygen_saturation", "b.oxygen_saturation"
LOW_A = Alarm(rule(), A, "oxygen_saturation", 10.0)
LOW_B = Alarm(rule(), B, "oxygen_saturation", 10.0)


class Bench:
    """Two tanks, stepped by hand."""

    def __init__(self, *alarms: Alarm) -> None:
        self.alarms = alarms or (LOW_A, LOW_B)
        self.memory = Memory()

    def step(self, second: float, orders: tuple[Command, ...] = (), **values: float | None) -> list[AlarmEvent]:
        now = at(second)
        readings = {
            f"{tank}.{quantity_of(A)}": reading(f"{tank}.{quantity_of(A)}", value, now)
            for tank, value in values.items()
        }
        came = step(self.alarms, self.memory, readings, now, orders)
        assert {
            key for key, one in came.memory.alarms.items() if one != self.memory.alarms.get(key)
        } == came.changed
        self.memory = came.memory
        return list(came.events)


def ok(number: int | None, second: float, by: str = "Ann") -> Command:
    return Command(Order.ACKNOWLEDGE, number, by, at(second))


def said(events: list[AlarmEvent]) -> list[tuple[str, int, str]]:
    return [(event.happening.value, event.number, event.detail) for event in events]


# what an event carries


def test_an_event_carries_the_value_the_limit_and_when_it_began() -> None:
    slow = Bench(replace(LOW_A, rule=rule(on_delay_s=5.0)))
    assert slow.step(0, a=60.0) == []
    [event] = slow.step(5, a=58.5)
    assert (event.value, event.limit, event.quantity, event.point) == (58.5, 65.0, "oxygen_saturation", A)
    assert (event.began, event.at) == (at(0), at(5))
    assert (event.alarm, event.title, event.priority) == (f"low@{A}", "Oxygen too low", Priority.HIGH)
    assert (event.happening, event.state) == (Happening.RAISED, State.UNACKNOWLEDGED)


def test_a_step_in_which_nothing_happens_changes_nothing_to_write_down() -> None:
    bench = Bench()
    bench.step(0, a=90.0, b=90.0)
    assert bench.memory.alarms == {}
    bench.step(1, a=50.0, b=90.0)
    before = bench.memory
    bench.step(2, a=50.0, b=90.0)
    assert bench.memory is before


# conditions


@pytest.mark.parametrize(
    ("condition", "quantity", "value", "expected"),
    [
        (Below(65.0), "oxygen_saturation", 64.9, True),
        (Below(65.0), "oxygen_saturation", 65.0, False),
        (Above(20.0), "temperature", 20.1, True),
        (Above(20.0), "temperature", 20.0, False),
        (Is(0), "mains", 0.0, True),
        (Is(0), "mains", 1.0, False),
        (Is(1), "mains", 1.0, True),
    ],
)
def test_a_limit_itself_is_still_inside(
    condition: Below | Above | Is, quantity: str, value: float, expected: bool
) -> None:
    bench = Bench(Alarm(rule(condition), f"a.{quantity}", quantity, 10.0))
    now = at(0)
    came = step(bench.alarms, Memory(), {f"a.{quantity}": reading(f"a.{quantity}", value, now)}, now)
    assert bool(came.events) is expected


def test_the_deadband_holds_on_both_sides() -> None:
    low = Bench(replace(LOW_A, rule=rule(Below(65.0), deadband=2.0)))
    states = [len(low.step(s, a=v)) for s, v in enumerate([65.0, 64.9, 66.9, 67.0])]
    assert states == [0, 1, 0, 1]
    high = Bench(replace(LOW_A, rule=rule(Above(110.0), deadband=2.0)))
    states = [len(high.step(s, a=v)) for s, v in enumerate([110.0, 110.1, 108.1, 108.0])]
    assert states == [0, 1, 0, 1]


def test_failed_fires_on_flag_4_only_and_clears_on_a_trusted_reading() -> None:
    alarm = replace(LOW_A, rule=rule(Failed()))
    memory, came = Memory(), []
    for second, flag in enumerate([Flag.MISSING, Flag.NOT_EVALUATED, Flag.FAIL, Flag.MISSING, Flag.SUSPECT]):
        now = at(second)
        result = step([alarm], memory, {A: reading(A, 90.0, now, flag)}, now)
        memory = result.memory
        came.append([event.happening.value for event in result.events])
    assert came == [[], [], ["raised"], [], ["returned"]]


def test_a_manual_value_ages_from_when_it_was_taken() -> None:
    alarm = Alarm(rule(Stale(3600.0), on_delay_s=0.0), A, "oxygen_saturation", 3600.0)
    old = replace(reading(A, 1.0, at(0)), age_s=3500.0)
    assert step([alarm], Memory(), {A: old}, at(100)).events == ()
    [event] = step([alarm], Memory(), {A: old}, at(101)).events
    assert event.detail == "too old"


def test_a_number_that_is_none_is_not_judged() -> None:
    stale = Alarm(rule(Stale(5.0), key="no-data"), A, "oxygen_saturation", 5.0)
    bench = Bench(LOW_A, stale)
    assert [event.alarm for event in bench.step(0, a=float("nan"))] == [f"no-data@{A}"]


def test_a_point_never_read_gets_the_time_a_reading_may_be_old_on_top() -> None:
    stale = Alarm(rule(Stale(5.0), on_delay_s=15.0), A, "oxygen_saturation", 5.0)
    bench = Bench(stale)
    assert [len(bench.step(second)) for second in (0, 15, 19, 20)] == [0, 0, 0, 1]


# orders


def test_an_answer_takes_its_own_alarm_and_no_other() -> None:
    bench = Bench()
    bench.step(0, a=50.0, b=50.0)
    assert said(bench.step(1, (ok(2, 1),), a=50.0, b=50.0)) == [("acknowledged", 2, "")]
    assert bench.memory.waiting == (1,)
    assert bench.memory.alarms[LOW_B.id].acknowledged_by == "Ann"


def test_an_answer_without_a_number_takes_every_one_that_waits() -> None:
    bench = Bench()
    bench.step(0, a=50.0, b=50.0)
    assert said(bench.step(1, (ok(None, 1),), a=50.0, b=50.0)) == [("acknowledged", 1, ""), ("acknowledged", 2, "")]


def test_an_answer_cannot_take_what_comes_in_the_same_step() -> None:
    bench = Bench()
    bench.step(0, a=50.0, b=90.0)
    came = bench.step(1, (ok(None, 1),), a=50.0, b=50.0)
    assert said(came) == [("acknowledged", 1, ""), ("raised", 2, "")]
    assert bench.memory.waiting == (2,)


def test_an_answer_sent_before_the_alarm_came_again_is_refused() -> None:
    bench = Bench()
    bench.step(0, a=50.0)
    bench.step(1, a=90.0)
    assert said(bench.step(10, a=50.0)) == [("repeated", 1, "it came back")]
    came = bench.step(11, (ok(1, 9),), a=50.0)
    assert said(came) == [("refused", 1, "it came again after this answer was sent")]
    assert bench.memory.waiting == (1,)
    assert said(bench.step(12, (ok(1, 12),), a=50.0)) == [("acknowledged", 1, "")]


def test_a_repeated_call_does_not_spoil_an_answer_on_its_way() -> None:
    bench = Bench(replace(LOW_A, rule=rule(repeat_s=60.0)))
    bench.step(0, a=50.0)
    bench.step(60, a=50.0)
    assert said(bench.step(61, (ok(1, 59),), a=50.0)) == [("acknowledged", 1, "")]


@pytest.mark.parametrize(
    ("orders", "expected"),
    [
        ((ok(7, 1),), ("refused", 7, "no alarm has the number 7")),
        ((Command(Order.RESET, 1, "Ann", at(1)),), ("refused", 1, "acknowledge it first")),
        ((Command(Order.RESET, None, "Ann", at(1)),), ("refused", 0, "no alarm waits for a reset")),
        ((ok(1, 1), ok(1, 1, "Ben")), ("refused", 1, "it is acknowledged already")),
        ((ok(1, 1), ok(None, 1, "Ben")), ("refused", 0, "no alarm waits for an answer")),
        ((ok(1, 1), Command(Order.RESET, 1, "Ann", at(1))), ("refused", 1, "its cause is still there")),
    ],
)
def test_an_order_that_fits_nothing_is_refused_with_a_reason(
    orders: tuple[Command, ...], expected: tuple[str, int, str]
) -> None:
    bench = Bench()
    bench.step(0, a=50.0)
    assert said(bench.step(1, orders, a=50.0))[-1] == expected


def test_a_refused_order_does_not_put_off_the_next_call() -> None:
    bench = Bench(replace(LOW_A, rule=rule(repeat_s=60.0)))
    bench.step(0, a=50.0)
    bench.step(50, (Command(Order.RESET, 1, "Ann", at(50)),), a=50.0)
    assert said(bench.step(60, a=50.0)) == [("repeated", 1, "still not answered")]


def test_an_answer_to_what_is_over_is_refused_kindly() -> None:
    bench = Bench()
    bench.step(0, a=50.0)
    bench.step(1, (ok(1, 1),), a=90.0)
    assert said(bench.step(2, (ok(1, 2, "Ben"),), a=90.0)) == [("refused", 1, "it is over already")]


def test_acknowledging_what_has_returned_ends_it_in_one_event() -> None:
    bench = Bench()
    bench.step(0, a=50.0)
    bench.step(1, a=90.0)
    [event] = bench.step(2, (ok(1, 2),), a=90.0)
    assert (event.happening, event.state, event.by) == (Happening.ACKNOWLEDGED, State.NORMAL, "Ann")
    assert bench.memory.standing == ()


# numbers


def test_numbers_go_round_and_leave_out_those_still_standing() -> None:
    bench = Bench()
    bench.step(0, b=50.0)  # number 1 stands for ever
    numbers = []
    for turn in range(1500):
        second = 10 + 3 * turn
        [raised] = bench.step(second, a=50.0, b=50.0)
        bench.step(second + 1, (ok(raised.number, second + 1),), a=90.0, b=50.0)
        numbers.append(raised.number)
    assert set(numbers) == set(range(2, 1000))
    assert all(number not in numbers[max(0, place - 100) : place] for place, number in enumerate(numbers))


def test_a_number_that_went_round_means_the_newest_of_its_alarms() -> None:
    bench = Bench()
    bench.step(0, a=50.0, b=90.0)
    bench.step(1, (ok(1, 1),), a=90.0, b=90.0)
    bench.memory = Memory(bench.memory.alarms, 999)  # 998 others have come and gone
    assert said(bench.step(2, a=90.0, b=50.0)) == [("raised", 1, "")]
    [event] = bench.step(3, (ok(1, 3),), a=90.0, b=50.0)
    assert (event.happening, event.alarm) == (Happening.ACKNOWLEDGED, LOW_B.id)


def test_more_alarms_than_numbers_lose_none() -> None:
    number, serial = next_number(5000, set(range(1, 1000)))
    assert 1 <= number <= 999
    assert serial > 5000


# settings that change


def test_an_alarm_taken_out_of_the_settings_is_cleared_aloud() -> None:
    bench = Bench()
    bench.step(0, a=50.0, b=50.0)
    bench.alarms = (LOW_B,)
    [event] = bench.step(1, a=50.0, b=50.0)
    assert (event.happening, event.alarm, event.number, event.detail, event.title, event.priority) == (
        Happening.CLEARED, LOW_A.id, 1, "no longer in the settings", "Oxygen too low", Priority.HIGH,
    )  # fmt: skip
    assert bench.step(2, b=50.0) == []
    bench.alarms = (LOW_A, LOW_B)
    assert said(bench.step(3, a=50.0, b=50.0)) == [("raised", 3, "")]


def test_an_alarm_taken_out_while_pending_comes_to_nothing() -> None:
    bench = Bench(replace(LOW_A, rule=rule(on_delay_s=10.0)))
    bench.step(0, a=50.0)
    bench.alarms = (LOW_B,)
    assert bench.step(1) == []
    bench.alarms = (replace(LOW_A, rule=rule(on_delay_s=10.0)),)
    assert bench.step(20, a=50.0) == []


# rules that break


def test_a_rule_that_cannot_be_judged_is_an_alarm_of_its_own() -> None:
    alarms = bound("sea_urchin.toml", points=[A])
    now = at(0)
    text_for_a_number = cast("float", "64.0")
    broken = Reading(A, "oxygen_saturation", text_for_a_number, None, Flag.PASS, "", now, "probe")
    came = step(alarms, Memory(), {A: broken}, now)
    [event] = came.events
    assert event.alarm == f"rule-broken@{A}"
    assert "TypeError" in event.detail
    assert event.value is None
    good = reading(A, 90.0, at(1))
    later = step(alarms, came.memory, {A: good}, at(1))
    assert later.memory.alarms[f"rule-broken@{A}"].pending == at(1)
    gone = step(alarms, later.memory, {A: reading(A, 90.0, at(62))}, at(62))
    assert [e.happening for e in gone.events] == [Happening.RETURNED]


def test_a_broken_rule_does_not_stop_the_others() -> None:
    watch = (LOW_A, LOW_B, Alarm(BROKEN, A, "oxygen_saturation", 10.0), Alarm(BROKEN, B, "oxygen_saturation", 10.0))
    bad = Reading(A, "oxygen_saturation", cast("float", "x"), None, Flag.PASS, "", at(0), "probe")
    came = step(watch, Memory(), {A: bad, B: reading(B, 50.0, at(0))}, at(0))
    assert {event.alarm for event in came.events} == {LOW_B.id, f"rule-broken@{A}"}


def test_a_rule_that_breaks_holds_its_alarm_as_it_is() -> None:
    watch = (LOW_A, Alarm(BROKEN, A, "oxygen_saturation", 10.0))
    came = step(watch, Memory(), {A: reading(A, 50.0, at(0))}, at(0))
    bad = Reading(A, "oxygen_saturation", cast("float", "x"), None, Flag.PASS, "", at(1), "probe")
    later = step(watch, came.memory, {A: bad}, at(1))
    assert [event.alarm for event in later.events] == [f"rule-broken@{A}"]
    assert later.memory.alarms[LOW_A.id].state is State.UNACKNOWLEDGED


def test_a_broken_rule_nobody_watches_is_not_swallowed() -> None:
    bad = Reading(A, "oxygen_saturation", cast("float", "x"), None, Flag.PASS, "", at(0), "probe")
    with pytest.raises(RuntimeError, match=r"a\.oxygen_saturation cannot be judged"):
        step([LOW_A], Memory(), {A: bad}, at(0))


# memory


def test_memory_goes_to_json_and_back() -> None:
    bench = Bench(replace(LOW_A, rule=rule(on_delay_s=5.0)))
    bench.step(0, a=50.0)
    bench.step(5, a=50.0)
    bench.step(6, (ok(1, 6),), a=90.0)
    for one in bench.memory.alarms.values():
        assert AlarmMemory.from_dict(json.loads(json.dumps(one.to_dict())), at(6)) == one


def test_what_an_older_version_did_not_write_takes_its_default() -> None:
    saved = AlarmMemory("low@a.ph", number=4).to_dict()
    del saved["title"]
    assert AlarmMemory.from_dict(saved, at(0)) == AlarmMemory("low@a.ph", number=4)


def test_a_foreign_state_is_refused() -> None:
    with pytest.raises(ValueError, match="asleep"):
        AlarmMemory.from_dict({**AlarmMemory("x").to_dict(), "state": "asleep"}, at(0))


def test_resume_moves_monotonic_times_by_the_stop() -> None:
    pending = AlarmMemory("low@a.ph", pending=at(10))
    now = replace(at(500), mono=20.0)
    moved = resume({"low@a.ph": pending.to_dict()}, at(12).mono, at(12).utc, False, now)
    one = moved.alarms["low@a.ph"]
    assert one.pending is not None
    assert now.mono - one.pending.mono == pytest.approx(490.0)
    assert not one.confirm


@pytest.mark.parametrize(("saved_utc", "trusted"), [(None, True), (at(12).utc, False), (at(9999).utc, True)])
def test_a_stop_of_unknown_length_counts_as_long(saved_utc: float | None, trusted: bool) -> None:
    # no trusted clock before, none after, or one that says the stop ended before it began
    pending = AlarmMemory("low@a.ph", pending=at(10))
    now = replace(at(500), mono=20.0, trusted=trusted)
    one = resume({"low@a.ph": pending.to_dict()}, at(12).mono, saved_utc, False, now).alarms["low@a.ph"]
    assert one.confirm
    assert one.pending is not None
    assert now.mono - one.pending.mono == pytest.approx(2.0)  # the two seconds known of before the stop


def test_numbers_of_several_alarms_go_on_from_the_last() -> None:
    bench = Bench()
    bench.step(0, a=50.0, b=50.0)
    saved = {key: one.to_dict() for key, one in bench.memory.alarms.items()}
    assert resume(saved, at(1).mono, at(1).utc, True, at(2)).serial == 2


def test_numbers_go_on_after_a_restart() -> None:
    night = Night((LOW_A,))
    night.until("02:00:01", a__oxygen_saturation=50.0)
    night.says("Ann", 1)
    night.until("02:00:02", a__oxygen_saturation=90.0)
    night.restart(boot_after_s=5)
    night.until("02:00:10", a__oxygen_saturation=50.0)
    assert [event.number for event in night.seen if event.happening is Happening.RAISED] == [1, 2]
