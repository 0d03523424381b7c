"""Modbus RTU servers on one simulated RS-485 line, with the faults real ones have.

Frames by "MODBUS over serial line V1.02", functions 3 and 4 and exceptions by "MODBUS application protocol V1.1b3".
Written apart from the driver that reads them, so that one cannot hide the other's mistake.
"""

from __future__ import annotations

import asyncio
import math
import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from brinewatch.moment import Moment
from brinewatch.ports import Clock
from brinewatch.simulator.terminal import PtyEnd

Kind = Literal["int16", "uint16", "int32", "uint32", "float32"]
Order = Literal["ABCD", "CDAB", "BADC", "DCBA"]
WireFault = Literal["silent", "garbled", "late", "foreign-address", "short", "device-failure"]

_PACK: dict[Kind, str] = {"int16": ">h", "uint16": ">H", "int32": ">i", "uint32": ">I", "float32": ">f"}
_LIMIT: dict[Kind, tuple[int, int]] = {
    "int16": (-32768, 32767), "uint16": (0, 65535), "int32": (-(2**31), 2**31 - 1), "uint32": (0, 2**32 - 1),
}  # fmt: skip
_REQUEST = 8  # bytes of a whole request with function 1 to 6
_LATE_S = 3.0

_ILLEGAL_FUNCTION, _ILLEGAL_ADDRESS, _ILLEGAL_VALUE, _DEVICE_FAILURE = 1, 2, 3, 4


def crc(data: bytes) -> bytes:
    """CRC-16/MODBUS by table of nibbles, low byte first as it goes on the wire."""
    value = 0xFFFF
    for byte in data:
        for part in (byte & 0xF, byte >> 4):
            value = value >> 4 ^ _NIBBLES[(value ^ part) & 0xF]
    return value.to_bytes(2, "little")


def _nibble(index: int) -> int:
    for _ in range(4):
        index = index >> 1 ^ (0xA001 if index & 1 else 0)
    return index


_NIBBLES = tuple(_nibble(index) for index in range(16))


@dataclass(frozen=True, slots=True)
class Register:
    """One number in a device's map. The integer on the wire is value * scale, rounded and held within its kind."""

    first: int  # address in the PDU, counted from 0
    read: Callable[[Moment], float | None]
    kind: Kind = "float32"
    order: Order = "ABCD"
    scale: float = 1.0

    def words(self, now: Moment) -> list[int]:
        """Its 16-bit registers. A probe that is out (None) reads as NaN or as the kind's lowest number."""
        value = self.read(now)
        if self.kind == "float32":
            data = struct.pack(">f", math.nan if value is None else value * self.scale)
        else:
            low, high = _LIMIT[self.kind]
            whole = low if value is None else min(high, max(low, round(value * self.scale)))
            data = struct.pack(_PACK[self.kind], whole)
        words = list(struct.unpack(f">{len(data) // 2}H", data))
        if self.order in ("BADC", "DCBA"):
            words = [word >> 8 | (word & 0xFF) << 8 for word in words]
        return words[::-1] if self.order in ("CDAB", "DCBA") else words


@dataclass(slots=True)
class ModbusDevice:
    """One server on the line. function: 3 when its numbers are holding registers, 4 when input registers."""

    name: str
    address: int
    registers: Sequence[Register]
    function: Literal[3, 4] = 3
    fault: WireFault | None = None
    # a fault strikes each answer, or only every n-th
    every: int = 1
    gone: bool = False  # its cable is off: nothing of it is on the line
    _answers: int = field(default=0, init=False)

    def answer(self, pdu: bytes, now: Moment) -> bytes:
        """The answer PDU to a request PDU."""
        function = pdu[0]
        if function != self.function:
            return bytes((function | 0x80, _ILLEGAL_FUNCTION))
        first, count = struct.unpack(">HH", pdu[1:5])
        if not 1 <= count <= 125:
            return bytes((function | 0x80, _ILLEGAL_VALUE))
        words: dict[int, int] = {}
        for register in self.registers:
            words.update(enumerate(register.words(now), register.first))
        wanted = range(first, first + count)
        if any(address not in words for address in wanted):
            return bytes((function | 0x80, _ILLEGAL_ADDRESS))
        return bytes((function, 2 * count)) + b"".join(words[address].to_bytes(2, "big") for address in wanted)

    def struck(self) -> WireFault | None:
        """The fault of this answer, if any."""
        self._answers += 1
        return self.fault if self._answers % self.every == 0 else None


class ModbusLine:
    """All devices of one RS-485 pair, on one pseudo-terminal."""

    def __init__(self, link: Path, clock: Clock, devices: Sequence[ModbusDevice]) -> None:
        self.port = PtyEnd(link, self._on_bytes)
        self.devices = {device.address: device for device in devices}
        if len(self.devices) != len(devices):
            raise ValueError("two devices on one line have the same address")
        self._clock = clock
        self._heard = bytearray()
        self._late: set[asyncio.Task[None]] = set()

    def start(self) -> None:
        self.port.plug()

    async def stop(self) -> None:
        for task in self._late:
            task.cancel()
        await asyncio.gather(*self._late, return_exceptions=True)
        self.port.unplug()

    def _on_bytes(self, data: bytes) -> None:
        # a pty keeps no silences to part frames by, so the checksum alone finds where a request begins
        now = self._clock.now()
        self._heard += data
        while len(self._heard) >= _REQUEST:
            frame = bytes(self._heard[:_REQUEST])
            if crc(frame[:-2]) != frame[-2:]:
                # noise or a request of another shape: look for a whole one further on
                del self._heard[0]
                continue
            del self._heard[:_REQUEST]
            self._serve(frame, now)

    def _serve(self, frame: bytes, now: Moment) -> None:
        device = self.devices.get(frame[0])
        if device is None or device.gone:
            return  # nobody there: silence, as on a real line
        fault = device.struck()
        if fault == "silent":
            return
        pdu = device.answer(frame[1:-2], now)
        if fault == "device-failure":
            pdu = bytes((frame[1] | 0x80, _DEVICE_FAILURE))
        address = device.address % 247 + 1 if fault == "foreign-address" else device.address
        reply = bytes((address,)) + pdu
        reply += crc(reply)
        if fault == "garbled":
            broken = len(reply) // 2
            reply = reply[:broken] + bytes((reply[broken] ^ 0x10,)) + reply[broken + 1 :]
        elif fault == "short":
            reply = reply[:-3]
        if fault == "late":
            task = asyncio.get_running_loop().create_task(self._say_later(reply))
            self._late.add(task)
            task.add_done_callback(self._late.discard)
        else:
            self.port.write(reply)

    async def _say_later(self, reply: bytes) -> None:
        await self._clock.sleep(_LATE_S)
        self.port.write(reply)
