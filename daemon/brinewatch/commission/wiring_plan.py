"""Which of what was found feeds which point: asked device by device."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from pathlib import Path

from brinewatch.commission.asker import Asker, number, quoted
from brinewatch.commission.findings import IIO_ROOT, W1_ROOT, Found, Guess, KernelInput, ModbusFound
from brinewatch.commission.kernel import thermometers
from brinewatch.commission.plan import Bus, Plan, Wire, slug
from brinewatch.quantities import QUANTITIES

_LEAVE = "leave it out for now"
_EVERY_S = 0.5
# what hangs on a converter's input, with what people call it
_ANALOGUE: tuple[tuple[str, str], ...] = (
    ("", "nothing, or leave it out for now"),
    ("air_pressure", "the pressure of the blower's air"),
    ("branch_pressure", "the pressure in a branch of the air"),
    ("motor_current", "the blower's current (a clamp)"),
    ("water_level", "a water level"),
    ("water_flow", "a water flow"),
    ("temperature", "a water temperature"),
)


async def ask_wires(asker: Asker, plan: Plan, found: Found) -> None:
    """Fill the plan's buses."""
    asker.console.say()
    if not (found.modbus or found.sdi12 or found.thermometers or found.kernel):
        asker.console.say(
            "No probe was found; the file is written without. Add them later (deploy/guides/probes.md)."
        )
    for device in found.modbus:
        await _modbus(asker, plan, device)
    await _sdi12(asker, plan, found)
    await _thermometers(asker, plan, found)
    await _kernel(asker, plan, found)
    await _mains(asker, plan, found)


async def _stage(asker: Asker, key: str, plan: Plan, quantity: str, taken: Sequence[str] = ()) -> str:
    """Where a probe sits: the key of a stage, that which fits the quantity first. "" when each has one already.

    taken: points of the probe that is being asked about.
    """
    path = {"air_pressure": "air", "branch_pressure": "air", "motor_current": "air", "barometric_pressure": "room",
            "air_temperature": "room", "mains": "room"}.get(quantity, "water")  # fmt: skip
    known = {*plan.points(), *taken}
    stops = [one for one in plan.stops if f"{one.key}.{quantity}" not in known]
    if not stops:
        asker.console.say(f"Every place has a probe for {QUANTITIES[quantity].name} already: it is left out.")
        return ""
    default = next((place for place, one in enumerate(stops) if one.path == path), 0)
    return stops[await asker.choose(key, "Where is it?", [one.name for one in stops], default)].key


def _wire_name(plan: Plan, text: str) -> str:
    return slug(text, [wire.name for bus in plan.buses.values() for wire in bus.wires])


async def _modbus(asker: Asker, plan: Plan, device: ModbusFound) -> None:
    asker.console.say(f"Modbus device, address {device.address} on {device.port}")
    channels: list[tuple[str, list[str], str]] = []
    seen: set[tuple[str, int]] = set()
    for guess in device.guesses:
        place = (guess.table, guess.register)
        if place in seen:
            continue
        ways = [one for one in device.guesses if (one.table, one.register) == place]
        options = [(way, quantity) for way in ways for quantity in way.fits]
        names = [f"{QUANTITIES[quantity].name}: {_read(way)}" for way, quantity in options]
        key = f"modbus.{device.port}.{device.address}.{guess.table}.{guess.register}"
        question = f"{guess.table} register {guess.register}: what is it? Guesses; the maker's table decides."
        seen.add(place)
        # a guess is nobody's default: what is not known is left out
        which = await asker.choose(key, question, [*names, _LEAVE], len(names))
        if which == len(names):
            continue
        way, quantity = options[which]
        stage = await _stage(asker, f"{key}.stage", plan, quantity, [point for point, _, _ in channels])
        if not stage:
            continue
        lines = [f"table = {quoted(way.table)}", f"register = {way.register}", f"type = {quoted(way.type)}"]
        if way.type == "float32":
            lines.append(f"order = {quoted(way.order)}  # a guess, until its wire is proven")
        if way.scale != 1.0:
            lines.append(f"scale = {way.scale:g}  # a guess, until its wire is proven")
        channels.append((f"{stage}.{quantity}", lines, f"read {way.value:g} when it was found"))
    if not channels:
        return
    lines = [
        'kind = "modbus_rtu"', f"port = {quoted(device.port)}", f"baud = {device.baud}",
        f"parity = {quoted(device.parity)}",
    ]  # fmt: skip
    wire = Wire(_wire_name(plan, f"modbus-{device.address}"), [f"address = {device.address}"], channels)
    _bus_at(plan, device.port, Bus("rs485", "Modbus RTU", lines, [])).wires.append(wire)


def _read(way: Guess) -> str:
    how = f"as float, {way.order}" if way.type == "float32" else f"({way.type} times {way.scale:g})"
    return f"{way.value:g} {how}"


async def _sdi12(asker: Asker, plan: Plan, found: Found) -> None:
    for probe in found.sdi12:
        asker.console.say(f"SDI-12 probe, address {probe.address}: {probe.identity or 'unnamed'}")
        key = f"sdi12.{probe.port}.{probe.address}"
        asked = (
            "What does it measure, in its own order (like: temperature, oxygen; ? for all words; - to leave it out)"
        )
        typed = await asker.ask(key, asked, _quantities)
        if not typed:
            continue
        channels: list[tuple[str, list[str], str]] = []
        for place, quantity in enumerate(typed.split(", "), 1):
            taken = [point for point, _, _ in channels]
            stage = await _stage(asker, f"{key}.{place}.stage", plan, quantity, taken)
            if stage:
                channels.append((f"{stage}.{quantity}", [f"value = {place}"], ""))
        if channels:
            more = [f"{one} = {quoted(value) if isinstance(value, str) else f'{value:g}'}"
                    for one, value in probe.wire.items()]  # fmt: skip
            lines = ['kind = "sdi12"', f"port = {quoted(probe.port)}", *more]
            wire = Wire(
                _wire_name(plan, f"sdi12-{probe.address}"), [f"address = {quoted(probe.address)}"], channels
            )
            _bus_at(plan, probe.port, Bus("sdi", "SDI-12", lines, [])).wires.append(wire)


def _bus_at(plan: Plan, port: str, made: Bus) -> Bus:
    """The bus at this port; the one that was made for it where there is none yet."""
    for bus in plan.buses.values():
        if f"port = {quoted(port)}" in bus.lines:
            return bus
    made.name = slug(made.name, list(plan.buses))
    plan.buses[made.name] = made
    return made


def _quantities(typed: str) -> str:
    known = sorted(key for key, one in QUANTITIES.items() if not one.derived and key != "health")
    named = [one.strip().lower().replace(" ", "_") for one in typed.split(",") if one.strip()]
    for one in named:
        if one not in known:
            raise ValueError(f"words of: {', '.join(known)}")
    if len(set(named)) < len(named):
        raise ValueError("each word once")
    return ", ".join(named)


async def _thermometers(asker: Asker, plan: Plan, found: Found) -> None:
    wires = []
    question = "Watch them live, to see which one you warm in your hand?"
    if len(found.thermometers) > 1 and await asker.yes("onewire.watch", question, False):
        await _watch(asker, Path(found.w1_root))
    for one in found.thermometers:
        now = one.trouble if one.celsius is None else f"reads {one.celsius:.1f} degC"
        asker.console.say(f"Thermometer {one.device} {now}.")
        key = f"onewire.{one.device}"
        what = ("temperature", "air_temperature", "")
        names = ["a water temperature", "an air temperature", _LEAVE]
        quantity = what[await asker.choose(key, "What does it measure?", names)]
        if not quantity:
            continue
        stage = await _stage(asker, f"{key}.stage", plan, quantity)
        if not stage:
            continue
        name = _wire_name(plan, f"{stage}-thermometer")
        wires.append(Wire(name, [f"device = {quoted(one.device)}"], [(f"{stage}.{quantity}", [], "")]))
        plan.buses["w1"] = Bus(
            "w1", "DS18B20 thermometers", ['kind = "onewire"', *_root(found.w1_root, W1_ROOT)], wires
        )


def _root(found: str, usual: str) -> list[str]:
    return [] if found == usual else [f"root = {quoted(found)}"]


async def _watch(asker: Asker, root: Path) -> None:
    """Show all thermometers by the end of their names, until something is typed."""
    asker.console.say("Warm them one after the other. Enter when you know which is which.")
    while asker.console.typed() is None:
        with asker.clock.hold():
            seen = await asyncio.to_thread(thermometers, root)
        told = (
            f"..{one.device[-4:]} {'no value' if one.celsius is None else f'{one.celsius:.1f}'}" for one in seen
        )
        asker.console.show("  ".join(told))
        await asker.clock.sleep(_EVERY_S)


async def _kernel(asker: Asker, plan: Plan, found: Found) -> None:
    lines = ['kind = "iio"', *_root(found.iio_root, IIO_ROOT)]
    bus = Bus("iio", "converters and chips of the kernel", lines, [])
    for device in found.kernel:
        made = [await _input(asker, plan, device.device, each) for each in device.inputs]
        channels = [one for one in made if one is not None]
        if channels:
            plan.buses["iio"] = bus
            name = _wire_name(plan, device.device)
            bus.wires.append(Wire(name, [f"device = {quoted(device.device)}"], channels))


async def _input(asker: Asker, plan: Plan, device: str, each: KernelInput) -> tuple[str, list[str], str] | None:
    key = f"iio.{device}.{each.attribute}"
    now = each.trouble if each.value is None else f"{each.value:g} {each.unit}".rstrip()
    line = [f"attribute = {quoted(each.attribute)}"]
    if each.attribute.startswith("pressure"):
        question = f"{device} measures a pressure, now {now}. Is it the barometer of the room?"
        if not await asker.yes(key, question, True):
            return None
        stage = await _stage(asker, f"{key}.stage", plan, "barometric_pressure")
        return (f"{stage}.barometric_pressure", line, "") if stage else None
    if not each.attribute.startswith(("voltage", "current")):
        return None
    question = f"{device}, input {each.attribute}, now {now}. What hangs on it?"
    quantity = _ANALOGUE[await asker.choose(key, question, [text for _, text in _ANALOGUE])][0]
    if not quantity:
        return None
    stage = await _stage(asker, f"{key}.stage", plan, quantity)
    if not stage:
        return None
    unit = QUANTITIES[quantity].unit
    any_number = number(-1e6, 1e6)
    if each.attribute.startswith("voltage") and not await asker.yes(
        f"{key}.loop", "Is it a 4 to 20 mA loop?", True
    ):
        scale = await asker.ask(f"{key}.scale", f"How many {unit} for each millivolt", _not_zero)
        return f"{stage}.{quantity}", [*line, f"scale = {scale}"], ""
    low = await asker.ask(f"{key}.low", f"What does 4 mA stand for, {unit}", any_number)
    high = await asker.ask(f"{key}.high", f"And 20 mA, {unit}", any_number)
    shunt = ""
    if each.attribute.startswith("voltage"):
        ohm = await asker.ask(
            f"{key}.shunt", "The resistor over which it is measured, ohm (read it off)", number(1, 10000), "165"
        )
        shunt = f"shunt_ohm = {ohm}, "
    loop = f"loop = {{ {shunt}low = {low}, high = {high} }}  # outside 3.6 to 21 mA it failed (NAMUR NE 43)"
    return f"{stage}.{quantity}", [*line, loop], ""


async def _mains(asker: Asker, plan: Plan, found: Found) -> None:
    if not found.chips:
        return
    asker.console.say(
        "Is mains sensed by an isolated relay or opto-isolator on a digital input? An electrician wires it, "
        "ahead of the "
        "battery supply."
    )
    pin = await asker.ask("mains", "Number of its line, like 17 (- for none)", _line)
    if not pin:
        return
    stage = await _stage(asker, "mains.stage", plan, "mains")
    if not stage:
        return
    wire = Wire("mains", ["every_s = 1"], [(f"{stage}.mains", [f"line = {pin}", "active_low = true"], "")])
    plan.buses["inputs"] = Bus(
        "inputs", "switches", ['kind = "gpio"', f"device = {quoted(found.chips[0])}"], [wire]
    )


def _line(typed: str) -> str:
    if typed and not (typed.isdecimal() and int(typed) < 1000):
        raise ValueError("a line's number, like 17")
    return typed


_not_zero_number = number(-1e6, 1e6)


def _not_zero(typed: str) -> str:
    text = _not_zero_number(typed)
    if float(text) == 0:
        raise ValueError("a number other than 0")
    return text
