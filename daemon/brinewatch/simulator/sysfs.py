"""What the kernel would show: 1-Wire thermometers, IIO converters and digital inputs, as files under a folder.

Formats: kernel drivers/w1/slaves/w1_therm.c and Documentation/ABI/testing/sysfs-bus-iio. Each file is replaced
whole, so that a reader never sees half of one.
"""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, Protocol

from brinewatch.moment import Moment
from brinewatch.simulator.sensors import Sensor

_MEMORY = Path("/dev/shm")  # noqa: S108
_PREFIX = "brinewatch-"

ThermometerFault = Literal["empty", "power-on", "zeros", "bad-crc"]


class Source(Protocol):
    """One device: relative path -> text of each of its files at a moment."""

    def files(self, now: Moment) -> Mapping[str, str]: ...


@dataclass(slots=True)
class Thermometer:
    """A DS18B20 at 12 bits. identity: twelve hex digits. Sensor in degC; None shows as empty files."""

    identity: str
    sensor: Sensor
    fault: ThermometerFault | None = None

    def files(self, now: Moment) -> Mapping[str, str]:
        folder, value = f"28-{self.identity}", self.sensor.read(now)
        if value is None or self.fault == "empty":
            # w1_therm's show functions return 0 bytes when the chip does not answer
            return {f"{folder}/w1_slave": "", f"{folder}/temperature": ""}
        raw = 0x0550 if self.fault == "power-on" else max(-880, min(2000, round(value * 16)))
        pad = _scratchpad(raw, converted=self.fault != "power-on")
        verdict = "YES"
        if self.fault == "zeros":
            raw, pad = 0, bytes(9)  # line stuck low: the checksum of zeros is right
        elif self.fault == "bad-crc":
            pad, verdict = bytes((pad[0] ^ 0x04,)) + pad[1:], "NO"
        shown = pad.hex(" ")
        milli = int(raw * 1000 / 16)  # the kernel truncates toward zero
        crc = _crc8(pad[:8])
        return {
            f"{folder}/w1_slave": f"{shown} : crc={crc:02x} {verdict}\n{shown} t={milli}\n",
            f"{folder}/temperature": f"{milli}\n",
        }


def _scratchpad(raw: int, *, converted: bool) -> bytes:
    """DS18B20 memory map (Maxim datasheet): temperature, alarm limits, configuration, reserved, checksum."""
    reserved = 0x10 - (raw & 0xF) if converted else 0x0C
    pad = raw.to_bytes(2, "little", signed=True) + bytes((0x4B, 0x46, 0x7F, 0xFF, reserved, 0x10))
    return pad + bytes((_crc8(pad),))


def _crc8(data: bytes) -> int:
    """Maxim application note 27, worked bit by bit as its shift register does."""
    register = 0
    for byte in data:
        for bit in range(8):
            feedback = (register ^ byte >> bit) & 1
            register >>= 1
            if feedback:
                register ^= 0x8C
    return register


@dataclass(slots=True)
class LoopConverter:
    """An analogue converter with one 4 to 20 mA loop over a shunt on each input.

    inputs: number -> (sensor, value at 4 mA, value at 20 mA). An unplugged loop carries no current.
    scale_mV: of one count, as in_voltageN_scale shows it.
    """

    folder: str
    name: str
    inputs: Mapping[int, tuple[Sensor, float, float]]
    shunt_ohm: float = 165.0
    scale_mv: float = 0.125
    offset: int = 0

    def files(self, now: Moment) -> Mapping[str, str]:
        found = {f"{self.folder}/name": f"{self.name}\n"}
        for number, (sensor, low, high) in self.inputs.items():
            value = sensor.read(now)
            # a transmitter goes on a little beyond its range, then stays there (NAMUR NE 43, from memory)
            current = 0.0 if value is None else min(20.5, max(3.8, 4.0 + 16.0 * (value - low) / (high - low)))
            raw = round(current * self.shunt_ohm / self.scale_mv) - self.offset
            stem = f"{self.folder}/in_voltage{number}"
            found[f"{stem}_raw"] = f"{min(32767, raw)}\n"
            found[f"{stem}_scale"] = f"{self.scale_mv:.9f}\n"
            if self.offset:
                found[f"{stem}_offset"] = f"{self.offset}\n"
        return found


@dataclass(slots=True)
class Barometer:
    """A pressure chip: in_pressure_input in kPa. Sensor in hPa; None shows as empty."""

    folder: str
    name: str
    sensor: Sensor

    def files(self, now: Moment) -> Mapping[str, str]:
        value = self.sensor.read(now)
        text = "" if value is None else f"{value / 10.0:.9f}\n"
        return {f"{self.folder}/name": f"{self.name}\n", f"{self.folder}/in_pressure_input": text}


@dataclass(slots=True)
class LevelInput:
    """A float switch or relay on a digital input: 1 in order, 0 when not or when its wire is off (open circuit)."""

    line: int
    sensor: Sensor
    _last: str = "0"
    _edges: int = 0

    def files(self, now: Moment) -> Mapping[str, str]:
        text = "1" if self.sensor.read(now) else "0"
        if text == "1" and self._last == "0":
            self._edges += 1
        self._last = text
        return {f"{self.line}/value": f"{text}\n", f"{self.line}/edges": f"{self._edges}\n"}


@dataclass(slots=True)
class PulseInput:
    """A flow meter's pulses. Sensor: litres since the start; an unplugged or stuck meter counts no further."""

    line: int
    sensor: Sensor
    per_litre: float
    _count: int = 0

    def files(self, now: Moment) -> Mapping[str, str]:
        litres = self.sensor.read(now)
        if litres is not None:
            self._count = max(self._count, int(litres * self.per_litre))
        return {f"{self.line}/value": f"{self._count & 1}\n", f"{self.line}/edges": f"{self._count}\n"}


class SysfsTree:
    """Sources written under one root. A file whose text has not changed is left alone.

    Like sysfs it lies in memory where the machine has a place for that, and `root` is a link to it: several files
    a second would wear out a memory card.
    """

    def __init__(self, root: Path, sources: Sequence[Source]) -> None:
        self.root = root
        self._sources = sources
        self._shown: dict[str, str] = {}

    def make(self) -> None:
        """Make an empty tree, in place of one that an earlier run left."""
        self.remove()
        self.root.parent.mkdir(parents=True, exist_ok=True)
        if os.access(_MEMORY, os.W_OK):
            self.root.symlink_to(tempfile.mkdtemp(prefix=f"{_PREFIX}{self.root.name}-", dir=_MEMORY))
        else:
            self.root.mkdir()

    def remove(self) -> None:
        """Take it away, as the kernel does with the driver."""
        self._shown.clear()
        if self.root.is_symlink():
            memory = self.root.readlink()
            if memory.parent == _MEMORY and memory.name.startswith(_PREFIX):
                shutil.rmtree(memory, ignore_errors=True)
            self.root.unlink()
        elif self.root.exists():
            shutil.rmtree(self.root)

    def write(self, now: Moment) -> None:
        """Bring every file up to date."""
        for source in self._sources:
            for name, text in source.files(now).items():
                if self._shown.get(name) != text:
                    self._replace(f"{self.root}/{name}", text)
                    self._shown[name] = text

    @staticmethod
    def _replace(path: str, text: str) -> None:
        fresh = f"{path}.fresh"
        try:
            file = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o644)
        except FileNotFoundError:
            Path(path).parent.mkdir(parents=True, exist_ok=True)
            file = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o644)
        try:
            os.write(file, text.encode("ascii"))
        finally:
            os.close(file)
        Path(fresh).replace(path)
