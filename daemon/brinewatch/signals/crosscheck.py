"""Readings held against each other and against physics, after each has been judged by itself.

Two points of one quantity apart; one moves and its neighbour or companion does not (QARTOD manuals, tests 9
multivariate and 11 neighbour); oxygen far above saturation where only air is blown in; water that warms or cools
faster than its heat capacity allows. SUSPECT at most: alarms judge the value all the same. Air pressure below the
head of the water over the diffuser is an alarm's cause and no doubt about the reading: it gets words and keeps its
flag.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace

from pydantic import Field, field_validator, model_validator

from brinewatch.moment import Moment, span_text
from brinewatch.quantities import QUANTITIES
from brinewatch.readings import Flag, Reading, quantity_of, stage_of
from brinewatch.settings import Settings
from brinewatch.signals.flags import worst
from brinewatch.signals.windows import Window, pushed

Verdict = tuple[Flag, str]

# seawater at S 35 and 20 degC: 3993 J/(kg K) and 1024.8 kg/m3 (Fofonoff & Millard 1983, UNESCO 44)
HEAT_J_PER_L_K = 4092.0
# Common practice, no source: what acts on a litre when no heater is named (a large one, exchange with the room and
# what flows in together), and what still does beside a named one.
_ANY_W_PER_L, _BESIDE_W_PER_L = 20.0, 5.0
_WARM_OVER_S, _WARM_EVERY_S, _WARM_SLACK_K = 600.0, 60.0, 0.5


class Compare(Settings):
    """Two probes of one quantity in the same water: apart for too long, one of them is wrong."""

    points: list[str] = Field(min_length=2, max_length=2, description="the two points, stage.quantity")
    apart: float = Field(gt=0, description="further apart than this is suspect, in the quantity's own unit")
    after_s: float = Field(600, ge=0, description="when it has lasted so many seconds")

    @field_validator("points")
    @classmethod
    def _alike(cls, value: list[str]) -> list[str]:
        if value[0] == value[1] or quantity_of(value[0]) != quantity_of(value[1]):
            raise ValueError("two different points of one quantity")
        return value


class Neighbour(Settings):
    """One point moves fast and the other, which always moves with it, does not: the first is suspect."""

    point: str = Field(description="the point judged, stage.quantity")
    partner: str = Field(description="the point that moves with it, of the same quantity or another")
    moves: float = Field(gt=0, description="moving by more than this is fast, in the point's own unit")
    partner_moves: float = Field(
        gt=0, description="moving by less than this is standing still, in the partner's unit"
    )
    within_s: float = Field(3600, gt=0, description="over so many seconds")

    @model_validator(mode="after")
    def _two(self) -> Neighbour:
        if self.point == self.partner:
            raise ValueError("a partner other than the point itself")
        return self


class Physics(Settings):
    """What is physically possible in this shed."""

    pure_oxygen: bool = Field(False, description="oxygen gas is fed too, so oxygen may stand above saturation")
    oxygen_above_percent: float = Field(
        130, gt=100, description="oxygen above this share of saturation is suspect where only air is blown in, %"
    )


@dataclass(frozen=True, slots=True)
class CrossPlan:
    """What is held against what. heat: the fastest change of each temperature point, K/s."""

    compare: tuple[Compare, ...] = ()
    neighbour: tuple[Neighbour, ...] = ()
    oxygen_above_percent: float | None = None
    heat: Mapping[str, float] = field(default_factory=dict)


NO_CROSSCHECK = CrossPlan()


@dataclass(frozen=True, slots=True)
class CrossMemory:
    """apart: since when each pair stood apart; windows: by neighbour and point; warmth: of ten minutes."""

    apart: Mapping[int, float] = field(default_factory=dict)
    windows: Mapping[tuple[int, str], Window] = field(default_factory=dict)
    warmth: Mapping[str, tuple[tuple[float, float], ...]] = field(default_factory=dict)


def fastest_K_per_s(volume_L: float, heat_kW: float | None) -> float:
    """How fast water can change its temperature. heat_kW: of the heater or chiller, None when unknown."""
    watts = _ANY_W_PER_L * volume_L if heat_kW is None else 1000.0 * heat_kW + _BESIDE_W_PER_L * volume_L
    return watts / (HEAT_J_PER_L_K * volume_L)


def crosscheck(
    plan: CrossPlan, readings: Mapping[str, Reading], fresh: Collection[str], memory: CrossMemory, now: Moment
) -> tuple[dict[str, Reading], CrossMemory]:
    """The fresh readings that others or physics speak against, with flag and reason, and the memory for the next.

    readings: the newest by point; fresh: the points that are new in this step.
    """
    found: dict[str, list[Verdict]] = {}
    new = {point: readings[point] for point in fresh if readings[point].usable}
    apart = _apart(plan.compare, readings, new, memory.apart, now, found)
    windows = _alone(plan.neighbour, readings, new, memory.windows, found)
    warmth = dict(memory.warmth)
    for point, reading in new.items():
        if point in plan.heat:
            warmth[point] = _too_fast(point, reading, plan.heat[point], warmth.get(point, ()), found)
        elif reading.quantity == "oxygen_saturation" and plan.oxygen_above_percent is not None:
            _above_saturation(point, reading, plan.oxygen_above_percent, new, found)
        elif reading.quantity == "air_rise":
            _below_head(point, reading, found)
    doubted = {point: doubt(readings[point], verdicts) for point, verdicts in found.items()}
    return doubted, CrossMemory(apart, windows, warmth)


def doubt(reading: Reading, verdicts: Sequence[Verdict]) -> Reading:
    """The reading with the worst flag of all, and every reason."""
    flag = worst((reading.flag, *(one for one, _ in verdicts)))
    reason = " ".join(text for text in (reading.reason, *(words for _, words in verdicts)) if text)
    return replace(reading, flag=flag, reason=reason)


def _apart(
    plan: Sequence[Compare],
    readings: Mapping[str, Reading],
    new: Mapping[str, Reading],
    was: Mapping[int, float],
    now: Moment,
    found: dict[str, list[Verdict]],
) -> dict[int, float]:
    since = dict(was)
    for place, one in enumerate(plan):
        if not any(point in new for point in one.points):
            continue
        first, second = (_known(readings.get(point), now, max(one.after_s, 60.0)) for point in one.points)
        if first is None or second is None or abs(first - second) <= one.apart:
            since.pop(place, None)
            continue
        lasted = now.mono - since.setdefault(place, now.mono)
        if lasted < one.after_s:
            continue
        unit = QUANTITIES[quantity_of(one.points[0])].unit
        for point, other in (one.points, reversed(one.points)):
            if point in new:
                words = f"Has stood {abs(first - second):.3g} {unit} off {other} for {span_text(lasted)}."
                found.setdefault(point, []).append((Flag.SUSPECT, words))
    return since


def _known(reading: Reading | None, now: Moment, oldest_s: float) -> float | None:
    """A value that may be held against another one."""
    young = reading is not None and reading.usable and now.mono - reading.at.mono <= oldest_s
    return reading.value if reading is not None and young else None


def _alone(
    plan: Sequence[Neighbour],
    readings: Mapping[str, Reading],
    new: Mapping[str, Reading],
    was: Mapping[tuple[int, str], Window],
    found: dict[str, list[Verdict]],
) -> dict[tuple[int, str], Window]:
    windows = dict(was)
    for place, one in enumerate(plan):
        for point in (one.point, one.partner):
            if point in new:
                reading = readings[point]
                assert reading.value is not None
                key = (place, point)
                windows[key] = pushed(windows.get(key), one.within_s, reading.at.mono, reading.value)
        mine, other = windows.get((place, one.point)), windows.get((place, one.partner))
        if one.point not in new or mine is None or other is None or not other.filled(one.within_s):
            continue
        together = mine.newest - other.newest <= one.within_s / 4.0
        if together and mine.spread > one.moves and other.spread < one.partner_moves:
            unit, its = QUANTITIES[quantity_of(one.point)].unit, QUANTITIES[quantity_of(one.partner)].unit
            words = (
                f"Moved by {mine.spread:.3g} {unit} in {span_text(one.within_s)} while {one.partner} moved by "
                f"{other.spread:.3g} {its} only."
            )
            found.setdefault(one.point, []).append((Flag.SUSPECT, words))
    return windows


def _too_fast(
    point: str,
    reading: Reading,
    fastest: float,
    was: tuple[tuple[float, float], ...],
    found: dict[str, list[Verdict]],
) -> tuple[tuple[float, float], ...]:
    """Against each minute of the past ten; one step of a coarse thermometer and its noise are let pass."""
    mono, value = reading.at.mono, reading.value
    assert value is not None
    held = tuple((then, other) for then, other in was if 0.0 < mono - then <= _WARM_OVER_S)
    for then, other in held:
        if abs(value - other) > fastest * (mono - then) + _WARM_SLACK_K:
            words = (
                f"Changed by {abs(value - other):.1f} degC in {span_text(mono - then)}, faster than this much "
                "water can: is the probe out of the water, or was much water let in?"
            )
            found.setdefault(point, []).append((Flag.SUSPECT, words))
            break
    if not held or mono - held[-1][0] >= _WARM_EVERY_S:
        held = (*held, (mono, value))
    return held


def _above_saturation(
    point: str, reading: Reading, above: float, new: Mapping[str, Reading], found: dict[str, list[Verdict]]
) -> None:
    assert reading.value is not None
    if reading.value > above:
        words = (
            f"{reading.value:.0f} % of saturation, where air alone is blown in: look at calibration, salinity set, "
            "and for a bubble or algae on the probe."
        )
        oxygen = f"{stage_of(point)}.oxygen"
        for one in (point, oxygen) if oxygen in new else (point,):
            found.setdefault(one, []).append((Flag.SUSPECT, words))


def _below_head(point: str, reading: Reading, found: dict[str, list[Verdict]]) -> None:
    assert reading.value is not None
    if reading.value < 0.0:
        words = (
            "Below the head of the water over the diffuser: no air can come out there, and the blower does not run "
            "as it should."
        )
        found.setdefault(point, []).append((reading.flag, words))
