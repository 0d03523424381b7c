"""What passes between people and the daemon about a round: what is asked, what was given, what became of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

WHOLE = ""  # the key of what is wrong with a form as a whole


@dataclass(frozen=True, slots=True)
class RoundField:
    """One thing asked. kind: number, sample (several numbers) or done (a thing done or not); last: the last value
    as people see it, "" when there is none; age: how long ago that was; urgency: overdue, due or later."""

    point: str
    stage: str
    stage_name: str
    name: str
    unit: str
    kind: str
    last: str
    age: str
    urgency: str
    every: str


@dataclass(frozen=True, slots=True)
class RoundForm:
    """A form as it was filled in. fields: by point, as typed, those left empty left out; at: when it was measured,
    local, "" for now; about: the stage note and photo are of; photo: the name a photo was kept under; form: names
    the form, so that it is kept once; sure: the doubts a person has seen and stands by, as they were given out."""

    by: str
    fields: Mapping[str, str]
    at: str = ""
    note: str = ""
    about: str = ""
    photo: str = ""
    form: str = ""
    sure: str = ""


@dataclass(frozen=True, slots=True)
class Correction:
    """What is right in place of an entry. take_back: nothing is, it should not have been entered."""

    by: str
    entry: int
    text: str
    why: str
    at: str = ""
    take_back: bool = False
    form: str = ""
    sure: str = ""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of a form. kept: what was kept, a line each, empty when nothing was; again: it had been kept
    before; faults: by field, why nothing was kept; doubts: by field, what to stand by; sure: what says that
    somebody does."""

    kept: Sequence[str] = ()
    again: bool = False
    faults: Mapping[str, str] = field(default_factory=dict)
    doubts: Mapping[str, Sequence[str]] = field(default_factory=dict)
    sure: str = ""


@dataclass(frozen=True, slots=True)
class EntryView:
    """An entry as it is listed. value: with its unit; typed: as it was typed where that says more, else "";
    state: "" when it counts, else what became of it; corrects: the number of the entry it is in place of; local,
    text, unit: when and what, as they stand in a form's fields;
    form: the form it came with; utc: when it was measured."""

    number: int
    point: str
    what: str
    value: str
    measured: str
    by: str
    entered: str
    note: str = ""
    typed: str = ""
    photo: str = ""
    state: str = ""
    corrects: int | None = None
    local: str = ""
    text: str = ""
    unit: str = ""
    form: str = ""
    utc: float = 0.0
