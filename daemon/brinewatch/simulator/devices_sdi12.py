"""SDI-12 probes on one line behind a transparent adapter, by the standard's version 1.4.

A pseudo-terminal carries neither 7E1 nor a break: the probes here are always awake, and what a break would stop is
stopped by the next command.
"""

from __future__ import annotations

import asyncio
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from brinewatch.moment import Moment
from brinewatch.ports import Clock
from brinewatch.simulator.terminal import PtyEnd

Sdi12Fault = Literal["silent", "wrong crc", "garbled", "no request", "no data", "another"]

_COMMAND = re.compile(r"([0-9A-Za-z?])(I|[MC]C?[1-9]?|RC?[0-9]|D[0-9])?", re.ASCII)
_CHARACTERS = {"M": 35, "C": 75, "R": 75}  # of values in one answer


@dataclass
class Sdi12Sensor:
    """One probe. values: what it measures, in order; seconds: how long that takes; old: from before version 1.3."""

    values: Callable[[Moment], Sequence[float]]
    identity: str = "14GANNETQYSEABUD100SN0001"
    seconds: int = 1
    old: bool = False
    fault: Sdi12Fault | None = None
    asked: list[str] = field(default_factory=list)
    answers: list[str] = field(default_factory=list)
    measuring: asyncio.Task[None] | None = None
    crc: bool = False


class Sdi12Device:
    """The far end of the line. echo: whether the adapter sends back what it is told."""

    def __init__(self, link: Path, clock: Clock, sensors: Mapping[str, Sdi12Sensor], *, echo: bool = False) -> None:
        self.port = PtyEnd(link, self._on_bytes)
        self.sensors = sensors
        self._clock = clock
        self._echo = echo
        self._heard = b""

    def start(self) -> None:
        self.port.plug()

    async def stop(self) -> None:
        tasks = [one.measuring for one in self.sensors.values() if one.measuring is not None]
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        self.port.unplug()

    def _on_bytes(self, data: bytes) -> None:
        if self._echo:
            self.port.write(data)
        self._heard = (self._heard + data)[-64:]
        while b"!" in self._heard:
            said, _, self._heard = self._heard.partition(b"!")
            match = _COMMAND.fullmatch(said.decode("ascii", "replace"))
            if match is None:
                continue
            for address, sensor in self.sensors.items():
                if match[1] == address or (match[1] == "?" and match[2] is None):
                    self._obey(address, sensor, match[2] or "")

    def _obey(self, address: str, sensor: Sdi12Sensor, command: str) -> None:
        sensor.asked.append(command)
        if sensor.measuring is not None and sensor.measuring.get_name().startswith("M"):
            sensor.measuring.cancel()  # any command to it breaks off an M
            sensor.measuring = None
        if sensor.fault == "silent" or (sensor.old and "C" in command):
            return
        match command[:1]:
            case "":
                self._say(address, sensor, "")
            case "I":
                self._say(address, sensor, sensor.identity)
            case "D":
                number = int(command[1])
                there = sensor.answers[number] if number < len(sensor.answers) else ""
                self._say(address, sensor, "" if sensor.fault == "no data" else there, crc=sensor.crc)
            case "R":
                found = self._packed(sensor, "R")
                self._say(address, sensor, found[0], crc="C" in command)
            case kind:
                sensor.crc = command[1:2] == "C"
                count = len(sensor.values(self._clock.now()))
                sensor.answers = []
                self._say(address, sensor, f"{sensor.seconds:03d}{count:0{2 if kind == 'C' else 1}d}")
                sensor.measuring = asyncio.get_running_loop().create_task(
                    self._measure(address, sensor, kind), name=f"{kind} {address}"
                )

    async def _measure(self, address: str, sensor: Sdi12Sensor, kind: str) -> None:
        await self._clock.sleep(sensor.seconds)
        sensor.answers = self._packed(sensor, kind)
        if kind == "M" and sensor.seconds and sensor.fault != "no request":
            self._say(address, sensor, "")
        sensor.measuring = None

    def _packed(self, sensor: Sdi12Sensor, kind: str) -> list[str]:
        """The values in as many answers as they need."""
        found = [""]
        for value in sensor.values(self._clock.now()):
            text = _signed(value)
            if len(found[-1]) + len(text) > _CHARACTERS[kind]:
                found.append("")
            found[-1] += text
        return found

    def _say(self, address: str, sensor: Sdi12Sensor, text: str, *, crc: bool = False) -> None:
        if sensor.fault == "another":
            address = "z" if address != "z" else "y"
        data = f"{address}{text}".encode("ascii")
        if crc:
            signs = _crc(data)
            data += bytes(reversed(signs)) if sensor.fault == "wrong crc" else signs
        if sensor.fault == "garbled" and len(data) > 2:
            data = data[:2] + b"\xb7" + data[3:]
        self.port.write(data + b"\r\n")


def _signed(value: float) -> str:
    """A value with its sign and at most seven digits."""
    whole = len(str(int(abs(value))))
    text = f"{value:+.{max(0, min(3, 7 - whole))}f}"
    return text[:9]


def _crc(data: bytes) -> bytes:
    """The three characters of 4.4.12.2, worked out bit by bit from the top (another way than the driver's)."""
    register = 0
    for byte in data:
        register ^= int(f"{byte:08b}"[::-1], 2) << 8
        for _ in range(8):
            register = (register << 1 ^ 0x8005) & 0xFFFF if register & 0x8000 else register << 1
    value = int(f"{register:016b}"[::-1], 2)
    return bytes(0x40 + (value >> shift) % 64 for shift in (12, 6, 0))
