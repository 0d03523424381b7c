"""How flags of several tests, or of several inputs, become one; and what no flag can save."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from math import isfinite

from brinewatch.quantities import Quantity
from brinewatch.readings import Flag

# From best to worst. Not the order of ioos_qc (9 < 2 < 1 < 3 < 4), where missing and good make good: here nothing
# that was not measured, and nothing that was not tested, can pass.
PRECEDENCE = (Flag.PASS, Flag.NOT_EVALUATED, Flag.SUSPECT, Flag.FAIL, Flag.MISSING)


def worst(flags: Iterable[Flag]) -> Flag:
    """The worst flag by PRECEDENCE; PASS when there is none to judge."""
    return max(flags, key=PRECEDENCE.index, default=Flag.PASS)


# How far below nothing a probe's own zero error may carry a reading (common practice, no source): water without
# oxygen must read low and be judged, not fail as a number that cannot be
ZERO_ERROR: Mapping[str, float] = {"oxygen": 0.5, "oxygen_saturation": 5.0, "oxygen_tension": 10.0}


def gross_range(value: float, quantity: Quantity) -> tuple[Flag, str]:
    """FAIL for a value that cannot be true of this quantity, SUSPECT for one below nothing by a zero error, with
    why.

    Source: QARTOD manuals, test 4, sensor span; a value on the bound passes.
    """
    if isfinite(value) and quantity.low <= value <= quantity.high:
        return Flag.PASS, ""
    if quantity.low - ZERO_ERROR.get(quantity.key, 0.0) <= value < quantity.low:
        return Flag.SUSPECT, f"{value:g} {quantity.unit} is below nothing: the probe's zero is off."
    return Flag.FAIL, f"{value:g} {quantity.unit} cannot be true: outside {quantity.low:g} to {quantity.high:g}."
