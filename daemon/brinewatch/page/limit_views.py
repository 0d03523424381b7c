"""Limits and rehearsals of them as the page shows them: words, with no numbers left to work out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from brinewatch.errors import BrinewatchError


@dataclass(frozen=True, slots=True)
class AlarmLine:
    """An alarm in the list. what: its limits in force, in words."""

    alarm: str
    title: str
    what: str
    changed: bool


@dataclass(frozen=True, slots=True)
class StageLines:
    """The alarms of one stage."""

    name: str
    lines: Sequence[AlarmLine]


@dataclass(frozen=True, slots=True)
class ChangedLine:
    """An alarm that is changed here: differs, from what to what; grave: why that needed a second thought."""

    alarm: str
    title: str
    place: str
    differs: str
    why: str
    by: str
    when: str
    grave: Sequence[str]


@dataclass(frozen=True, slots=True)
class NumberField:
    """A number that may be typed. text: as it is in force; unit: as it stands behind it; own: as the shed's own
    rules have it, "" when that is the same."""

    key: str
    name: str
    hint: str
    text: str
    unit: str
    own: str


@dataclass(frozen=True, slots=True)
class AlarmSheet:
    """One alarm. says: what its condition asks, in words; where: rule file, source and standing; units: of the
    limit, the one shown first; changed: what is changed here now."""

    alarm: str
    title: str
    place: str
    priority: str
    says: str
    why: str
    where: Sequence[str]
    fields: Sequence[NumberField]
    units: Sequence[str]
    changed: ChangedLine | None
    spans: Sequence[tuple[str, str]]
    span: str
    last: str = ""  # how long the last rehearsal took


@dataclass(frozen=True, slots=True)
class CallLine:
    """One call of a rehearsal, in words."""

    when: str
    title: str
    rest: str


@dataclass(frozen=True, slots=True)
class TrialView:
    """A rehearsal as it is shown. state: running, failed or done; differs: what is tried against what is in force;
    facts: sentences; kinds: added, removed, moved, each with its calls and how many more there are; confirm: what
    must be typed to save it, "" for nothing; grave: why."""

    number: int
    alarm: str
    title: str
    place: str
    state: str
    by: str
    since: str
    took: str
    differs: Sequence[str]
    headline: str
    facts: Sequence[str]
    kinds: Sequence[tuple[str, str, Sequence[CallLine], int]]
    advice: Sequence[str]
    notes: Sequence[str]
    fault: str
    hint: str
    grave: Sequence[str]
    confirm: str
    kept: str
    typed: Mapping[str, str] = field(default_factory=dict)


class Refused(BrinewatchError):
    """What was typed cannot be tried. faults: a sentence by field, "" for the whole."""

    def __init__(self, faults: Mapping[str, str]) -> None:
        super().__init__(" ".join(faults.values()))
        self.faults = faults
