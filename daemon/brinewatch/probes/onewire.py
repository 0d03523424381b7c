"""DS18B20 thermometers through the kernel's 1-Wire files.

The kernel prints the nine bytes of the scratchpad; all are judged again here, since it says YES to a bus stuck low
(the checksum of zeros is zero). Layout: Maxim DS18B20 datasheet, memory map; text: kernel w1_therm.c.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path
from typing import Literal

from pydantic import Field

from brinewatch.errors import BadAnswer, NoAnswer, PortLost
from brinewatch.ports import Clock
from brinewatch.probes.blocking import TreeBus, read_text
from brinewatch.probes.common import ChannelSettings, ProbeSettings, sample_of
from brinewatch.readings import Sample
from brinewatch.settings import Settings

_LINE = re.compile(r"((?:[0-9a-f]{2} ){9}): crc=([0-9a-f]{2}) (YES|NO)\n((?:[0-9a-f]{2} ){9})t=(-?\d{1,7})\n?")
# configuration register (byte 4) -> bits of the number that are not defined at that resolution
_UNDEFINED_BITS = {0x1F: 0x7, 0x3F: 0x3, 0x5F: 0x1, 0x7F: 0x0}
_POWER_ON = 0x0550  # 85 degC, what the register holds before the first conversion
# byte 6 is "reserved" in the datasheet; chips hold 0x0C there until a conversion has ended (common practice)
_NOT_CONVERTED = 0x0C
_LOW_MC, _HIGH_MC = -55_000, 125_000


class OneWireProbe(ProbeSettings):
    """One thermometer."""

    device: str = Field(pattern=r"^28-[0-9a-f]{12}$", description="its folder under `root`, like 28-0000075ab3c1")
    channel: list[ChannelSettings] = Field(max_length=1, description="the temperature")


class OneWireSettings(Settings):
    """The kernel's 1-Wire bus."""

    kind: Literal["onewire"]
    root: str = Field("/sys/bus/w1/devices", description="where the kernel shows the devices")
    probe: list[OneWireProbe] = Field(min_length=1, description="the thermometers")


class OneWireBus(TreeBus):
    """Thermometers of one 1-Wire tree. A conversion blocks for up to 750 ms, in a thread of its own."""

    missing = ("There is no 1-Wire bus at {root}.", "Switch it on (dtoverlay=w1-gpio) and restart the Pi.")

    def __init__(self, name: str, settings: OneWireSettings, clock: Clock, root: Path) -> None:
        super().__init__(name, clock, root)
        self._probes = {probe.name: probe for probe in settings.probe}

    async def read(self, probe: str) -> Sequence[Sample]:
        settings = self._probes[probe]
        path = self._root / settings.device / "w1_slave"
        try:
            text = await self._reader.call(probe, lambda: read_text(str(path), f"Thermometer {settings.device}"))
        except PortLost as error:
            # one thermometer gone is not the bus gone
            raise NoAnswer(error.what, error.hint) from error
        celsius = temperature_mc(text) / 1000
        channel = settings.channel[0]
        return [sample_of(channel, probe, celsius, self._clock.now(), unit="degC")]


def temperature_mc(text: str) -> int:
    """Thousandths of a degree Celsius in a w1_slave text, as the kernel truncates them.

    Raises NoAnswer for an empty text and BadAnswer for a scratchpad no temperature may be made of.
    """
    if not text.strip():
        raise NoAnswer("The thermometer gave no answer.", "Check its three wires and the pull-up resistor.")
    match = _LINE.fullmatch(text)
    if match is None:
        raise BadAnswer(f"The kernel's text for the thermometer is garbled: {text[:60]!r}.")
    pad, again = bytes.fromhex(match[1]), bytes.fromhex(match[4])
    if pad == b"\xff" * 9:
        raise NoAnswer("The thermometer gave no answer: the 1-Wire line stays high.", "Check its data wire.")
    if pad == b"\x00" * 9:
        raise BadAnswer("The 1-Wire line is stuck low.", "Look for a short between data and ground.")
    if match[3] != "YES" or crc8(pad[:8]) != pad[8] or int(match[2], 16) != pad[8] or again != pad:
        raise BadAnswer("The checksum of the thermometer's answer is wrong.", "Check cable, joints and pull-up.")
    if pad[4] not in _UNDEFINED_BITS:
        raise BadAnswer(f"This is no DS18B20: its configuration byte reads {pad[4]:02x}.")
    raw = int.from_bytes(pad[:2], "little", signed=True)
    if raw == _POWER_ON and pad[6] == _NOT_CONVERTED:
        raise BadAnswer(
            "The thermometer lost power before measuring (85 degC power-on value).", "Check its supply."
        )
    defined = raw & ~_UNDEFINED_BITS[pad[4]]
    known = {_milli(raw), _milli(defined)}
    if not _LOW_MC <= _milli(raw) <= _HIGH_MC:
        raise BadAnswer("The thermometer has too little power to measure.", "Give it a supply wire of its own.")
    if int(match[5]) not in known:
        raise BadAnswer(f"The kernel's number {match[5]} does not follow from the bytes {match[1].strip()}.")
    return _milli(defined)


def _milli(raw: int) -> int:
    """Sixteenths of a degree to thousandths, truncated toward zero as C does."""
    return raw * 1000 // 16 if raw >= 0 else -(-raw * 1000 // 16)


def crc8(data: bytes) -> int:
    """CRC-8 of the 1-Wire bus (Maxim application note 27): x^8+x^5+x^4+1, reflected, start 0."""
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ 0x8C if crc & 1 else crc >> 1
    return crc
