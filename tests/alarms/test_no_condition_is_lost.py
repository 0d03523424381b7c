"""No order or timing of readings, restarts or power cuts loses an alarm of any condition that holds long enough."""

from __future__ import annotations

import json
import random
from dataclasses import dataclass
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from alarms.any_condition import MAINS, OTHER, OWN, TABLES, alarm
from alarms.nights import EVENING, ZONE, reading
from brinewatch.alarms.due import next_due
from brinewatch.alarms.engine import Memory, resume, step
from brinewatch.alarms.events import State
from brinewatch.alarms.features import Features, wanted
from brinewatch.alarms.rules import Alarm
from brinewatch.moment import Moment
from brinewatch.readings import Flag, Reading

FLAGS = {"missing": Flag.MISSING, "failed": Flag.FAIL, "unevaluated": Flag.NOT_EVALUATED}
BAD = {OWN: 4.0, OTHER: 8.0, MAINS: 0.0}
WELL = {OWN: 8.0, OTHER: 8.0, MAINS: 1.0}
READ = st.sampled_from(["bad", "bad", "bad", "bad", "well", "missing", "failed", "unevaluated", "nothing new"])


@dataclass(frozen=True)
class Tick:
    """One scan: so many seconds after the last, what each point read, and what befell the machine before it."""

    after: float
    own: str
    other: str
    mains: str
    stop: str = ""


TICKS = st.lists(
    st.builds(
        Tick, after=st.sampled_from([0.5, 1.0, 5.0, 9.0, 11.0, 16.0, 100.0, 179.0, 181.0]), own=READ, other=READ,
        mains=READ, stop=st.sampled_from(["", "", "", "", "restart", "reboot", "reboot, clock lost"]),
    ),
    min_size=1, max_size=40,
)  # fmt: skip

FOR, ON = 10.0, 15.0
LOW = {"below": 5.0, "for_s": FOR}
OFF = {"point": MAINS, "state": "off"}


class Life:
    """A daemon that may be stopped at any scan, driven by true time."""

    def __init__(self, it: Alarm) -> None:
        self.it = it
        self.memory = Memory()
        self.readings: dict[str, Reading] = {}
        self.features = Features(wanted([it]))
        self.true, self.boot, self.trusted = 10000.0, 0.0, True

    def now(self) -> Moment:
        return Moment(self.true - self.boot, EVENING + self.true, self.trusted, ZONE)

    def stop(self, kind: str, before: Moment) -> None:
        saved = json.loads(json.dumps({key: one.to_dict() for key, one in self.memory.alarms.items()}))
        known = kind != "reboot, clock lost"
        if kind != "restart":
            self.boot, self.trusted = self.true - 7.0, known
        self.memory = resume(saved, before.mono, before.utc if known else None, kind == "restart", self.now())
        self.readings, self.features = {}, Features(wanted([self.it]))

    def live(self, tick: Tick) -> State:
        before = self.now()
        self.true += tick.after
        if tick.stop:
            self.stop(tick.stop, before)
        for point, what in ((OWN, tick.own), (OTHER, tick.other), (MAINS, tick.mains)):
            if what != "nothing new":
                value = BAD[point] if what == "bad" else WELL[point]
                self.readings[point] = reading(point, value, self.now(), FLAGS.get(what, Flag.PASS))
        return self.look()

    def look(self) -> State:
        self.features.take(self.readings.values(), self.now())
        came = step([self.it], self.memory, {**self.readings, **self.features.readings}, self.now())
        self.memory = came.memory
        one = self.memory.alarms.get(self.it.id)
        return one.state if one else State.NORMAL


@settings(max_examples=300, deadline=None)
@given(
    TICKS,
    st.sampled_from([
        ({"all": [LOW, OFF]}, "all", FOR), ({"any": [LOW, {**OFF, "for_s": FOR}]}, "any", FOR),
        ({"not": {"not": LOW}}, "own", FOR),
        ({"all": [{"any": [LOW, LOW]}, {**OFF, "for_s": FOR}]}, "all", FOR),
        ({"differs_from": OTHER, "by": 1.0}, "difference", 0.0),
        ({"lower_than": OTHER, "by": 3.9}, "difference", 0.0),
    ]),
)  # fmt: skip
def test_what_holds_longer_than_its_delays_is_an_alarm(
    ticks: list[Tick], case: tuple[dict[str, Any], str, float]
) -> None:
    table, needs, for_s = case
    life = Life(alarm(table, on_delay_s=ON, off_delay_s=20.0))
    since: float | None = None  # all that it needs was read bad, and nothing well since
    counts: float | None = None  # likewise for longer than the delay of its parts
    for tick in ticks:
        state = life.live(tick)
        # the other tank reads the same whether well or not: what counts is that it was read at all
        other = "bad" if tick.other == "well" else tick.other
        parts = {
            "all": (tick.own, tick.mains), "any": (tick.own, tick.mains), "own": (tick.own,),
            "difference": (tick.own, other),
        }[needs]  # fmt: skip
        if "well" in parts:
            since = counts = None
        elif set(parts) == {"bad"}:
            since = life.true if since is None else since
            if life.true - since >= for_s + 1e-6:
                counts = life.true if counts is None else counts
            if counts is not None and life.true - counts >= ON + 1e-6:
                assert state is State.UNACKNOWLEDGED


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10**6), st.sampled_from(["falls", "changes"]))
def test_no_timing_of_readings_hides_a_fall(seed: int, way: str) -> None:
    chance = random.Random(seed)
    window = 1800.0
    life = Life(alarm({way: 1.0, "per": "h", "over_s": window}, on_delay_s=ON))
    begun = life.true
    while life.true < begun + 0.9 * window + ON:
        life.true += chance.choice([0.5, 5.0, 15.0, 60.0])
        flag = chance.choice([Flag.PASS, Flag.PASS, Flag.SUSPECT, Flag.MISSING])
        value = 9.0 - 3.0 * (life.true - begun) / 3600 + chance.uniform(-0.02, 0.02)
        if chance.random() < 0.05:
            value = chance.uniform(0.0, 20.0)  # a wild one in twenty
        if chance.random() < 0.8:
            life.readings[OWN] = reading(OWN, value, life.now(), flag)
        life.look()
    # bad data at the very end may make it late, but the next good readings show it
    for after in (31.0, ON + 1.0):
        life.true += after
        life.readings[OWN] = reading(OWN, 9.0 - 3.0 * (life.true - begun) / 3600, life.now())
        state = life.look()
    assert state is State.UNACKNOWLEDGED


@settings(max_examples=100, deadline=None)
@given(st.integers(0, 10**6))
def test_no_timing_of_readings_hides_a_start_too_many_or_a_flat_line(seed: int) -> None:
    chance = random.Random(seed)
    often = Life(alarm({"starts_more_than": 3, "over_s": 3600.0, "of": {"below": 5.0}}))
    flat = Life(alarm({"flat_s": 1800.0, "within": 0.1}))
    starts = 0
    for _ in range(20):
        for bad in (False, True):
            for _ in range(chance.randint(1, 3)):
                often.true += chance.uniform(1.0, 20.0)
                often.readings[OWN] = reading(OWN, 4.0 if bad else 8.0, often.now())
                state = often.look()
            starts += bad
            assert (state is State.UNACKNOWLEDGED) is (starts > 3)
    begun = flat.true
    while flat.true < begun + 1800.0 + 2 * 179.0:
        flat.true += chance.uniform(1.0, 179.0)
        flat.readings[OWN] = reading(OWN, 8.0 + chance.uniform(0.0, 0.1), flat.now())
        state = flat.look()
    assert state is State.UNACKNOWLEDGED


@settings(max_examples=200, deadline=None)
@given(TABLES, TICKS, st.sampled_from([0.0, 0.4]))
def test_stepping_only_when_something_is_due_tells_the_same_as_stepping_all_the_time(
    table: dict[str, Any], ticks: list[Tick], band: float
) -> None:
    it = alarm(table, band, on_delay_s=ON, off_delay_s=20.0)

    def run(fine: bool) -> list[tuple[str, str, float]]:
        life, told = Life(it), list[tuple[str, str, float]]()

        def look() -> None:
            life.features.take(life.readings.values(), life.now())
            came = step([it], life.memory, {**life.readings, **life.features.readings}, life.now())
            life.memory = came.memory
            told.extend((event.happening.value, event.alarm, life.true) for event in came.events)

        look()
        for tick in ticks:
            target = life.true + tick.after
            while True:
                seen = {**life.readings, **life.features.readings}
                dues = [next_due([it], life.memory, seen, life.now()), life.features.due(life.now())]
                dues += [life.true + 0.5] if fine else []
                due = min((one for one in dues if one is not None), default=target)
                if due >= target:
                    break
                life.true = due
                look()
            life.true = target
            for point, what in ((OWN, tick.own), (OTHER, tick.other), (MAINS, tick.mains)):
                if what != "nothing new":
                    value = BAD[point] if what == "bad" else WELL[point]
                    life.readings[point] = reading(point, value, life.now(), FLAGS.get(what, Flag.PASS))
            look()
        return told

    sparse, dense = run(fine=False), run(fine=True)
    assert [one[:2] for one in sparse] == [one[:2] for one in dense]
    assert all(abs(a[2] - b[2]) <= 0.005 for a, b in zip(sparse, dense, strict=True))


def test_the_property_bites() -> None:
    # the same life with the memory of the parts thrown away at each stop does lose the alarm
    life = Life(alarm({"all": [LOW, OFF]}, on_delay_s=0.0))
    ticks = [
        Tick(1.0, "bad", "bad", "bad"),
        Tick(8.0, "bad", "bad", "bad"),
        Tick(3.0, "bad", "bad", "bad", "restart"),
    ]
    assert [life.live(tick) for tick in ticks][-1] is State.UNACKNOWLEDGED
    life = Life(alarm({"all": [LOW, OFF]}, on_delay_s=0.0))
    for tick in ticks:
        life.memory = Memory() if tick.stop else life.memory
        last = life.live(Tick(tick.after, tick.own, tick.other, tick.mains))
    assert last is State.NORMAL
