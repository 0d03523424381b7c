"""Questions, each asked until the answer makes sense; and what a reference's true value hangs on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from brinewatch.calibrate.console import Asked, Console, GaveUp
from brinewatch.calibrate.held import Water
from brinewatch.quantities import QUANTITIES
from brinewatch.seawater.electrode import BUFFERS
from brinewatch.signals import truths
from brinewatch.signals.calibrating import unit_of
from brinewatch.signals.records import Reference

_GIVE_UP = ("q", "quit")
_OWN_STANDARD = "another bottle"


def shown(quantity: str, value: float | None) -> str:
    """A value with one decimal more than people are usually shown, and its unit."""
    if value is None:
        return "no value"
    return f"{value:.{QUANTITIES[quantity].decimals + 1}f} {unit_of(quantity)}".rstrip()


async def line(console: Console, question: str, asked: Asked | None = None) -> str:
    """What was typed. GaveUp when that is q."""
    answer = await console.ask(question, asked)
    if answer.lower() in _GIVE_UP:
        raise GaveUp("You gave up.")
    return answer


async def number(console: Console, question: str, default: float | None = None, digits: int = 1) -> float:
    """A number; Enter alone takes the default, where there is one."""
    hint = f" [{default:.{digits}f}]" if default is not None else ""
    while True:
        answer = await line(console, f"{question}{hint}:", Asked(question, default=hint.strip(" []")))
        if not answer and default is not None:
            return default
        try:
            value = float(answer.replace(",", "."))
        except ValueError:
            value = float("nan")
        if value - value == 0.0:  # finite
            return value
        console.say(f"{answer!r} is not a number; type one like 12.5.")


async def optional(console: Console, question: str) -> float | None:
    """A number, or None for Enter alone."""
    while True:
        answer = await line(console, f"{question}:", Asked(question))
        if not answer:
            return None
        try:
            return float(answer.replace(",", "."))
        except ValueError:
            console.say(f"{answer!r} is not a number; type one, or Enter for none.")


async def choice(console: Console, question: str, names: Sequence[str]) -> int:
    """The index of one of several; the first for Enter alone."""
    if len(names) == 1:
        return 0
    asked = Asked(question, [(str(place), name) for place, name in enumerate(names, 1)])
    console.say(question)
    for place, name in enumerate(names, 1):
        console.say(f"  {place}. {name}")
    while True:
        answer = await line(console, "Which [1]:", asked)
        if not answer:
            return 0
        if answer.isdigit() and 1 <= int(answer) <= len(names):
            return int(answer) - 1
        console.say(f"Type a number from 1 to {len(names)}.")


async def yes(console: Console, question: str) -> bool:
    """True only for the whole word yes."""
    asked = Asked(question, [("yes", "Yes"), ("", "No")])
    return (await line(console, f"{question} Type yes, or Enter for no:", asked)).lower() == "yes"


@dataclass
class Conditions:
    """What is known of the liquid the probe sits in; answers are offered again at the next point."""

    water: Water
    own_temperature: float | None = None  # by a thermometer of the same probe, as it is now
    asked_temperature: float | None = None
    used: set[str] = field(default_factory=set)

    def using(self, truth: truths.Truth) -> truths.Truth:
        """The same again, noted so that it is not offered for the next point."""
        self.used.add(truth.name)
        return truth

    @property
    def temperature(self) -> float | None:
        for known in (self.own_temperature, self.asked_temperature, self.water.temperature):
            if known is not None:
                return known
        return None


async def truth(console: Console, quantity: str, reference: Reference, about: Conditions) -> truths.Truth:
    """Ask what the reference's value hangs on, and work it out. ValueError outside its table."""
    match reference:
        case Reference.ZERO_OXYGEN:
            return truths.zero_oxygen(quantity)
        case Reference.OPEN_AIR:
            return truths.open_air(quantity)
        case Reference.ICE:
            return truths.ice()
        case Reference.INSTRUMENT:
            unit = unit_of(quantity)
            value = await number(console, f"What the reference instrument shows{f', {unit}' if unit else ''}")
            doubt = await optional(console, "How far off it may be, one standard uncertainty (Enter: as usual)")
            return truths.instrument(quantity, value, doubt)
        case Reference.AIR_SATURATED:
            degrees = await _temperature(console, "that water", about)
            if quantity == "oxygen_saturation":
                return truths.air_saturated_percent(degrees)
            salt = await number(console, "Salinity of that water, 0 for fresh water", about.water.salinity)
            return truths.air_saturated(degrees, salt, await _station(console, about.water))
        case Reference.BUFFER:
            left = [name for name in BUFFERS if name not in about.used]
            name = left[await choice(console, "Which buffer is it in?", [f"pH {one}" for one in left])]
            degrees = await _temperature(console, "the buffer", about)
            return about.using(truths.buffer(quantity, name, degrees))
        case Reference.STANDARD:
            left = [name for name in truths.STANDARDS if name not in about.used]
            names = [*left, _OWN_STANDARD]
            name = names[await choice(console, "Which standard is it in?", names)]
            degrees = await _temperature(console, "the standard", about)
            label = None
            if name == _OWN_STANDARD:
                label = await number(console, f"Its conductivity at {degrees:.1f} degC by the label, mS/cm")
            return about.using(truths.conductivity_standard(quantity, name, degrees, label))


async def _temperature(console: Console, what: str, about: Conditions) -> float:
    about.asked_temperature = await number(console, f"Temperature of {what}, degC", about.temperature)
    return about.asked_temperature


async def _station(console: Console, water: Water) -> truths.Station:
    if water.barometric_pressure is not None:
        given = await number(console, "Station pressure, hPa", water.barometric_pressure)
        return truths.station(given, water.altitude_m)
    console.say(
        "No barometer is read here. Take the pressure from one in the shed, never from a forecast: that is reduced "
        "to sea level."
    )
    typed = await optional(console, f"Station pressure, hPa (Enter: the mean at {water.altitude_m:.0f} m)")
    return truths.station(typed, water.altitude_m)
