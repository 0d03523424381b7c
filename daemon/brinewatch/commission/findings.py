"""What was found on a machine, as values that can be written down and read back."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Any

from pydantic import TypeAdapter, ValidationError

from brinewatch.errors import BrinewatchError

W1_ROOT, IIO_ROOT = "/sys/bus/w1/devices", "/sys/bus/iio/devices"  # what a shed file need not say


@dataclass(frozen=True, slots=True)
class PortName:
    """A serial port. name: the one that stays the same where there is one; also: its other names; holder: who has
    it open, "" for nobody."""

    name: str
    stable: bool
    also: tuple[str, ...] = ()
    holder: str = ""


@dataclass(frozen=True, slots=True)
class Guess:
    """How registers may be meant; never more than a guess. fits: quantities usually about so large in a shed."""

    table: str
    register: int
    type: str
    order: str
    scale: float
    value: float
    fits: tuple[str, ...]

    @property
    def words(self) -> str:
        how = self.type if self.type.startswith(("int16", "uint16")) else f"{self.type}, order {self.order}"
        scale = "" if self.scale == 1.0 else f", times {self.scale:g}"
        return (
            f"{self.table} register {self.register} as {how}{scale}: {self.value:g} (may be {', '.join(self.fits)})"
        )


@dataclass(frozen=True, slots=True)
class ModbusFound:
    port: str
    baud: int
    parity: str
    address: int
    guesses: tuple[Guess, ...] = ()


@dataclass(frozen=True, slots=True)
class Sdi12Found:
    """wire: settings of the bus that differ from the standard's."""

    port: str
    address: str
    identity: str
    wire: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class TalkerFound:
    """Something that speaks without being asked. text: a line of it; "" when none of the speeds made sense."""

    port: str
    baud: int
    text: str


@dataclass(frozen=True, slots=True)
class ModemFound:
    """sim: what it says of the SIM; network, signal: in words. well: whether it could send a text now."""

    port: str
    sim: str
    network: str
    signal: str
    well: bool


@dataclass(frozen=True, slots=True)
class OneWireFound:
    """A thermometer; celsius None with trouble when it gave none."""

    device: str
    celsius: float | None
    trouble: str = ""


@dataclass(frozen=True, slots=True)
class KernelInput:
    attribute: str
    value: float | None
    unit: str
    trouble: str = ""


@dataclass(frozen=True, slots=True)
class KernelDevice:
    """A converter or chip of the kernel. device: what a shed file calls it."""

    device: str
    folder: str
    inputs: tuple[KernelInput, ...]


@dataclass(frozen=True, slots=True)
class BrokerFound:
    host: str
    port: int
    well: bool
    told: str


@dataclass(frozen=True, slots=True)
class Found:
    """One search. notes: what a person should know of it, in the order it was met."""

    at: str
    ports: tuple[PortName, ...] = ()
    modbus: tuple[ModbusFound, ...] = ()
    sdi12: tuple[Sdi12Found, ...] = ()
    modems: tuple[ModemFound, ...] = ()
    talkers: tuple[TalkerFound, ...] = ()
    thermometers: tuple[OneWireFound, ...] = ()
    kernel: tuple[KernelDevice, ...] = ()
    chips: tuple[str, ...] = ()
    boards: tuple[str, ...] = ()
    broker: BrokerFound | None = None
    w1_root: str = W1_ROOT
    iio_root: str = IIO_ROOT
    notes: tuple[str, ...] = ()

    def to_json(self) -> dict[str, Any]:
        return asdict(self)


def found_of(body: Mapping[str, Any]) -> Found:
    """A search read back. BrinewatchError when it is none."""
    try:
        return TypeAdapter(Found).validate_python(body)
    except ValidationError as error:
        raise BrinewatchError(
            "What was found last cannot be read back; it may be of another version.",
            "Search again: brinewatch commission find",
        ) from error


def lines_of(found: Found) -> list[str]:
    """What was found, in short lines for a narrow terminal."""
    lines = [f"{len(found.ports)} serial ports" if found.ports else "No serial port."]
    for port in found.ports:
        lines.append(f"  {port.name}" + ("" if port.stable else " (this name may change at the next boot)"))
        if port.holder:
            lines.append(f"    in use by {port.holder}: not asked")
    for modbus in found.modbus:
        lines += [
            "",
            f"Modbus, address {modbus.address}, {modbus.baud} baud, parity {modbus.parity}",
            f"  on {modbus.port}",
        ]
        if not modbus.guesses:
            lines.append("  no register among the first reads like anything known; its manual says where to look")
        lines += [f"  guess: {guess.words}" for guess in modbus.guesses]
    for sonde in found.sdi12:
        lines += [
            "",
            f"SDI-12, address {sonde.address}: {sonde.identity or 'says nothing of itself'}",
            f"  on {sonde.port}",
        ]
    for talker in found.talkers:
        what = f"says by itself: {talker.text}" if talker.text else "says something unintelligible by itself"
        lines += ["", f"A probe that {what}", f"  on {talker.port}, {talker.baud} baud"]
        lines.append("  kind line_serial; its fields are set by hand (deploy/guides/probes.md)")
    for modem in found.modems:
        lines += ["", f"Modem: {modem.sim}; {modem.network}; {modem.signal}", f"  on {modem.port}"]
    for one in found.thermometers:
        value = one.trouble if one.celsius is None else f"{one.celsius:.1f} degC"
        lines += ["", f"Thermometer {one.device}: {value}"]
    for device in found.kernel:
        lines += ["", f"Converter or chip {device.device}"]
        for each in device.inputs:
            value = each.trouble if each.value is None else f"{each.value:g} {each.unit}".rstrip()
            lines.append(f"  {each.attribute}: {value}")
    if found.chips:
        lines += ["", f"Digital inputs: {', '.join(found.chips)}"]
    if found.boards:
        lines += ["", f"The kernel also watches: {', '.join(found.boards)}"]
    if found.broker:
        lines += ["", f"Broker at {found.broker.host}:{found.broker.port}: {found.broker.told}"]
    return [*lines, *([""] if found.notes else []), *found.notes]
