"""Every parser that eats bytes from outside."""

from __future__ import annotations

from . import asks, files, phones, records, wires
from .target import Tally, Target, run

TARGETS: tuple[Target, ...] = (*wires.TARGETS, *phones.TARGETS, *asks.TARGETS, *files.TARGETS, *records.TARGETS)


def count_of(target: Target, inputs: int) -> int:
    """How many of so many inputs are this target's."""
    return max(1, round(inputs * target.share / sum(one.share for one in TARGETS)))


__all__ = ["TARGETS", "Tally", "Target", "count_of", "run"]
