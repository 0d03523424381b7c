"""How flags of several tests, or of several inputs, become one; and what no flag can save."""

from __future__ import annotations

from collections.abc import Iterable
from math import isfinite

from brinewatch.quantities import Quantity
from brinewatch.readings import Flag

# From best to worst. Not the order of ioos_qc (9 < 2 < 1 < 3 < 4), where missing and good make good: here nothing
# that was not measured, and nothing that was not tested, can pass.
PRECEDENCE = (Flag.PASS, Flag.NOT_EVALUATED, Flag.SUSPECT, Flag.FAIL, Flag.MISSING)


def worst(flags: Iterable[Flag]) -> Flag:
    """The worst flag by PRECEDENCE; PASS when there is none to judge."""
    return max(flags, key=PRECEDENCE.index, default=Flag.PASS)


def impossible(value: float, quantity: Quantity) -> str:
    """Why a value cannot be true of this quantity, for people; "" when it can."""
    if isfinite(value) and quantity.low <= value <= quantity.high:
        return ""
    return f"{value:g} {quantity.unit} cannot be true: outside {quantity.low:g} to {quantity.high:g}."
