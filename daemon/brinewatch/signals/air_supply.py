"""The state of the air supply, from the pressure at the manifold and what else is fitted.

A column of water keeps air in until the air's pressure passes its head, rho g h. What stands over the head of the
deepest diffuser drives air through pipe and diffusers as through an orifice: flow goes with the root of the excess.
So an excess a quarter of its clean value passes half the clean air, and twice the excess at the same flow is twice
the resistance. The head comes with the pressure: `air_rise` (recipes) has taken it off by density and depth.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

from pydantic import Field

from brinewatch.settings import Settings


class AirState(IntEnum):
    """In the order of the quantity's states (quantities.py, air_state)."""

    STOPPED = 0
    LINE_OPEN = 1
    PARTLY_BLOCKED = 2
    RELIEF_OPEN = 3
    NORMAL = 4


class AirSupply(Settings):
    """What is known of the air supply beforehand: values of normal running with clean diffusers."""

    relief_kPa: float | None = Field(
        None, gt=0, le=100, description="pressure at which the relief valve opens, kPa"
    )
    rise_kPa: float | None = Field(
        None, gt=0, le=100, description="pressure over static head with clean diffusers, kPa; learnt when left out"
    )
    current_A: float | None = Field(None, gt=0, le=1000, description="motor current, A")
    flow_L_min: float | None = Field(None, gt=0, description="air flow, L/min")


@dataclass(frozen=True, slots=True)
class Air:
    """The air at one moment. Pressures in kPa over the room's, current in A, flow in L/min.

    head: of the deepest diffuser; shallow: of the shallowest outlet, None when no other is known; uncertainty: one
    standard uncertainty of pressure less head; current, flow: None when not fitted or not known now.
    """

    pressure: float
    head: float
    shallow: float | None = None
    uncertainty: float | None = None
    current: float | None = None
    flow: float | None = None

    @property
    def rise(self) -> float:
        return self.pressure - self.head


@dataclass(frozen=True, slots=True)
class Verdict:
    """The state, None when it cannot be told; reason: why, in words; doubt: what does not fit, "" when all does."""

    state: AirState | None
    reason: str
    doubt: str = ""


# Of the clean values; judgement unless a line gives the physics.
_RUNS, _STANDS = 0.4, 0.2  # of the motor's current: unloaded, a side-channel blower still draws about half
_RUNS_A, _STANDS_A = 0.3, 0.1  # when the current of normal running is not known
_MOVES = 0.1  # of the flow: so much says that the motor runs
_NOTHING, _NOTHING_KPA = 0.1, 0.3  # of the head: hardly any pressure at all
_BESIDE_KPA = 0.3  # a pressure so near a head may be held there by the water
_OPEN = 0.25  # of the excess: half the air (root law)
_BLOCKED, _BLOCKED_KPA = 2.0, 1.5  # times the excess, and at least so much more
_RESISTS, _LEAKS = 2.0, 0.5  # times the resistance, excess over flow squared
_LESS_AIR = 0.9  # of the flow
_WEAK = 0.7  # of the flow with the resistance as it was: the fault lies before the manifold
# clean diffusers 1 to 5 kPa and pipe 0.5 to 2 kPa (common practice, no source): more than their sum and a margin
_UNUSUAL_KPA = 8.0
_RELIEF, _RELIEF_KPA = 0.03, 0.3  # so near its setting a relief valve opens


def classify(air: Air, supply: AirSupply, clean_kPa: float | None = None) -> Verdict:
    """The state of the air supply, or that it cannot be told.

    clean_kPa: excess over static head with clean diffusers as learnt; a setting goes before it.
    """
    runs = motor_runs(air.current, air.flow, supply)
    over = f"{air.pressure:.1f} kPa against a head of {air.head:.1f}"
    if runs is False:
        if air.rise <= _BESIDE_KPA:
            return Verdict(AirState.STOPPED, f"the motor draws {air.current:.2f} A; {over}")
        seen = _running(air, supply, clean_kPa, over)
        doubt = f"The motor draws {air.current:.2f} A, yet air stands over the head: another blower, or the meter."
        return Verdict(seen.state, seen.reason, doubt)
    if runs is None:
        return _motor_unknown(air, supply, clean_kPa, over)
    return _running(air, supply, clean_kPa, over)


def motor_runs(current_A: float | None, flow_L_min: float | None, supply: AirSupply) -> bool | None:
    """Whether current or flow says that the blower runs; None when neither can tell."""
    if current_A is not None:
        normal = supply.current_A
        if current_A >= (_RUNS_A if normal is None else _RUNS * normal):
            return True
        if current_A <= (_STANDS_A if normal is None else _STANDS * normal):
            return False
    # no flow says nothing: a motor may run against a shut valve
    if flow_L_min is not None and supply.flow_L_min is not None and flow_L_min >= _MOVES * supply.flow_L_min:
        return True
    return None


def _motor_unknown(air: Air, supply: AirSupply, clean_kPa: float | None, over: str) -> Verdict:
    if air.pressure <= max(_NOTHING_KPA, _NOTHING * air.head):
        return Verdict(AirState.STOPPED, f"{over}; nothing tells whether the motor runs")
    # behind a check valve a stopped blower leaves air that bleeds away until the nearest water holds it
    held = air.head if air.shallow is None else air.shallow
    if abs(air.pressure - held) <= _BESIDE_KPA:
        return Verdict(
            None, f"{over}; at {held:.1f} kPa the water itself holds it: blower stopped or line open, go and look"
        )
    return _running(air, supply, clean_kPa, over)


def _running(air: Air, supply: AirSupply, clean_kPa: float | None, over: str) -> Verdict:
    clean = clean_kPa if supply.rise_kPa is None else supply.rise_kPa
    unsure = air.uncertainty or 0.0
    if clean is not None and unsure > clean and abs(air.rise) <= 2.0 * unsure:
        return Verdict(None, f"{over}, known to {unsure:.1f} kPa: no better than the excess of clean diffusers")
    if air.rise < (0.0 if clean is None else _OPEN * clean):
        if air.pressure <= max(_NOTHING_KPA, _NOTHING * air.head):
            return Verdict(AirState.LINE_OPEN, f"{over}: line off, coupling slipped or intake shut")
        return Verdict(AirState.LINE_OPEN, f"{over}: the air takes an easier way than the deepest diffuser")
    if supply.relief_kPa is not None and air.pressure >= supply.relief_kPa - max(
        _RELIEF_KPA, _RELIEF * supply.relief_kPa
    ):
        return Verdict(
            AirState.RELIEF_OPEN,
            f"{air.pressure:.1f} kPa, relief valve set to {supply.relief_kPa:g}{_shares(air, supply)}",
        )
    if clean is None:
        if air.rise > _UNUSUAL_KPA:
            return Verdict(AirState.PARTLY_BLOCKED, f"{over}: clean diffusers and pipe take less")
        return Verdict(AirState.NORMAL, f"{over}; excess of clean diffusers not known yet")
    over += f"; excess {air.rise:.1f}, clean {clean:.1f}"
    if air.flow is not None and supply.flow_L_min is not None:
        return _by_resistance(air.rise / clean, air.flow / supply.flow_L_min, over)
    if air.rise >= clean + max((_BLOCKED - 1.0) * clean, _BLOCKED_KPA):
        return Verdict(AirState.PARTLY_BLOCKED, over + _shares(air, supply))
    return Verdict(AirState.NORMAL, over)


def _by_resistance(rise: float, flow: float, over: str) -> Verdict:
    """With the flow known the resistance is, whatever the blower does. rise, flow: shares of their clean values."""
    over += f", flow {flow:.0%} of normal"
    if flow <= _LESS_AIR and rise >= _RESISTS * flow * flow:
        return Verdict(AirState.PARTLY_BLOCKED, over)
    if rise <= _LEAKS * flow * flow:
        return Verdict(AirState.LINE_OPEN, f"{over}: the air takes an easier way")
    if flow <= _WEAK:
        return Verdict(AirState.PARTLY_BLOCKED, f"{over} by the usual way: intake blocked or blower weak")
    return Verdict(AirState.NORMAL, over)


def _shares(air: Air, supply: AirSupply) -> str:
    said = ""
    if air.flow is not None and supply.flow_L_min is not None:
        said += f", flow {air.flow / supply.flow_L_min:.0%} of normal"
    if air.current is not None and supply.current_A is not None:
        said += f", current {air.current / supply.current_A:.0%} of normal"
    return said
