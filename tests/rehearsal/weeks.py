"""Days of an invented shed with everything that can befall readings, and the watch that lived through them.

The watch here is the daemon's own: features, engine and due instants as Watchkeeper and Daemon put them together,
written out once more so that nothing of the rehearsal judges itself.
"""

from __future__ import annotations

import math
import random
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC

from alarms.any_condition import MAINS, MAX_AGE_S, OTHER, OWN, POINTS, here, read
from alarms.nights import rule as a_rule
from brinewatch.alarms.condition import Condition
from brinewatch.alarms.conditions import Is
from brinewatch.alarms.due import next_due
from brinewatch.alarms.engine import Memory, step
from brinewatch.alarms.events import AlarmEvent, Command, Happening, Order, Priority, State
from brinewatch.alarms.features import Features, ForecastOf, wanted
from brinewatch.alarms.links import Place, linked
from brinewatch.alarms.only import Only
from brinewatch.alarms.rules import Alarm
from brinewatch.alarms.ruleset import BROKEN, NO_DATA
from brinewatch.moment import Moment
from brinewatch.readings import Flag, Reading, quantity_of

START = 1_790_200_800.0  # a whole hour, 22:00 UTC
PLACES = {"room": Place("room", 0), "north": Place("water", 0), "south": Place("water", 1)}


def moment(second: float) -> Moment:
    at = round((START + second) * 1_000_000) / 1_000_000  # as the store keeps it
    return Moment(at, at, True, UTC)


def reading(point: str, value: float | None, second: float, flag: Flag = Flag.PASS) -> Reading:
    return Reading(
        point, quantity_of(point), value, value, flag, "" if value is not None else "silent", moment(second), "p"
    )


def series(point: str, chance: random.Random, hours: int, levels: Sequence[float]) -> list[Reading]:
    """Hours of quiet water with steps, swings, gaps, doubtful and failed readings among them."""
    found: list[Reading] = []
    second, end, level = chance.uniform(0, 60), hours * 3600.0, chance.choice(levels)
    every = chance.choice([30.0, 60.0, 90.0])
    while second < end:
        mood = chance.choice(
            ["quiet"] * 6 + ["step", "swing", "slide", "gap", "failed", "missing", "doubt", "flat"]
        )
        length = chance.uniform(600, 5 * 3600) if mood in ("quiet", "flat") else chance.uniform(30, 3000)
        if mood == "gap":
            second += length
            continue
        if mood == "step":
            level = chance.choice(levels)
        slide = chance.uniform(-1.5, 1.5) / 3600 if mood == "slide" else 0.0
        until = min(end, second + length)
        while second < until:
            level = min(9.0, max(3.0, level + slide * every))
            value = level + (0.0 if mood == "flat" else chance.choice([-0.05, 0.0, 0.05]))
            if mood == "swing":
                value += chance.choice([-1.0, 1.0])
            flag = {"failed": Flag.FAIL, "missing": Flag.MISSING, "doubt": Flag.SUSPECT}.get(mood, Flag.PASS)
            shown: float | None = float(level > 5) if point == MAINS else round(value, 3)
            found.append(reading(point, None if flag is Flag.MISSING else shown, second, flag))
            # stamps jitter by milliseconds, as they do
            second += every + round(chance.uniform(-0.002, 0.002), 6)
        second = round(second, 6)
    return found


def alarm(key: str, table: dict[str, object] | Condition, point: str, band: float = 0.0, **rule: object) -> Alarm:
    if isinstance(table, dict):
        quantity = POINTS[point]
        banded = any(head in table for head in ("below", "above", "differs_from", "higher_than"))
        condition, band = read(table, band if banded else 0.0, quantity)
    else:
        condition = table
    made = a_rule(here(condition, point), key=key, quantity=POINTS[point], unit="mg/L", deadband=band, **rule)
    return Alarm(made, point, POINTS[point], MAX_AGE_S[point])


def manners(chance: random.Random) -> dict[str, object]:
    """How a rule calls."""
    return {
        "on_delay_s": chance.choice([0.0, 0.0, 45.0, 300.0, 4000.0]),
        "off_delay_s": chance.choice([0.0, 60.0, 900.0]),
        "repeat_s": chance.choice([None, None, 600.0, 1800.0]),
        "ack_expires_s": chance.choice([None, 3600.0, 7200.0]),
        "latching": chance.random() < 0.15, "priority": chance.choice(list(Priority)),
        "emergency": chance.random() < 0.15,
        "only": Only(chance.choice([(1320, 360), (480, 1020)])) if chance.random() < 0.15 else None,
    }  # fmt: skip


def shed(chance: random.Random, tables: Sequence[dict[str, object]]) -> list[Alarm]:
    """Rules of any kind at the north tank, the mains that may explain them, and everybody's data alarms."""
    found = [
        alarm(f"rule-{number}", table, OWN, chance.choice([0.0, 0.4]),
              needs=("power",) if chance.random() < 0.5 else (), **manners(chance))
        for number, table in enumerate(tables)
    ]  # fmt: skip
    found.append(alarm("mains-off", Is(0), MAINS, takes="power", **{**manners(chance), "only": None}))
    found.append(
        alarm(
            "south-low",
            {"below": 5.0},
            OTHER,
            0.4,
            takes=chance.choice(["", "water"]),
            needs=("power",),
            **manners(chance),
        )
    )
    found.append(alarm("north-low", {"below": 4.5}, OWN, 0.2, needs=("water", "power"), **manners(chance)))
    for point in (OWN, OTHER, MAINS):
        made = replace(NO_DATA, repeat_s=chance.choice([None, 1800.0]), needs=("power",) if point == OWN else ())
        found.append(Alarm(made, point, POINTS[point], MAX_AGE_S[point]))
        found.append(Alarm(BROKEN, point, POINTS[point], MAX_AGE_S[point]))
    return linked(found, PLACES)


def forecasts(alarms: Sequence[Alarm], chance: random.Random, hours: int) -> dict[str, list[Reading]]:
    """A forecast a minute or so for every rule that asks: never, or so many seconds; none for a while."""
    found: dict[str, list[Reading]] = {}
    for one in wanted(alarms):
        if isinstance(one, ForecastOf):
            record, second = [], chance.uniform(0, 60)
            left = math.inf
            while second < hours * 3600:
                if chance.random() < 0.01:
                    left = chance.choice([math.inf, 10000.0, 4000.0, 900.0])
                if chance.random() < 0.005:
                    second += chance.uniform(60, 2000)
                record.append(
                    reading(one.key, left + (chance.uniform(-20, 20) if left < math.inf else 0.0), round(second, 6))
                )
                second += 60.0
            found[one.key] = record
    return found


@dataclass
class Lived:
    """A watch that lives through readings as they come."""

    alarms: Sequence[Alarm]
    answered_after_s: float | None = None

    def through(self, records: Mapping[str, Sequence[Reading]], since: float, until: float) -> list[AlarmEvent]:
        features = Features(wanted(self.alarms))
        latest: dict[str, Reading] = {}
        memory, events, answers = Memory(), [], {}
        before = sorted((one for record in records.values() for one in record if one.at.utc < since), key=_mono)
        for one in before:
            latest[one.point] = one
        features.replay(one for one in before if one.at.utc >= since - features.reach.get(one.point, 0.0))
        coming = sorted(
            (one for record in records.values() for one in record if since <= one.at.utc < until), key=_mono
        )
        instants: dict[float, list[Reading]] = {since: []}
        for one in coming:
            instants.setdefault(one.at.mono, []).append(one)
        times = sorted(instants)

        def look(now: Moment, fresh: Sequence[Reading]) -> None:
            nonlocal memory
            latest.update((one.point, one) for one in fresh)
            features.take(fresh, now)
            orders = []
            for key in [key for key, due in answers.items() if due <= now.mono]:
                del answers[key]
                state = memory.alarms[key].state
                if state in (State.UNACKNOWLEDGED, State.RETURNED):
                    orders.append(Command(Order.ACKNOWLEDGE, None, "the rehearsal", now, key))
                elif state is State.LATCHED:
                    orders.append(Command(Order.RESET, None, "the rehearsal", now, key))
            came = step(self.alarms, memory, {**latest, **features.readings}, now, orders)
            memory = came.memory
            events.extend(came.events)
            if self.answered_after_s is not None:
                for event in came.events:
                    if event.happening in (Happening.RAISED, Happening.REPEATED, Happening.LATCHED):
                        answers.setdefault(event.alarm, now.mono + self.answered_after_s)

        for place, instant in enumerate(times):
            now = Moment(instant, instant, True, UTC)
            look(now, instants[instant])
            following = times[place + 1] if place + 1 < len(times) else until
            while True:
                judged_by = {**latest, **features.readings}
                dues = [next_due(self.alarms, memory, judged_by, now), features.due(now), *answers.values()]
                due = min((one for one in dues if one is not None and one > now.mono), default=math.inf)
                if due >= following:
                    break
                now = Moment(due, due, True, UTC)
                look(now, [])
        return events


def _mono(one: Reading) -> float:
    return one.at.mono
