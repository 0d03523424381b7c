"""The faults a simulated shed knows by itself: of its plant, of its probes, of their wires."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from brinewatch.errors import BrinewatchError
from brinewatch.moment import Moment
from brinewatch.simulator.faults import Faults, Switch
from brinewatch.simulator.sensors import Sensor
from brinewatch.simulator.shed import ShedModel
from brinewatch.simulator.terminal import PtyEnd

# fault by name -> what it does to the answers of a probe's wire
_ON_THE_WIRE = {
    "probe-silent": ("silent", "hears the request and does not answer"),
    "probe-garbled": ("garbled", "a bit of each answer is turned over"),
    "probe-short": ("short", "each answer ends too early"),
    "probe-late": ("late", "each answer comes seconds late"),
    "probe-foreign": ("foreign-address", "answers under another's address"),
    "probe-fails": ("device-failure", "answers that it cannot measure"),
    "probe-power-on": ("power-on", "a thermometer without power: 85 degC"),
    "probe-zeros": ("zeros", "a thermometer's line stuck low"),
    "probe-bad-sum": ("bad-crc", "a thermometer's checksum is wrong"),
}


@dataclass(frozen=True, slots=True)
class Probe:
    """What faults can do to one probe. wire: sets a wire fault or None; unplug: takes the device off its wire."""

    name: str
    sensors: tuple[Sensor, ...]
    wire: Callable[[str | None], None] | None = None
    wire_faults: tuple[str, ...] = ()
    unplug: Callable[[bool], None] | None = None


def register_mishaps(
    faults: Faults, model: ShedModel, probes: Mapping[str, Probe], ends: Mapping[str, PtyEnd],
    now: Callable[[], Moment],
) -> None:  # fmt: skip
    """Make all of them known. ends: the serial adapters, which can be pulled like a probe."""

    def plant(field: str, broken: float | bool, whole: float | bool, low: float = 0.0, high: float = 0.0) -> Switch:
        def switch(on: bool, amount: str | None = None) -> None:
            value = broken if amount is None else _number(amount, low, high)
            model.change(now(), **{field: value if on else whole})

        return switch

    faults.register("blower-stop", plant("blower", False, True), about="the blower's motor stands still")
    faults.register("mains-off", plant("mains", False, True), about="no mains: the blower stands, probes go on")
    faults.register(
        "line-burst", plant("burst", 1.0, 0.0, 0.01, 1.0), "[SHARE]",
        "the air line comes off behind the blower; SHARE 0.01 a pinhole to 1 all of it",
    )  # fmt: skip
    faults.register(
        "diffusers-foul", plant("blocked", 8.0, 1.0, 1.0, 1000.0), "[TIMES]",
        "diffusers lose so many times their clean pressure, 8 when not said; 30 opens the relief valve",
    )  # fmt: skip
    faults.register(
        "sump-leaks", plant("leak_L_min", 10.0, 0.0, 0.01, 1000.0), "[L/MIN]",
        "water runs out of the sump, 10 L/min when not said",
    )  # fmt: skip

    faults.register(
        "standby-ready", plant("standby", True, False), about="a stand-by blower takes over when the first stands"
    )
    faults.register(
        "attended-switch", plant("attended", True, False), about="the switch for work in the shed is on"
    )

    def probe(name: str) -> Probe:
        if name not in probes:
            raise BrinewatchError(f"There is no probe {name!r}.", f"There are: {', '.join(probes)}.")
        return probes[name]

    def unplugged(on: bool, name: str) -> None:
        if name in ends:
            (ends[name].unplug if on else ends[name].plug)()
            return
        one = _probe_or_port(name)
        for sensor in one.sensors:
            sensor.unplugged = on
        if one.unplug is not None:
            one.unplug(on)

    def _probe_or_port(name: str) -> Probe:
        if name not in probes:
            known = ", ".join([*probes, *ends])
            raise BrinewatchError(f"There is no probe or port {name!r}.", f"There are: {known}.")
        return probes[name]

    def frozen(on: bool, name: str) -> None:
        for sensor in probe(name).sensors:
            if on:
                sensor.freeze(now())
            else:
                sensor.thaw()

    def noisy(on: bool, name: str) -> None:
        for sensor in probe(name).sensors:
            sensor.noisy = on

    faults.register("probe-unplugged", unplugged, "NAME", "the cable is off; NAME may be the port rs485 or line")
    faults.register("probe-frozen", frozen, "NAME", "the probe goes on sending the same number")
    faults.register("probe-noisy", noisy, "NAME", "thirty times the noise, with spikes; a switch chatters")

    def wire(mode: str) -> Switch:
        def switch(on: bool, name: str) -> None:
            one = probe(name)
            if one.wire is None or mode not in one.wire_faults:
                able = ", ".join(other for other, two in probes.items() if mode in two.wire_faults)
                raise BrinewatchError(f"{name} cannot fail that way.", f"These can: {able}.")
            one.wire(mode if on else None)

        return switch

    for name, (mode, about) in _ON_THE_WIRE.items():
        faults.register(name, wire(mode), "NAME", about)


def _number(text: str, low: float, high: float) -> float:
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not low <= value <= high:
        raise BrinewatchError(f"{text!r} is not a number from {low:g} to {high:g}.")
    return value
