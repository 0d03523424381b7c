"""How finely a number that was worked out is told: what is judged, kept and shown is the same number."""

from __future__ import annotations

from dataclasses import replace
from math import isfinite

from brinewatch.quantities import QUANTITIES
from brinewatch.readings import Reading

FINER = 1  # decimals beyond those shown


def rounded(reading: Reading) -> Reading:
    """A reading that no probe gave (raw is None), to one decimal more than are shown; any other as it is.

    Its uncertainty is far larger than that; what comes after are digits of the arithmetic, not of the water (JCGM
    100:2008, 7.2.6), and years of them would fill a card.
    """
    value, quantity = reading.value, QUANTITIES.get(reading.quantity)
    if reading.raw is not None or value is None or quantity is None or not isfinite(value):
        return reading
    told = round(value, quantity.decimals + FINER)
    return reading if told == value else replace(reading, value=told)
