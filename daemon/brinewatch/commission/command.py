"""`brinewatch commission`: the steps from bare wires to a signed sheet, each alone and as often as wanted."""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import sys
from collections.abc import Awaitable, Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from brinewatch.calibrate.console import Asked, Console, GaveUp, Terminal
from brinewatch.errors import BrinewatchError
from brinewatch.terminal import AddCommand

if TYPE_CHECKING:
    from brinewatch.commission.keeping import Keeping
    from brinewatch.ports import Clock

_DONE, _LEFT = 0, 1
_MOVE_S = 120.0
_BROKER = "127.0.0.1:1883"
_STEPS = {
    "find": "what is on the wires: ports, addresses, thermometers, converters, modem, broker",
    "write": "the first shed file, from what was found and some questions",
    "wires": "every wire proven by a hand at its probe",
    "hands": "what only eyes and hands can prove",
    "air": "a tank's oxygen demand, with the air off and somebody there",
    "drill": "the first drill: people called, one answers",
    "wall": "the page for the wall, with this shed's names, numbers and alarms",
    "sheet": "what is proven and what not; printed, signed",
}
_ABOUT = """
Half a day with two people, in this order; deploy/commissioning.md says what to have at hand. Each step can be run
alone and again, what was answered is kept, and without a step it goes on where it stopped. Mains work is for a
licensed electrician, and local codes decide.
"""


def register(add: AddCommand) -> argparse.ArgumentParser:
    """Make the command known; the caller adds --shed."""
    command = add("commission", _work, "go from bare wires to a signed sheet: find, write, prove, sign")
    command.epilog = _ABOUT + "steps: " + "; ".join(f"{name}: {what}" for name, what in _STEPS.items())
    command.add_argument(
        "step",
        nargs="?",
        choices=list(_STEPS),
        metavar="STEP",
        help=f"{', '.join(_STEPS)}; the next one when left out",
    )
    command.add_argument("what", nargs="*", metavar="WHAT", help="wires: points; hands: keys; air: the tank")
    command.add_argument("--by", metavar="NAME", help="who stands by; asked when left out")
    command.add_argument("--json", action="store_true", help="find, sheet: for programs")
    command.add_argument("--html", type=Path, metavar="FILE", help="sheet, wall: write it as a page to print")
    command.add_argument("--sign", action="store_true", help="sheet: put a name under it")
    command.add_argument(
        "--port", action="append", default=[], metavar="PORT", help="find: only this port; repeatable"
    )
    command.add_argument(
        "--everything",
        action="store_true",
        help="find: Modbus addresses to 247 and all usual speeds (minutes a port)",
    )
    command.add_argument("--broker", metavar="HOST:PORT", help=f"find: where a broker may be (default: {_BROKER})")
    command.add_argument("--dev", type=Path, metavar="DIR", help="find: where devices appear (default: /dev)")
    command.add_argument(
        "--sys", type=Path, metavar="DIR", help="find: where the kernel shows them (default: /sys)"
    )
    command.add_argument(
        "--seconds", type=float, metavar="N", help=f"wires: wait so long for a move (default: {_MOVE_S:.0f})"
    )
    command.add_argument("--minutes", type=float, metavar="N", help="air: off for so long (default: 12)")
    return command


def _work(options: argparse.Namespace) -> int:
    _refuse_strays(options)
    try:
        return asyncio.run(_main(options))
    except GaveUp as why:
        sys.stdout.write(f"{why} What was done is kept; begin again where you stopped.\n")
        return _LEFT


def _refuse_strays(options: argparse.Namespace) -> None:
    """An option that says nothing to its step is refused: it may be meant for another."""
    find, wires, air = ("find", None), ("wires", None), ("air", None)  # None: in the whole run too
    belongs = {
        "json": ("find", "sheet"), "html": ("sheet", "wall"), "sign": ("sheet",), "port": find, "everything": find,
        "broker": find, "dev": find, "sys": find, "seconds": wires, "minutes": air,
        "what": ("wires", "hands", "air"),
    }  # fmt: skip
    for name, steps in belongs.items():
        if getattr(options, name) not in (None, False, []) and options.step not in steps:
            which = "What follows the step" if name == "what" else f"--{name}"
            raise BrinewatchError(
                f"{which} goes with {' or '.join(one for one in steps if one)}.",
                "See: brinewatch commission --help",
            )
    if options.json and options.sign:
        raise BrinewatchError("--sign asks questions, and --json is for programs.", "Give one of them.")


async def _main(options: argparse.Namespace) -> int:
    if options.json:
        return await run(options, _Mute())
    terminal = Terminal()
    questions = options.step not in ("find", "sheet", "wall") or options.sign
    if questions:
        terminal.open()
    try:
        return await run(options, terminal)
    finally:
        if questions:
            terminal.close()


class _Mute:
    """Nobody is spoken to: a program reads."""

    def say(self, text: str = "") -> None: ...

    def show(self, text: str) -> None: ...

    async def ask(self, question: str, asked: Asked | None = None) -> str:
        raise GaveUp("Nobody can answer here.")

    def typed(self) -> str | None:
        return None


async def run(options: argparse.Namespace, console: Console, clock: Clock | None = None) -> int:
    """One step, or all that are left; 0 when nothing of it is open."""
    from brinewatch.clock import SystemClock

    clock = clock or SystemClock()
    if options.step is None:
        return await _guided(options, console, clock)
    return await _step(options.step, options, console, clock)


async def _step(step: str, options: argparse.Namespace, console: Console, clock: Clock) -> int:
    from brinewatch.commission.attended import AIR_OFF_MIN, air_off, by_hand, first_drill
    from brinewatch.commission.sheets import show_sheet, sign_sheet, write_wall
    from brinewatch.commission.wires import prove_wires
    from brinewatch.commission.writing import write_shed

    match step:
        case "find":
            return await _find(options, console, clock)
        case "write":
            return await write_shed(options.shed, console, clock)
        case "sheet" if not options.sign:
            return await show_sheet(_keeping(options, clock, ""), console, options.json, options.html)
        case "wall":
            return write_wall(_keeping(options, clock, "").shed, console, options.html)
    by = options.by or await _who(console)
    keeping = _keeping(options, clock, by)
    what = options.what
    work: dict[str, Callable[[], Awaitable[int]]] = {
        "wires": lambda: prove_wires(keeping, console, what, options.seconds or _MOVE_S),
        "hands": lambda: by_hand(keeping, console, what),
        "air": lambda: air_off(keeping, console, what[0] if what else None, options.minutes or AIR_OFF_MIN),
        "drill": lambda: first_drill(keeping, console),
        "sheet": lambda: sign_sheet(keeping, console),
    }
    options.by = by
    return await work[step]()


def _keeping(options: argparse.Namespace, clock: Clock, by: str) -> Keeping:
    from brinewatch.commission.keeping import Keeping
    from brinewatch.config import read_shed

    if not options.shed.exists():
        raise BrinewatchError(
            f"There is no shed file {options.shed} yet.", "Write one: brinewatch commission write --shed FILE"
        )
    return Keeping(read_shed(options.shed), clock, by)


async def _who(console: Console) -> str:
    from brinewatch.calibrate.talk import line

    default = os.environ.get("SUDO_USER") or os.environ.get("USER", "")
    while True:
        typed = await line(console, f"Your name{f' [{default}]' if default else ''}:") or default
        if typed:
            return typed


async def _find(options: argparse.Namespace, console: Console, clock: Clock) -> int:
    from brinewatch.commission.draft import Draft
    from brinewatch.commission.find import Where, find
    from brinewatch.commission.findings import lines_of
    from brinewatch.commission.scans import ALL_ADDRESSES, SPEEDS

    address = options.broker or _BROKER
    host, _, port = address.rpartition(":")
    if not host or not port.isdecimal() or not 0 < int(port) < 65536:
        raise BrinewatchError(f"--broker {address!r} is no address.", "Write HOST:PORT, as 127.0.0.1:1883.")
    _refuse_while_watched(options.shed)
    where = Where(
        options.dev or Path("/dev"), options.sys or Path("/sys"), tuple(options.port), broker=(host, int(port))
    )
    if options.everything:
        where = replace(where, addresses=ALL_ADDRESSES, speeds=SPEEDS)
    console.say(
        "Only reading questions are put to the wires. What acts on any letter it hears, such as a relay board on a "
        "serial line, is unplugged first. A port takes up to a minute; --everything takes longer."
    )
    found = await find(where, clock, console.show)
    draft = Draft.read(options.shed)
    draft.found = found
    draft.keep()
    if options.json:
        sys.stdout.write(json.dumps(found.to_json(), indent=2, ensure_ascii=False) + "\n")
        return _DONE
    for told in lines_of(found):
        console.say(told)
    console.say()
    console.say(f"Kept in {draft.path}. Next: brinewatch commission write --shed {options.shed}")
    return _DONE


def _refuse_while_watched(path: Path) -> None:
    """Two masters on one wire spoil each other's answers. BrinewatchError while a watch keeps the shed."""
    from brinewatch.config import read_shed
    from brinewatch.store.lock import kept_by

    if not path.exists():
        return
    try:
        data = read_shed(path).data
    except BrinewatchError:
        return  # a file that is not in order yet runs no watch
    if keeper := kept_by(data):
        raise BrinewatchError(
            f"{data} is kept by {keeper}, which holds the wires.",
            "Stop it first (sudo systemctl stop brinewatch), search, and start it again; or see: brinewatch probes",
        )


async def _guided(options: argparse.Namespace, console: Console, clock: Clock) -> int:
    """What is done and what comes next; goes on as long as the person wants."""
    from brinewatch.calibrate.talk import line

    passed: set[str] = set()
    while (step := await _next(options, clock, passed)) is not None:
        console.say()
        console.say(f"Next: {step}, {_STEPS[step]}.")
        typed = (await line(console, "Enter to begin, s for the one after, q to stop.")).lower()
        passed.add(step)
        if typed in ("s", "skip"):
            continue
        options.sign = step == "sheet"
        try:
            await _step(step, options, console, clock)
        except BrinewatchError as error:
            console.say(f"{error.what} {error.hint}".strip())
    if options.shed.exists():
        console.say((await _keeping(options, clock, "").sheet()).sentence)
    return _DONE


async def _next(options: argparse.Namespace, clock: Clock, passed: set[str]) -> str | None:
    """The first step that is not done and has not been passed; None when there is none."""
    from brinewatch.commission.draft import Draft

    left = []
    if not options.shed.exists():
        left = ["find"] if Draft.read(options.shed).found is None else []
        left.append("write")
        return next((one for one in left if one not in passed), None)
    sheet = await _keeping(options, clock, "").sheet()
    step_of = {"Wires": "wires", "By hand": "hands", "Air off": "air", "Calling": "drill"}
    open_steps = {step_of[one.item.group] for one in sheet.open}
    left = [one for one in ("wires", "hands", "air", "drill") if one in open_steps]
    if sheet.signed is None or sheet.changes or sheet.signed.open:
        left.append("sheet")
    return next((one for one in left if one not in passed), None)
