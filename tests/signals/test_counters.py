"""Hours and starts: worked by hand, with gaps, restarts and steps of every clock."""

from __future__ import annotations

import json
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from brinewatch.moment import Moment
from brinewatch.signals.counters import RunMemory, awake, count

START = Moment(1000.0, 1_790_000_000.0, True)
LONGEST = 15.0


def run(
    sights: list[bool | None], every_s: float = 5.0, memory: RunMemory | None = None, at: Moment = START
) -> RunMemory:
    memory = memory or RunMemory()
    for number, one in enumerate(sights):
        memory = count(memory, one, at.later(number * every_s), LONGEST)
    return memory


def test_time_goes_to_what_it_was_doing() -> None:
    memory = run([True] * 721 + [False] * 120 + [True])
    assert memory.run_s == 721 * 5
    assert memory.still_s == 120 * 5
    assert memory.unknown_s == 0
    assert memory.hours == pytest.approx(721 * 5 / 3600)
    assert memory.starts == 1


def test_what_was_running_when_first_seen_has_not_started() -> None:
    assert run([True] * 5).starts == 0
    assert run([None, True, True]).starts == 0
    assert run([False, True, False, True, True]).starts == 2


def test_a_gap_is_neither_running_nor_standing_nor_a_start() -> None:
    memory = run([True, True])
    memory = run([True, True], memory=memory, at=START.later(5 + 3600))
    assert (memory.run_s, memory.unknown_s, memory.starts) == (10.0, 3600.0, 0)
    # it stood before the gap and runs after it: it started in between
    memory = run([False, False])
    memory = run([True], memory=memory, at=START.later(5 + 3600))
    assert (memory.still_s, memory.unknown_s, memory.starts) == (5.0, 3600.0, 1)


def test_what_cannot_be_told_counts_as_unknown() -> None:
    memory = run([True, True, None, None, True, True])
    assert (memory.run_s, memory.unknown_s, memory.starts) == (15.0, 10.0, 0)


def test_starts_of_the_past_day_only() -> None:
    memory = run([False, True] * 3)
    now = START.later(3600)
    assert memory.recent_starts(now) == 3
    assert memory.recent_starts(START.later(86400 + 60)) == 0
    assert memory.starts == 3


def test_a_step_of_the_wall_clock_changes_nothing() -> None:
    steady = run([True] * 100 + [False] * 10 + [True] * 10)
    memory = RunMemory()
    for number, one in enumerate([True] * 100 + [False] * 10 + [True] * 10):
        step = -7200.0 if number >= 40 else 0.0
        at = Moment(1000.0 + 5 * number, START.utc + 5 * number + step, True)
        memory = count(memory, one, at, LONGEST)
    assert (memory.run_s, memory.still_s, memory.starts) == (steady.run_s, steady.still_s, steady.starts)


def test_a_monotonic_clock_that_went_back_adds_nothing() -> None:
    memory = run([True] * 3)
    after = count(memory, True, Moment(1.0, START.utc, True), LONGEST)
    assert after.run_s == memory.run_s


def test_it_comes_back_from_json_as_it_was() -> None:
    memory = run([False, True, None, True])
    assert RunMemory.from_dict(json.loads(json.dumps(memory.to_dict())), START) == memory
    assert RunMemory.from_dict(RunMemory().to_dict(), START) == RunMemory()
    with pytest.raises((KeyError, TypeError, ValueError)):
        RunMemory.from_dict({"hours": 3}, START)


def test_a_restart_of_the_program_costs_only_the_time_it_took() -> None:
    memory = run([False, True, True])
    later = START.later(10 + 300)
    again = run([True, True], memory=awake(memory, True, later), at=later)
    assert (again.run_s, again.unknown_s, again.gaps) == (10.0, 300.0, 0)
    assert again.recent_starts(later) == 1


def test_a_reboot_with_a_trusted_clock_knows_how_long_it_was_away() -> None:
    memory = run([False, True, True])
    booted = Moment(20.0, START.utc + 10 + 7200, True)
    again = run([True, True], memory=awake(memory, False, booted), at=booted)
    assert (again.run_s, again.unknown_s, again.gaps) == (10.0, 7200.0, 0)
    assert again.recent_starts(booted) == 1
    assert again.recent_starts(booted.later(86400 - 7200)) == 0


def test_a_reboot_with_no_trusted_clock_is_a_gap_of_unknown_length() -> None:
    memory = run([False, True, True])
    for booted in (Moment(20.0, 0.0, False), Moment(20.0, START.utc - 3600, True)):
        again = run([True, True], memory=awake(memory, False, booted), at=booted)
        assert (again.run_s, again.gaps, again.starts) == (10.0, 1, 1)
        assert again.unknown_s == 0.0


@given(st.lists(st.sampled_from([True, False, None]), max_size=80), st.integers(0, 10_000))
def test_all_time_is_accounted_for_once(sights: list[bool | None], seed: int) -> None:
    chance, memory, at = random.Random(seed), RunMemory(), START
    for one in sights:
        memory = count(memory, one, at, LONGEST)
        at = at.later(chance.choice([1.0, 5.0, 15.0, 16.0, 4000.0]))
    if memory.seen is not None:
        assert memory.run_s + memory.still_s + memory.unknown_s == pytest.approx(memory.seen.mono - START.mono)
    assert memory.starts <= sum(one is True for one in sights)
