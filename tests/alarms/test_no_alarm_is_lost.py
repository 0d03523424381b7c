"""No order or timing of readings, restarts or clock steps loses an alarm that holds longer than its delay."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace

from hypothesis import given, settings
from hypothesis import strategies as st

from alarms.nights import EVENING, ZONE, reading, rule
from brinewatch.alarms.due import next_due
from brinewatch.alarms.engine import Memory, resume, step
from brinewatch.alarms.events import AlarmEvent, Happening, State
from brinewatch.alarms.rules import Alarm, Stale
from brinewatch.moment import Moment
from brinewatch.readings import Flag, Reading

POINT = "tank.oxygen_saturation"
MAX_AGE = 30.0
ON, OFF = 15.0, 20.0


@dataclass(frozen=True)
class Tick:
    """One scan: so many seconds after the last, what was read, and what befell the machine before it."""

    after: float
    what: str  # "low", "well", "missing", "failed", "unevaluated", "suspect low", "nothing new"
    stop: str = ""  # "", "restart", "reboot", "reboot, clock lost"
    clock_step: float = 0.0


TICKS = st.builds(
    Tick,
    after=st.sampled_from([0.5, 1.0, 3.0, 5.0, 14.0, 16.0, 29.0, 31.0, 100.0]),
    what=st.sampled_from(
        ["low", "low", "low", "suspect low", "well", "missing", "failed", "unevaluated", "nothing new"]
    ),
    stop=st.sampled_from(["", "", "", "restart", "reboot", "reboot, clock lost"]),
    clock_step=st.sampled_from([0.0, 0.0, 3600.0, -86400.0]),
)
FLAG = {
    "low": Flag.PASS, "suspect low": Flag.SUSPECT, "well": Flag.PASS, "missing": Flag.MISSING, "failed": Flag.FAIL,
    "unevaluated": Flag.NOT_EVALUATED,
}  # fmt: skip
LOW = Alarm(rule(on_delay_s=ON, off_delay_s=OFF, deadband=2.0, repeat_s=600.0), POINT, "oxygen_saturation", MAX_AGE)


@dataclass
class Life:
    """A daemon that may be stopped at any scan, driven by true time; `states` after each scan."""

    memory: Memory
    true: float = 10000.0
    boot: float = 0.0
    offset: float = 0.0
    trusted: bool = True

    def now(self) -> Moment:
        return Moment(self.true - self.boot, EVENING + self.true + self.offset, self.trusted, ZONE)

    def stop(self, kind: str, before: Moment) -> None:
        if not kind:
            return
        saved = json.loads(json.dumps({key: one.to_dict() for key, one in self.memory.alarms.items()}))
        if kind == "restart":
            self.memory = resume(saved, before.mono, before.utc, True, self.now())
            return
        known = kind == "reboot"
        self.boot, self.trusted = self.true - 7.0, known
        self.memory = resume(saved, before.mono, before.utc if known else None, False, self.now())


def live(ticks: list[Tick], *, clock_steps: bool = True) -> tuple[list[State], list[list[AlarmEvent]], list[float]]:
    life, readings = Life(Memory()), dict[str, Reading]()
    states, told, times = [], [], []
    for tick in ticks:
        before = life.now()
        life.true += tick.after
        if clock_steps and not tick.stop:
            life.offset += tick.clock_step
        if tick.stop:
            life.stop(tick.stop, before)
            readings = {}
        if tick.what != "nothing new":
            value = 90.0 if tick.what == "well" else 40.0
            readings = {POINT: reading(POINT, value, life.now(), FLAG[tick.what])}
        came = step([LOW], life.memory, readings, life.now())
        life.memory = came.memory
        one = life.memory.alarms.get(LOW.id)
        states.append(one.state if one else State.NORMAL)
        told.append(list(came.events))
        times.append(life.true)
    return states, told, times


def usable(tick: Tick) -> bool | None:
    """What one scan proves: True low, False well, None nothing."""
    return {"low": True, "suspect low": True, "well": False}.get(tick.what)


@settings(max_examples=400, deadline=None)
@given(st.lists(TICKS, min_size=1, max_size=40))
def test_what_holds_longer_than_its_delay_is_an_alarm(ticks: list[Tick]) -> None:
    states, _, times = live(ticks)
    since: float | None = None
    for tick, state, when in zip(ticks, states, times, strict=True):
        proves = usable(tick)
        if proves is False:
            since = None
        elif proves is True:
            since = when if since is None else since
            # every trusted reading since then was low, and this one is too
            if when - since >= ON + 1e-6:
                assert state is State.UNACKNOWLEDGED


@settings(max_examples=400, deadline=None)
@given(st.lists(TICKS, min_size=1, max_size=40))
def test_nothing_is_raised_cleared_or_called_back_without_a_trusted_reading(ticks: list[Tick]) -> None:
    _, told, _ = live(ticks)
    since_read = float("inf")
    for tick, events in zip(ticks, told, strict=True):
        since_read = 0.0 if tick.what != "nothing new" else since_read + tick.after
        if tick.stop and tick.what == "nothing new":
            since_read = float("inf")
        if tick.what in ("missing", "failed", "unevaluated") or since_read > MAX_AGE:
            assert all(event.happening is Happening.REPEATED for event in events)
            assert all(event.detail == "still not answered" for event in events)


@settings(max_examples=200, deadline=None)
@given(st.lists(TICKS, min_size=1, max_size=40))
def test_an_alarm_that_stands_is_never_raised_a_second_time(ticks: list[Tick]) -> None:
    _, told, _ = live(ticks)
    # nobody answers, so nothing ever ends: one raise, and one number for all that follows
    events = [event for some in told for event in some]
    assert sum(event.happening is Happening.RAISED for event in events) <= 1
    assert {event.number for event in events} <= {1}


@settings(max_examples=200, deadline=None)
@given(st.lists(TICKS.filter(lambda tick: not tick.stop), min_size=1, max_size=40))
def test_steps_of_the_wall_clock_change_nothing(ticks: list[Tick]) -> None:
    stepped, steady = live(ticks), live(ticks, clock_steps=False)
    assert stepped[0] == steady[0]
    assert [[(e.happening, e.at.mono, e.began.mono) for e in some] for some in stepped[1]] == [
        [(e.happening, e.at.mono, e.began.mono) for e in some] for some in steady[1]
    ]


DATA = Alarm(rule(Stale(MAX_AGE), key="no-data", on_delay_s=ON), POINT, "oxygen_saturation", MAX_AGE)


@settings(max_examples=200, deadline=None)
@given(st.lists(TICKS.filter(lambda tick: not tick.stop), min_size=1, max_size=30))
def test_stepping_only_when_something_is_due_tells_the_same_as_stepping_all_the_time(ticks: list[Tick]) -> None:
    def run(fine: bool) -> list[tuple[str, str, float]]:
        memory, readings, mono, told = Memory(), dict[str, Reading](), 0.0, []
        alarms = [LOW, DATA]
        memory = step(alarms, memory, readings, Moment(mono, EVENING, True, ZONE)).memory
        for tick in ticks:
            target = mono + tick.after
            while mono < target:
                now = Moment(mono, EVENING + mono, True, ZONE)
                due = next_due(alarms, memory, readings, now)
                if fine:  # at every half second as well
                    due = min(mono + 0.5, due or target)
                if due is None or due >= target:
                    break
                mono = due
                came = step(alarms, memory, readings, Moment(mono, EVENING + mono, True, ZONE))
                memory = came.memory
                told += [(e.happening.value, e.alarm, mono) for e in came.events]
            mono = target
            now = Moment(mono, EVENING + mono, True, ZONE)
            if tick.what != "nothing new":
                readings = {POINT: reading(POINT, 90.0 if tick.what == "well" else 40.0, now, FLAG[tick.what])}
            came = step(alarms, memory, readings, now)
            memory = came.memory
            told += [(e.happening.value, e.alarm, mono) for e in came.events]
        return told

    sparse, dense = run(fine=False), run(fine=True)
    assert [one[:2] for one in sparse] == [one[:2] for one in dense]
    # a half second may fall into the hair by which an age limit is passed
    assert all(abs(a[2] - b[2]) <= 0.002 for a, b in zip(sparse, dense, strict=True))


def test_the_property_bites() -> None:
    # the same life with the memory thrown away at each stop does lose the alarm: the property is no tautology
    ticks = [Tick(5.0, "low"), Tick(5.0, "low"), Tick(5.0, "low", "restart"), Tick(5.0, "low")]
    assert live(ticks)[0][-1] is State.UNACKNOWLEDGED
    memory = Memory()
    for place, tick in enumerate(ticks):
        now = Moment(5.0 * place, EVENING, True, ZONE)
        memory = Memory() if tick.stop else memory
        memory = step([LOW], memory, {POINT: replace(reading(POINT, 40.0, now))}, now).memory
    one = memory.alarms[LOW.id]
    assert one.state is State.NORMAL
