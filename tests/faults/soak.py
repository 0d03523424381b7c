"""Days and weeks of the whole daemon on the simulated shed, with troubles by chance at the wire: what it came to.

Time is virtual; everything else is as in life: pseudo-terminals, sysfs trees, a modem spoken to in AT commands, a
real Mosquitto, SQLite on the disk. Spells come one after another: troubles of the matrix, alone or two together,
often with a loss of the air in their midst, kills and power cuts. Between them it is quiet for long enough that all
must be as before. A person answers every call after some minutes, and does nothing else. All chance comes from the
number given, so that what is found is found again.
"""

from __future__ import annotations

import asyncio
import gc
import os
import random
import re
import shutil
from collections import Counter
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from brinewatch.clock import SteppingClock
from brinewatch.config import read_shed
from brinewatch.moment import Moment
from brinewatch.service import Daemon
from brinewatch.simulator.modem import ModemEmulator, SentText
from brinewatch.simulator.world import SimulatedShed
from broker import Broker, free_port
from scenarios.night import DEMO, EVENING, WREN, Night, shed_text

from .matrix import TROUBLES, Trouble, left_of, paced, store_wrong

# what calls for the loss of air by each cause of it, and what may follow from it besides
AIR_WORDS = ("AIR STOPPED", "MOTOR NOT RUNNING", "MAINS OFF", "AIR LINE OPEN", "AIR TOO WEAK", "NO AIR DATA")
FOLLOWS = ("WATER FLOW", "LEVEL", "OXYGEN", "FLOW", "TEMP")
LOSSES = (("blower-stop",), ("mains-off",), ("line-burst",))
# so long after a stop it must be heard of: NFPA 72 (26.6.3.1.10, by a text that quotes it) gives 90 s
CALL_S = 90.0
# retries of a way back off to five minutes, and a modem that comes back is found within its own
BACK_S = 900.0
# with the gauge of the air blind, what follows from its loss is what is seen, and has a delay of its own
BLIND_S = 180.0
# an air stop so short need not be called, and one yet shorter must not
NEED_S, SHORT_S = 40.0, 4.0
_SLOW = ("modem silent", "modem says rubbish", "modem slow", "all at once")
_FIRST, _OVER = re.compile(r"Reply OK (\d+)"), re.compile(r"IS BACK|is over|\bAGAIN\b")
_DAY_S = 86400.0


class Booted:
    """The clock as a computer sees it that was started later: its monotonic time began anew, and its calendar may
    be wrong until a time server is reached."""

    def __init__(self, clock: SteppingClock, began: float = 0.0, wrong_s: float = 0.0, set_at: float = 0.0) -> None:
        self._clock, self._began, self._wrong_s, self._set_at = clock, began, wrong_s, set_at
        self.sleep, self.deadline, self.hold = clock.sleep, clock.deadline, clock.hold

    def now(self) -> Moment:
        one = self._clock.now()
        well = one.mono >= self._set_at
        utc = one.utc if well else one.utc + self._wrong_s
        return Moment(one.mono - self._began, utc, one.trusted and well, one.zone)

    async def sleep_until(self, mono: float) -> None:
        # a hair later: the difference of two floats may fall short of its due
        await self._clock.sleep_until(mono + self._began + 1e-6)


def soak_text(port: int) -> str:
    """The shed with a broker, scanned as seldom as its delays allow: weeks must pass in minutes."""
    text = paced(shed_text(), 10, 30).replace('port = "ports/modem"', 'port = "ports/modem"\nanswer_s = 0.5')
    text = text.replace("timeout_s = 0.3", "timeout_s = 0.1")
    # what people are to measure themselves is due some day, and nobody here does
    text = text.replace(', "tan", "nh3_n"]', "]").replace('[bus.hand]\nkind = "manual"\n', "")
    text = re.sub(r"\[\[bus\.hand\.probe\]\]\n.*\n\[\[bus\.hand\.probe\.channel\]\]\n.*\n", "", text)
    # here the blower is stopped many times a day
    text += '\n[[override]]\nrule = "blower-starts-often"\nlimit = 1000\nwhy = "a soak"\n'
    text += "\n[calling]\ndrill_every_days = 0\n"
    return f'{text}\n[broker]\nhost = "127.0.0.1"\nport = {port}\n'


@dataclass
class Spell:
    """One trouble or loss of air, as it was: from and to in true seconds."""

    kind: str
    began: float
    words: tuple[str, ...] = ()
    heard: tuple[str, ...] = ()
    ended: float = float("inf")
    air: bool = False
    late: bool = False
    down: bool = False
    blind: bool = False  # of the gauge of the air
    calls: list[tuple[float, str, str]] = field(default_factory=list)  # of the loss of air: when, number, text


@dataclass
class Summary:
    """What a soak came to. to_call_s: of each loss of air that had to be called and could be; late_s: of those that
    could be told only when a trouble was over, seconds after that."""

    days: float = 0.0
    faults: Counter[str] = field(default_factory=Counter)
    needed: int = 0
    called: int = 0
    calls: int = 0
    wrong: list[str] = field(default_factory=list)
    to_call_s: list[float] = field(default_factory=list)
    late_s: list[float] = field(default_factory=list)
    kills: int = 0
    power_cuts: int = 0
    memory_mb: list[float] = field(default_factory=list)
    files: list[int] = field(default_factory=list)
    written_mb: float = 0.0


class Soak(Night):
    """One shed, its modem, its broker, and one daemon after another."""

    def __init__(self, folder: Path, number: int) -> None:
        self.clock = SteppingClock(EVENING)
        self.seen = Booted(self.clock)
        self.folder = folder
        self.chance = random.Random(number)
        self.shed = SimulatedShed(self.clock, folder, seed=number, every_s=10.0)
        self.modem = ModemEmulator(self.clock, link=folder / "ports" / "modem")
        self.broker = Broker(folder, free_port())
        (folder / "shed.toml").write_text(soak_text(self.broker.port), encoding="utf-8")
        self.said: list[str] = []
        self.came = Summary()
        self.spells: list[Spell] = []
        self.judged = 0
        self.usable: set[str] = set()
        self.answers: list[tuple[float, str]] = []
        self.daemon: Daemon
        self._task: asyncio.Task[None]

    async def begin(self) -> None:
        self.daemon = Daemon(read_shed(self.folder / "shed.toml"), self.seen, self.said.append)
        self._task = asyncio.create_task(self.daemon.run())
        await self.until(lambda: hasattr(self.daemon, "keeper") and self.daemon.overview().checked is not None)

    @property
    def mono(self) -> float:
        return self.clock.now().mono

    # -- what befalls it ------------------------------------------------------------------------------------------

    async def lives(self, seconds: float) -> None:
        """Let time pass; people answer meanwhile."""
        until = self.mono + seconds
        while until - self.mono > 1e-3:
            await self.passes(min(10.0, until - self.mono))
            self._take()

    def _take(self) -> None:
        """What the phones got since: who is called answers after some minutes."""
        for one in self.modem.sent:
            self._judge(one)
        self.modem.sent.clear()
        self.modem.heard.clear()
        for due, text in [one for one in self.answers if one[0] <= self.mono]:
            self.answers.remove((due, text))
            self.modem.receive(WREN, text)

    async def dies(self, *, power: bool) -> None:
        """As kill -9 leaves it, or the loss of power: what the dying daemon still does, the disk does not see and
        nobody hears."""
        down = Spell("power cut" if power else "kill", self.mono, ("WATCH RESTARTS",), down=True)
        self.spells.append(down)
        self.came.faults[down.kind] += 1
        data, kept = self.folder / "data", self.folder / "kept"
        plugged = self.modem._end.plugged
        self.modem.unplug()
        shutil.copytree(data, kept, ignore=shutil.ignore_patterns("*.sock", "*-shm"))
        await self.end()
        shutil.rmtree(data)
        kept.rename(data)
        if plugged:
            self.modem.replug()
        if power:
            self.came.power_cuts += 1
            await self.passes(self.chance.choice((20.0, 120.0, 1200.0)))
            # without a battery clock it wakes with the time it last wrote down, or a wild one
            wrong = self.chance.choice((down.began - self.mono, -6 * 3600.0, 400 * _DAY_S))
            self.seen = Booted(self.clock, self.mono - 20.0, wrong, self.mono + self.chance.choice((10.0, 300.0)))
        else:
            self.came.kills += 1
        await self.begin()
        down.ended = self.mono

    async def _trouble(self, one: Trouble, seconds: float, *inside: Any) -> None:
        """One of the matrix, with what befalls while it lasts."""
        spell = Spell(one.name, self.mono, one.own, one.heard, late=one.late, blind=one.part == "iio")
        self.spells.append(spell)
        self.came.faults[one.part if one.part != "all" else "all at once"] += 1
        await one.on(self)
        await self.lives(seconds / 2)
        for do in inside:
            await do()
        await self.lives(seconds / 2)
        await one.off(self)
        spell.ended = self.mono

    async def _no_air(self) -> None:
        what = self.chance.choice(LOSSES)
        heard = (*AIR_WORDS, "FLOW TOO LOW") if what[0] == "line-burst" else AIR_WORDS
        spell = Spell(what[0], self.mono, (*AIR_WORDS, *FOLLOWS), heard, air=True)
        self.spells.append(spell)
        self.came.faults["loss of air"] += 1
        await self.shed.faults.on(*what)
        seconds = self.chance.choice((3.0, 60.0, 150.0, 150.0, 600.0, 1500.0))
        if what[0] == "line-burst":
            seconds = max(seconds, 150.0)
        await self.lives(seconds)
        await self.shed.faults.off(*what)
        spell.ended = self.mono
        await self.lives(120.0)  # so that it is over for the watch too

    async def _broker(self) -> None:
        spell = Spell("broker", self.mono, ("BROKER FAILING",))
        self.spells.append(spell)
        self.came.faults["broker"] += 1
        self.broker.kill()
        await self.lives(self.chance.uniform(60.0, 900.0))
        self.broker.start()
        spell.ended = self.mono

    async def spell(self) -> None:
        """One of all that may befall."""
        what = self.chance.random()
        one, two = self.chance.sample(TROUBLES, 2)
        long = self.chance.uniform(40.0, 240.0 if {one.name, two.name} & set(_SLOW) else 900.0)
        air = [self._no_air] if self.chance.random() < 0.7 else []
        if what < 0.5:
            await self._trouble(one, long, *air)
        elif what < 0.7 and one.part != two.part and not {one.part, two.part} >= {"iio", "rs485"}:
            await self._trouble(one, long, lambda: self._trouble(two, long / 2, *air))
        elif what < 0.8:
            await self._broker()
        elif what < 0.9:
            await self.dies(power=self.chance.random() < 0.5)
        else:
            await self._no_air()

    # -- what is held against it ----------------------------------------------------------------------------------

    def _near(self, at: float, after_s: float = BACK_S) -> list[Spell]:
        return [one for one in self.spells if one.began <= at <= one.ended + after_s]

    def _judge(self, one: SentText) -> None:
        """One text: a first word of an alarm must be of something that is so."""
        number = _FIRST.search(one.text)
        if number is None or one.to != WREN:
            return
        self.answers.append((self.mono + self.chance.uniform(30.0, 240.0), f"OK {number[1]}"))
        if _OVER.search(one.text):
            return
        self.came.calls += 1
        near = self._near(one.at.mono)
        for spell in near:
            spell_words = (*spell.words, *spell.heard)
            if any(word in one.text for word in spell_words):
                break
        else:
            what = ", ".join(spell.kind for spell in near) or "nothing"
            self.came.wrong.append(f"called for what was not so ({what} was): {one.text[:100]}")
            return
        for spell in near:
            if spell.air and any(word in one.text for word in spell.heard):
                spell.calls.append((one.at.mono, number[1], one.text))

    def settle(self) -> None:
        """Everything is quiet: what had to be called was, in time and once."""
        for spell in [one for one in self.spells if one.air]:
            near = [one for one in self.spells if one is not spell and one.began <= spell.ended
                    and spell.began <= one.ended + 60.0]  # fmt: skip
            downs = [one for one in near if one.down]
            blind = any(one.blind for one in near)
            needed = spell.ended - spell.began >= (BLIND_S if blind else NEED_S) and not downs
            first = spell.calls[0][0] if spell.calls else None
            kind = f"{spell.kind} of {spell.ended - spell.began:.0f} s ({', '.join(one.kind for one in near)})"
            late = [one for one in near if one.late]
            if needed:
                self.came.needed += 1
                self.came.called += first is not None
            if needed and first is None:
                self.came.wrong.append(f"{kind} was never called")
            elif needed and first is not None and late:
                after = first - max(spell.began, max(one.ended for one in late))
                self.came.late_s.append(max(0.0, after))
                if after > BACK_S:
                    self.came.wrong.append(f"{kind} was called {after:.0f} s after the way was open again")
            elif needed and first is not None:
                self.came.to_call_s.append(first - spell.began)
                if first - spell.began > (BLIND_S if blind else CALL_S):
                    self.came.wrong.append(f"{kind} was called after {first - spell.began:.0f} s")
            elif first is not None and spell.ended - spell.began < SHORT_S:
                self.came.wrong.append(f"{kind} was called")
            numbers = {number for _, number, _ in spell.calls}
            # a probe that was blind may name the cause later: what names it is never held back
            causes = 1 + sum(not one.air and not one.down for one in near)
            if len(numbers) > causes:
                self.came.wrong.append(f"{kind} called {len(numbers)} times for {causes} causes: {spell.calls}")
        self.spells = [one for one in self.spells if one.ended + 2 * BACK_S > self.mono and not one.air]

    async def quiet(self) -> None:
        """Nothing is wrong any more: within a quarter of an hour all is as before, by itself."""
        left: list[str] = []
        for _ in range(int(BACK_S / 30)):
            await self.lives(30.0)
            left = await left_of(self, self.usable)
            # that it was killed again and again is told for an hour of running after
            left = [one for one in left if not one.startswith(("started-again@", "starts fails"))]
            if not left and not self.answers:
                break
        else:
            last = ", ".join(one.kind for one in self.spells[-3:])
            self.came.wrong.append(f"not as before {BACK_S / 60:.0f} min after {last}: {'; '.join(left)}")
        self.settle()
        bad = [line for line in self.said if " failed (" in line or "came to nothing" in line]
        self.came.wrong += bad
        self.said.clear()
        gc.collect()
        self.came.memory_mb.append(_resident_mb())
        self.came.files.append(len(os.listdir("/proc/self/fd")))
        await self.lives(self.chance.uniform(60.0, 1200.0))


async def soak(folder: Path, number: int, days: float) -> Summary:
    """So many days; every breach is in `wrong`."""
    it = Soak(folder, number)
    it.broker.start()
    await it.shed.start()
    await it.modem.start()
    try:
        await it.begin()
        began = it.mono
        await it.lives(60.0)
        it.usable = {point for point, one in it.daemon.keeper.latest.items() if one.usable}
        while it.mono - began < days * _DAY_S:
            await it.spell()
            await it.quiet()
        await it.end()
    finally:
        with suppress(Exception):
            it._task.cancel()
        await it.modem.stop()
        await it.shed.stop()
        it.broker.kill()
    it.came.days = (it.mono - began) / _DAY_S
    it.came.wrong += store_wrong(folder)
    it.came.written_mb = sum(one.stat().st_size for one in (folder / "data").iterdir() if one.is_file()) / 1e6
    return it.came


def _resident_mb() -> float:
    return int(Path("/proc/self/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 1e6


__all__ = ["DEMO", "Summary", "soak"]
