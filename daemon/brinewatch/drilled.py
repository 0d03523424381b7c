"""Drills that are over, out of the journal: who was called, who answered, and after how long."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from brinewatch.moment import Moment

if TYPE_CHECKING:
    from brinewatch.config import ShedFile
    from brinewatch.store.reader import StoreReader

RECORD = "drill record"  # kind of the remark in the journal


@dataclass(frozen=True, slots=True)
class Held:
    """One drill. at_utc: when it began; called: names in the order of the calls; outcome: a sentence."""

    at_utc: float
    by: str
    title: str
    called: tuple[str, ...]
    answered: bool
    outcome: str


def held_of(body: str, names: Mapping[str, str]) -> Held | None:
    """A drill as the journal keeps it; None for text that is none. names: of people, by phone number."""
    try:
        told = json.loads(body)
        called = tuple(names.get(phone, phone) for phone in told["told"])
        arrived = {names.get(to, to): state for to, state in told["arrived"].items()}
        outcome = outcome_of({**told, "arrived": arrived})
        return Held(float(told["began_utc"]), str(told["by"]), str(told["title"]), called,
                    bool(told["answered"]), outcome)  # fmt: skip
    except (ValueError, TypeError, KeyError, IndexError, AttributeError):
        return None


def outcome_of(told: Mapping[str, Any]) -> str:
    """What came of a drill, as one sentence. told: its fields, arrived by name."""
    if told["answered"]:
        name, minutes = told["answered"][0]
        return f"{name} answered after {minutes:.1f} min."
    return f"Over: {told['over']}. " + ", ".join(f"{name}: {state}" for name, state in told["arrived"].items())


def held_drills(store: StoreReader, names: Mapping[str, str]) -> Iterator[Held]:
    """Every drill the journal knows, the oldest first."""
    for one in store.records(["remark"]):
        if one.fields["kind"] == RECORD:
            held = held_of(str(one.fields["body"]), names)
            if held is not None:
                yield held


def past_drills(shed: ShedFile, store: StoreReader) -> list[dict[str, str]]:
    """The same for people: held, by, alarm, called, outcome."""
    names = {one.phone: one.name for one in shed.contacts}
    return [
        {
            "held": f"{Moment(0.0, one.at_utc, True, shed.zone).local:%Y-%m-%d %H:%M}", "by": one.by,
            "alarm": one.title, "called": ", ".join(one.called), "outcome": one.outcome,
        }
        for one in held_drills(store, names)
    ]  # fmt: skip
