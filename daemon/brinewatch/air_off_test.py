"""`brinewatch air-off-test`: measures a tank's own oxygen demand while somebody stands by and the air is off.

The daemon keeps the test: it sees by the air pressure when the air stops and is back, holds the alarms that follow
from it, and brings them back if this command, or the person, is gone.
"""

from __future__ import annotations

import argparse
import asyncio
import os
import signal
from collections.abc import Mapping
from math import exp
from typing import Any

from brinewatch.airtest import LONGEST_MIN, SHORTEST_MIN, Phase
from brinewatch.calibrate.console import Console, GaveUp, Terminal
from brinewatch.calibrate.held import Ask, over
from brinewatch.calibrate.talk import yes
from brinewatch.errors import BrinewatchError
from brinewatch.forecast.air_off import FLOOR_PERCENT
from brinewatch.ports import Clock
from brinewatch.terminal import AddCommand

_SAVED, _NOT_SAVED = 0, 1
_EVERY_S = 2.0

_CAUTION = (
    "All the air goes off for {minutes:g} minutes: every tank and the filter stand without it. Somebody stays at "
    "the tanks all the while and can put the air back within a minute. Put it back at once if animals gape, let go "
    "of the wall, droop their spines or gather at the surface; the figure is not worth an animal. Not while they "
    "are weak or just handled, nor in a heat wave."
)
_HANDS = (
    "Switch the blower at its own switch, with dry hands; its discharge pipe is hot. Work on mains wiring is for a "
    "licensed electrician, and local codes decide."
)
_SAY = {
    Phase.OFF: "The air is off. Watch the animals. Type q and Enter to end it at any time.",
    Phase.BACK: "PUT THE AIR BACK ON NOW ({why}). If it is not back within two minutes its alarm calls.",
    Phase.SETTLING: "The air is back. Wait until the pressure has held for a minute. Do the tanks bubble?",
}


def register(add: AddCommand) -> argparse.ArgumentParser:
    """Make the command known; the caller adds --shed."""
    command = add("air-off-test", _work, "measure a tank's oxygen demand with the air off and somebody standing by")
    command.add_argument("tank", metavar="TANK", help="the key of its stage")
    command.add_argument(
        "--minutes", type=float, default=12.0, metavar="N",
        help=f"air off for so long, {SHORTEST_MIN:.0f} to {LONGEST_MIN:.0f} (default: 12); "
        f"it ends at {FLOOR_PERCENT:.0f} %% of saturation",
    )  # fmt: skip
    command.add_argument(
        "--by", metavar="NAME", default=os.environ.get("USER", "the command line"), help="who stands by"
    )
    return command


def _work(options: argparse.Namespace) -> int:
    from brinewatch.clock import SystemClock
    from brinewatch.config import read_shed

    shed = read_shed(options.shed)
    clock = SystemClock(shed.zone)
    try:
        return asyncio.run(_main(options, clock, over(shed.data / "control.sock", clock)))
    except (KeyboardInterrupt, asyncio.CancelledError):
        return _NOT_SAVED  # the person has been told to put the air back


async def _main(options: argparse.Namespace, clock: Clock, ask: Ask) -> int:
    terminal = Terminal()
    terminal.open()
    me = asyncio.current_task()
    assert me is not None
    for one in (signal.SIGTERM, signal.SIGHUP):  # a closed window is as good as Ctrl-C
        asyncio.get_running_loop().add_signal_handler(one, me.cancel)
    try:
        return await guide(options, clock, ask, terminal)
    finally:
        terminal.close()


async def guide(options: argparse.Namespace, clock: Clock, ask: Ask, console: Console) -> int:
    """The whole test; 0 when its figure was saved. Whatever ends it, the person is told to put the air back."""
    console.say(_CAUTION.format(minutes=options.minutes))
    console.say(_HANDS)
    try:
        if not await yes(console, "Do you stand at the tanks, and can you put the air back within a minute?"):
            raise GaveUp("Then not now.")
        stirred = await yes(console, "Will somebody stir the water gently all the while? It measures better.")
    except GaveUp as why:
        console.say(f"{why} Nothing was changed.")
        return _NOT_SAVED
    request = {"tank": options.tank, "by": options.by, "minutes": options.minutes, "stirred": stirred}
    begun = await ask({"do": "air-off begin", **request})
    running = True
    try:
        console.say(f"These wait: {', '.join(begun['held'])}. Every emergency calls, and so does lost data.")
        console.say("Switch the air off now, all of it. It is seen by the air pressure.")
        last = await _follow(clock, ask, console)
        running = False
        console.say(f"The test of {begun['tank']} is over: {last['why']}. All its alarms are on again.")
        return await _result(ask, console, last)
    except GaveUp as why:
        console.say(str(why))
        return _NOT_SAVED
    finally:
        if running:
            console.say("Broken off. PUT THE AIR BACK ON NOW; its alarm calls in two minutes at most unless it is.")
            await _stop(ask, console)


async def _stop(ask: Ask, console: Console) -> None:
    try:
        await ask({"do": "air-off stop"})
    except BrinewatchError as error:
        console.say(error.what)


async def _follow(clock: Clock, ask: Ask, console: Console) -> Mapping[str, Any]:
    """Look until it is over; what the last look said."""
    before, stopping = Phase.WAITING, False
    while True:
        look = await ask({"do": "air-off stop" if stopping else "air-off look"})
        phase = Phase(look["phase"])
        if phase is Phase.OVER:
            return look
        if phase is not before:
            console.say(_SAY[phase].format(why=look["why"]))
            before = phase
        console.show(_now(phase, look))
        await clock.sleep(_EVERY_S)
        stopping = (console.typed() or "").lower() in ("q", "quit")


def _now(phase: Phase, look: Mapping[str, Any]) -> str:
    oxygen = "no oxygen reading" if look["oxygen"] is None else f"oxygen {look['oxygen']:.1f} %"
    if look["off_s"] is None:
        return f"{phase}, {oxygen}"
    low = look["lowest"]
    others = f", lowest of all tanks {low:.1f} %" if low is not None and low < (look["oxygen"] or 0.0) - 1.0 else ""
    return f"air off for {look['off_s'] / 60.0:.1f} min, {oxygen}{others}"


async def _result(ask: Ask, console: Console, look: Mapping[str, Any]) -> int:
    result = look["result"]
    if result is None:
        console.say(look["trouble"] or "Nothing was measured.")
        return _NOT_SAVED
    console.say()
    console.say(
        f"  oxygen fell by {result['fall_mg_L_h']:.2f} mg/L/h, from {result['start_mg_L']:.2f} to "
        f"{result['end_mg_L']:.2f} mg/L in {result['seconds'] / 60.0:.0f} min at {result['temperature_C']:.1f} degC"
    )
    console.say(
        f"  the whole tank uses {result['demand_mg_h'] / 1000.0:.2f} g/h, within a factor of "
        f"{exp(2.0 * result['ln_sd']):.1f} (two standard deviations)"
    )
    console.say(f"  its figures in the shed file come to {look['assumed_mg_h'] / 1000.0:.2f} g/h")
    if not await yes(console, "Save this?"):
        raise GaveUp("Nothing was saved.")
    console.say((await ask({"do": "air-off save"}))["line"])
    return _SAVED
