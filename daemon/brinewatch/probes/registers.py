"""Modbus registers as data: which to ask for in one request, what a reply must look like, what the words mean.

Frames by "MODBUS over serial line specification and implementation guide V1.02"; functions 3 and 4 by "MODBUS
application protocol specification V1.1b3" (both modbus.org). The order of words and bytes in a long number is not
fixed by either, hence the four orders makers use.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from brinewatch.errors import BadAnswer, ProbeFault

Table = Literal["holding", "input"]
NumberType = Literal["int16", "uint16", "int32", "uint32", "float32", "float64"]
Order = Literal["ABCD", "CDAB", "BADC", "DCBA"]

FUNCTION: dict[Table, int] = {"holding": 3, "input": 4}
WORDS: dict[NumberType, int] = {"int16": 1, "uint16": 1, "int32": 2, "uint32": 2, "float32": 2, "float64": 4}
_FORMAT: dict[NumberType, str] = {
    "int16": ">h", "uint16": ">H", "int32": ">i", "uint32": ">I", "float32": ">f", "float64": ">d",
}  # fmt: skip
MOST_WORDS = 125  # V1.1b3 6.3: quantity of registers 1 to 125

# V1.1b3 section 7
EXCEPTIONS = {
    1: "illegal function",
    2: "illegal data address: no such register",
    3: "illegal data value",
    4: "server device failure",
    5: "acknowledge: still working on it",
    6: "server device busy",
    8: "memory parity error",
    10: "gateway path unavailable",
    11: "gateway target device failed to respond",
}


@dataclass(frozen=True, slots=True)
class Span:
    """A run of registers of one table: first PDU address (0-based) and how many."""

    table: Table
    first: int
    count: int


def spans(wanted: Sequence[Span]) -> list[Span]:
    """The fewest requests that read all wanted registers without touching a register nobody asked for.

    Devices refuse a request that crosses a gap in their map, so only adjacent or overlapping runs are joined.
    """
    joined: list[Span] = []
    for one in sorted(wanted, key=lambda span: (span.table, span.first, span.count)):
        last = joined[-1] if joined else None
        if last is not None and last.table == one.table and one.first <= last.first + last.count:
            count = max(last.first + last.count, one.first + one.count) - last.first
            if count <= MOST_WORDS:
                joined[-1] = Span(last.table, last.first, count)
                continue
        joined.append(one)
    return joined


def number(words: Sequence[int], kind: NumberType, order: Order) -> float:
    """The number that so many 16-bit registers hold; may be NaN or infinite when the device sent that."""
    if len(words) != WORDS[kind]:
        raise BadAnswer(f"A {kind} needs {WORDS[kind]} registers and {len(words)} came.")
    if order in ("CDAB", "DCBA"):
        words = list(reversed(words))
    if order in ("BADC", "DCBA"):
        words = [(word & 0xFF) << 8 | word >> 8 for word in words]
    return float(struct.unpack(_FORMAT[kind], struct.pack(f">{len(words)}H", *words))[0])


def frame_gap_s(baud: int) -> float:
    """Silence that parts two frames: 3.5 characters of 11 bits, and 1.75 ms above 19200 baud (V1.02 2.5.1.1)."""
    return 3.5 * 11 / baud if baud <= 19200 else 0.00175


def crc16(data: bytes, start: int = 0xFFFF) -> int:
    """CRC-16/MODBUS (V1.02 6.2.2): polynomial 0xA001 reflected, start 0xFFFF; sent low byte first."""
    crc = start
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ 0xA001 if crc & 1 else crc >> 1
    return crc


def judge(received: bytes, address: int, function: int, count: int) -> bytes | None:
    """The one reply frame in what was received, or None when more bytes are needed.

    Raises BadAnswer for anything that is not exactly one whole reply of this device to this request, and
    ProbeFault for an exception reply. Bytes 00 and FF before the frame are a transceiver turning round: no device
    may answer with either as its address.
    """
    frame = received.lstrip(b"\x00\xff")
    if not frame:
        return None
    if frame[0] != address:
        raise BadAnswer(f"The answer came from address {frame[0]} instead of {address}.")
    if len(frame) < 2:
        return None
    exception = frame[1] == function | 0x80
    if not exception and frame[1] != function:
        raise BadAnswer(f"Address {address} answered function {frame[1]} instead of {function}.")
    if len(frame) < 3:
        return None
    if not exception and frame[2] != 2 * count:
        raise BadAnswer(f"Address {address} sent {frame[2]} data bytes instead of {2 * count}.")
    length = 5 if exception else 5 + 2 * count
    if len(frame) < length:
        return None
    if len(frame) > length:
        raise BadAnswer(f"Address {address} sent {len(frame) - length} bytes too many.")
    if crc16(frame[:-2]) != int.from_bytes(frame[-2:], "little"):
        raise BadAnswer(f"The checksum of the answer from address {address} is wrong.")
    if exception:
        meaning = EXCEPTIONS.get(frame[2], "a code the standard does not know")
        raise ProbeFault(f"Address {address} refused with exception {frame[2]}: {meaning}.")
    return frame
