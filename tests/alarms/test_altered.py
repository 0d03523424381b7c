"""Limits changed at the shed: how they are written, what needs a second thought, and what the engine makes of one
that changes while it judges.
"""

from __future__ import annotations

import tomllib
from dataclasses import replace
from datetime import UTC, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alarms.nights import at, reading, rule
from brinewatch.alarms.altered import (
    Altered,
    AlteredFile,
    differences,
    numbers_of,
    read_altered,
    second_thoughts,
    summary,
    written,
    wrong,
)
from brinewatch.alarms.engine import Memory, step
from brinewatch.alarms.events import Priority, State
from brinewatch.alarms.rules import Above, Alarm, Below, Rate, Stale

POINT = "raceway.oxygen_saturation"
AT = datetime(2026, 9, 23, 22, 0, tzinfo=UTC)
LOW = Alarm(
    rule(condition=Below(70.0), deadband=2.0, on_delay_s=60.0, off_delay_s=30.0), POINT, "oxygen_saturation", 30
)


def row(**more: object) -> Altered:
    base = {"alarm": LOW.id, "why": "scatters", "by": "Rhona", "at": AT, "change": 1}
    return Altered.model_validate(base | more)


# -- the file -----------------------------------------------------------------------

NUMBERS = st.one_of(st.none(), st.floats(-50, 500).map(lambda one: round(one, 6)))
DELAYS = st.one_of(st.none(), st.floats(0, 604800))
# all that TOML may hold in a string (toml.io, v1.0.0: no surrogates), but NUL, which no file of ours may hold
TEXTS = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), min_size=1, max_size=60)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(NUMBERS, DELAYS, TEXTS, TEXTS, st.integers(1, 10**6)), max_size=4))
def test_what_is_written_is_read_again(rows: list[tuple[float | None, float | None, str, str, int]]) -> None:
    made = tuple(
        row(alarm=f"rule-{place}@tank.ph", limit=limit, on_delay_s=delay or 0.0, why=why, by=by, change=number)
        for place, (limit, delay, why, by, number) in enumerate(rows)
    )
    text = written(AlteredFile(made, 7))
    tomllib.loads(text)  # Python's own reader takes it for TOML
    content, faults = read_altered(text)
    assert faults == []
    assert content.rows == made
    assert content.newest == max([7, *(one.change for one in made)])


def test_every_fault_of_a_file_spoiled_by_hand_is_found_and_what_is_right_stands() -> None:
    by, at = 'by = "x"', "at = 2026-09-23T22:00:00"
    text = written(AlteredFile((row(limit=65.0),), 3)) + "".join(
        f"\n[[override]]\n{lines}\n"
        for lines in (
            f'alarm = "no-place"\nlimit = "low"\nwhy = ""\n{by}\n{at}Z\nchange = 0',
            f'alarm = "{LOW.id}"\nlimit = 60\nwhy = "again"\n{by}\n{at}Z\nchange = 2',
            f'alarm = "a@b.c"\nwhy = "x"\n{by}\n{at}\nchange = 2\nprioritty = "low"',
            f'alarm = "a@b.c"\nwhy = "x"\n{by}\n{at}Z\nchange = 2',
        )
    )
    content, faults = read_altered(text)
    assert [one.limit for one in content.rows] == [65.0]
    said = "\n".join(map(str, faults))
    for words in (
        "override[2].alarm", "override[2].limit = 'low': expected a number", "override[2].why",
        "override[2].change",
        "override[3].alarm", "changed once", "override[4].at", "override[4].prioritty", "override[5]",
        "something to change",
    ):  # fmt: skip
        assert words in said, words


@pytest.mark.parametrize("text", ["change = [", "override = 3\nchange = true", "speed = 1", "\x00", "change = -4"])
def test_nonsense_is_a_fault_and_no_change(text: str) -> None:
    content, faults = read_altered(text)
    assert content.rows == ()
    assert faults


# -- what may be changed, and what needs a second thought ---------------------------------------------------------


def test_what_may_be_changed_is_what_the_alarm_has() -> None:
    assert numbers_of(LOW) == {"limit": 70.0, "deadband": 2.0, "on_delay_s": 60.0, "off_delay_s": 30.0}
    stale = replace(LOW, rule=rule(condition=Stale(60.0), on_delay_s=5.0))
    assert set(numbers_of(stale)) == {"on_delay_s", "off_delay_s"}
    assert [key for key, _, _ in wrong(row(limit=3.0, on_delay_s=9.0), stale)] == ["limit"]
    falls = replace(LOW, rule=rule(condition=Rate(1.0, "falls", "h", 3600.0)))
    assert numbers_of(falls)["limit"] == 1.0


def test_a_critical_alarm_cannot_be_made_to_wait_for_ever() -> None:
    critical = replace(LOW, rule=replace(LOW.rule, priority=Priority.CRITICAL))
    assert [key for key, _, _ in wrong(row(on_delay_s=3600.0), critical)] == ["on_delay_s"]
    assert wrong(row(on_delay_s=900.0), critical) == []
    assert wrong(row(on_delay_s=3600.0), replace(LOW, rule=replace(LOW.rule, priority=Priority.LOW))) == []


def test_what_silences_an_emergency_or_loosens_a_published_limit_needs_a_second_thought() -> None:
    def thoughts(base: Alarm, **new: object) -> int:
        return len(second_thoughts(base, replace(base, rule=replace(base.rule, **new))))  # type: ignore[arg-type]

    plain = replace(LOW, rule=replace(LOW.rule, priority=Priority.HIGH, standing="judgement"))
    assert thoughts(plain, condition=Below(60.0), on_delay_s=600.0) == 0
    published = replace(plain, rule=replace(plain.rule, standing="published"))
    assert thoughts(published, condition=Below(60.0)) == 1
    assert thoughts(published, condition=Below(75.0)) == 0  # tighter
    assert thoughts(published, on_delay_s=600.0) == 0
    emergency = replace(plain, rule=replace(plain.rule, emergency=True))
    assert thoughts(emergency, condition=Below(60.0)) == 1
    assert thoughts(emergency, on_delay_s=61.0) == 1
    assert thoughts(emergency, condition=Below(75.0), on_delay_s=5.0) == 0
    high = replace(published, rule=replace(published.rule, condition=Above(20.0), priority=Priority.CRITICAL))
    assert thoughts(high, condition=Above(21.0)) == 2
    assert thoughts(high, condition=Above(19.0)) == 0


def test_what_differs_is_said_with_its_unit() -> None:
    new = replace(LOW, rule=replace(LOW.rule, condition=Below(65.0), on_delay_s=0.0))
    assert differences(LOW, new) == ["limit 70 to 65 %", "on-delay 60 s to none"]
    assert differences(LOW, LOW) == []
    assert "One alarm is changed here: raceway.oxygen_saturation" in summary([row(limit=65.0)])


# -- a limit that changes while it is judged -----------------------------------------------------------------------

SECONDS = st.sampled_from([0.0, 5.0, 20.0, 45.0])
LIMITS = st.sampled_from([60.0, 65.0, 70.0])
CHANGES = st.fixed_dictionaries(
    {"limit": LIMITS, "band": st.sampled_from([0.0, 3.0]), "on": SECONDS, "off": SECONDS}
)
STEPS = st.lists(
    st.tuples(st.sampled_from([58.0, 61.0, 64.0, 66.0, 69.0, 72.0]), st.one_of(st.none(), CHANGES)),
    min_size=1, max_size=40,
)  # fmt: skip


def changed(numbers: dict[str, float]) -> Alarm:
    new = replace(
        LOW.rule, condition=Below(numbers["limit"]), deadband=numbers["band"], on_delay_s=numbers["on"],
        off_delay_s=numbers["off"],
    )  # fmt: skip
    return replace(LOW, rule=new)


@settings(max_examples=150, deadline=None)
@given(STEPS)
def test_an_alarm_is_judged_by_the_numbers_in_force_and_forgets_nothing(
    steps: list[tuple[float, dict[str, float] | None]],
) -> None:
    """Held against delays and deadband as ISA-18.2 defines them (on-delay: the condition has held for so long
    without a break; off-delay the same way; deadband: so far back inside), counted anew for numbers that change."""
    numbers: dict[str, float] = {"limit": 70.0, "band": 2.0, "on": 60.0, "off": 30.0}
    memory, active, since, number = Memory(), False, None, 0
    for place, (value, change) in enumerate(steps):
        numbers, now = change or numbers, at(10.0 * place)
        came = step([changed(numbers)], memory, {POINT: reading(POINT, value, now)}, now)
        memory = came.memory
        # below the limit; once so (or on the way to it), until the deadband above it
        inside = active != (since is not None)
        holds = value < numbers["limit"] + (numbers["band"] if inside else 0.0)
        if holds == active:
            since = None
        else:
            since = now.mono if since is None else since
            if now.mono >= since + (numbers["on"] if holds else numbers["off"]):
                active, since = holds, None
        one = memory.alarms.get(LOW.id)
        assert (one is not None and one.active) == active
        if active:
            # nobody answers: it stands, whatever was changed since
            assert one is not None
            assert one.state is State.UNACKNOWLEDGED
            assert one.number >= number
            number = one.number
