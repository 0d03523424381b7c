"""The questions of the first shed file, in plain words. Everything has a default or an example."""

from __future__ import annotations

import re
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import ValidationError

from brinewatch.alarms.roster import Contact
from brinewatch.commission.asker import Asker, number, words
from brinewatch.commission.findings import Found
from brinewatch.commission.plan import KINDS, SPECIES, Bus, Plan, Stop, Wire, slug
from brinewatch.commission.wiring_plan import ask_wires

_MOST_STOPS, _MOST_PEOPLE = 30, 12
_SHORT = re.compile(r"[^A-Za-z0-9 ._-]+")


async def interview(asker: Asker, found: Found, data: str = "data", etc: Path = Path("/etc")) -> Plan:
    """Ask everything; the plan of a shed file. GaveUp when the person stops; what was answered is kept.

    data: the folder of the readings that is offered.
    """
    plan = Plan()
    await _shed(asker, plan, etc)
    plan.data = await asker.ask("data", "Folder for the readings", words(200), data)
    await _water(asker, plan)
    await _air(asker, plan)
    await ask_wires(asker, plan, found)
    _by_hand(plan)
    await _ways(asker, plan, found)
    await _people(asker, plan)
    return plan


async def _shed(asker: Asker, plan: Plan, etc: Path) -> None:
    plan.name = await asker.ask("name", "What do people call the shed", words(60))
    plan.key = slug(plan.name)
    short = _SHORT.sub(" ", plan.name.upper()).strip()[:16].strip()
    plan.short_name = await asker.ask("short_name", "And in a text message (16 letters at most)", _short, short)
    plan.time_zone = await asker.ask("time_zone", "Time zone", _zone, _zone_here(etc))
    plan.altitude_m = await asker.ask("altitude", "Height above the sea, metres", number(-430, 5000), "5")


async def _water(asker: Asker, plan: Plan) -> None:
    asker.console.say()
    asker.console.say(
        "The water's way round: name each stop in the order the water runs, beginning with a tank of "
        "animals. Enter "
        "alone when the water is back where it began; - takes away one that was answered before."
    )
    for place in range(1, _MOST_STOPS + 1):
        name = await asker.ask(f"stop.{place}", f"Stop {place}", words(40, optional=place > 1))
        if not name:
            return
        kinds = [text for _, text in KINDS]
        kind = KINDS[
            await asker.choose(f"stop.{place}.kind", f"{name} is", kinds, 0 if place == 1 else len(kinds) - 1)
        ][0]
        stop = Stop(plan.free_key(name), name, kind)
        stop.volume_l = await asker.ask(
            f"stop.{place}.volume", "How much water does it hold, litres (- if not known)",
            number(0.1, 1e8, optional=True),
        )  # fmt: skip
        if kind == "animals":
            await _animals(asker, place, stop)
        plan.stops.append(stop)


async def _animals(asker: Asker, place: int, stop: Stop) -> None:
    names = [one[2] for one in SPECIES]
    which = await asker.choose(f"stop.{place}.species", "Which animals live there?", names, len(names) - 1)
    stop.animals, stop.rules, _ = SPECIES[which]
    mass = number(0, 1e6, optional=True)
    stop.biomass_kg = await asker.ask(
        f"stop.{place}.biomass", "Their live weight together, kg (- if not known)", mass
    )
    stop.diffuser_m = await asker.ask(
        f"stop.{place}.diffuser", "How deep below the surface is the deepest air stone, metres (- for none)",
        number(0.01, 10, optional=True),
    )  # fmt: skip


async def _air(asker: Asker, plan: Plan) -> None:
    asker.console.say()
    if await asker.yes("air", "Does one blower move water and air?", True):
        name = await asker.ask("air.name", "What do people call it", words(40), "Blower")
        stop = Stop(plan.free_key(name), name, "manifold", "air")
        depths = [float(one.diffuser_m) for one in plan.stops if one.diffuser_m]
        stop.diffuser_m = f"{max(depths):g}" if depths else ""
        plan.stops.append(stop)
    room = await asker.ask("room.name", "And the room all of it stands in", words(40), "Shed")
    plan.stops.append(Stop(plan.free_key(room), room, "room", "room"))


def _by_hand(plan: Plan) -> None:
    """What a test kit tells of the animals' water, entered by a person."""
    stops = [one.key for one in plan.stops if one.kind == "animals"] or [plan.stops[0].key]
    channels = [(f"{stop}.tan", list[str](), 'mg/L as N; divide a result "as NH4" by 1.288') for stop in stops]
    plan.buses["hand"] = Bus(
        "hand", "values a person enters", ['kind = "manual"'], [Wire("test-kit", [], channels)]
    )  # fmt: skip


async def _ways(asker: Asker, plan: Plan, found: Found) -> None:
    if found.modems:
        ports = [*(f"{one.port} ({one.sim}; {one.network})" for one in found.modems), "none of these"]
        asker.console.say()
        which = await asker.choose("modem", "Which modem sends the texts?", ports)
        plan.modem = found.modems[which].port if which < len(found.modems) else ""
    if found.broker and found.broker.well:
        plan.broker = f"{found.broker.host}:{found.broker.port}"


async def _people(asker: Asker, plan: Plan) -> None:
    asker.console.say()
    asker.console.say(
        "Who is called? The first is called for what is high or critical, all others when the first does not "
        "answer "
        "and for what is critical. Two at least: one phone is off sooner or later. Enter alone when there "
        "are no more."
    )
    for place in range(1, _MOST_PEOPLE + 1):
        name = await asker.ask(f"person.{place}", f"Person {place}, a short name", words(20, optional=place > 1))
        if not name:
            break
        phone = await asker.ask(f"person.{place}.phone", f"{name}'s number with + and country code", _phone)
        plan.people.append((name, phone, "high" if place == 1 else "critical"))
    if len(plan.people) == 1:
        asker.console.say("MIND: one person alone is called. Nobody else hears when that phone is off.")


def _short(typed: str) -> str:
    if not typed or len(typed) > 16 or _SHORT.search(typed):
        raise ValueError("1 to 16 of the letters A to Z, digits, blank, point, hyphen")
    return typed


def _phone(typed: str) -> str:
    try:
        return Contact.model_validate({"name": "one", "phone": typed}).phone
    except ValidationError as error:
        raise ValueError(str(error.errors()[0]["msg"]).removeprefix("Value error, ")) from None


def _zone(typed: str) -> str:
    try:
        ZoneInfo(typed)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise ValueError("a name as timedatectl prints it, like Europe/Dublin") from None
    return typed


def _zone_here(etc: Path) -> str:
    """The time zone of this machine: /etc/timezone, else where /etc/localtime leads."""
    try:
        name = (etc / "timezone").read_text(encoding="utf-8").strip()
    except OSError:
        name = str((etc / "localtime").resolve()).partition("zoneinfo/")[2]
    try:
        return _zone(name)
    except ValueError:
        return "Etc/UTC"
