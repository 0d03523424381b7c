"""Causes, orders, attended hours, restarts: whatever befalls, what holds longer than its delay has its word.

At every instant an alarm whose condition has held longer than its delay stands; or its cause stands and has called
for it; or a person has set it aside and that is not over yet; or somebody works in the shed and it is of that work.
That is the promise of ISA-18.2's "suppressed by design" and "shelved": silent for a reason that is itself seen.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from math import inf
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alarms.nights import EVENING, ZONE, reading, rule
from brinewatch.alarms.causes import ATTENDED_REASON, TOGETHER_S
from brinewatch.alarms.due import next_due
from brinewatch.alarms.engine import Memory, resume, step
from brinewatch.alarms.events import AlarmEvent, Command, Happening, Order, Priority, State
from brinewatch.alarms.links import linked
from brinewatch.alarms.memory import ATTENDED, AlarmMemory
from brinewatch.alarms.rules import Alarm, Is, Rule
from brinewatch.moment import Moment
from brinewatch.readings import Flag, Reading

AGE = 30.0
BAD, WELL = 0.0, 1.0


def _alarm(point: str, **more: Any) -> Alarm:
    key, quantity = point.partition(".")[0], point.partition(".")[2]
    made: Rule = rule(Is(0), key=key, title=key, short=key.upper(), quantity=quantity, unit="", **more)
    return Alarm(made, point, quantity, AGE)


# power -> blower -> air -> what hangs on the air, slow and fast mixed; a level that only hangs on people
ALARMS = linked(
    [
        _alarm("power.mains", on_delay_s=60.0, off_delay_s=20.0, takes="power", repeat_s=1800.0),
        _alarm("blower.standby_air", on_delay_s=30.0, off_delay_s=0.0, takes="blower", needs=("power",)),
        _alarm(
            "air.siphon", on_delay_s=15.0, off_delay_s=10.0, takes="air", needs=("blower",),
            priority=Priority.CRITICAL, repeat_s=600.0, ack_expires_s=1200.0,
        ),
        _alarm("flow.foam", on_delay_s=60.0, off_delay_s=30.0, needs=("air",), attended="hold"),
        _alarm("lamp.lamp", on_delay_s=0.0, off_delay_s=0.0, needs=("power",), attended="hold", latching=True),
        _alarm("oxygen.bypass", on_delay_s=20.0, off_delay_s=5.0, needs=("air",), emergency=True),
        _alarm("level.level_switch", on_delay_s=5.0, off_delay_s=5.0, attended="hold"),
    ],
    {},
)  # fmt: skip
BY_ID = {alarm.id: alarm for alarm in ALARMS}
POINTS = [alarm.point for alarm in ALARMS]


@dataclass(frozen=True)
class Tick:
    """So many seconds after the last: what changed at the probes, what people said, what befell the machine."""

    after: float
    now: tuple[tuple[str, str], ...] = ()  # point: "bad", "well", "missing"
    order: Command | None = None
    stop: str = ""  # "", "restart", "reboot", "reboot, clock lost"
    clock_step: float = 0.0


def _order(order: Order, **more: Any) -> Command:
    return Command(order, None, "Ann", Moment(0.0, 0.0, True), **more)


IDS = st.sampled_from(sorted(BY_ID))
SPANS = st.sampled_from([40.0, 600.0, 3600.0])
ORDERS = st.one_of(
    st.just(_order(Order.ACKNOWLEDGE)),
    st.just(_order(Order.RESET)),
    st.builds(lambda alarm, for_s: _order(Order.SHELVE, alarm=alarm, for_s=for_s), IDS, SPANS),
    st.builds(lambda alarm: _order(Order.SHELVE, alarm=alarm, one_shot=True), IDS),
    st.builds(lambda alarm: _order(Order.UNSHELVE, alarm=alarm), IDS),
    st.builds(lambda alarm, for_s: _order(Order.REMOVE, alarm=alarm, for_s=for_s, reason="mending"), IDS, SPANS),
    st.builds(lambda alarm: _order(Order.RESTORE, alarm=alarm), IDS),
    st.builds(lambda for_s: _order(Order.ATTEND, for_s=for_s), SPANS),
    st.just(_order(Order.LEAVE)),
)
NEWS = st.lists(
    st.tuples(st.sampled_from(POINTS), st.sampled_from(["bad", "bad", "bad", "well", "missing"])), max_size=4
).map(tuple)
AFTER = st.sampled_from([0.5, 1.0, 4.0, 5.0, 11.0, 16.0, 29.0, 31.0, 61.0, 700.0])
TICKS = st.builds(
    Tick, after=AFTER, now=NEWS, order=st.one_of(st.none(), st.none(), ORDERS),
    stop=st.sampled_from(["", "", "", "", "restart", "reboot", "reboot, clock lost"]),
    clock_step=st.sampled_from([0.0, 0.0, 3600.0, -86400.0]),
)  # fmt: skip


@dataclass
class Life:
    """The shed, its true time, and a daemon that may be stopped; stepped whenever something is due."""

    memory: Memory = field(default_factory=Memory)
    true: float = 10000.0
    boot: float = 0.0
    offset: float = 0.0
    trusted: bool = True
    said: dict[str, str] = field(default_factory=lambda: dict.fromkeys(POINTS, "well"))
    readings: dict[str, Reading] = field(default_factory=dict)
    events: list[AlarmEvent] = field(default_factory=list)
    # true seconds: since when each condition was seen to hold without a break; when it was last released; since
    # when it could not be judged
    holds: dict[str, float] = field(default_factory=dict)
    freed: dict[str, float] = field(default_factory=dict)

    def now(self) -> Moment:
        return Moment(self.true - self.boot, EVENING + self.true + self.offset, self.trusted, ZONE)

    def tick(self, one: Tick) -> None:
        before = self.now()
        if one.stop:
            self.true += one.after
            self._stop(one.stop, before)
        else:
            self._pass(one.after)
            self.offset += one.clock_step
        self.said.update(one.now)
        for point, what in self.said.items():
            flag = Flag.MISSING if what == "missing" else Flag.PASS
            value = {"bad": BAD, "well": WELL}.get(what)
            self.readings[point] = reading(point, value, self.now(), flag)
        self.step([replace(one.order, at=self.now())] if one.order else [])

    def _pass(self, seconds: float) -> None:
        """Time alone, the probes read on as they were: every ten seconds, and whenever an alarm is due."""
        until = self.true + seconds
        while True:
            due = next_due(ALARMS, self.memory, self.readings, self.now())
            nearest = self.true + 10.0 if due is None else min(due + self.boot, self.true + 10.0)
            if nearest >= until:
                break
            self.true = nearest
            for point, was in self.readings.items():
                self.readings[point] = replace(was, at=self.now())
            self.step()
        self.true = until

    def _stop(self, kind: str, before: Moment) -> None:
        kept = {key: self.memory.saved(key) for key in (*self.memory.alarms, ATTENDED)}
        saved = json.loads(json.dumps({key: one for key, one in kept.items() if one is not None}))
        self.readings = {}
        if kind == "restart":
            self.memory = resume(saved, before.mono, before.utc, True, self.now())
            return
        known = kind == "reboot"
        self.boot, self.trusted = self.true - 7.0, known
        self.memory = resume(saved, before.mono, before.utc if known else None, False, self.now())

    def step(self, orders: Sequence[Command] = ()) -> None:
        came = step(ALARMS, self.memory, self.readings, self.now(), orders)
        self.memory = came.memory
        self.events += came.events
        for event in came.events:
            if event.happening in (Happening.RELEASED, Happening.UNSHELVED, Happening.RESTORED):
                self.freed[event.alarm] = self.true
        for alarm in ALARMS:
            there = self.readings.get(alarm.point)
            if there is None or there.value is None:
                continue  # what cannot be told neither starts nor ends anything
            if there.value == BAD:
                self.holds.setdefault(alarm.id, self.true)
            else:
                self.holds.pop(alarm.id, None)
                self.freed.pop(alarm.id, None)

    def one(self, alarm: str) -> AlarmMemory:
        return self.memory.alarms.get(alarm, AlarmMemory(alarm))


def accounted(life: Life, alarm: Alarm) -> str:
    """Why this alarm, which has held longer than its delay, need not call now; "" when nothing says why."""
    one, now = life.one(alarm.id), life.now()
    if one.state.standing:
        return "stands"
    if one.state in (State.SHELVED, State.OUT_OF_SERVICE):
        return "a person's word" if one.until is not None and now.mono < one.until.mono else ""
    if alarm.id in life.freed and life.true - life.freed[alarm.id] < alarm.rule.on_delay_s + 1e-6:
        return "its cause is over and it has its own delay to recover in"
    if one.state is State.SUPPRESSED and one.reason == ATTENDED_REASON:
        mode = life.memory.attended
        return "somebody is there" if mode is not None and now.mono < mode.until.mono else ""
    if one.state is State.SUPPRESSED:
        cause = life.one(one.reason)
        if one.reason not in alarm.causes:
            return ""
        if cause.state.standing and cause.active:
            return "its cause has called"
        # a chain: its cause hangs on another
        return accounted(life, BY_ID[one.reason])
    return ""


@settings(max_examples=500, deadline=None)
@given(st.lists(TICKS, min_size=1, max_size=25))
def test_what_holds_longer_than_its_delay_has_its_word(ticks: list[Tick]) -> None:
    life = Life()
    for tick in ticks:
        life.tick(tick)
        for alarm in ALARMS:
            since, there = life.holds.get(alarm.id), life.readings[alarm.point]
            # the scan that found it so long is this one, and it is judged by a reading of now
            if since is None or there.value is None or life.true - since < alarm.rule.on_delay_s + 1e-6:
                continue
            assert accounted(life, alarm), (alarm.id, life.one(alarm.id), life.said)
            if alarm.rule.takes or alarm.rule.emergency or alarm.rule.priority is Priority.CRITICAL:
                assert life.one(alarm.id).reason != ATTENDED_REASON


@settings(max_examples=300, deadline=None)
@given(st.lists(TICKS, min_size=1, max_size=25))
def test_what_is_set_aside_ends_by_itself_and_nothing_is_set_aside_for_ever(ticks: list[Tick]) -> None:
    life = Life()
    for tick in ticks:
        life.tick(tick)
        now = life.now()
        for one in life.memory.alarms.values():
            if one.state in (State.SHELVED, State.OUT_OF_SERVICE):
                assert one.until is not None
                assert now.mono < one.until.mono
            if one.state is State.SUPPRESSED and one.lost is not None:
                assert now.mono < one.lost.mono + TOGETHER_S
        assert life.memory.attended is None or now.mono < life.memory.attended.until.mono


PLAIN = st.builds(
    Tick,
    after=AFTER,
    now=st.lists(st.tuples(st.sampled_from(POINTS), st.sampled_from(["bad", "bad", "well"])), max_size=4).map(
        tuple
    ),
    order=st.one_of(st.none(), st.just(_order(Order.ACKNOWLEDGE)), st.just(_order(Order.RESET))),
    stop=st.sampled_from(["", "", "", "restart", "reboot"]),
)


@settings(max_examples=500, deadline=None)
@given(st.lists(PLAIN, min_size=1, max_size=25))
def test_a_cause_and_what_follows_from_it_are_one_incident(ticks: list[Tick]) -> None:
    life = Life()
    incidents: dict[str, set[int]] = {alarm.id: set() for alarm in ALARMS}
    for tick in ticks:
        life.tick(tick)
        for alarm in ALARMS:
            one = life.one(alarm.id)
            if not one.active or not (one.state.standing or one.state is State.SUPPRESSED):
                incidents[alarm.id] = set()
                continue
            if alarm.rule.latching and one.state.standing:
                continue  # it may stand on from long before, and hold again
            causes = [cause for cause in map(life.one, alarm.causes) if cause.active and cause.state.standing]
            now = {cause.incident for cause in causes if _explains(life, cause, one)}
            # what has had two causes that began apart belongs to one of them
            incidents[alarm.id] |= {cause.incident for cause in causes}
            assert not now or one.incident in incidents[alarm.id], (alarm.id, life.events)


def _explains(life: Life, cause: AlarmMemory, one: AlarmMemory) -> bool:
    if cause.began is None or one.began is None:
        return False
    # seen to hold without a break since it began: what called while it seemed over is another matter
    unbroken = life.holds.get(cause.alarm, inf) <= cause.began.mono + life.boot + 1e-6
    return unbroken and cause.began.mono <= one.began.mono + TOGETHER_S


@settings(max_examples=300, deadline=None)
@given(st.lists(PLAIN.map(lambda tick: replace(tick, stop="")), min_size=1, max_size=20), st.integers(0, 19))
def test_a_restart_fires_clears_and_wakes_nothing_by_itself(ticks: list[Tick], place: int) -> None:
    # the daemon is stopped for no time, then the probes answer one after the other, as they were before
    life = Life()
    for number, tick in enumerate(ticks):
        if number == place % len(ticks) and life.readings:
            life.step()  # what was let go in the last scan and has no delay
            life._stop("restart", life.now())
            told = len(life.events)
            for point, what in life.said.items():
                life.readings[point] = reading(point, {"bad": BAD, "well": WELL}[what], life.now())
                life.step()
            assert life.events[told:] == []
        life.tick(tick)


def _play(*ticks: Tick) -> Life:
    life = Life()
    for tick in ticks:
        life.tick(tick)
    return life


ALL_BAD = tuple((point, "bad") for point in POINTS if not point.startswith("level"))


def test_a_restart_whose_first_probe_is_a_consequence_releases_nothing() -> None:
    life = _play(Tick(1.0), Tick(1.0, ALL_BAD), Tick(61.0), Tick(1.0, order=_order(Order.ACKNOWLEDGE)))
    told = len(life.events)
    life._stop("restart", life.now())
    for point in ("lamp.lamp", "flow.foam", "air.siphon", "blower.standby_air"):
        life.readings[point] = reading(point, BAD, life.now())
        life.true += 3.0
        life.step()
    life.tick(Tick(3.0))
    assert life.events[told:] == []
    assert life.one("lamp@lamp.lamp").state is State.SUPPRESSED


def test_a_cause_that_stays_unseen_after_a_restart_lets_go_after_a_minute() -> None:
    life = _play(Tick(1.0), Tick(1.0, ALL_BAD), Tick(61.0), Tick(1.0, order=_order(Order.ACKNOWLEDGE)))
    life._stop("restart", life.now())
    life.said["power.mains"] = "missing"
    life.tick(Tick(1.0))
    assert life.one("lamp@lamp.lamp").state is State.SUPPRESSED
    life.tick(Tick(TOGETHER_S - 2.0))
    assert life.one("lamp@lamp.lamp").state is State.SUPPRESSED
    life.tick(Tick(5.0))
    assert life.one("lamp@lamp.lamp").state is State.UNACKNOWLEDGED


@pytest.mark.parametrize("way", [Order.SHELVE, Order.REMOVE])
def test_what_wakes_while_its_cause_stands_joins_it_and_wakes_nobody(way: Order) -> None:
    aside = _order(way, alarm="lamp@lamp.lamp", for_s=120.0, reason="tube ordered")
    life = _play(Tick(1.0), Tick(1.0, order=aside), Tick(1.0, ALL_BAD), Tick(61.0))
    calls = [event.alarm for event in life.events if event.happening.calls]
    life.tick(Tick(61.0))
    one = life.one("lamp@lamp.lamp")
    assert (one.state, one.reason, one.until) == (State.SUPPRESSED, "power@power.mains", None)
    assert [event.alarm for event in life.events if event.happening.calls] == calls
    assert one.incident == life.one("power@power.mains").incident
    life.tick(Tick(1.0, (("power.mains", "well"),)))
    life.tick(Tick(1.0))
    assert life.one("lamp@lamp.lamp").state is State.UNACKNOWLEDGED


def test_what_wakes_while_somebody_is_there_is_held_back_with_the_rest() -> None:
    level = "level@level.level_switch"
    life = _play(
        Tick(1.0), Tick(1.0, order=_order(Order.SHELVE, alarm=level, for_s=60.0)),
        Tick(1.0, (("level.level_switch", "bad"),)), Tick(1.0, order=_order(Order.ATTEND, for_s=600.0)), Tick(61.0),
    )  # fmt: skip
    assert (life.one(level).state, life.one(level).reason) == (State.SUPPRESSED, ATTENDED_REASON)
    life.tick(Tick(1.0, order=_order(Order.LEAVE)))
    assert life.one(level).state is not State.SUPPRESSED  # in the same step, with its own delay to recover in
    life.tick(Tick(6.0))
    assert life.one(level).state is State.UNACKNOWLEDGED


def test_one_shot_of_what_does_not_hold_is_refused() -> None:
    life = _play(Tick(1.0), Tick(1.0, order=_order(Order.SHELVE, alarm="level@level.level_switch", one_shot=True)))
    assert life.events[-1].happening is Happening.REFUSED
    assert life.events[-1].detail == "it does not hold now: say for how long"


def test_a_second_incident_of_the_same_alarm_is_another() -> None:
    bad, well = (("level.level_switch", "bad"),), (("level.level_switch", "well"),)
    ack = _order(Order.ACKNOWLEDGE)
    life = _play(Tick(1.0, bad), Tick(6.0), Tick(1.0, well, ack), Tick(6.0), Tick(1.0, bad), Tick(6.0))
    assert [event.incident for event in life.events if event.happening is Happening.RAISED] == [1, 2]
