"""One alarm people are being called for: who was reached how far, and its form in the journal. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from brinewatch.alarms.events import Priority
from brinewatch.messages import Delivery


@dataclass(slots=True)
class Reach:
    """How far one person was reached. way: place in the contact's ways; at: monotonic, of the last call."""

    way: int
    at: float
    state: Delivery = Delivery.WAITING


@dataclass(slots=True)
class Call:
    """One activation people are called for.

    steps: how many groups were called; stepped: when the last was, monotonic; reached: by phone; still: nobody more
    is called for now; morning: it waits for the morning; detail, also: as of its latest call.
    """

    number: int
    alarm: str
    incident: int
    priority: Priority
    steps: int = 0
    stepped: float = 0.0
    reached: dict[str, Reach] = field(default_factory=dict)
    still: bool = False
    morning: bool = False
    detail: str = ""
    also: tuple[str, ...] = ()


@dataclass(slots=True)
class Spared:
    """What one phone was spared. since: monotonic; numbers: of the alarms, one for each message."""

    since: float
    numbers: list[int] = field(default_factory=list)


def written(call: Call) -> dict[str, Any]:
    """As it is kept over a restart."""
    return {
        "number": call.number, "alarm": call.alarm, "incident": call.incident, "priority": call.priority.value,
        "steps": call.steps, "stepped": call.stepped, "still": call.still, "morning": call.morning,
        "detail": call.detail, "also": list(call.also),
        "reached": {phone: [one.way, one.at, one.state.value] for phone, one in call.reached.items()},
    }  # fmt: skip


def read(body: Mapping[str, Any], shift_s: float) -> Call:
    """What was kept; KeyError, TypeError or ValueError when it is not such a body. shift_s: added to its times."""
    reached = {
        str(phone): Reach(int(way), float(at) + shift_s, Delivery(state))
        for phone, (way, at, state) in body["reached"].items()
    }
    return Call(
        int(body["number"]), str(body["alarm"]), int(body["incident"]), Priority(body["priority"]),
        int(body["steps"]), float(body["stepped"]) + shift_s, reached, bool(body["still"]), bool(body["morning"]),
        str(body["detail"]), tuple(map(str, body["also"])),
    )  # fmt: skip
