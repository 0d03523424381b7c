"""What is refused of a calibration, and what only a person may wave through. Reasons are for people.

Bounds are judgement from common practice, no source, unless a line says otherwise.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

from brinewatch.seawater.electrode import BUFFERS, buffer_ph, nernst_slope_mV
from brinewatch.seawater.oxygen import benson_krause
from brinewatch.signals.calibrating import Line, electrode, unit_of
from brinewatch.signals.calibration import Calibration
from brinewatch.signals.records import CalibrationPoint, Reference
from brinewatch.signals.truths import CONDUCTIVITY, OXYGEN, PH
from brinewatch.signals.upkeep import upkeep_of

# acceptance of a pH electrode: 85 to 105 % of Nernst and 30 mV (makers' instructions); 95 to 102 % (USGS National
# Field Manual, chapter A6.4, from memory); a new one is bought below 90 % (common practice)
SLOPE_PERCENT, OFFSET_MV = (85.0, 105.0), 30.0
GOOD_SLOPE_PERCENT, WORN_PERCENT = (95.0, 102.0), 90.0
# how far a slope may be from 1, by quantity, and where it deserves a remark
_SLOPES: Mapping[str, tuple[float, float]] = {
    **dict.fromkeys((*OXYGEN, *CONDUCTIVITY), (0.7, 1.3)),
    "temperature": (0.9, 1.1), "air_temperature": (0.9, 1.1), "barometric_pressure": (0.9, 1.1),
    "air_pressure": (0.8, 1.25), "depth": (0.8, 1.25), "water_level": (0.8, 1.25),
}  # fmt: skip
_ANY_SLOPE = (0.5, 2.0)
_REMARKABLE = 0.1
_ZERO_SHARE = 0.1  # of saturation: more in water without oxygen is no zero point
_IN_AIR_SHARE = 0.1  # of the standard: less is a dry cell
_RIGHT_BUFFER_MV = 20.0
_BEYOND = 0.3  # of the span of the points, a line may be carried outwards without a remark


@dataclass(frozen=True, slots=True)
class Finding:
    """Something wrong. refused: it may not be saved; otherwise a person may save it all the same."""

    refused: bool
    text: str


def findings_of_point(quantity: str, point: CalibrationPoint, before: Calibration | None = None) -> list[Finding]:
    """What is wrong with one point by itself. before: the line in force, for what a one-point slope keeps."""
    unit = unit_of(quantity)
    said, true = point.said, point.true
    if quantity in PH and point.reference is Reference.BUFFER:
        return _buffer(quantity, point)
    match point.reference:
        case Reference.AIR_SATURATED | Reference.STANDARD:
            if point.reference is Reference.STANDARD and said < _IN_AIR_SHARE * true:
                text = f"The probe says {said:.3g} {unit} in {point.about}: its cell is dry or full of bubbles."
                return [Finding(True, _one_space(text))]
            low, high = _SLOPES[quantity]
            kept = before.offset if before else 0.0
            slope = (true - kept) / said if said > 0.0 else 0.0
            if not low <= slope <= high:
                text = (
                    f"The probe says {said:.3g} {unit} where {true:.3g} {unit} is true ({point.about}): the slope "
                    f"would be {slope:.2f}, outside {low:g} to {high:g}. {_look(point.reference)}"
                )
                return [Finding(True, _one_space(text))]
        case Reference.ZERO_OXYGEN:
            degrees = 20.0 if point.temperature_C is None else point.temperature_C
            full = 100.0 if quantity == "oxygen_saturation" else benson_krause(degrees, 0.0)
            if abs(said) > _ZERO_SHARE * full:
                text = (
                    f"The probe says {said:.2f} {unit} in water without oxygen, more than a tenth of saturation: "
                    "the sulfite is spent, air gets in, the cap is torn, or it needs longer."
                )
                return [Finding(True, text)]
        case _:
            upkeep = upkeep_of(quantity)
            if upkeep is not None and abs(true - said) > upkeep.far:
                text = (
                    f"The probe says {said:.2f} {unit} where {true:.2f} {unit} is true ({point.about}): more than "
                    f"{upkeep.far:g} {unit} off is a fault or a mix-up, not drift. {_look(point.reference)}"
                )
                return [Finding(True, _one_space(text))]
    return []


def _look(reference: Reference) -> str:
    match reference:
        case Reference.AIR_SATURATED:
            return (
                "Look for a bubble or growth on the cap, an old cap, still water, a wrong salinity set in the "
                "probe, or a barometer that shows sea-level pressure."
            )
        case Reference.STANDARD:
            return "Look for bubbles or growth in the cell, the wrong bottle, or a bottle left open."
        case Reference.OPEN_AIR:
            return "Look for water or salt in the tube, and whether it is really open."
        case Reference.ICE:
            return "Use crushed ice of pure water with its own melt water, no salt, and stir."
        case _:
            return "Check that both are in the same water and show the same unit."


def _buffer(quantity: str, point: CalibrationPoint) -> list[Finding]:
    degrees = 20.0 if point.temperature_C is None else point.temperature_C
    slope = nernst_slope_mV(degrees)

    def mV(value: float) -> float:
        return value if quantity == "ph_potential" else -slope * (value - 7.0)

    said, true = mV(point.said), mV(point.true)
    allowed = OFFSET_MV + (1.0 - SLOPE_PERCENT[0] / 100.0) * abs(true)
    if abs(said - true) <= allowed:
        return []
    shown = f"{point.said:.1f} mV" if quantity == "ph_potential" else f"pH {point.said:.2f}"
    ideal = f"{point.true:.1f} mV" if quantity == "ph_potential" else f"pH {point.true:.2f}"
    text = f"The electrode says {shown} in {point.about}, where a sound one says {ideal}."
    other = min(BUFFERS, key=lambda name: abs(said + slope * (buffer_ph(name, degrees) - 7.0)))
    if abs(true) > 2.0 * OFFSET_MV and abs(said + true) < allowed:
        text += " The sign is wrong: plus and minus may be swapped, or the buffers."
    elif abs(said + slope * (buffer_ph(other, degrees) - 7.0)) < _RIGHT_BUFFER_MV:
        text += f" That looks like buffer {other}: check the bottle."
    elif abs(said) < OFFSET_MV:
        text += " Near 0 mV in every buffer is a broken glass or a wet plug."
    else:
        text += " Use fresh buffer, rinse, look for a bubble in the bulb and a dried or clogged junction."
    return [Finding(True, text)]


def findings(
    quantity: str,
    points: Sequence[CalibrationPoint],
    line: Line,
    before: Calibration,
    usual_said: float | None = None,
) -> list[Finding]:
    """What is wrong with points and line together. usual_said: what the probe says in its place, where known."""
    found = _points_together(quantity, points)
    found += _electrode(quantity, points, line) if quantity in PH else _slope(quantity, line)
    upkeep, unit = upkeep_of(quantity), unit_of(quantity)
    worst = max(map(abs, line.residuals), default=0.0)
    if len(points) > 2 and upkeep is not None and worst > upkeep.off / 2.0:
        text = f"The points do not lie on one line: {worst:.3g} {unit} off. One buffer may be old or mixed up."
        found.append(Finding(worst > 2.0 * upkeep.off, _one_space(text)))
    if usual_said is None or any(one.refused for one in found):
        return found
    usual = line.apply(usual_said)
    if len(points) > 1:
        low, high = min(one.true for one in points), max(one.true for one in points)
        beyond = max(low - usual, usual - high)
        if beyond > _BEYOND * (high - low):
            found.append(Finding(False, _one_space(
                f"The water is at {usual:.2f} {unit}, far outside the points ({low:.2f} to {high:.2f} {unit}): any "
                "error of theirs is magnified there. Choose points on both sides of it."
            )))  # fmt: skip
    moved = usual - before.apply(usual_said)
    if upkeep is not None and before.id and abs(moved) > upkeep.off:
        found.append(Finding(False, _one_space(
            f"This moves the present reading by {moved:+.2f} {unit}, more than {upkeep.off:g} {unit}: what was "
            "read before may be wrong as well. It can count for the past too: see --since."
        )))  # fmt: skip
    return found


def _points_together(quantity: str, points: Sequence[CalibrationPoint]) -> list[Finding]:
    upkeep, unit = upkeep_of(quantity), unit_of(quantity)
    if upkeep is None:
        return [Finding(True, "This quantity takes no calibration.")]
    for one, other in combinations(points, 2):
        if abs(one.true - other.true) < upkeep.apart:
            text = (
                f"Two points are {abs(one.true - other.true):.2f} {unit} apart; a slope needs {upkeep.apart:g} "
                f"{unit} or more."
            )
            return [Finding(True, _one_space(text))]
    degrees = [one.temperature_C for one in points if one.temperature_C is not None and quantity in PH]
    if degrees and max(degrees) - min(degrees) > 5.0:
        text = "The buffers differ by more than 5 K: let all come to one temperature for a better slope."
        return [Finding(False, text)]
    return []


def _slope(quantity: str, line: Line) -> list[Finding]:
    low, high = _SLOPES.get(quantity, _ANY_SLOPE)
    if not low <= line.slope <= high:
        text = (
            f"The slope would be {line.slope:.3g}, outside {low:g} to {high:g}: no calibration mends such a probe."
        )
        return [Finding(True, text)]
    if abs(line.slope - 1.0) > _REMARKABLE:
        text = f"The slope would be {line.slope:.3f}, far from 1: the probe is worn, fouled or set wrongly inside."
        return [Finding(False, text)]
    return []


def _electrode(quantity: str, points: Sequence[CalibrationPoint], line: Line) -> list[Finding]:
    if line.slope <= 0.0:
        return [Finding(True, "The signal falls where it should rise: the buffers or plus and minus are swapped.")]
    if len(points) < 2:
        return []
    glass = electrode(quantity, line, points)
    assert glass is not None
    found = []
    low, high = SLOPE_PERCENT
    if not low <= glass.slope_percent <= high:
        text = (
            f"The slope would be {glass.slope_percent:.1f} % of Nernst, outside {low:g} to {high:g} %: clean the "
            "electrode, use fresh buffers, or replace it."
        )
        found.append(Finding(True, text))
    elif glass.slope_percent < WORN_PERCENT:
        text = f"The slope is {glass.slope_percent:.1f} % of Nernst: the electrode is near its end, order another."
        found.append(Finding(False, text))
    elif not GOOD_SLOPE_PERCENT[0] <= glass.slope_percent <= GOOD_SLOPE_PERCENT[1]:
        text = (
            f"The slope is {glass.slope_percent:.1f} % of Nernst; a good electrode has {GOOD_SLOPE_PERCENT[0]:g} "
            f"to {GOOD_SLOPE_PERCENT[1]:g} %."
        )
        found.append(Finding(False, text))
    if abs(glass.offset_mV) > OFFSET_MV:
        text = (
            f"The electrode would stand at {glass.offset_mV:+.0f} mV at pH 7, beyond {OFFSET_MV:g} mV: its "
            "reference is spent or poisoned."
        )
        found.append(Finding(True, text))
    return found


def _one_space(text: str) -> str:
    """Without the gap a quantity that is its own unit leaves."""
    return " ".join(text.split()).replace(" )", ")").replace(" ,", ",").replace(" :", ":").replace(" ;", ";")
