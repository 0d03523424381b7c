"""Limits for a multi-parameter sonde read every 5 to 30 minutes in shallow tidal water.

One table, for records nobody has given limits for. It is a place to start from: livelier than a shed, so that a
shed's own limits should be tighter. The numbers were set on the first month of one open estuary record
(tests/checkvalues) with room to spare; those for drift took account of the second month, where oxygen moves more.
"""

from __future__ import annotations

from collections.abc import Mapping

from brinewatch.signals.limits import Drift, Quality, Unsteady

_HOUR = 3600.0
_RESTLESS_S = 3 * _HOUR


def _limits(
    low: float, high: float, *, step: float, spike: float, beyond: float, flat_h: float, drift: float
) -> Quality:
    return Quality(
        low=low,
        high=high,
        step=step,
        step_for_s=12 * _HOUR,
        spike=spike,
        unsteady=Unsteady(over_s=_RESTLESS_S, beyond=beyond),
        flat_after_s=flat_h * _HOUR,
        drift=Drift(beyond=drift),
    )


SONDE: Mapping[str, Quality] = {
    "temperature": _limits(-1, 38, step=2.0, spike=1.2, beyond=0.8, flat_h=4, drift=3.3),
    "specific_conductance": _limits(1, 60, step=4.0, spike=2.0, beyond=2.0, flat_h=3, drift=4.6),
    "conductivity": _limits(1, 65, step=4.0, spike=2.0, beyond=2.0, flat_h=3, drift=4.6),
    "salinity": _limits(0.5, 40, step=2.5, spike=1.2, beyond=1.2, flat_h=12, drift=2.8),
    "oxygen_saturation": _limits(5, 200, step=40, spike=22, beyond=25, flat_h=2, drift=40),
    "oxygen": _limits(0.3, 18, step=3.0, spike=1.7, beyond=1.7, flat_h=3, drift=2.6),
    "ph": _limits(6.3, 9.2, step=0.6, spike=0.4, beyond=0.4, flat_h=8, drift=0.72),
    "depth": _limits(0.05, 20, step=0.3, spike=0.15, beyond=0.15, flat_h=6, drift=0.3),
    "turbidity": _limits(-2, 800, step=120, spike=60, beyond=50, flat_h=4, drift=20),
}
