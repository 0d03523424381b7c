"""What comes from probes: Modbus frames, lines of text, SDI-12 answers, 1-Wire texts, MQTT payloads.

Every value that comes out is held against a way that is not ours: pymodbus for the checksum of Modbus, the decimal
module for numbers, a CRC table worked out otherwise for SDI-12 and 1-Wire, a JSON parser in another language.
"""

from __future__ import annotations

import json
import math
import random
import re
import struct
from contextlib import suppress
from datetime import UTC
from decimal import Decimal
from functools import reduce
from operator import xor
from typing import Any

import pydantic_core
from pymodbus.framer import FramerRTU

from brinewatch.errors import BadAnswer, NoAnswer, ProbeError, ProbeFault
from brinewatch.moment import Moment
from brinewatch.probes.line_serial import LineBusSettings
from brinewatch.probes.mqtt_in import MqttInSettings, heard_of
from brinewatch.probes.onewire import temperature_mc
from brinewatch.probes.registers import WORDS, judge, number
from brinewatch.probes.sdi12_text import body, identity, started, values

from .mutate import spoiled
from .target import Target, Wrong

# -- Modbus -------------------------------------------------------------------------------------------------------

_TYPES = {"int16": "h", "uint16": "H", "int32": "i", "uint32": "I", "float32": "f", "float64": "d"}


def _modbus(chance: random.Random) -> tuple[bytes, int, int, str]:
    """(what was received, address, function, type of the number asked for)"""
    address, function, kind = chance.randrange(1, 248), chance.choice((3, 4)), chance.choice(list(_TYPES))
    words = bytes(chance.randrange(256) for _ in range(2 * WORDS[kind]))
    pdu = bytes([address, function, len(words)]) + words
    if chance.random() < 0.1:
        pdu = bytes([address, function | 0x80, chance.randrange(256)])
    frame = pdu + FramerRTU.compute_CRC(pdu).to_bytes(2, "big")
    match chance.randrange(8):
        case 0:
            return frame, address, function, kind
        case 1:  # a right checksum over something else
            other = spoiled(chance, pdu)[:250]
            frame = other + FramerRTU.compute_CRC(other).to_bytes(2, "big")
        case 2:
            frame = bytes([chance.choice((0, 255))]) + frame
        case _:
            frame = spoiled(chance, frame)
    return frame, address, function, kind


def _check_modbus(given: tuple[bytes, int, int, str]) -> bool:
    received, address, function, kind = given
    try:
        frame = judge(received, address, function, WORDS[kind])
    except (BadAnswer, ProbeFault):
        return False
    if frame is None:
        return False
    if (frame[0], frame[1], frame[2]) != (address, function, 2 * WORDS[kind]) or not received.endswith(frame):
        raise Wrong("a frame that does not answer the request")
    if FramerRTU.compute_CRC(frame[:-2]).to_bytes(2, "big") != frame[-2:]:
        raise Wrong("a frame whose checksum is wrong")
    words = struct.unpack(f">{WORDS[kind]}H", frame[3:-2])
    for order, data in (
        ("ABCD", frame[3:-2]),
        ("DCBA", frame[3:-2][::-1]),
        ("CDAB", b"".join(frame[3:-2][at : at + 2] for at in range(len(frame) - 7, -1, -2))),
        ("BADC", b"".join(frame[3:-2][at : at + 2][::-1] for at in range(0, len(frame) - 5, 2))),
    ):
        right = float(struct.unpack(f">{_TYPES[kind]}", data)[0])
        found = number(words, kind, order)  # type: ignore[arg-type]
        if found != right and not (math.isnan(found) and math.isnan(right)):
            raise Wrong(f"{found} instead of {right}")
    return True


# -- lines of text ------------------------------------------------------------------------------------------------


def _line_probe(**more: Any) -> Any:
    table = {"name": "p", "channel": [{"point": "tank.temperature", "field": 1}, {"point": "tank.ph", "field": 3}]}
    return LineBusSettings.model_validate({"kind": "line_serial", "port": "x", "probe": [{**table, **more}]}).probe[
        0
    ]


_LINES = {
    "plain": _line_probe(),
    "fields": _line_probe(fields=3, separator=""),
    "nmea": _line_probe(checksum="nmea"),
    "pattern": _line_probe(
        pattern=r"T=(?P<t>\S+) pH=(?P<p>[^ ]+).*",
        channel=[{"point": "tank.temperature", "group": "t"}, {"point": "tank.ph", "group": "p"}],
    ),
}


def _line(chance: random.Random) -> tuple[str, bytes]:
    kind = chance.choice(list(_LINES))
    first, second = round(chance.uniform(-5, 40), 3), round(chance.uniform(0, 14), 2)
    text = {
        "plain": f"{first},OK,{second}", "fields": f"{first} \t OK {second}",
        "pattern": f"T={first} pH={second} ok",
    }.get(kind, f"$SEA,{first}") if kind != "nmea" else f"{first},x,{second}"  # fmt: skip
    if kind == "nmea":
        total = 0
        for byte in text.encode():
            total ^= byte
        text = f"${text}*{total:02X}"
    data = text.encode() + b"\r\n"
    return kind, data if chance.random() < 0.1 else spoiled(chance, data)


def _check_line(given: tuple[str, bytes]) -> bool:
    kind, data = given
    try:
        found = _LINES[kind].numbers(data)
    except BadAnswer:
        return False
    text = data.removesuffix(b"\r\n").decode("ascii")
    if kind == "nmea":
        inner, given_sum = text.removeprefix("$").rsplit("*", 1)
        if reduce(xor, inner.encode(), 0) != int(given_sum, 16):
            raise Wrong("a line whose checksum is wrong")
        text = inner
    if kind == "pattern":
        cells = [text.split(" pH=", 1)[0].removeprefix("T="), text.split(" pH=", 1)[1].split(" ", 1)[0]]
    else:
        fields = text.split() if kind == "fields" else text.split(",")
        cells = [fields[0], fields[2]]
    for one, cell in zip(found, cells, strict=True):
        if not isinstance(one, ProbeError) and one != float(Decimal(cell.strip())):
            raise Wrong(f"{one} for {cell!r}")
    return not all(isinstance(one, ProbeError) for one in found)


# -- SDI-12 -------------------------------------------------------------------------------------------------------


def _arc_table() -> list[int]:
    """CRC-16 with polynomial x^16+x^15+x^2+1, a table of bytes: not the way of the driver."""
    table = []
    for byte in range(256):
        register = byte
        for _ in range(8):
            register = register >> 1 ^ (0xA001 if register & 1 else 0)
        table.append(register)
    return table


_ARC = _arc_table()


def _arc_signs(data: bytes) -> bytes:
    register = 0
    for byte in data:
        register = register >> 8 ^ _ARC[(register ^ byte) & 0xFF]
    return bytes(64 + (register >> shift) % 64 for shift in (12, 6, 0))


def _sdi12(chance: random.Random) -> tuple[bytes, str, bool]:
    """(line, address asked, whether a CRC was)"""
    address, crc = chance.choice("0129azAZ"), chance.random() < 0.7
    said = "".join(f"{chance.uniform(-99, 999):+.{chance.randrange(4)}f}" for _ in range(chance.randrange(6)))
    said = chance.choice((said, said, "0013", "00512", "14GANNETQYSEABUD100SN1", ""))
    data = f"{address}{said}".encode()
    match chance.randrange(6):
        case 0:
            return data + (_arc_signs(data) if crc else b"") + b"\r\n", address, crc
        case 1:  # a right CRC over something else
            data = spoiled(chance, data)
            return data + (_arc_signs(data) if crc else b"") + b"\r\n", address, crc
    return spoiled(chance, data + (_arc_signs(data) if crc else b"") + b"\r\n"), address, crc


def _check_sdi12(given: tuple[bytes, str, bool]) -> bool:
    line, address, crc = given
    try:
        text = body(line, address, crc=crc)
    except BadAnswer:
        return False
    inner = line.lstrip(b"\x00\xff")[:-2]
    if crc:
        if _arc_signs(inner[:-3]) != inner[-3:]:
            raise Wrong("an answer whose CRC is wrong")
        inner = inner[:-3]
    if inner != f"{address}{text}".encode():
        raise Wrong(f"{text!r} out of {inner!r}")
    for kind in ("M", "C"):
        try:
            seconds, count = started(text, kind)
        except BadAnswer:
            continue
        if f"{seconds:03d}{count:0{1 if kind == 'M' else 2}d}" != text:
            raise Wrong(f"{seconds} s and {count} values out of {text!r}")
    with suppress(BadAnswer):
        identity(text)
    try:
        found = values(text)
    except BadAnswer:
        return False
    cells = re.split(r"(?=[+-])", text)[1:] if text else []
    if [float(Decimal(cell)) for cell in cells] != found:
        raise Wrong(f"{found} out of {text!r}")
    return True


# -- 1-Wire -------------------------------------------------------------------------------------------------------


def _maxim(data: bytes) -> int:
    """CRC-8 of Maxim's application note 27, from the top with bits turned round: not the way of the driver."""
    register = 0
    for byte in data:
        register ^= int(f"{byte:08b}"[::-1], 2)
        for _ in range(8):
            register = (register << 1 ^ 0x31) & 0xFF if register & 0x80 else register << 1 & 0xFF
    return int(f"{register:08b}"[::-1], 2)


def _onewire(chance: random.Random) -> str:
    raw = chance.randrange(-55 * 16, 125 * 16)
    pad = struct.pack("<h", raw) + bytes([0x4B, 0x46, chance.choice((0x7F, 0x7F, 0x1F, 0x3F)), 0xFF, 0x0C, 0x10])
    pad += bytes([_maxim(pad)])
    hexed = " ".join(f"{byte:02x}" for byte in pad)
    text = f"{hexed} : crc={pad[8]:02x} YES\n{hexed} t={int(raw * 1000 / 16)}\n"
    return text if chance.random() < 0.1 else spoiled(chance, text.encode()).decode("ascii", "replace")


def _check_onewire(given: str) -> bool:
    try:
        found = temperature_mc(given)
    except (BadAnswer, NoAnswer):
        return False
    pad = bytes.fromhex(given[:26])
    if _maxim(pad[:8]) != pad[8]:
        raise Wrong("a scratchpad whose checksum is wrong")
    if abs(found - struct.unpack("<h", pad[:2])[0] * 62.5) > 500:
        raise Wrong(f"{found} out of {pad.hex()}")
    return True


# -- MQTT ---------------------------------------------------------------------------------------------------------

_NOW = Moment(5000.0, 1_790_200_800.0, True, UTC)
_MQTT = MqttInSettings.model_validate(
    {
        "kind": "mqtt_in", "host": "broker.example",
        "probe": [
            {"name": "plain", "topic": "a", "channel": [{"point": "tank.temperature"}]},
            {
                "name": "json", "topic": "b", "time": "/at",
                "channel": [
                    {"point": "tank.temperature", "value": "/t/0", "unit_at": "/u", "unit_is": "C"},
                    {"point": "room.mains", "value": "/m~1x", "words": {"ON": 1.0, "OFF": 0.0}},
                ],
            },
        ],
    }
).probe  # fmt: skip


def _mqtt(chance: random.Random) -> tuple[int, bytes, bool]:
    which, retained = chance.randrange(2), chance.random() < 0.2
    if which == 0:
        data = f"{chance.uniform(-5, 40):.{chance.randrange(5)}f}".encode()
    else:
        at: Any = _NOW.utc - chance.uniform(-30, 600)
        at = chance.choice((at, at * 1000, "2026-09-23T21:59:00Z", "2026-09-23T23:59:00+02:00"))
        mains = chance.choice(("ON", "OFF", 1, 0, True, "1"))
        data = json.dumps({"t": [round(chance.uniform(-5, 40), 3), 9], "u": "C", "m/x": mains, "at": at}).encode()
    return which, data if chance.random() < 0.15 else spoiled(chance, data), retained


def _check_mqtt(given: tuple[int, bytes, bool]) -> bool:
    which, data, retained = given
    heard = heard_of(_MQTT[which], data, _NOW, retained=retained)
    if isinstance(heard, str) or all(isinstance(one, ProbeError) for one in heard.found):
        return False
    if which == 0:
        if retained:
            raise Wrong("a kept value without a time was taken for a fresh one")
        if heard.found[0] != float(Decimal(data.decode().strip())):
            raise Wrong(f"{heard.found[0]} out of {data!r}")
        return True
    if heard.at.utc > _NOW.utc or (retained and heard.at.utc == _NOW.utc and b"at" not in data):
        raise Wrong("a value from the future")
    tree = pydantic_core.from_json(data, allow_inf_nan=False)
    for one, path in zip(heard.found, (("t", 0), ("m/x",)), strict=True):
        if isinstance(one, ProbeError):
            continue
        other = tree
        for part in path:
            other = other[part]
        expected = {"ON": 1.0, "OFF": 0.0}.get(other.strip()) if isinstance(other, str) else None
        if expected is None:
            expected = float(Decimal(str(other).strip())) if not isinstance(other, bool) else float(other)
        if one != expected:
            raise Wrong(f"{one} instead of {other!r}")
    if not isinstance(heard.found[0], ProbeError) and tree["u"] != "C":
        raise Wrong("a value in another unit")
    return True


TARGETS = (
    Target("Modbus answers", _modbus, _check_modbus, 12),
    Target("lines of text", _line, _check_line, 12),
    Target("SDI-12 answers", _sdi12, _check_sdi12, 12),
    Target("1-Wire texts", _onewire, _check_onewire, 6),
    Target("MQTT payloads of probes", _mqtt, _check_mqtt, 12),
)
