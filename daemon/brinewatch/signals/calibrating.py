"""From calibration points to a straight line: which of offset and slope moves, how sure it is, and what is refused.

A refused point or line is never saved: it would make every later reading lie. A warning leaves the choice to a
person, who is told the reason.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import isfinite

from brinewatch.quantities import QUANTITIES
from brinewatch.readings import quantity_of
from brinewatch.seawater.electrode import nernst_slope_mV
from brinewatch.signals.calibration import DAY_S, Calibration
from brinewatch.signals.records import CalibrationPoint, CalibrationRecord, Reference, Visit
from brinewatch.signals.truths import CONDUCTIVITY, GAUGES, OXYGEN, PH, THERMOMETERS
from brinewatch.signals.uncertainty import propagate
from brinewatch.signals.upkeep import upkeep_of

_USUAL_C = 20.0  # for an electrode's millivolts when nobody measured the buffer's temperature


class Moves(StrEnum):
    """What a calibration changes."""

    OFFSET = "offset"
    SLOPE = "slope"
    BOTH = "offset and slope"


@dataclass(frozen=True, slots=True)
class Method:
    """One way to calibrate: what the probe is held against, in order, what that changes, and why that."""

    name: str
    references: tuple[Reference, ...]
    moves: Moves
    why: str


_ONE_AIR = Method(
    "air-saturated water", (Reference.AIR_SATURATED,), Moves.SLOPE,
    "the zero of an oxygen probe hardly moves, what it gives for a milligram does",
)  # fmt: skip
_AIR_AND_ZERO = Method(
    "water without oxygen, then air-saturated water", (Reference.ZERO_OXYGEN, Reference.AIR_SATURATED), Moves.BOTH,
    "two points far apart give the whole line",
)  # fmt: skip
_ONE_ZERO = Method(
    "water without oxygen", (Reference.ZERO_OXYGEN,), Moves.OFFSET, "at zero the slope has nothing to act on"
)
_BUFFERS = tuple(
    Method(
        f"{words} buffers", (Reference.BUFFER,) * count, Moves.BOTH,
        "an electrode loses slope and wanders at pH 7, and only two buffers tell the one from the other",
    )
    for words, count in (("two", 2), ("three", 3))
)  # fmt: skip
_ZERO = Method("open to the air", (Reference.OPEN_AIR,), Moves.OFFSET, "at zero the slope has nothing to act on")
_ICE = Method("ice point", (Reference.ICE,), Moves.OFFSET, "a thermometer's error is nearly the same everywhere")
_STANDARD = Method(
    "one conductivity standard", (Reference.STANDARD,), Moves.SLOPE,
    "the slope is the cell constant, which fouling and wear change; a dry cell reads nothing by itself",
)  # fmt: skip
_STANDARDS = Method(
    "two conductivity standards", (Reference.STANDARD,) * 2, Moves.BOTH, "two points far apart give the whole line"
)
_BESIDE_SLOPE = Method(
    "reference instrument, one point", (Reference.INSTRUMENT,), Moves.SLOPE,
    "this kind of probe errs in proportion to what it measures",
)  # fmt: skip
_BESIDE = Method(
    "reference instrument, one point", (Reference.INSTRUMENT,), Moves.OFFSET,
    "one point cannot tell a slope; this kind of probe errs by about the same everywhere",
)  # fmt: skip
_BESIDE_TWICE = Method(
    "reference instrument, two points far apart", (Reference.INSTRUMENT,) * 2, Moves.BOTH,
    "two points far apart give the whole line",
)  # fmt: skip


def methods_of(quantity: str) -> tuple[Method, ...]:
    """The ways to calibrate a quantity, the usual one first; none for one that takes no calibration."""
    if upkeep_of(quantity) is None:
        return ()
    if quantity in OXYGEN:
        return (_ONE_AIR, _AIR_AND_ZERO, _ONE_ZERO, _BESIDE_SLOPE)
    if quantity == "ph_potential":
        return _BUFFERS  # no hand instrument shows what this electrode should give
    if quantity in PH:
        return (*_BUFFERS, _BESIDE)
    if quantity in CONDUCTIVITY:
        return (_STANDARD, _STANDARDS, _BESIDE_SLOPE)
    if quantity in GAUGES:
        return (_ZERO, _BESIDE, _BESIDE_TWICE)
    if quantity in THERMOMETERS:
        return (_ICE, _BESIDE, _BESIDE_TWICE)
    if quantity in ("water_flow", "motor_current", "turbidity"):
        return (_BESIDE_SLOPE, _BESIDE_TWICE)
    return (_BESIDE, _BESIDE_TWICE)


@dataclass(frozen=True, slots=True)
class Line:
    """What the points give. uncertainty: one standard one of a value, at the worst place named to `fit`;
    residuals: true less calibrated, of each point in order, in the quantity's unit."""

    offset: float
    slope: float
    uncertainty: float
    residuals: tuple[float, ...]

    def apply(self, said: float) -> float:
        return self.offset + self.slope * said


def fit(
    points: Sequence[CalibrationPoint], moves: Moves, before: Calibration, usual_said: float | None = None
) -> Line:
    """The line through one point (one of offset and slope kept as before), two, or by least squares more.

    Its uncertainty follows from the references' and the noise by first-order propagation (GUM, JCGM 100:2008,
    5.1.2), taken at each point and at `usual_said`, what the probe says in its place; the largest counts. Noise is
    taken whole, not divided by the root of the count: samples seconds apart are not independent. ValueError when no
    line goes through the points.
    """
    if not points:
        raise ValueError("points: expected at least one")
    if (moves is Moves.BOTH) != (len(points) > 1):
        raise ValueError(f"{len(points)} points cannot give {moves.value}: expected one for each that moves")
    values, doubts = {}, {}
    for number, point in enumerate(points):
        values[f"said{number}"], doubts[f"said{number}"] = point.said, point.noise
        values[f"true{number}"], doubts[f"true{number}"] = point.true, point.uncertainty
    if not all(map(isfinite, values.values())):
        raise ValueError("points: expected finite numbers")
    offset, slope = _solve(values, len(points), moves, before)
    places = [point.said for point in points]
    if usual_said is not None and isfinite(usual_said):
        places.append(usual_said)

    def at(place: float) -> float:
        def value(given: Mapping[str, float]) -> float:
            a, b = _solve(given, len(points), moves, before)
            return a + b * place

        found = propagate(value, values, doubts)
        assert found is not None
        return found

    residuals = tuple(point.true - offset - slope * point.said for point in points)
    return Line(offset, slope, max(map(at, places)), residuals)


def _solve(given: Mapping[str, float], count: int, moves: Moves, before: Calibration) -> tuple[float, float]:
    said = [given[f"said{number}"] for number in range(count)]
    true = [given[f"true{number}"] for number in range(count)]
    if moves is Moves.OFFSET:
        return true[0] - before.slope * said[0], before.slope
    if moves is Moves.SLOPE:
        if said[0] == 0.0:
            raise ValueError("said = 0: expected a signal to take a slope from")
        return before.offset, (true[0] - before.offset) / said[0]
    middle, level = sum(said) / count, sum(true) / count
    width = sum((one - middle) ** 2 for one in said)
    if width == 0.0:
        raise ValueError(f"said = {said[0]:g} at every point: expected the probe to tell the references apart")
    slope = sum((one - middle) * (other - level) for one, other in zip(said, true, strict=True)) / width
    return level - slope * middle, slope


@dataclass(frozen=True, slots=True)
class Electrode:
    """What a line says of a pH electrode. slope_percent: of Nernst; offset_mV: its potential at pH 7."""

    slope_percent: float
    offset_mV: float


def electrode(quantity: str, line: Line, points: Sequence[CalibrationPoint]) -> Electrode | None:
    """For pH and its potential; None for all else.

    A probe that says pH has turned millivolts into pH by itself: then both are as seen through it, for an electrode
    that it believes perfect.
    """
    if quantity not in PH or line.slope == 0.0:
        return None
    percent = 100.0 / line.slope
    if quantity == "ph_potential":
        return Electrode(percent, -line.offset / line.slope)
    known = [one.temperature_C for one in points if one.temperature_C is not None]
    slope = nernst_slope_mV(sum(known) / len(known) if known else _USUAL_C)
    return Electrode(percent, -slope * ((7.0 - line.offset) / line.slope - 7.0))


def record_of(
    point: str,
    probe: str,
    by: str,
    points: Sequence[CalibrationPoint],
    line: Line,
    made_utc: float,
    due_days: float | None,
    *,
    identity: str,
    effective_utc: float | None = None,
    ramp: bool = False,
    replaces: str = "",
    remark: str = "",
) -> CalibrationRecord:
    """The record to keep. effective_utc: from when it counts, made_utc when left out; ValueError when it is later.

    due_days: until the next one is due, None for never.
    """
    begins = made_utc if effective_utc is None else effective_utc
    if begins > made_utc:
        raise ValueError("effective_utc: expected no later than the record is made")
    glass = electrode(quantity_of(point), line, points)
    if glass is not None and len(points) < 2:
        glass = None  # one point tells nothing of the electrode's slope
    return CalibrationRecord(
        identity, point, probe, Visit.CALIBRATION, made_utc, begins, by, tuple(points), line.offset, line.slope,
        line.uncertainty, None if due_days is None else made_utc + due_days * DAY_S,
        glass.slope_percent if glass else None, glass.offset_mV if glass else None,
        replaces=replaces, remark=remark, ramp=ramp,
    )  # fmt: skip


def unit_of(quantity: str) -> str:
    """The unit to write after a number; "" for pH and salinity, which are their own."""
    unit = QUANTITIES[quantity].unit
    return "" if unit in ("pH", "PSS-78") else unit
