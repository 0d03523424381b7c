"""The worked alarm sequences, one character a second, through the whole engine.

checkvalues/alarm_state_sequences.csv: semantics of the ISA-18.2 states as public training texts describe them.
There a delay is "strictly more than n scans"; with one scan a second that is the same as ours, "held for at least n
seconds": the scan n seconds after the first is the (n+1)th. `source` and `provenance` stand in each row.
"""

from __future__ import annotations

import ast
import csv
import re
from pathlib import Path

import pytest

from alarms.nights import at, reading, rule
from brinewatch.alarms.engine import Memory, step
from brinewatch.alarms.events import Command, Order, State
from brinewatch.alarms.rules import Alarm

FILE = Path(__file__).parents[1] / "checkvalues" / "alarm_state_sequences.csv"
POINT = "tank.oxygen_saturation"
LETTER = {
    State.NORMAL: "N",
    State.UNACKNOWLEDGED: "U",
    State.ACKNOWLEDGED: "A",
    State.RETURNED: "R",
    State.LATCHED: "L",
}


def rows() -> list[tuple[str, str]]:
    with FILE.open(encoding="utf-8", newline="") as lines:
        return [(row["input"], row["expected"]) for row in csv.DictReader(lines)]


def test_all_five_sequences_are_here() -> None:
    assert len(rows()) == 5


@pytest.mark.parametrize(("given", "expected"), rows(), ids=[given.split(" | ")[0] for given, _ in rows()])
def test_sequence(given: str, expected: str) -> None:
    found = re.search(r"cond=(\S+) ack=(\S+) reset=(\S+) (\{.*?\})", given)
    assert found is not None
    condition, acks, resets = found[1], found[2], found[3]
    settings = ast.literal_eval(found[4])
    alarm = Alarm(
        rule(
            on_delay_s=float(settings.get("on", 0)),
            off_delay_s=float(settings.get("off", 0)),
            latching=settings.get("latch", False),
        ),
        POINT,
        "oxygen_saturation",
        10.0,
    )
    memory, states = Memory(), ""
    for second, mark in enumerate(condition):
        now = at(second)
        orders = []
        if acks[second : second + 1] == "#":
            orders.append(Command(Order.ACKNOWLEDGE, None, "Ann", now))
        if resets != "-" and resets[second] == "#":
            orders.append(Command(Order.RESET, None, "Ann", now))
        came = step([alarm], memory, {POINT: reading(POINT, 40.0 if mark == "#" else 90.0, now)}, now, orders)
        memory = came.memory
        one = memory.alarms.get(alarm.id)
        states += LETTER[one.state] if one else "N"
    assert states == expected
