"""What registers may mean: every way of reading them that gives a number usual in a shed. A guess, and called one.

A float read in the wrong order of bytes has an exponent far from anything measured, so few orders survive; whole
numbers with a scale are far less certain. What a number is of, only the maker's table or a hand on the probe says.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import isfinite

from brinewatch.commission.findings import Guess
from brinewatch.probes.registers import NumberType, Order, number

# what a running seawater shed usually shows, in the quantity's own unit (common practice, no source)
USUAL: Mapping[str, tuple[float, float]] = {
    "temperature": (2.0, 32.0),
    "oxygen": (3.0, 16.0),
    "oxygen_saturation": (50.0, 130.0),
    "ph": (6.8, 8.8),
    "salinity": (15.0, 40.0),
    "conductivity": (15.0, 60.0),
    "air_pressure": (3.0, 40.0),
    "barometric_pressure": (900.0, 1060.0),
    "motor_current": (0.5, 30.0),
}
_ORDERS: tuple[Order, ...] = ("ABCD", "CDAB", "BADC", "DCBA")
_SCALES = (1.0, 0.1, 0.01, 0.001)
_MOST = 3  # ways of reading one whole number


def fits(value: float) -> tuple[str, ...]:
    """Quantities that are usually about so large in a shed."""
    return tuple(key for key, (low, high) in USUAL.items() if isfinite(value) and low <= value <= high)


def guesses(table: str, words: Mapping[int, int]) -> list[Guess]:
    """words: what each readable register of a table held. Floats first; their registers hold no whole number."""
    found: list[Guess] = []
    taken: set[int] = set()
    for first in sorted(words):
        pair_found: list[Guess] = []
        if first in taken or first + 1 not in words:
            continue
        pair = [words[first], words[first + 1]]
        for order in _ORDERS:
            value = number(pair, "float32", order)
            if known := fits(value):
                pair_found.append(Guess(table, first, "float32", order, 1.0, float(f"{value:.6g}"), known))
                taken |= {first, first + 1}
        # a probe gives few digits; the wrong order makes them up
        found += sorted(pair_found, key=lambda one: len(f"{one.value:g}"))
    for first in sorted(set(words) - taken):
        kind: NumberType = "int16"
        raw = number([words[first]], kind, "ABCD")
        ways = [(scale, fits(raw * scale)) for scale in _SCALES]
        found += [
            Guess(table, first, kind, "ABCD", scale, float(f"{raw * scale:.6g}"), known)
            for scale, known in [way for way in ways if way[1]][:_MOST]
        ]  # fmt: skip
    return found
