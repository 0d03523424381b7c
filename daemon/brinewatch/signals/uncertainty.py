"""Standard uncertainty of a result from those of what it was worked out from."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from math import hypot

# Steps for the derivatives: small beside the uncertainty and the value, large beside the noise of floating point
_OF_UNCERTAINTY, _OF_VALUE = 1e-3, 1e-6


def propagate(
    function: Callable[[Mapping[str, float]], float],
    values: Mapping[str, float],
    uncertainties: Mapping[str, float | None],
    own: float = 0.0,
) -> float | None:
    """Standard uncertainty of function(values), first order, inputs independent; None when any input's is unknown.

    own: standard uncertainty of the function itself. Source: GUM, JCGM 100:2008, 5.1.2.
    """
    shares = list(contributions(function, values, uncertainties).values())
    known = [share for share in shares if share is not None]
    return hypot(own, *known) if len(known) == len(shares) else None


def contributions(
    function: Callable[[Mapping[str, float]], float],
    values: Mapping[str, float],
    uncertainties: Mapping[str, float | None],
) -> dict[str, float | None]:
    """What each input's standard uncertainty alone does to function(values), with its sign; None where unknown.

    Slope times uncertainty, the slope by central differences, one-sided where the function's range ends. Shares of
    one and the same error that reaches a result by several ways add up with their signs, all others in quadrature
    (GUM, JCGM 100:2008, 5.1.2 and 5.2.2).
    """
    return {name: _share(function, values, name, one) for name, one in uncertainties.items()}


def _share(
    function: Callable[[Mapping[str, float]], float],
    values: Mapping[str, float],
    name: str,
    uncertainty: float | None,
) -> float | None:
    if not uncertainty:
        return uncertainty
    here = values[name]
    step = max(_OF_UNCERTAINTY * uncertainty, _OF_VALUE * abs(here))
    ends = []
    for place in (here - step, here + step):
        try:
            ends.append((place, function({**values, name: place})))
        except ValueError:
            ends.append((here, function(values)))
    (left, low), (right, high) = ends
    return (high - low) / (right - left) * uncertainty if right > left else None
