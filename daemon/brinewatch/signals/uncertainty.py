"""Standard uncertainty of a result from those of what it was worked out from."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from math import hypot


def propagate(
    function: Callable[[Mapping[str, float]], float],
    values: Mapping[str, float],
    uncertainties: Mapping[str, float | None],
    own: float = 0.0,
) -> float | None:
    """Standard uncertainty of function(values), first order, inputs independent; None when any input's is unknown.

    own: standard uncertainty of the function itself. Source: GUM, JCGM 100:2008, 5.1.2, with derivatives by central
    differences (one-sided where the function's range ends).
    """
    total = abs(own)
    for name, uncertainty in uncertainties.items():
        if uncertainty is None:
            return None
        if uncertainty > 0.0:
            total = hypot(total, _slope(function, values, name, 1e-3 * uncertainty) * uncertainty)
    return total


def _slope(
    function: Callable[[Mapping[str, float]], float], values: Mapping[str, float], name: str, step: float
) -> float:
    here = values[name]
    ends = []
    for place in (here - step, here + step):
        try:
            ends.append((place, function({**values, name: place})))
        except ValueError:
            ends.append((here, function(values)))
    (left, low), (right, high) = ends
    return (high - low) / (right - left) if right > left else 0.0
