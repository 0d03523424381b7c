"""One attended air-off test: from the word to begin until the air is seen to be back and every alarm is on again.

Pure. While it runs the alarms that follow from a stop of the air do not call, for twenty minutes of air off at the
most; those that are an emergency do. It ends at once when nobody follows it any more. Whatever ends it brings the
alarms back, and what holds then calls: a forgotten test is heard.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum

from brinewatch.alarms.events import Command, Order, State
from brinewatch.alarms.memory import Memory
from brinewatch.alarms.rules import Alarm
from brinewatch.errors import BrinewatchError
from brinewatch.forecast.air_off import FLOOR_PERCENT, LONGEST_S, AirOffTest, NotMeasured, measure, put_air_back
from brinewatch.forecast.oxygen_budget import Water
from brinewatch.forecast.oxygen_watch import OxygenProbe
from brinewatch.moment import Moment, span_text
from brinewatch.readings import Reading, quantity_of, stage_of
from brinewatch.timeleft import TankPlan, TimeLeft

REASON = "air-off test of "
WAIT_S = 180.0  # from the beginning until the air must be seen to have stopped
BACK_S = 120.0  # from the word to put it back until it must be seen to be back
SETTLE_S = 180.0  # for what follows from the air to come back after it
SILENT_S = 60.0  # without a look from who follows the test
SHELF_S = WAIT_S + LONGEST_S + BACK_S + SETTLE_S  # alarms come back by themselves after this, whatever happens
SHORTEST_MIN, LONGEST_MIN = 10.0, LONGEST_S / 60.0
_START_PERCENT = 80.0  # less leaves too little to fall through before the floor
_BLIND_S = 60.0  # without an oxygen reading, and the air goes back on
_KEPT = 2000  # readings: more than the longest test at one a second
_LOST = {"air", "air line", "line", "blower"}  # what a test takes away


class Phase(StrEnum):
    """How far a test is."""

    WAITING = "waiting for the air to stop"
    OFF = "air off"
    BACK = "put the air back"
    SETTLING = "the air is back"
    OVER = "over"


@dataclass(slots=True)
class AirTest:
    """A test under way. held: ids of the alarms it keeps from calling; until_s: air off so long, seconds; asked:
    when somebody last looked, monotonic; left: attended mode is to end with it; why: what ended the part before."""

    plan: TankPlan
    by: str
    stirred: bool
    until_s: float
    held: tuple[str, ...]
    left: bool
    began: float
    asked: float
    phase: Phase = Phase.WAITING
    since: float = 0.0
    stopped: float = 0.0
    why: str = ""
    lowest: float | None = None
    result: AirOffTest | None = None
    trouble: str = ""
    readings: deque[tuple[float, float]] = field(default_factory=lambda: deque(maxlen=_KEPT))

    @property
    def over(self) -> bool:
        return self.phase is Phase.OVER

    @property
    def reason(self) -> str:
        return f"{REASON}{self.plan.name or self.plan.stage}"

    def give_up(self, now: Moment) -> None:
        """The person would not go on, or has gone: the air is to be put back now."""
        if self.phase is Phase.WAITING:
            self.end("given up before the air was off", now)
        elif self.phase is Phase.OFF:
            self._to(Phase.BACK, "given up: put the air back on", now)

    def step(
        self, fresh: Iterable[Reading], latest: Mapping[str, Reading], left: TimeLeft, memory: Memory, now: Moment
    ) -> None:
        """Let readings and time move it on. left: has taken these readings already."""
        if self.over:
            return
        if now.mono - self.asked > SILENT_S:
            self.end("nobody follows the test any more", now)
            return
        gone = left.stopped_s is not None and not left.returning
        match self.phase:
            case Phase.WAITING if gone and left.stopped_s is not None:
                self.stopped = left.stopped_s
                self._to(Phase.OFF, "", now)
            case Phase.WAITING if now.mono - self.began > WAIT_S:
                self.end("the air was not seen to stop", now)
            case Phase.OFF | Phase.BACK if not gone:
                self._to(Phase.SETTLING, self.why or "the air came back", now)
                self._measure(left.water(self.plan.stage, latest, now), now)
            case Phase.OFF:
                self._watch(fresh, latest, left, now)
            case Phase.BACK if now.mono - self.since > BACK_S:
                self.end("the air is not back", now)
            case Phase.SETTLING if gone:
                self.end("the air stopped again", now)
            case Phase.SETTLING:
                still = any(memory.alarms[key].active for key in self.held if key in memory.alarms)
                if left.stopped_s is None and not still:
                    self.end("all is back as it was", now)
                elif now.mono - self.since > SETTLE_S:
                    self.end("not everything is back as it was", now)

    def _watch(self, fresh: Iterable[Reading], latest: Mapping[str, Reading], left: TimeLeft, now: Moment) -> None:
        stage = self.plan.stage
        if any(stage_of(one.point) == stage and quantity_of(one.point).startswith("oxygen") for one in fresh):
            oxygen = left.oxygen(stage, latest, now)
            if oxygen is not None:
                self.readings.append((now.mono, oxygen))
        own, self.lowest = left.percent(stage, latest, now, _BLIND_S), lowest(left, latest, now)
        since = now.mono - self.stopped
        why = put_air_back(since, None if own is None else self.lowest)
        if not why and since >= self.until_s:
            why = f"{span_text(self.until_s)} have passed: put the air back on"
        if why:
            self._to(Phase.BACK, why, now)

    def _measure(self, water: Water, now: Moment) -> None:
        try:
            self.result = measure(
                self.plan.stage, self.plan.tank, self.plan.feeding, water, list(self.readings), self.stopped,
                now.utc, self.by, stirred=self.stirred, probe_lag_s=self.plan.probe_lag_s,
            )  # fmt: skip
        except NotMeasured as error:
            self.trouble = str(error)

    def _to(self, phase: Phase, why: str, now: Moment) -> None:
        self.phase, self.why, self.since = phase, why, now.mono

    def end(self, why: str, now: Moment) -> None:
        """It is over, for good."""
        self._to(Phase.OVER, why, now)

    def closing(self, memory: Memory, now: Moment) -> list[Command]:
        """The orders that bring every alarm back, once it is over."""
        return [*give_back(memory, self.held, self.by, now), *self._leave(memory, now)]

    def _leave(self, memory: Memory, now: Moment) -> list[Command]:
        mine = self.left and memory.attended is not None and memory.attended.by == self.by
        return [Command(Order.LEAVE, None, self.by, now)] if mine else []

    def opening(self, memory: Memory, now: Moment) -> list[Command]:
        """The orders it begins with: somebody works in the shed, and what follows from the stop waits."""
        orders = []
        mode = memory.attended
        if mode is None or mode.until.mono < now.mono + SHELF_S:
            orders.append(Command(Order.ATTEND, None, self.by, now, for_s=SHELF_S, reason=self.reason))
        return [
            *orders,
            *(
                Command(Order.SHELVE, None, self.by, now, key, SHELF_S, reason=self.reason)
                for key in self.held
            ),
        ]  # fmt: skip


def begin(
    left: TimeLeft, alarms: Sequence[Alarm], latest: Mapping[str, Reading], memory: Memory, stage: str, by: str,
    now: Moment, *, minutes: float, stirred: bool,
) -> AirTest:  # fmt: skip
    """A test that may begin now. BrinewatchError says why not."""
    plan = left.tanks.get(stage)
    if plan is None:
        known = ", ".join(left.tanks) or "none yet"
        raise BrinewatchError(
            f"{stage!r} is no tank whose oxygen can be foretold; these are: {known}.",
            "Give its stage volume_l, animals and biomass_kg in the shed file.",
        )
    if not SHORTEST_MIN <= minutes <= LONGEST_MIN:
        raise BrinewatchError(
            f"The air is off for {SHORTEST_MIN:.0f} to {LONGEST_MIN:.0f} minutes, not {minutes:g}.", "Try 12."
        )
    wrong = _hindrance(left, plan, latest, now)
    if wrong:
        raise BrinewatchError(f"No air-off test now: {wrong}.", "Nothing was changed; every alarm is on.")
    # causes first, so that on waking they speak for what follows from them
    held = tuple(one.id for one in sorted(alarms, key=lambda one: len(one.causes)) if _waits(one))
    standing = [
        memory.alarms[key].title or key
        for key in held
        if key in memory.alarms and (memory.alarms[key].state is not State.NORMAL or memory.alarms[key].active)
    ]
    if standing:
        raise BrinewatchError(
            f"No air-off test now: these are not normal: {', '.join(standing)}.", "See: brinewatch state"
        )
    return AirTest(plan, by, stirred, 60.0 * minutes, held, memory.attended is None, now.mono, now.mono)


def _hindrance(left: TimeLeft, plan: TankPlan, latest: Mapping[str, Reading], now: Moment) -> str:
    if not left.tells_air:
        return "no probe tells here that the air has stopped, so a forgotten test could not be heard"
    if not now.trusted:
        return "the clock is not set, and nobody would know how old the test is"
    if plan.probe is not OxygenProbe.OPTICAL:
        return "a membrane probe reads low in still water and measures nothing with the air off"
    if left.stopped_s is not None:
        return "the air is off already"
    oxygen = left.percent(plan.stage, latest, now)
    if oxygen is None:
        return f"{plan.name or plan.stage} has no usable oxygen reading"
    low = lowest(left, latest, now)
    if low is not None and low < _START_PERCENT:
        return f"oxygen is {low:.0f} %; it must be {_START_PERCENT:.0f} or more to stop at {FLOOR_PERCENT:.0f}"
    return ""


def _waits(alarm: Alarm) -> bool:
    """Whether a test holds this alarm back: it follows from the stop, and is no emergency."""
    rule = alarm.rule
    return not rule.emergency and (rule.takes in _LOST or "air" in rule.needs)


def lowest(left: TimeLeft, latest: Mapping[str, Reading], now: Moment) -> float | None:
    """Of all tanks with animals: they all stand without air. Percent of saturation."""
    known = (left.percent(stage, latest, now) for stage in left.tanks)
    return min((one for one in known if one is not None), default=None)


def give_back(memory: Memory, held: Iterable[str], by: str, now: Moment) -> list[Command]:
    """Orders to unshelve those of these alarms that a test has shelved."""
    return [
        Command(Order.UNSHELVE, None, by, now, key)
        for key in held
        if key in memory.alarms
        and memory.alarms[key].state is State.SHELVED
        and memory.alarms[key].reason.startswith(REASON)
    ]
