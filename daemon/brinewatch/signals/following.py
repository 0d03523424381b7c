"""What needs a memory of days: the state of the air supply, its trend, how long and how often the blower ran, and
how far a new filter is.

A follower sees every reading of its inputs, gives readings of its own, and keeps a memory of plain values that must
outlive a restart. One follows the air at a manifold, one a blower; which points a shed has says `follow_plans`.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

from brinewatch.moment import Moment, span_text
from brinewatch.quantities import QUANTITIES
from brinewatch.readings import Flag, Reading, quantity_of, stage_of
from brinewatch.signals import counters, fouling
from brinewatch.signals.air_supply import Air, AirState, AirSupply, classify, motor_runs
from brinewatch.signals.flags import worst
from brinewatch.signals.starting import SAID_EVERY_S, START_UP, StartUpFollower

AIR = ("air_state", "air_rise_trend", "air_rise_excess")
BLOWER = ("blower_hours", "blower_starts")
FOLLOWED = (*AIR, *BLOWER, START_UP)
# readings of what changes over hours or days come so often
SLOW_S: Mapping[str, float] = {
    "air_rise_trend": fouling.PART_S, "air_rise_excess": fouling.PART_S,
    "blower_hours": 60.0, "blower_starts": 60.0, START_UP: SAID_EVERY_S,
}  # fmt: skip
# of the excess over head: above it air flows and the blower runs, below nothing it stands
_FLOWS_KPA, _RESTS_KPA = 0.3, 0.0
_TREND_OLD_DAYS = 14


@dataclass(frozen=True, slots=True)
class FollowPlan:
    """What one follower makes, and of what.

    key: unique and lasting, its memory is kept under it; points: those it gives; inputs: point by quantity, the
    first leads; oldest_s: age by point beyond which an input is not used; shallow: head of the shallowest outlet as
    a share of that of the deepest, None when no other is known.
    """

    key: str
    points: tuple[str, ...]
    inputs: Mapping[str, str]
    oldest_s: Mapping[str, float]
    supply: AirSupply
    shallow: float | None = None

    @property
    def leading(self) -> str:
        return next(iter(self.inputs.values()))


class Follower(Protocol):
    """One of them, with its memory."""

    plan: FollowPlan

    def follow(self, readings: Mapping[str, Reading], now: Moment) -> Sequence[Reading]:
        """Take in the newest readings by point; called whenever the leading input was read."""
        ...

    def saved(self) -> Mapping[str, Any]:
        """The memory as plain JSON values."""
        ...

    def restore(self, saved: Mapping[str, Any], same_boot: bool, now: Moment) -> None:
        """Take the memory back after a stop. KeyError, TypeError or ValueError when it is not one of ours."""
        ...


def follower(plan: FollowPlan) -> Follower:
    """The follower of a plan, with an empty memory."""
    match quantity_of(plan.points[0]):
        case "start_up":
            return StartUpFollower(plan)
        case quantity if quantity in AIR:
            return _AirFollower(plan)
    return _BlowerFollower(plan)


def follow_plans(
    wanted: Collection[str],
    known: Collection[str],
    order: Sequence[str],
    *,
    supplies: Mapping[str, AirSupply],
    depths_m: Mapping[str, float],
    ages: Mapping[str, float],
) -> tuple[list[FollowPlan], dict[str, str]]:
    """The followers for the wanted points, and for each that cannot be had what was expected.

    known: points measured or derived; order: stage keys, to tell what is near; supplies: by stage, one is taken for
    all that have none; depths_m: deepest diffuser by stage; ages: seconds by point after which it is too old.
    """
    plans, missing = [], {}
    for stage in dict.fromkeys(stage_of(point) for point in wanted):
        for kind, quantities in (("air", AIR), ("blower", BLOWER), ("start", (START_UP,))):
            points = tuple(f"{stage}.{key}" for key in quantities if f"{stage}.{key}" in wanted)
            if not points:
                continue
            near = _by_nearness(stage, known, order)
            if kind == "air":
                inputs = {key: f"{stage}.{key}" for key in ("air_pressure", "air_rise")}
                lacking = [key for key, point in inputs.items() if point not in known]
                inputs.update({key: near[key] for key in ("motor_current", "air_flow") if key in near})
            elif kind == "start":
                inputs = {key: near[key] for key in ("tan", "nitrite") if key in near}
                lacking = [key for key in ("tan", "nitrite") if key not in near]
            else:
                signal = next((key for key in ("motor_current", "air_rise") if key in near), "")
                inputs, lacking = ({signal: near[signal]}, []) if signal else ({}, ["motor_current or air_rise"])
            if lacking:
                whose = "" if kind == "start" else f" of stage {stage}"
                expected = f"{' and '.join(lacking)}{whose}, to work it out from"
                missing.update(dict.fromkeys(points, expected))
                continue
            supply = supplies.get(stage) or next(iter(supplies.values()), AirSupply())
            shallow = None
            if stage not in depths_m and len(set(depths_m.values())) > 1:
                shallow = min(depths_m.values()) / max(depths_m.values())
            oldest = {point: ages.get(point, 60.0) for point in inputs.values()}
            plans.append(FollowPlan(f"{stage}.{kind}", points, inputs, oldest, supply, shallow))
    return plans, missing


def _by_nearness(stage: str, known: Collection[str], order: Sequence[str]) -> dict[str, str]:
    """For each quantity the known point nearest to a stage."""
    place = {key: number for number, key in enumerate(order)}
    here = place.get(stage, 0)
    found: dict[str, str] = {}
    for point in sorted(known, key=lambda one: (abs(place.get(stage_of(one), len(place)) - here), one)):
        found.setdefault(quantity_of(point), point)
    return found


def _current(plan: FollowPlan, quantity: str, readings: Mapping[str, Reading], now: Moment) -> Reading:
    """The newest reading of an input; a MISSING one in its place when it is too old or was never there."""
    point = plan.inputs[quantity]
    reading = readings.get(point)
    if reading is None:
        return Reading(point, quantity, None, None, Flag.MISSING, "not read yet", now, "")
    age = now.mono - reading.at.mono
    if age > plan.oldest_s[point]:
        return Reading(point, quantity, None, None, Flag.MISSING, f"{span_text(age)} old", now, "")
    return reading


def _why(reading: Reading) -> str:
    name = QUANTITIES[reading.quantity].name
    return f"{name} ({reading.point}): {reading.reason or 'no value'}"


class _AirFollower:
    def __init__(self, plan: FollowPlan) -> None:
        self.plan = plan
        self._days = fouling.DayMemory()
        self._shown: float | None = None
        self._normal_s: float | None = None  # when the pressure was last seen in normal running

    def saved(self) -> Mapping[str, Any]:
        return self._days.to_dict()

    def restore(self, saved: Mapping[str, Any], same_boot: bool, now: Moment) -> None:
        self._days = fouling.DayMemory.from_dict(saved)

    def follow(self, readings: Mapping[str, Reading], now: Moment) -> Sequence[Reading]:
        pressure, rise, *others = (_current(self.plan, key, readings, now) for key in self.plan.inputs)
        state = self._state(pressure, rise, others, now)
        normal = state.value == AirState.NORMAL and state.flag is Flag.PASS
        self._days = fouling.remember(self._days, rise.value if normal else None, now)
        made = [state]
        if self._shown is None or now.mono - self._shown >= fouling.PART_S:
            self._shown = now.mono
            made += [self._trend(rise, now), self._excess(rise, now)]
        return [one for one in made if one.point in self.plan.points]

    def _state(self, pressure: Reading, rise: Reading, others: Sequence[Reading], now: Moment) -> Reading:
        flag = worst((pressure.flag, rise.flag))
        age = max(rise.age_s, pressure.age_s)
        if not flag.usable or pressure.value is None or rise.value is None:
            reason = _why(pressure if not pressure.usable else rise)
            return self._reading("air_state", None, flag, reason, now, age=age)
        head = pressure.value - rise.value
        known = {one.quantity: one.value for one in others if one.usable}
        air = Air(
            pressure.value, head, None if self.plan.shallow is None else self.plan.shallow * head,
            rise.uncertainty, known.get("motor_current"), known.get("air_flow"),
        )  # fmt: skip
        verdict = classify(air, self.plan.supply, fouling.clean_level(self._days))
        used = ["air pressure", *(QUANTITIES[key].name for key in known)]
        stands_on = [f"from {', '.join(used)}", *(_why(one) for one in others if not one.usable)]
        reasons = [one.reason for one in (pressure, rise) if one.flag is not Flag.PASS and one.reason]
        if verdict.state is AirState.NORMAL:
            self._normal_s = pressure.at.mono
        if verdict.state is AirState.LINE_OPEN and self._normal_s is not None:
            # the pressure tells of a stop at once, a meter at its next reading: till then it tells of before
            before = [one for one in others if one.usable and one.at.mono <= self._normal_s]
            if before:
                reason = f"The {QUANTITIES[before[0].quantity].name} has not been read since the pressure fell."
                return self._reading("air_state", None, Flag.NOT_EVALUATED, reason, now, age=age)
        if verdict.state is None:
            return self._reading("air_state", None, Flag.NOT_EVALUATED, verdict.reason, now, age=age)
        if verdict.doubt:
            flag = worst((flag, Flag.SUSPECT))
            reasons.append(verdict.doubt)
        if verdict.state is not AirState.NORMAL:
            # of normal running a text that changes with every scan would be kept with every scan
            stands_on.insert(0, verdict.reason)
        return self._reading(
            "air_state", float(verdict.state), flag, " ".join(reasons), now, age=age, basis="; ".join(stands_on)
        )

    def _trend(self, rise: Reading, now: Moment) -> Reading:
        points = fouling.trend_days(self._days, now)
        if len(points) < fouling.TREND_LEAST:
            reason = (
                f"Needs {fouling.TREND_LEAST} days of normal running in {fouling.TREND_DAYS}, has {len(points)}."
            )
            return self._reading("air_rise_trend", None, Flag.NOT_EVALUATED, reason, now)
        behind = fouling.day_of(now) - points[-1][0]
        if behind > _TREND_OLD_DAYS:
            reason = f"No day of normal running in the last {behind:.0f}."
            return self._reading("air_rise_trend", None, Flag.MISSING, reason, now)
        slope, uncertainty = fouling.theil_sen(points)
        basis = f"Theil-Sen slope through {len(points)} daily medians"
        return self._reading(
            "air_rise_trend", slope * fouling.TREND_DAYS, Flag.PASS, "", now, basis=basis,
            uncertainty=uncertainty * fouling.TREND_DAYS,
        )  # fmt: skip

    def _excess(self, rise: Reading, now: Moment) -> Reading:
        """Its uncertainty is that of the pressure over head: no credit for what two readings of a probe share."""
        recent, learnt = fouling.recent_level(self._days, now), fouling.clean_level(self._days)
        fixed = self.plan.supply.rise_kPa
        clean = learnt if fixed is None else fixed
        if recent is None or clean is None:
            wanted = "an hour of normal running" if fixed is not None else "a day of normal running"
            return self._reading("air_rise_excess", None, Flag.NOT_EVALUATED, f"Needs {wanted} first.", now)
        how = f"learnt from {len(self._days.days)} days" if fixed is None else "as set"
        basis = f"over head {recent:.1f} kPa lately, clean {clean:.1f} kPa {how}"
        return self._reading(
            "air_rise_excess", recent - clean, Flag.PASS, "", now, basis=basis, uncertainty=rise.uncertainty
        )

    def _reading(
        self, quantity: str, value: float | None, flag: Flag, reason: str, now: Moment, *, age: float = 0.0,
        basis: str = "", uncertainty: float | None = None,
    ) -> Reading:  # fmt: skip
        point = f"{stage_of(self.plan.points[0])}.{quantity}"
        return Reading(
            point, quantity, value, None, flag, reason, now, "derived", uncertainty, age_s=age, basis=basis
        )


class _BlowerFollower:
    def __init__(self, plan: FollowPlan) -> None:
        self.plan = plan
        self._memory = counters.RunMemory()
        self._shown: tuple[float, int, Flag] | None = None

    def saved(self) -> Mapping[str, Any]:
        return self._memory.to_dict()

    def restore(self, saved: Mapping[str, Any], same_boot: bool, now: Moment) -> None:
        self._memory = counters.awake(counters.RunMemory.from_dict(saved, now), same_boot, now)

    def follow(self, readings: Mapping[str, Reading], now: Moment) -> Sequence[Reading]:
        (quantity, point), *_ = self.plan.inputs.items()
        reading = _current(self.plan, quantity, readings, now)
        running = self._running(quantity, reading.value) if reading.usable else None
        self._memory = memory = counters.count(self._memory, running, now, self.plan.oldest_s[point])
        flag = Flag.PASS if running is not None else Flag.SUSPECT
        if running is None:
            why = _why(reading) if not reading.usable else f"{QUANTITIES[quantity].name} tells neither run nor rest"
            reason = f"Not counted now: {why.rstrip('.')}."
        else:
            reason = ""
        if self._shown is not None:
            then, starts, before = self._shown
            if now.mono - then < SLOW_S["blower_hours"] and starts == memory.starts and before is flag:
                return []
        self._shown = (now.mono, memory.starts, flag)
        basis = self._basis(quantity)
        values = {"blower_hours": memory.hours, "blower_starts": float(memory.recent_starts(now))}
        return [
            Reading(point, key, values[key], None, flag, reason, now, "derived", basis=basis)
            for point, key in ((one, quantity_of(one)) for one in self.plan.points)
        ]

    def _running(self, quantity: str, value: float | None) -> bool | None:
        """With hysteresis: between the two limits it goes on as it was."""
        assert value is not None
        if quantity == "motor_current":
            runs = motor_runs(value, None, self.plan.supply)
        else:
            runs = True if value > _FLOWS_KPA else False if value < _RESTS_KPA else None
        return self._memory.running if runs is None else runs

    def _basis(self, quantity: str) -> str:
        memory = self._memory
        assert memory.since is not None
        said = [f"by {QUANTITIES[quantity].name}, counted since {memory.since.local:%Y-%m-%d}"]
        if memory.unknown_s >= 3600.0:
            said.append(f"{memory.unknown_s / 3600.0:.0f} h of it not watched")
        if memory.gaps:
            said.append(f"breaks of unknown length: {memory.gaps}")
        return f"{', '.join(said)}; starts in all: {memory.starts}"
