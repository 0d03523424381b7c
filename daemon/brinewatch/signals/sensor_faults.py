"""What one kind of probe is known for, told in time: in air, a bubble on the cap, broken glass.

These are tested without being asked for, so none can raise an alarm by itself: SUSPECT at most, which alarms judge
like any other value, with words that say what to look at. What the bytes alone can tell (the power-on value of a
thermometer, a line stuck low, a broken current loop) the drivers refuse. The limits here are common practice, no
source, where no other is named.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from brinewatch.readings import Flag
from brinewatch.signals.windows import Window, pushed

# Seawater of any use conducts 20 mS/cm and more, PSS-78 begins at S 2 (3 mS/cm at 15 degC); a cell in air reads its
# own leakage. It may also be fresh water run into the tank, so the value stays one that alarms judge.
IN_AIR: Mapping[str, float] = {"conductivity": 0.5, "specific_conductance": 0.5, "salinity": 0.3}

# A bubble of air on an optode's or membrane's cap makes it read the air: at once, and upward in water below
# saturation. Water itself cannot: with a transfer coefficient of 20 per hour, which is more than any airlift gives,
# 4 mg/L below saturation it gains 1.3 mg/L in a minute.
BUBBLE_RISE: Mapping[str, float] = {"oxygen": 1.5, "oxygen_saturation": 20.0}
BUBBLE_FOR_S = 3600.0

# The glass membrane of a pH electrode makes the voltage; cracked or dry it makes none, and 0 mV is the isopotential
# point, pH 7, whatever the water. A whole one within its acceptance band (30 mV) stands at most 0.5 off there, and
# is never still for half a day.
GLASS_AT, GLASS_WITHIN, GLASS_SPREAD, GLASS_OVER_S = 7.0, 0.25, 0.02, 43200.0


@dataclass(frozen=True, slots=True)
class Risen:
    """An oxygen reading that rose too fast: what it rose from and to, and when, monotonic."""

    low: float
    high: float
    since: float


def in_air(quantity: str, value: float) -> tuple[Flag, str]:
    """SUSPECT for a conductivity that no seawater has."""
    if value < IN_AIR.get(quantity, float("-inf")):
        return (
            Flag.SUSPECT,
            "Hardly conducts: is the probe out of the water, or is it fresh water? Look at it.",
        )
    return Flag.PASS, ""


def bubble(quantity: str, value: float, mono: float, lowest: float | None, before: Risen | None) -> Risen | None:
    """The rise this oxygen reading belongs to; None when there is none, or it is half undone or an hour old.

    lowest: of the past minute, this value left out.
    """
    if before is not None:
        undone = value < (before.low + before.high) / 2.0
        return None if undone or mono - before.since > BUBBLE_FOR_S else before
    rise = BUBBLE_RISE.get(quantity)
    if rise is None or lowest is None or value - lowest <= rise:
        return None
    return Risen(lowest, value, mono)


def bubble_words(risen: Risen | None) -> tuple[Flag, str]:
    """The flag of a reading that belongs to a rise."""
    if risen is None:
        return Flag.PASS, ""
    return Flag.SUSPECT, (
        f"Rose from {risen.low:.3g} to {risen.high:.3g} within a minute, faster than water takes up oxygen: look "
        "for a bubble on the probe's cap, or a probe lifted out."
    )


def glass_window(window: Window | None, quantity: str, value: float, mono: float) -> Window | None:
    """What broken_glass needs to remember."""
    return pushed(window, GLASS_OVER_S, mono, value, parts=24) if quantity == "ph" else None


def broken_glass(window: Window | None) -> tuple[Flag, str]:
    """SUSPECT for a pH that has stood at 7 without moving for half a day."""
    if window is None or not window.filled(GLASS_OVER_S) or window.spread > GLASS_SPREAD:
        return Flag.PASS, ""
    if abs(window.mean - GLASS_AT) > GLASS_WITHIN:
        return Flag.PASS, ""
    return Flag.SUSPECT, (
        f"Has stood at pH {window.mean:.2f} for half a day: look for a cracked or dry glass bulb or a wet "
        "connector, and try it in a buffer."
    )
