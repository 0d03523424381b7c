"""What a script draws strips of: planes of whole numbers behind a head in JSON, a sixth of the same as JSON.

The length of the head, the head, then for each strip its planes in this order, `count` numbers each: state (one
byte), mean, low, high, unsure, earlier (two bytes, or four where the head says `wide`; little endian). A number is
the difference to the one before it in its plane; low and high are told as distances from the mean. Where there is
no value, the one before it is said again: only the state tells. An uncertainty that is unknown is 0.

Whole numbers count tenths of the last decimal that is shown, of uncertainties hundredths. They are rounded to the
nearest; but what would become a half of that decimal, and is none, goes to the side it lies on. So rounding once
more says what rounding the value itself would have said.
"""

from __future__ import annotations

import json
import math
import struct
import sys
from array import array
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Context, Decimal
from typing import Any

LENGTH = struct.Struct("<I")
FLAG, VALUE, HELD, EARLIER, DOUBTED = 0x0F, 0x10, 0x20, 0x40, 0x80  # of a state
_SHORT = 32767
_EXACT = Context(prec=800)  # no double has more digits


@dataclass(frozen=True, slots=True)
class Planes:
    """One strip in shown units. state: worst flag of the stretch (0 none), with VALUE where there is a mean, HELD
    where that still stands from before, DOUBTED where it is drawn hollow, EARLIER where the period held against has
    one; the others None where there is none."""

    state: Sequence[int]
    mean: Sequence[float | None]
    low: Sequence[float | None]
    high: Sequence[float | None]
    unsure: Sequence[float | None]
    earlier: Sequence[float | None]


def pack(head: Mapping[str, Any], strips: Sequence[tuple[Mapping[str, Any], Planes]]) -> bytes:
    """head: of all strips; each strip: its own head, with `decimals`, and its planes."""
    heads, bodies = [], []
    for about, planes in strips:
        columns = _columns(planes, int(about["decimals"]))
        wide = any(not -_SHORT <= one <= _SHORT for column in columns for one in column)
        heads.append({**about, "wide": wide})
        body = bytearray(bytes(planes.state))
        for column in columns:
            packed = array("i" if wide else "h", column)
            if sys.byteorder == "big":
                packed.byteswap()
            body += packed.tobytes()
        bodies.append(bytes(body))
    text = json.dumps({**head, "strips": heads}, ensure_ascii=False, separators=(",", ":")).encode()
    return b"".join((LENGTH.pack(len(text)), text, *bodies))


def whole(value: float, digits: int) -> int:
    """value times ten to the digits, so rounded that rounding once more, to one digit less, is right."""
    found = round(value * 10.0**digits)
    if found % 10 == 5:
        exact = _EXACT.multiply(Decimal(value), 10**digits)
        found += (exact > found) - (exact < found)
    return found


def _columns(planes: Planes, decimals: int) -> list[list[int]]:
    digits = decimals + 1
    mean = _filled([None if one is None else whole(one, digits) for one in planes.mean])
    low = [whole(one, digits) for one in _kept(planes.low)]
    high = [whole(one, digits) for one in _kept(planes.high)]
    below = _filled([m - value if one is not None else None
                     for m, one, value in zip(mean, planes.low, low, strict=True)])  # fmt: skip
    above = _filled([value - m if one is not None else None
                     for m, one, value in zip(mean, planes.high, high, strict=True)])  # fmt: skip
    unsure = [0 if one is None else math.ceil(one * 10.0 ** (digits + 1) - 1e-9) for one in planes.unsure]
    earlier = _filled([None if one is None else whole(one, digits) for one in planes.earlier])
    return [_steps(column) for column in (mean, below, above, unsure, earlier)]


def _kept(column: Sequence[float | None]) -> list[float]:
    return [0.0 if one is None else one for one in column]


def _filled(column: Sequence[int | None]) -> list[int]:
    found, last = [], 0
    for one in column:
        last = last if one is None else one
        found.append(last)
    return found


def _steps(column: Sequence[int]) -> list[int]:
    return [one - before for before, one in zip((0, *column), column, strict=False)]
