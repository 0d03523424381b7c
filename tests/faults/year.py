"""A simulated year of the watch at the level of readings: as fast as it can judge, call, keep and pack them.

The whole daemon but for its wires: one bus gives readings made below of seasons, weather, animals and fouling;
alarms, calls, journal, history, calendar and forecasts are what they are in life. What befalls: losses of air,
probes that fall silent or freeze, a hot week, rain in the header, planned works, restarts, a clock that is wrong;
and what is the calendar's own: both changes of summer time and the leap second of the end of 2016 (IERS Bulletin C
52), which a POSIX clock shows as a second that comes twice. The water's numbers are invented, of the size common in
such a shed; oxygen saturation is by Benson and Krause (the library's own).
"""

from __future__ import annotations

import asyncio
import gc
import math
import os
import random
from bisect import bisect_right
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from brinewatch.alarms.events import AlarmEvent, Command, Happening, Order
from brinewatch.clock import SteppingClock
from brinewatch.config import read_shed
from brinewatch.readings import Flag, Sample
from brinewatch.seawater.oxygen import benson_krause
from brinewatch.service import Daemon
from brinewatch.store.reader import StoreReader

from .matrix import store_wrong

# the zone serves only for its rule of summer time (EU Directive 2000/84/EC)
ZONE = ZoneInfo("Europe/Paris")
BEGIN = datetime(2016, 2, 1, tzinfo=ZONE).timestamp()
LEAP_SECOND = datetime(2017, 1, 1, tzinfo=UTC).timestamp()
SCAN_S, DAY_S, HOUR_S = 300.0, 86400.0, 3600.0
AIR, MOTOR, MAINS = "manifold.air_pressure", "blower.motor_current", "shed.mains"
POINTS = (
    AIR, MOTOR, MAINS, "raceway.oxygen", "raceway.temperature", "raceway.ph", "header.salinity",
    "header.water_flow", "header.level_switch", "shed.barometric_pressure",
)  # fmt: skip
_HEAD = f"""
[shed]
key = "gannet-quay"
name = "Gannet Quay nursery"
short_name = "GANNET QUAY"
time_zone = "{ZONE.key}"
altitude_m = 4
[store]
folder = "data"
batch_s = 900
[page]
enabled = false
[calling]
drill_every_days = 0
[[water]]
key = "raceway"
name = "Nursery raceway"
kind = "animals"
volume_l = 1000
biomass_kg = 12
animals = "sea cucumber"
diffuser_depth_m = 0.8
watch = ["temperature", "oxygen", "oxygen_saturation", "ph"]
[[water]]
key = "header"
name = "Header tank"
kind = "header"
watch = ["salinity", "water_flow", "level_switch"]
[[air]]
key = "blower"
name = "Blower"
kind = "blower"
watch = ["motor_current"]
[[air]]
key = "manifold"
name = "Air manifold"
kind = "manifold"
watch = ["air_pressure", "air_rise"]
[[room]]
key = "shed"
name = "Shed"
kind = "room"
watch = ["mains", "barometric_pressure"]
[[rules]]
file = "air.toml"
[[rules]]
file = "sea_cucumber.toml"
stages = ["raceway"]
[[rules]]
file = "watch.toml"
[bus.made]
kind = "iio"
root = "made"
[[bus.made.probe]]
name = "made"
device = "made"
every_s = {SCAN_S:g}
"""


def shed_text() -> str:
    channels = (f'[[bus.made.probe.channel]]\npoint = "{point}"\nattribute = "voltage{place}"\n'
                for place, point in enumerate(POINTS))  # fmt: skip
    return _HEAD + "".join(channels)


@dataclass(frozen=True)
class Spell:
    """Something that is so from an instant to another, true seconds from the beginning. alarms: what may call for
    it, by key of the rule, up to an hour after it."""

    kind: str
    begins: float
    ends: float
    alarms: tuple[str, ...] = ()


OF_AIR = ("air-stopped", "motor-current-low", "mains-off", "air-rise-small")
_AFTER_AIR = (
    *OF_AIR,
    "water-flow-low",
    "cucumber-oxygen",
    "air-line-open",
    "blower-starts-often",
    "alarms-failing",
)


def spells_of(days: float, chance: random.Random) -> list[Spell]:
    """All that befalls, in order of time; no two within hours of each other but for the planned works."""
    found: list[Spell] = []
    at = 6 * HOUR_S
    while at < days * DAY_S:
        kind = chance.choice(
            ("blower", "blower", "mains", "silent", "frozen", "noisy", "works", "restart", "clock", "hot", "rain")
        )
        hours, alarms = chance.uniform(0.4, 4.0), ()
        match kind:
            case "blower" | "mains":
                hours, alarms = chance.choice((0.02, 0.5, 1.0, 2.0)), _AFTER_AIR
            case "silent":
                alarms = ("no-", "air-pressure-falling")
            case "frozen" | "noisy":
                alarms = ("no-", "cucumber-", "air-", "motor-", "alarms-failing")
            case "works":
                hours, alarms = 2.0, (*_AFTER_AIR, "header-", "level-")
            case "clock":
                hours = 26.0
            case "hot":
                hours, alarms = 5 * 24.0, ("cucumber-temperature-high", "cucumber-oxygen")
            case "rain":
                hours, alarms = 12.0, ("cucumber-salinity", "salinity-")
        found.append(Spell(kind, at, at + hours * HOUR_S, alarms))
        at += (hours + chance.uniform(8.0, 40.0)) * HOUR_S
    return found


class Water:
    """The shed's truth at a second from the beginning."""

    def __init__(self, spells: Sequence[Spell], chance: random.Random) -> None:
        self._spells = spells
        self._begins = [one.begins for one in spells]
        self._chance = chance
        self._share = 0.95  # oxygen, of saturation
        self._at = 0.0
        self._frozen: dict[str, float] = {}

    def now(self, at: float) -> Spell | None:
        """What is so at an instant."""
        place = bisect_right(self._begins, at) - 1
        return self._spells[place] if place >= 0 and at < self._spells[place].ends else None

    def read(self, at: float, utc: float) -> dict[str, float | None]:
        """Every point as its probe gives it; None: it is silent."""
        spell, noise = self.now(at), self._chance.gauss
        kind = spell.kind if spell else ""
        into = 0.0 if spell is None else min(at - spell.begins, spell.ends - at) / HOUR_S
        mains = kind != "mains"
        runs = mains and kind != "blower" and not (kind == "works" and into > 0.5)
        season = math.sin(2.0 * math.pi * (utc / (365.2422 * DAY_S) - 0.33))
        daily = math.sin(2.0 * math.pi * (utc / DAY_S - 0.4))
        warm = 12.0 + 3.5 * season + 0.4 * daily + (min(12.0, into) * 0.9 if kind == "hot" else 0.0)
        hours, self._at = (at - self._at) / HOUR_S, at
        # 12 kg in a cubic metre without air use some 15 % of saturation an hour; with air that is soon back
        self._share = min(0.95, self._share + 0.9 * hours) if runs else max(0.2, self._share - 0.15 * hours)
        salinity = 32.0 - (min(4.0, into) * 1.2 if kind == "rain" else 0.0)
        fouled = 0.45 - 0.45 * math.cos(2.0 * math.pi * at / (60.0 * DAY_S))
        hPa = 1013.0 + 12.0 * math.sin(at / (4.1 * DAY_S)) + 6.0 * math.sin(at / (1.7 * DAY_S))
        found: dict[str, float | None] = {
            AIR: 11.0 + fouled + noise(0.0, 0.03) if runs else 0.1 + abs(noise(0.0, 0.03)),
            MOTOR: 2.6 + noise(0.0, 0.02) if runs else 0.0,
            MAINS: float(mains),
            "raceway.oxygen": self._share * benson_krause(warm, salinity, hPa) + noise(0.0, 0.02),
            "raceway.temperature": warm + noise(0.0, 0.02),
            "raceway.ph": 8.0 + 0.05 * daily + noise(0.0, 0.005),
            "header.salinity": salinity + noise(0.0, 0.01),
            "header.water_flow": max(0.0, 50.0 + noise(0.0, 0.4)) if runs else 0.0,
            "header.level_switch": float(runs),
            "shed.barometric_pressure": hPa + noise(0.0, 0.03),
        }
        if kind in ("silent", "frozen", "noisy") and spell is not None:
            point = POINTS[int(spell.begins) % len(POINTS)]
            value = self._frozen.setdefault(kind, found[point] or 0.0)
            found[point] = {"silent": None, "frozen": value, "noisy": (found[point] or 0.0) * (1 + noise(0, 0.1))}[
                kind
            ]
        else:
            self._frozen.clear()
        return found


class MadeBus:
    """Gives what the water says, without a wire."""

    def __init__(self, water: Water, clock: SteppingClock) -> None:
        self.name = "made"
        self._water, self._clock = water, clock
        self._began = clock.now().mono
        self.given = 0
        self.utc = clock.now().utc  # of the seasons: the calendar of the watch may be wrong

    async def open(self) -> None:
        pass

    async def close(self) -> None:
        pass

    async def read(self, probe: str) -> Sequence[Sample]:
        now = self._clock.now()
        at = now.mono - self._began
        self.given += 1
        return [
            Sample(point, value, value, now, probe, Flag.PASS if value is not None else Flag.MISSING,
                   "" if value is not None else "No answer.")
            for point, value in self._water.read(at, self.utc + at).items()
        ]  # fmt: skip


@dataclass
class Came:
    """What it came to."""

    days: float = 0.0
    spells: Counter[str] = field(default_factory=Counter)
    readings: int = 0
    needed: int = 0
    called: int = 0
    calls: int = 0
    wrong: list[str] = field(default_factory=list)
    to_call_s: list[float] = field(default_factory=list)
    restarts: int = 0
    memory_mb: list[float] = field(default_factory=list)
    files: list[int] = field(default_factory=list)
    written_mb: float = 0.0


class QuickClock(SteppingClock):
    """Without wires the chains of hand-overs between tasks are short."""

    _SETTLE_TURNS = 8


class Year:
    """One shed for so long, from an instant on."""

    def __init__(self, folder: Path, number: int, days: float, begin: float) -> None:
        chance = random.Random(number)
        self.folder, self.days = folder, days
        self.clock = QuickClock(begin, ZONE)
        self.began = self.clock.now().mono
        self.spells = spells_of(days, chance)
        self.bus = MadeBus(Water(self.spells, chance), self.clock)
        self.wrongs = [chance.choice((400 * DAY_S, -6 * HOUR_S, 3 * DAY_S)) + 17.3 for _ in self.spells]
        self.came = Came(days, Counter(one.kind for one in self.spells))
        self.calls: list[tuple[float, AlarmEvent]] = []
        self.said: list[str] = []
        self._answer: list[tuple[float, int]] = []
        self.daemon: Daemon
        self._task: asyncio.Task[None]
        (folder / "shed.toml").write_text(shed_text(), encoding="utf-8")

    @property
    def at(self) -> float:
        return self.clock.now().mono - self.began

    async def begin(self) -> None:
        shed = read_shed(self.folder / "shed.toml")
        self.daemon = Daemon(shed, self.clock, self.said.append, {"made": self.bus})
        self._task = asyncio.create_task(self.daemon.run())

    async def end(self) -> None:
        self._take()
        self.daemon.stop()
        driver = asyncio.create_task(self.clock.drive())
        try:
            await self._task
        finally:
            driver.cancel()
            await asyncio.gather(driver, return_exceptions=True)

    async def until(self, at: float) -> None:
        """Let time pass, in steps of ten minutes at most, and answer what called."""
        while at - self.at > 1e-3:
            step = min(at, self.at + 600.0)
            await self.clock.drive(self.began + step)
            if self._task.done():
                self._task.result()
            self._take()

    def _take(self) -> None:
        for event in self.daemon.called:
            self.calls.append((event.at.mono - self.began, event))
            self._answer.append((event.at.mono + 900.0, event.number))
        self.daemon.called.clear()
        now = self.clock.now()
        due = [number for when, number in self._answer if when <= now.mono]
        self._answer = [one for one in self._answer if one[0] > now.mono]
        if due:
            self.daemon._look(commands=[Command(Order.ACKNOWLEDGE, one, "Wren", now) for one in due])

    async def run(self) -> Came:
        await self.begin()
        leap = LEAP_SECOND - self.clock.now().utc
        marks: list[tuple[float, str, int]] = [(leap, "leap second", -1)] if 0 < leap < self.days * DAY_S else []
        for place, one in enumerate(self.spells):
            if one.kind in ("works", "restart", "clock"):
                marks += [(one.begins, one.kind, place), (one.ends, f"{one.kind} over", place)]
        marks += [
            (day * DAY_S + 3600.0, "look", 0) for day in range(1, int(self.days) + 1, max(1, int(self.days / 40)))
        ]
        for at, what, place in sorted(marks):
            if at >= self.days * DAY_S:
                break
            await self.until(at)
            await self._mark(what, place)
        await self.until(self.days * DAY_S)
        well, why = self.daemon._health["chain"]
        if self.days > 2 and not well:
            self.came.wrong.append(f"the journal's chain was not followed each night: {why}")
        await self.end()
        self._judge()
        self._stored()
        return self.came

    async def _mark(self, what: str, place: int) -> None:
        match what:
            case "leap second":
                self.clock.step_wall(-1.0)
                self.came.spells[what] += 1
            case "works":
                now = self.clock.now()
                self.daemon._look(commands=[Command(Order.ATTEND, None, "Wren", now, for_s=2 * HOUR_S)])
            case "restart":
                await self.end()
                await self.begin()
                self.came.restarts += 1
            case "clock":
                self.clock.trusted = False
                self.clock.step_wall(self.wrongs[place])
            case "clock over":
                self.clock.step_wall(-self.wrongs[place])
                self.clock.trusted = True
            case "look":
                gc.collect()
                statm = Path("/proc/self/statm").read_text().split()
                self.came.memory_mb.append(int(statm[1]) * os.sysconf("SC_PAGE_SIZE") / 1e6)
                self.came.files.append(len(os.listdir("/proc/self/fd")))

    def _judge(self) -> None:
        came, chatter = self.came, Counter[tuple[float, str]]()
        for at, event in self.calls:
            if event.happening is not Happening.RAISED:
                continue
            came.calls += 1
            key = event.alarm.partition("@")[0]
            near = [one for one in self.spells if one.begins <= at <= one.ends + HOUR_S]
            if not any(key.startswith(one.alarms) for one in near if one.alarms):
                what = ", ".join(one.kind for one in near) or "nothing"
                came.wrong.append(f"day {at / DAY_S:.2f}: {event.alarm} called while {what} was")
            for one in near:
                if key in OF_AIR and one.kind in ("blower", "mains"):
                    chatter[one.begins, one.kind] += 1
        for one in self.spells:
            if one.kind not in ("blower", "mains") or one.ends > self.days * DAY_S:
                continue
            # one whole scan and the rule's 15 s may pass before it is known
            if one.ends - one.begins < 2 * SCAN_S:
                continue
            first = next((at for at, event in self.calls if event.alarm.partition("@")[0] in OF_AIR
                          and one.begins <= at <= one.ends), None)  # fmt: skip
            came.needed += 1
            if first is None:
                came.wrong.append(f"day {one.begins / DAY_S:.2f}: {one.kind} was not called")
                continue
            came.called += 1
            came.to_call_s.append(first - one.begins)
            if first - one.begins > SCAN_S + 20.0:
                came.wrong.append(
                    f"day {one.begins / DAY_S:.2f}: {one.kind} called after {first - one.begins:.0f} s"
                )
            if chatter[one.begins, one.kind] > 1:
                came.wrong.append(
                    f"day {one.begins / DAY_S:.2f}: {one.kind} called {chatter[one.begins, one.kind]} times"
                )

    def _stored(self) -> None:
        """Every reading is in the history, whatever the clock did; the journal's chain holds."""
        came, ever = self.came, 60 * 366 * DAY_S
        with StoreReader(self.folder / "data", UTC) as store:
            kept = {point: sum(len(one[0]) for one in store.values(point, 0.0, ever)) for point in POINTS}
        for point, count in kept.items():
            if count != self.bus.given:
                came.wrong.append(f"{point}: {self.bus.given} readings were given and {count} are kept")
        came.readings = self.bus.given * len(POINTS)
        came.wrong += store_wrong(self.folder)
        came.wrong += [line for line in self.said if " failed (" in line or "came to nothing" in line]
        files = [one for one in (self.folder / "data").iterdir() if one.is_file()]
        came.written_mb = sum(one.stat().st_size for one in files) / 1e6


async def year(folder: Path, number: int, days: float, begin: float = BEGIN) -> Came:
    """So many days; every breach is in `wrong`."""
    return await Year(folder, number, days, begin).run()


__all__ = ["BEGIN", "LEAP_SECOND", "Came", "year"]
