"""A night in a shed, told in clock times: probes read every second, the engine steps, events come out as lines."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from brinewatch.alarms.based import load_rules
from brinewatch.alarms.engine import Memory, resume, step
from brinewatch.alarms.events import AlarmEvent, Command, Order, Priority, State
from brinewatch.alarms.features import Features, wanted
from brinewatch.alarms.memory import ATTENDED
from brinewatch.alarms.rules import Alarm, Below, Condition, Rule
from brinewatch.alarms.ruleset import NO_DATA, Override, RuleSet, bind, load_sources
from brinewatch.moment import Moment
from brinewatch.readings import Flag, Reading, quantity_of

RULES = Path(__file__).parents[2] / "rules"
ZONE = ZoneInfo("Europe/Lisbon")
# an invented winter night, where local time is UTC
EVENING = datetime(2026, 1, 15, tzinfo=UTC).timestamp()


def shipped(name: str) -> RuleSet:
    sources = load_sources((RULES / "sources.toml").read_text(encoding="utf-8"), "sources.toml")
    return load_rules(name, lambda file: (RULES / file).read_text(encoding="utf-8"), sources)


def bound(*names: str, points: Sequence[str], changes: Sequence[Override] = ()) -> list[Alarm]:
    """Shipped rule sets bound to points, for a probe read every second."""
    quantities = {point: quantity_of(point) for point in points}
    return bind([(shipped(name), None) for name in names], quantities, changes)


def rule(condition: Condition | None = None, **more: object) -> Rule:
    """A rule for tests of the engine alone: oxygen under 65 %, everything else as plain as can be."""
    plain = replace(
        NO_DATA, key="low", title="Oxygen too low", short="OXYGEN TOO LOW", quantity="oxygen_saturation", unit="%",
        condition=condition or Below(65.0), priority=Priority.HIGH, on_delay_s=0.0, off_delay_s=0.0, repeat_s=None,
    )  # fmt: skip
    return replace(plain, **more)  # type: ignore[arg-type]


def at(seconds: float, utc: float | None = None, *, trusted: bool = True) -> Moment:
    """So many seconds into the evening; monotonic time counts from an hour before it."""
    return Moment(3600.0 + seconds, EVENING + seconds if utc is None else utc, trusted, ZONE)


def reading(point: str, value: float | None, now: Moment, flag: Flag = Flag.PASS, reason: str = "") -> Reading:
    return Reading(point, quantity_of(point), value, value, flag, reason, now, "probe")


def seconds_of(clock: str) -> int:
    parts = [int(part) for part in clock.split(":")]
    return parts[0] * 3600 + parts[1] * 60 + (parts[2] if len(parts) > 2 else 0)


class Night:
    """Alarms, what they remember, and what came of it."""

    def __init__(self, alarms: Sequence[Alarm], start: str = "02:00:00", every_s: int = 1) -> None:
        self.alarms = alarms
        self.every_s = every_s
        self.memory = Memory()
        self.second = seconds_of(start)
        self.seen: list[AlarmEvent] = []
        self.readings: dict[str, Reading] = {}
        self.features = Features(wanted(alarms))
        self.shift = 0.0
        self.trusted = True

    @property
    def now(self) -> Moment:
        return at(self.second, EVENING + self.second + self.shift, trusted=self.trusted)

    def until(self, clock: str, flag: Flag = Flag.PASS, reason: str = "", **values: float | None) -> None:
        """Probes read these values (stage__quantity=value) from now until just before `clock`."""
        points = {name.replace("__", "."): value for name, value in values.items()}
        while self.second < seconds_of(clock):
            self.readings.update(
                {point: reading(point, value, self.now, flag, reason) for point, value in points.items()}
            )
            self.step()
            self.second += self.every_s

    def silence_until(self, clock: str) -> None:
        """No probe is read."""
        while self.second < seconds_of(clock):
            self.step()
            self.second += self.every_s

    def step(self, commands: Sequence[Command] = ()) -> None:
        self.features.take(self.readings.values(), self.now)
        came = step(self.alarms, self.memory, {**self.readings, **self.features.readings}, self.now, commands)
        self.memory = came.memory
        self.seen += came.events

    def says(self, who: str, number: int | None, order: Order = Order.ACKNOWLEDGE, **more: Any) -> None:
        self.step([Command(order, number, who, self.now, **more)])

    @property
    def calls(self) -> list[str]:
        """What people were called for: clock, alarm, priority, and what was said to go with it."""
        return [
            f"{event.at.local:%H:%M:%S} {event.alarm.partition('@')[0]} {event.priority}"
            + (f" with {', '.join(event.also)}" if event.also else "")
            for event in self.seen
            if event.happening.calls
        ]

    def restart(self, *, boot_after_s: float | None = None, clock_known: bool = True) -> None:
        """Everything in memory is lost but what was written down. boot_after_s: the machine was off for so long."""
        kept = {key: self.memory.saved(key) for key in (*self.memory.alarms, ATTENDED)}
        saved = json.loads(json.dumps({key: one for key, one in kept.items() if one is not None}))
        mono, utc = self.now.mono, self.now.utc if clock_known else None
        if boot_after_s is None:
            self.memory = resume(saved, mono, utc, True, self.now)
        else:
            self.second += int(boot_after_s)
            self.trusted = clock_known
            self.memory = resume(saved, mono, utc, False, self.now)
        self.readings = {}
        self.features = Features(wanted(self.alarms))

    @property
    def events(self) -> list[str]:
        """Events as lines: clock, what happened, which alarm, its number, since when, by whom."""
        return [_line(event) for event in self.seen]

    def state(self, alarm: str) -> State:
        one = self.memory.alarms.get(alarm)
        return one.state if one else State.NORMAL


def _line(event: AlarmEvent) -> str:
    by = f" by {event.by}" if event.by else ""
    return (
        f"{event.at.local:%H:%M:%S} {event.happening} {event.alarm.partition('@')[0]} {event.number}"
        f" since {event.began.local:%H:%M:%S}{by}"
    )
