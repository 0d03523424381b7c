"""Guided work as the page shows it: what was said, what is so just now, what is asked."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class ProbeLine:
    """A probe that takes a calibration. points: a sentence each; by, talk: who is at it, in which talk; "" and 0
    for nobody."""

    probe: str
    points: Sequence[str]
    by: str
    talk: int


@dataclass(frozen=True, slots=True)
class TalkView:
    """One talk. mine: whether the visitor is the one who holds it; state: asks, waits (for the signal to rest) or
    over; now, before: what was said since the last answer, and earlier; shown: what the probe says now; ready:
    whether that may be taken; options: what may be answered, and what that means; default: of an empty answer."""

    number: int
    probe: str
    by: str
    mine: bool
    state: str
    step: int
    now: Sequence[str]
    before: Sequence[str]
    shown: str
    ready: bool
    question: str
    options: Sequence[tuple[str, str]]
    default: str
