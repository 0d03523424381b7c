"""What there is to prove of a shed, and how it stands. Pure.

A proof counts for the settings it was made on: it carries their fingerprint, and a shed file that was changed there
since makes it "changed since", never "proven". What nobody has proven is never called fine.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from brinewatch.alarms.version import body_of, version_of, version_of_all
from brinewatch.config import ShedFile
from brinewatch.config.plans import tanks_of
from brinewatch.proving.moves import move_for
from brinewatch.quantities import QUANTITIES
from brinewatch.readings import quantity_of, stage_of

_NO_WIRE = ("manual", "recorded", "board")
_LENGTH = 16  # of 64 hexadecimal digits


class Outcome(StrEnum):
    """What came of one try."""

    PROVEN = "proven"
    FAILED = "failed"
    NOT_HERE = "does not apply"


class State(StrEnum):
    """How an item stands now."""

    PROVEN = "proven"
    CHANGED = "changed since"
    FAILED = "failed"
    OPEN = "not proven"
    NOT_HERE = "does not apply"

    @property
    def settled(self) -> bool:
        return self in (State.PROVEN, State.NOT_HERE)


@dataclass(frozen=True, slots=True)
class Item:
    """One thing to prove. key: as typed; group: its heading; how: what proves it, one sentence."""

    key: str
    group: str
    title: str
    how: str


@dataclass(frozen=True, slots=True)
class Proof:
    """One try: of what, what came of it, who stood by, when (UTC seconds; whether that clock was set), on what."""

    item: str
    outcome: Outcome
    by: str
    utc: float
    trusted: bool
    detail: str
    fingerprint: str


@dataclass(frozen=True, slots=True)
class Signature:
    """Who put their name under the sheet as it was. open: keys of what was not settled then."""

    by: str
    utc: float
    trusted: bool
    note: str
    file: str
    rules: str
    program: str
    open: tuple[str, ...]
    settled: int


@dataclass(frozen=True, slots=True)
class Line:
    item: Item
    state: State
    proof: Proof | None


@dataclass(frozen=True, slots=True)
class Sheet:
    """The whole of it. file: SHA-256 of the shed file; rules: version of its rules; signed: the last signature."""

    shed: str
    name: str
    file: str
    rules: str
    program: str
    lines: tuple[Line, ...]
    signed: Signature | None

    @property
    def open(self) -> list[Line]:
        return [one for one in self.lines if not one.state.settled]

    @property
    def changes(self) -> list[str]:
        """What is no longer as it was when the sheet was signed, in words."""
        if self.signed is None:
            return []
        told = []
        if self.signed.file != self.file:
            told.append("the shed file has been changed since")
        if self.signed.rules != self.rules:
            told.append("the rules have been changed since")
        if self.signed.program != self.program:
            told.append(f"the program has been changed since, from {self.signed.program} to {self.program}")
        lost = [one.item.title for one in self.open if one.item.key not in self.signed.open]
        if lost:
            told.append(f"not proven any more: {', '.join(lost)}")
        return told

    @property
    def sentence(self) -> str:
        done = sum(one.state.settled for one in self.lines)
        count = f"{done} of {len(self.lines)} points are proven or do not apply"
        if self.signed is None:
            return f"Not signed. {count}."
        if self.changes:
            return f"Signed by {self.signed.by}, and changed since: {'; '.join(self.changes)}. Now {count}."
        rest = f", with {len(self.signed.open)} open" if self.signed.open else ""
        return f"Signed by {self.signed.by}{rest}. {count}."


# -- what there is to prove -------------------------------------------------------------------------------------

_BY_HAND = (
    ("rcd", "Residual-current protection trips",
     "Press the test button of each residual-current device that feeds the shed; it must trip at once."),
    ("drip-loops", "Drip loops at every cable",
     "Each cable hangs lower than its socket or box, so that water drips off before it gets there."),
    ("mains", "The watch outlives the mains",
     "At the plug of the battery supply, or with an electrician: take the mains away. Watch and modem go on."),
    ("blower-stop", "A stopped blower wakes a phone",
     "Somebody at the tanks stops the blower at its switch; the phone rings, and the air goes on at once."),
    ("phones", "The number gets through at night",
     "On each phone the modem's number may ring while the phone is set to silent."),
    ("lookout", "The lookout calls when this machine dies",
     "Pull this machine's plug for as long as the lookout waits; it must call."),
    ("standby-air", "Stand-by air starts",
     "Run the stand-by air, or open the oxygen, and see bubbles in every tank."),
    ("wall", "The page for the wall hangs in the shed",
     "brinewatch commission wall --html wall.html: printed, its lines filled in, beside the door."),
    ("seconds", "A second person can do it all",
     "Somebody else has found the blower's breaker, the spare and the stand-by air alone."),
)  # fmt: skip
HANDS = tuple(Item(f"hand:{key}", "By hand", title, how) for key, title, how in _BY_HAND)


def items_of(shed: ShedFile) -> list[Item]:
    """Everything to prove of this shed, in the order it is done."""
    found = [Item(f"wire:{point}", "Wires", point_title(shed, point), move_for(point).do) for point in wired(shed)]
    found += [
        Item(f"air-off:{key}", "Air off", f"Oxygen demand of {shed.stage(key).name}",
             "Measured with the air off and somebody at the tanks.")
        for key in air_off_tanks(shed)
    ]  # fmt: skip
    found.append(Item("drill", "Calling", "First drill", "People called as by night; one of them answered."))
    skip = {"hand:lookout"} if shed.lookout is None else set()
    return [*found, *(one for one in HANDS if one.key not in skip)]


def wired(shed: ShedFile) -> list[str]:
    """Points fed by a wire, in the order of the shed file: not what people enter, nor the computer itself."""
    return [
        point for point, (bus, _, _) in shed.channels().items() if shed.buses[bus].kind not in _NO_WIRE
    ]  # fmt: skip


def air_off_tanks(shed: ShedFile) -> list[str]:
    """Tanks whose oxygen can be foretold and is measured: an air-off test can tell their demand."""
    seen = {stage_of(point) for point in wired(shed) if quantity_of(point) in ("oxygen", "oxygen_saturation")}
    return [plan.stage for plan in tanks_of(shed) if plan.stage in seen]


def point_title(shed: ShedFile, point: str) -> str:
    return f"{shed.stage(stage_of(point)).name} {QUANTITIES[quantity_of(point)].name}"


# -- what a proof stands on -------------------------------------------------------------------------------------


def fingerprint(shed: ShedFile, key: str) -> str:
    """Of the settings a proof of this item stands on, as they are written; "" where it stands on none."""
    kind, _, what = key.partition(":")
    body: Any = None
    if kind == "wire" and what in shed.channels():
        bus, probe, channel = shed.channels()[what]
        line = shed.buses[bus].model_dump(mode="json", exclude={"probe"}, exclude_unset=True)
        body = [
            line,
            probe.model_dump(mode="json", exclude={"channel"}, exclude_unset=True),
            channel.model_dump(mode="json", exclude_unset=True),
        ]
    elif kind == "air-off" and any(one.settings.key == what for one in shed.stages):
        body = shed.stage(what).model_dump(mode="json", exclude_unset=True)
    elif kind == "drill":
        modem = shed.modem.model_dump(mode="json", exclude={"pin"}, exclude_unset=True) if shed.modem else None
        others = [
            one.model_dump(mode="json", exclude_unset=True) if one else None
            for one in (shed.calling, shed.mail, shed.webhook)
        ]
        body = [[one.model_dump(mode="json", exclude_unset=True) for one in shed.contacts], modem, *others]
    if body is None:
        return ""
    return hashlib.sha256(json.dumps(body, sort_keys=True).encode()).hexdigest()[:_LENGTH]


def rules_of(shed: ShedFile) -> str:
    """The version of all rules in force."""
    return version_of_all({alarm.id: version_of(body_of(alarm)) for alarm in shed.alarms})


def file_hash(shed: ShedFile) -> str:
    """SHA-256 of the shed file as it lies on the disk; OSError when it cannot be read."""
    return hashlib.sha256(shed.path.read_bytes()).hexdigest()


def sheet_of(
    shed: ShedFile, proofs: Sequence[Proof], signed: Signature | None, file: str, rules: str, program: str
) -> Sheet:
    """How everything stands. Of several proofs of one item the last counts."""
    last: Mapping[str, Proof] = {one.item: one for one in proofs}
    lines = tuple(_line(shed, item, last.get(item.key)) for item in items_of(shed))
    return Sheet(shed.shed.key, shed.shed.name, file, rules, program, lines, signed)


def _line(shed: ShedFile, item: Item, proof: Proof | None) -> Line:
    if proof is None:
        return Line(item, State.OPEN, None)
    if proof.outcome is Outcome.FAILED:
        return Line(item, State.FAILED, proof)
    if proof.fingerprint != fingerprint(shed, item.key):
        return Line(item, State.CHANGED, proof)
    return Line(item, State(proof.outcome.value), proof)
