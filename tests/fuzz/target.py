"""One parser under fire, and the count of what it did."""

from __future__ import annotations

import random
import time
import traceback
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

from .mutate import chance_of


class Wrong(Exception):
    """A parser gave a value that an independent way does not give."""


@dataclass(frozen=True)
class Target:
    """make(chance) -> one input; check(input) -> whether it was accepted.

    check lets the documented refusals pass as False; raises Wrong for a wrong value; anything else it raises is a
    crash. share: of all inputs, in proportion.
    """

    name: str
    make: Callable[[random.Random], Any]
    check: Callable[[Any], bool]
    share: float


@dataclass
class Tally:
    """What came of the inputs of one target. bad: (number, kind, input, what happened) of the first few."""

    name: str
    inputs: int = 0
    accepted: int = 0
    crashes: int = 0
    wrong: int = 0
    making_s: float = 0.0
    parsing_s: float = 0.0
    bad: list[tuple[int, str, str, str]] = field(default_factory=list)

    def add(self, other: Tally) -> None:
        for name in ("inputs", "accepted", "crashes", "wrong", "making_s", "parsing_s"):
            setattr(self, name, getattr(self, name) + getattr(other, name))
        self.bad = [*self.bad, *other.bad][:5]


def run(target: Target, numbers: Sequence[int]) -> Tally:
    """Put the inputs of these numbers to the target. The same number is the same input for ever."""
    tally = Tally(target.name)
    for number in numbers:
        began = time.perf_counter()
        given = target.make(chance_of(target.name, number))
        made = time.perf_counter()
        tally.inputs += 1
        try:
            tally.accepted += target.check(given)
        except Wrong as error:
            tally.wrong += 1
            _note(tally, number, "wrong value", given, str(error))
        except Exception as error:  # noqa: BLE001 - this is what is looked for
            tally.crashes += 1
            last = traceback.extract_tb(error.__traceback__)[-1]
            where = f"{type(error).__name__}: {str(error)[:200]} ({last.filename.rpartition('/')[2]}:{last.lineno})"
            _note(tally, number, "crash", given, where)
        tally.making_s += made - began
        tally.parsing_s += time.perf_counter() - made
    return tally


def _note(tally: Tally, number: int, kind: str, given: Any, what: str) -> None:
    if len(tally.bad) < 5:
        tally.bad.append((number, kind, repr(given)[:300], what))
