"""Every trouble that can come over the wires, each with the loss of air in its midst, through the whole daemon.

One night a trouble: it comes, the blower stops while it lasts, the blower runs again, the trouble goes. What must
hold then, of every one: the loss of air is called, or what stands in its way is; nobody is called for what is not
so; nobody twice for one cause; and everything is as before, though no person has done anything.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Awaitable, Callable
from contextlib import closing
from dataclasses import dataclass, field
from datetime import UTC
from pathlib import Path
from sqlite3 import connect
from typing import Any

from brinewatch.alarms.events import State
from brinewatch.simulator.terminal import PtyEnd
from brinewatch.store.reader import StoreReader
from scenarios.night import WREN, Night, night, shed_text

Do = Callable[[Night], Awaitable[None]]


def paced(text: str, air_s: float, rest_s: float) -> str:
    """A shed file whose probes are read so often: what tells of the air, and the rest."""
    text = re.sub(r"^every_s = .*\n", "", text, flags=re.MULTILINE)
    for name in re.findall(r'^name = "([a-z-]+)"$', text.partition("# ---- the wires")[2], flags=re.MULTILINE):
        if name != "test-kit":  # read by hand
            every = air_s if name in ("air-pressure", "motor", "mains") else rest_s
            text = text.replace(f'name = "{name}"\n', f'name = "{name}"\nevery_s = {every:g}\n')
    return text


AIR, MOTOR = "AIR STOPPED", "MOTOR NOT RUNNING"
# so long the trouble lasts before the blower stops, the blower stands, and the trouble goes on after
BEFORE_S, STOPPED_S, AFTER_S = 40.0, 150.0, 60.0
# a modem's silence is waited for in real seconds
TEXT = paced(shed_text(), 2, 5).replace('port = "ports/modem"', 'port = "ports/modem"\nanswer_s = 1')
# retries of a way back off to five minutes; a probe that was silent is asked again within half a minute
BACK_S = 900.0
_FIRST = re.compile(r"Reply OK (\d+)")
_OVER = re.compile(r"IS BACK|is over|\bAGAIN\b")


@dataclass(frozen=True)
class Trouble:
    """part: what it strikes; own: what may be called for it besides the air; heard: what proves the air's loss was
    called; late: the phones cannot be reached while it lasts."""

    name: str
    part: str
    on: Do
    off: Do
    own: tuple[str, ...] = ()
    heard: tuple[str, ...] = (AIR,)
    late: bool = False


@dataclass
class Found:
    """What one night came to; wrong: every breach, in words."""

    trouble: str
    wrong: list[str] = field(default_factory=list)
    called: list[str] = field(default_factory=list)
    lived_s: float = 0.0


def fault(part: str, *words: str, own: tuple[str, ...] = (), heard: tuple[str, ...] = (AIR,)) -> Trouble:
    """One the simulated shed knows."""

    async def on(it: Night) -> None:
        await it.shed.faults.on(*words)

    async def off(it: Night) -> None:
        await it.shed.faults.off(*words)

    return Trouble(" ".join(words), part, on, off, own, heard)


def modem(name: str, on: Callable[[Night], object], off: Callable[[Night], object]) -> Trouble:
    async def begin(it: Night) -> None:
        on(it)

    async def end(it: Night) -> None:
        off(it)

    return Trouble(name, "modem", begin, end, ("MODEM FAILING",), late=True)


def rubbish(part: str, end: Callable[[Night], PtyEnd]) -> Trouble:
    """Bytes without sense at the speed the line carries, all the time."""
    pouring: set[Night] = set()

    async def pour(it: Night) -> None:
        port = end(it)
        # a tenth of a second of a full line at 9600 baud, again and again
        noise = bytes((7 * one * one + 13) % 256 for one in range(96))
        while it in pouring:
            port.write(noise)
            await it.clock.sleep(0.1)

    async def on(it: Night) -> None:
        pouring.add(it)
        it.shed._spawn(pour(it))

    async def off(it: Night) -> None:
        pouring.discard(it)

    return Trouble(f"rubbish at full speed on {part}", part, on, off, ("NO DATA", "NO OXYGEN DATA"))


def gone_tree(name: str, number: int, own: tuple[str, ...], heard: tuple[str, ...] = (AIR,)) -> Trouble:
    """The kernel's driver goes, and its files with it; the hub it hangs on was reset."""
    kept: dict[Night, Any] = {}

    async def on(it: Night) -> None:
        tree = it.shed._trees[number]
        kept[it] = tree._sources
        tree._sources = ()
        tree.root.rename(f"{tree.root}.gone")

    async def off(it: Night) -> None:
        tree = it.shed._trees[number]
        Path(f"{tree.root}.gone").rename(tree.root)
        tree._sources = kept.pop(it)

    return Trouble(f"{name} devices gone", name, on, off, own, heard)


def disk(what: str, own: tuple[str, ...]) -> Trouble:
    """No room for another page (sqlite.org/pragma.html#pragma_max_page_count): what a full disk gives too."""

    async def limit(it: Night, pages: int) -> None:
        store = it.daemon.journal if what == "journal" else it.daemon.history
        file, thread = store._file, store._thread  # type: ignore[attr-defined]
        with it.clock.hold():
            db = file._connect(check=False) if what == "journal" else file._db
            await thread.run(lambda: db.execute(f"PRAGMA max_page_count = {pages}").fetchall(), 5.0)

    async def on(it: Night) -> None:
        await limit(it, 1)

    async def off(it: Night) -> None:
        await limit(it, 1_073_741_823)

    return Trouble(f"no room for the {what}", what, on, off, own)


def clock_steps(name: str, *steps: float) -> Trouble:
    async def on(it: Night) -> None:
        for one in steps:
            it.clock.step_wall(one)

    async def off(it: Night) -> None:
        for one in steps:
            it.clock.step_wall(-one)

    return Trouble(name, "clock", on, off)


async def _untrusted(it: Night) -> None:
    it.clock.trusted = False


async def _trusted(it: Night) -> None:
    it.clock.trusted = True


async def _again(it: Night) -> None:
    await it.end()
    await it.begin()


def together(name: str, *troubles: Trouble) -> Trouble:
    async def on(it: Night) -> None:
        for one in troubles:
            await one.on(it)

    async def off(it: Night) -> None:
        for one in reversed(troubles):
            await one.off(it)

    own = tuple(dict.fromkeys(word for one in troubles for word in one.own))
    return Trouble(name, "all", on, off, own, troubles[0].heard, any(one.late for one in troubles))


NO_AIR = ("NO AIR DATA", "MOTOR NOT RUNNING", "NO AIR RISE")
OXYGEN = ("NO OXYGEN DATA", "NO DATA")
MODBUS = ("silent", "garbled", "short", "late", "foreign", "fails")

JOURNAL, HISTORY = disk("journal", ("JOURNAL FAILING",)), disk("history", ())
REBOOT = modem("modem reboots", lambda it: it.modem.reboot(60.0), lambda it: None)

TROUBLES: tuple[Trouble, ...] = (
    fault("rs485", "probe-unplugged", "rs485", own=OXYGEN),
    *(fault("rs485", f"probe-{how}", name, own=OXYGEN) for how in MODBUS for name in ("oxygen", "motor")),
    fault("rs485", "probe-noisy", "oxygen", own=OXYGEN),
    fault("rs485", "probe-frozen", "motor"),
    rubbish("rs485", lambda it: it.shed.rs485.port),
    fault("line", "probe-unplugged", "line", own=OXYGEN),
    *(fault("line", f"probe-{how}", "flow", own=OXYGEN) for how in ("silent", "garbled", "short")),
    rubbish("line", lambda it: it.shed.line.port),
    *(fault("w1", f"probe-{how}", "raceway-thermometer", own=OXYGEN)
      for how in ("unplugged", "power-on", "zeros", "bad-sum", "frozen")),
    gone_tree("w1", 0, OXYGEN),
    fault("iio", "probe-unplugged", "air-pressure", own=NO_AIR, heard=NO_AIR),
    fault("iio", "probe-frozen", "air-pressure", own=NO_AIR, heard=(AIR, *NO_AIR)),
    fault("iio", "probe-unplugged", "barometer", own=OXYGEN),
    gone_tree("iio", 1, (*NO_AIR, *OXYGEN), NO_AIR),
    gone_tree("gpio", 2, ("NO MAINS DATA", "NO LEVEL DATA")),
    modem("modem unplugged", lambda it: it.modem.unplug(), lambda it: it.modem.replug()),
    modem("modem silent", lambda it: setattr(it.modem.faults, "silent", True),
          lambda it: setattr(it.modem.faults, "silent", False)),
    modem("modem says rubbish", lambda it: setattr(it.modem.faults, "garbage", True),
          lambda it: setattr(it.modem.faults, "garbage", False)),
    modem("modem slow", lambda it: setattr(it.modem.faults, "slow_s", 3.0),
          lambda it: setattr(it.modem.faults, "slow_s", 0.0)),
    REBOOT,
    modem("no network", lambda it: it.modem.no_network(2), lambda it: it.modem.no_network(1)),
    modem("network refuses three texts", lambda it: it.modem.faults.cms_error(38, 3), lambda it: None),
    modem("SIM full", lambda it: it.modem.storage_full(True), lambda it: it.modem.storage_full(False)),
    JOURNAL,
    HISTORY,
    clock_steps("clock six hours ahead", 6 * 3600.0),
    clock_steps("clock six hours back", -6 * 3600.0),
    clock_steps("clock a year ahead", 365 * 86400.0),
    clock_steps("clock to and fro", 3600.0, -7200.0, 30.0),
    Trouble("clock not set", "clock", _untrusted, _trusted),
    Trouble("daemon started again", "daemon", _again, _again),
    together("all at once", fault("rs485", "probe-unplugged", "rs485", own=OXYGEN), REBOOT, HISTORY,
             clock_steps("clock", 3600.0), fault("line", "probe-unplugged", "line"), gone_tree("w1", 0, OXYGEN)),
)  # fmt: skip


def names() -> list[str]:
    return [one.name for one in TROUBLES]


async def try_it(folder: Path, trouble: Trouble) -> Found:
    """One night with this trouble; every breach is in `wrong`."""
    found = Found(trouble.name)
    async with night(folder, TEXT) as it:
        began = it.clock.now().mono
        await it.passes(30)
        usable = {point for point, one in it.daemon.keeper.latest.items() if one.usable}
        if it.standing():
            found.wrong.append(f"stood before anything was wrong: {it.standing()}")
        await trouble.on(it)
        await it.passes(BEFORE_S)
        await it.shed.faults.on("blower-stop")
        await it.passes(STOPPED_S)
        heard_in_time = [one for one in it.modem.sent if any(word in one.text for word in trouble.heard)]
        await it.shed.faults.off("blower-stop")
        await it.passes(AFTER_S)
        await trouble.off(it)
        if not trouble.late and not heard_in_time:
            found.wrong.append("the loss of air was not called while it lasted")
        await _recovers(it, usable, found)
        found.lived_s = it.clock.now().mono - began
        _calls(it, trouble, found)
    found.wrong += store_wrong(folder, once="air-stopped@%")
    return found


async def _recovers(it: Night, usable: set[str], found: Found) -> None:
    """Everything reads, nothing holds, no message waits, and no part fails: without anybody's doing."""
    left: list[str] = []
    for _ in range(int(BACK_S / 10)):
        left = await left_of(it, usable)
        if not left:
            return
        await it.passes(10)
    found.wrong.append(f"not as before {BACK_S / 60:.0f} min later: {'; '.join(left)}")


async def left_of(it: Night, usable: set[str]) -> list[str]:
    keeper, now = it.daemon.keeper, it.daemon.clock.now()
    reads = {point for point, one in keeper.latest.items() if one.usable}
    left = [f"{point} has no value" for point in sorted(usable - reads)]
    left += [
        f"{one.alarm} holds"
        for one in it.daemon.overview().alarms
        if one.state is State.UNACKNOWLEDGED
    ]  # fmt: skip
    left += [f"{part} fails: {why}" for part, (well, why) in it.daemon._health.items() if well is False]
    left += [f"{name} hangs" for name in it.daemon._running.look()]
    waiting = await it.daemon.journal.due("sms", now)
    return left + [f"a text waits: {one.text[:40]}" for one in waiting]


def _calls(it: Night, trouble: Trouble, found: Found) -> None:
    """Who was called for what: the air's loss everybody, once; else only what the trouble itself may call for."""
    allowed = (*trouble.own, *trouble.heard, AIR, MOTOR)
    first: Counter[tuple[str, str]] = Counter()
    for one in it.modem.sent:
        number = _FIRST.search(one.text)
        if number is None or _OVER.search(one.text):
            continue
        found.called.append(f"{one.to[-3:]}: {one.text[:70]}")
        first[(one.to, number[1])] += 1
        if not any(word in one.text for word in allowed):
            found.wrong.append(f"called for what was not so: {one.text[:90]}")
    # Teal is called when Wren has not answered for five minutes: by then the air is back
    if not any(word in one.text for one in it.modem.sent if one.to == WREN for word in trouble.heard):
        found.wrong.append("nobody ever heard of the loss of air")
    found.wrong += [
        f"{to} was called {count} times for alarm {number}" for (to, number), count in first.items() if count > 1
    ]
    causes = Counter(to for to, _ in first)
    most = 1 + len(trouble.own)
    found.wrong += [f"{to} was called for {count} causes" for to, count in causes.items() if count > most]
    found.wrong += [line for line in it.said if " failed (" in line or "came to nothing" in line]


def store_wrong(folder: Path, once: str = "") -> list[str]:
    """What is wrong with the journal as it was left: its chain, messages that wait, and what of these alarms
    (a pattern, "" for none) was raised more than once."""
    with StoreReader(folder / "data", UTC) as store:
        wrong = [f"the chain: {one}" for one in store.check_chain().faults]
    with closing(connect(folder / "data" / "journal.sqlite")) as db:
        raised = db.execute(
            "SELECT alarm, count(*) FROM event WHERE happening = 'raised' AND alarm LIKE ? GROUP BY alarm", (once,)
        ).fetchall()
        wrong += [f"{alarm} was raised {count} times" for alarm, count in raised if count > 1]
        (waiting,) = db.execute("SELECT count(*) FROM message WHERE state = 'waiting'").fetchone()
    return [*wrong, *([f"{waiting} messages were left waiting"] if waiting else [])]
