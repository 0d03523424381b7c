"""The steps that want somebody there: air off, the first drill, and what only eyes and hands can prove."""

from __future__ import annotations

import argparse
from collections.abc import Mapping, Sequence
from typing import Any

from brinewatch.air_off_test import guide
from brinewatch.calibrate.console import Console
from brinewatch.calibrate.talk import choice, line, yes
from brinewatch.commission.keeping import Keeping
from brinewatch.drill_command import follow
from brinewatch.errors import BrinewatchError
from brinewatch.proving.items import HANDS, Outcome, air_off_tanks

AIR_OFF_MIN = 12.0
_WATCH_FIRST = BrinewatchError(
    "This step wants the watch running: its alarms stay in force meanwhile.",
    "Start it (sudo systemctl start brinewatch, or bash deploy/run my-shed.toml), then try again.",
)
_HANDS_CAUTION = (
    "What no wire can prove. Answer what you have seen today with your own eyes. Whatever means opening "
    "a mains box is "
    "a licensed electrician's; ozone and ultraviolet lamps are off while a lid is open; air pipes near "
    "the blower burn; "
    "nobody enters a pit or closed room alone; lithium batteries are charged away from the tanks and never wet."
)


async def air_off(keeping: Keeping, console: Console, tank: str | None, minutes: float = AIR_OFF_MIN) -> int:
    """The air-off test of one tank, kept as its proof. 0 when its figure was saved."""
    tanks = air_off_tanks(keeping.shed)
    if not tanks:
        raise BrinewatchError(
            "No tank of animals has an oxygen probe and its biomass in the shed file.",
            "Without one the time that is left after an air stop cannot be measured, only assumed.",
        )
    if not await keeping.running():
        raise _WATCH_FIRST
    if tank is None:
        tank = tanks[await choice(console, "Which tank?", tanks)]
    if tank not in tanks:
        raise BrinewatchError(f"{tank!r} is no such tank.", f"Known: {', '.join(tanks)}.")
    options = argparse.Namespace(tank=tank, minutes=minutes, by=keeping.by)
    saved = await guide(options, keeping.clock, keeping.ask, console) == 0
    if saved:
        console.say(await keeping.prove(f"air-off:{tank}", Outcome.PROVEN, "figure measured and saved"))
    return 0 if saved else 1


async def first_drill(keeping: Keeping, console: Console) -> int:
    """A drill, kept as proof that a call gets through. 0 when somebody answered."""
    if not await keeping.running():
        raise _WATCH_FIRST
    console.say(
        "Everybody who would be called at night is called, marked DRILL. Tell those who drive or sleep, or do not: "
        "both are worth knowing. Real alarms call all the while."
    )
    if not await yes(console, "Begin?"):
        return 1
    options = argparse.Namespace(alarm=None, by=keeping.by)
    await follow(options, keeping.clock, keeping.ask)
    told = await keeping.ask({"do": "drill look"})
    outcome, detail = _drill_outcome(told)
    console.say(await keeping.prove("drill", outcome, detail))
    return 0 if outcome is Outcome.PROVEN else 1


def _drill_outcome(told: Mapping[str, Any]) -> tuple[Outcome, str]:
    called = ", ".join(told["told"]) or "nobody"
    if told["answered"]:
        name, minutes = told["answered"][0]
        return Outcome.PROVEN, f"{name} answered after {minutes:.1f} min; called: {called}"
    return Outcome.FAILED, f"{told['over']}; called: {called}"


async def by_hand(keeping: Keeping, console: Console, keys: Sequence[str] = ()) -> int:
    """Ask what only eyes and hands can prove; what is settled is not asked again unless it is named. 0 when all is
    settled."""
    lines = [one for one in (await keeping.sheet()).lines if one.item in HANDS]
    known = [one.item.key.removeprefix("hand:") for one in lines]
    if unknown := [one for one in keys if one not in known]:
        raise BrinewatchError(f"There is nothing called {', '.join(unknown)}.", f"Known: {', '.join(known)}.")
    asked = [
        one for one in lines if (one.item.key.removeprefix("hand:") in keys if keys else not one.state.settled)
    ]  # fmt: skip
    if not asked:
        console.say("All of it is settled. To answer one again, name it.")
        return 0
    console.say(_HANDS_CAUTION)
    console.say("y: seen today. n: it failed. x: does not apply here. Enter: later. q: stop.")
    left = 0
    for one in asked:
        console.say()
        console.say(f"{one.item.title}. {one.item.how}")
        outcome = await _answer(console)
        if outcome is None:
            left += 1
            continue
        why = "" if outcome is Outcome.PROVEN else await _reason(console)
        console.say(await keeping.prove(one.item.key, outcome, why))
        left += outcome is Outcome.FAILED
    return 1 if left else 0


async def _answer(console: Console) -> Outcome | None:
    known = {"y": Outcome.PROVEN, "yes": Outcome.PROVEN, "n": Outcome.FAILED, "no": Outcome.FAILED,
             "x": Outcome.NOT_HERE}  # fmt: skip
    while True:
        typed = (await line(console, "[y/n/x/Enter]")).lower()
        if not typed:
            return None
        if typed in known:
            return known[typed]
        console.say(f"{typed!r} is none of y, n, x; Enter leaves it for later.")


async def _reason(console: Console) -> str:
    while not (typed := await line(console, "Why, in a few words:")):
        console.say("A few words are needed: the next person has only these.")
    return typed
