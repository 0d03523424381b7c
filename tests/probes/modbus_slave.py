"""What the Modbus devices of the tests hold and rightly answer; their checksums are made by pymodbus."""

from __future__ import annotations

import struct
from collections.abc import Sequence

from pymodbus.framer import FramerRTU

from probes.device import Script

SHED = """
kind = "modbus_rtu"
port = "line0"
parity = "none"
timeout_s = 0.3
late_answer_s = 0.3
turn_gap_s = 0.005

[[probe]]
name = "sonde"
address = 4
[[probe.channel]]
point = "nursery.temperature"
register = 0
type = "float32"
[[probe.channel]]
point = "nursery.oxygen"
register = 2
type = "float32"
order = "CDAB"
[[probe.channel]]
point = "nursery.salinity"
register = 20
type = "uint16"
scale = 0.01

[[probe]]
name = "gauge"
address = 5
[[probe.channel]]
point = "manifold.air_pressure"
table = "input"
register = 9
type = "int16"
unit = "mbar"
"""

HOLDING = [
    *struct.unpack(">2H", struct.pack(">f", 17.25)),
    *reversed(struct.unpack(">2H", struct.pack(">f", 8.125))),
]
HOLDING += [0] * 16 + [3412]


def framed(body: bytes) -> bytes:
    return body + FramerRTU.compute_CRC(body).to_bytes(2, "big")


def right(asked: bytes) -> bytes:
    """What devices 4 and 5 rightly answer."""
    address, function, first, count = struct.unpack(">BBHH", asked[:6])
    words = HOLDING if function == 3 else [0] * 9 + [184]
    picked = words[first : first + count]
    return framed(struct.pack(f">BBB{count}H", address, function, 2 * count, *picked))


class Scripted:
    """Answers rightly, except to the questions the next entries of `odd` are for."""

    def __init__(self) -> None:
        self.odd: list[Script | None] = []

    def __call__(self, asked: bytes) -> Sequence[tuple[float, bytes]]:
        script = self.odd.pop(0) if self.odd else None
        return script(asked) if script else [(0, right(asked))]
