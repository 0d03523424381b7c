"""A column of numbers in few bytes, in a form that few lines can read back (deploy/guides/history-file.md).

A packed column is a description of plain JSON and some bytes:

- a number or null: the same for every row;
- a list of [count, value]: runs of the same value, one after another;
- {"f": lengths}: the eight bytes of each little-endian IEEE 754 double, every first byte, every second byte and so
  on, each of these planes deflated by itself (RFC 1951) to so many bytes;
- {"p", and where they are not 1, 0, 0, 0, 0 "w", "o", "b", "s", "z", and where needed "m", "d"}: integers x. w
  bytes each, little-endian and unsigned, in w planes deflated to p bytes; of them r = plane number - o. With b = 0,
  r is the difference to the integer before (z before the first), less s. With b > 0, x = z + s * place + m[place //
  b] + r, m being a packed column of its own that comes after the planes. Without planes all plane numbers are 0.
  With d the number is x / 10**d, but for those of "x": [[place, number], ...].
- "at" in either of the last two: a packed column of 0 and 1, before all else: only rows of 1 have a number.

Noise about a slowly moving middle is what probes give: its differences to the middle of some rows take less room
than differences from row to row, since each row's noise counts once. What is shortest is taken.
"""

from __future__ import annotations

import math
import sys
import zlib
from array import array
from collections.abc import Callable, Sequence
from itertools import accumulate, chain, groupby, repeat
from operator import add, sub
from typing import Any

Number = float | int | None
Packed = tuple[Any, bytes]  # description and bytes
Take = Callable[[int], bytes]  # the next so many bytes

_BLOCKS = (64, 32, 16)
_DECIMALS = 9
_ONE_IN = 10  # numbers at least, for each that may be told by itself
_EXACT = 2**53  # integers up to here are exact as doubles
_USUAL = {"w": 1, "o": 0, "b": 0, "s": 0, "z": 0}  # where a description does not tell
_TYPES = {1: "B", 2: "H", 4: "I", 8: "Q"}
_MIDDLE = 128  # of a byte, so that the upper planes stay still while the lowest moves


def pack(values: Sequence[Number]) -> Packed:
    """A column of None and numbers: any floats but NaN, whole numbers up to 2**60. Nothing of them is lost."""
    runs = _runs(values)
    if runs is not None:
        return (runs[0][1] if len(runs) == 1 else runs), b""
    there = [one for one in values if one is not None]
    form, data = _ints(there) if all(type(one) is int for one in there) else _floats(there)  # type: ignore[arg-type]
    if len(there) < len(values):
        form["at"], marks = pack([int(one is not None) for one in values])
        data = marks + data
    return form, data


def unpack(form: Any, count: int, take: Take) -> list[Any]:
    """The way back. Whole numbers come as int, others as float; ValueError or zlib.error for what is no such
    column.
    """
    if isinstance(form, list):
        found = list(chain.from_iterable(repeat(value, times) for times, value in form))
        if len(found) != count:
            raise ValueError(f"a column of {len(found)} rows where {count} were expected")
        return found
    if not isinstance(form, dict):
        return [form] * count
    if "at" not in form:
        return _numbers(form, count, take)
    marks = unpack(form["at"], count, take)
    numbers = iter(_numbers(form, sum(marks), take))
    return [next(numbers) if mark else None for mark in marks]


def reader_of(data: bytes) -> Take:
    """Hands out the bytes of several columns one after another."""
    place = 0

    def take(length: int) -> bytes:
        nonlocal place
        place += length
        if place > len(data):
            raise ValueError("fewer bytes than the description tells of")
        return data[place - length : place]

    return take


# -- runs ---------------------------------------------------------------------------------------------------------


def _runs(values: Sequence[Number]) -> list[list[Any]] | None:
    """Runs of the same value when they are few, or the rows are."""
    most = max(2, len(values) // 48)
    found: list[list[Any]] = []
    for value, group in groupby(values):
        if len(found) == most:
            return None
        same = list(group)
        if value is not None and math.isinf(value):
            return None  # JSON has no word for it
        if value == 0 and len({str(one) for one in same}) > 1:
            return None  # 0.0 and -0.0 are two
        found.append([len(same), value])
    return found or [[0, None]]


# -- numbers ------------------------------------------------------------------------------------------------------


def _floats(values: Sequence[float]) -> tuple[dict[str, Any], bytes]:
    scaled = _scaled(values)
    if scaled is not None:
        decimals, whole, others = scaled
        form, data = _ints(whole)
        form["d"] = decimals
        if others:
            form["x"] = others
        return form, data
    raw = _little(array("d", values)).tobytes()
    parts = [_deflate(raw[byte::8]) for byte in range(8)]
    return {"f": [len(part) for part in parts]}, b"".join(parts)


def decimals_of(values: Sequence[float]) -> int | None:
    """How many decimals all of the values come with; None when that is not how they came about."""
    scaled = _scaled(values) if values else None
    return None if scaled is None else scaled[0]


def _scaled(values: Sequence[float]) -> tuple[int, list[int], list[list[Any]]] | None:
    """The values as whole numbers over a power of ten, and those few that would not come back the same to the last
    bit, each with its place. None when they are many, or some are infinite.
    """
    most = len(values) // _ONE_IN
    decimals, odd = 0, 0
    try:
        for value in values:
            here = decimals
            while here <= _DECIMALS and round(value * 10**here) / 10**here != value:
                here += 1
            if here <= _DECIMALS:
                decimals = here
            elif (odd := odd + 1) > most:
                return None
        by = 10**decimals
        whole = [round(value * by) for value in values]
    except (OverflowError, ValueError):  # infinite
        return None
    if max(map(abs, whole)) >= _EXACT:
        return None
    back = [one / by for one in whole]
    others: list[list[Any]] = []
    if back != list(values) or 0 in whole:
        others = [
            [place, value] for place, value in enumerate(values)
            if back[place] != value or (value == 0.0 and math.copysign(1.0, value) < 0.0)
        ]  # fmt: skip
    return None if len(others) > most else (decimals, whole, others)


def _ints(values: Sequence[int]) -> tuple[dict[str, Any], bytes]:
    first, last = values[0], values[-1]
    step = round((last - first) / max(1, len(values) - 1))
    best: tuple[dict[str, Any], bytes] | None = None
    blocks = (0, *(size for size in _BLOCKS if size * 2 <= len(values)))
    for block in blocks:
        tried = _differences(values, first, step) if not block else _about_middles(values, first, step, block)
        if best is None or _size(tried) < _size(best):
            best = tried
    assert best is not None
    return best


def _size(one: tuple[dict[str, Any], bytes]) -> int:
    return len(one[1]) + (40 if "m" in one[0] else 0)


def _differences(values: Sequence[int], first: int, step: int) -> tuple[dict[str, Any], bytes]:
    rests = [one - step for one in map(sub, values, chain((first - step,), values))]
    form, data = _planes(rests)
    return _told(z=first - step, s=step) | form, data


def _about_middles(values: Sequence[int], first: int, step: int, block: int) -> tuple[dict[str, Any], bytes]:
    count = len(values)
    level = (
        [one - first for one in values]
        if not step
        else list(map(sub, values, range(first, first + step * count, step)))
    )
    middles, rests = [], []
    for begin in range(0, count, block):
        part = level[begin : begin + block]
        middle = round(sum(part) / len(part))
        middles.append(middle)
        rests += [one - middle for one in part]
    form, data = _planes(rests)
    runs = _runs(middles)
    form["m"], more = (runs, b"") if runs is not None else _differences(middles, middles[0], 0)
    return _told(z=first, s=step, b=block) | form, data + more


def _planes(rests: Sequence[int]) -> tuple[dict[str, Any], bytes]:
    low, high = min(rests), max(rests)
    if low == high:
        return _told(o=-low, p=[]), b""
    if high - low < 256:
        offset, width = -low, 1
    else:
        offset = -low + (_MIDDLE + low) % 256
        width = next((size for size in (2, 4, 8) if high + offset < 256**size), 0)
        if not width:
            raise OverflowError("numbers too far apart for eight bytes")
    raw = _little(array(_TYPES[width], [one + offset for one in rests])).tobytes()
    parts = [_deflate(raw[byte::width]) for byte in range(width)]
    return _told(o=offset, w=width, p=[len(part) for part in parts]), b"".join(parts)


def _told(**values: Any) -> dict[str, Any]:
    """What differs from the usual."""
    return {name: value for name, value in values.items() if value != _USUAL.get(name)}


def _numbers(form: dict[str, Any], count: int, take: Take) -> list[Any]:
    if "f" in form:
        raw = bytearray(8 * count)
        for byte, length in enumerate(form["f"]):
            raw[byte::8] = _inflate(take(length), count)
        return _little(array("d", bytes(raw))).tolist()
    width = form.get("w", _USUAL["w"])
    raw = bytearray(width * count)
    for byte, length in enumerate(form["p"]):
        raw[byte::width] = _inflate(take(length), count)
    rests = _little(array(_TYPES[width], bytes(raw)))
    found = _whole(form, rests, count, take)
    for place, value in form.get("x", ()):
        found[place] = value
    return found


def _whole(form: dict[str, Any], rests: Sequence[int], count: int, take: Take) -> list[Any]:
    offset, block, step, zero = (form.get(name, _USUAL[name]) for name in "obsz")
    by = 10 ** form["d"] if "d" in form else None
    if not block:
        less = step - offset
        if not form["p"] and less and by is None:
            return list(range(zero + less, zero + less * (count + 1), less))
        summed = accumulate([one + less for one in rests], initial=zero)
        next(summed)
        return list(summed) if by is None else [one / by for one in summed]
    middles = unpack(form["m"], -(-count // block), take)
    found: list[Any] = []
    for begin, middle in zip(range(0, count, block), middles, strict=True):
        part, base = rests[begin : begin + block], middle + zero + step * begin - offset
        if step:
            level = list(map(add, part, range(base, base + step * len(part), step)))
            found += level if by is None else [one / by for one in level]
        else:
            found += [one + base for one in part] if by is None else [(one + base) / by for one in part]
    return found


def _deflate(plane: bytes) -> bytes:
    """The shorter of both: noise has nothing to find twice, what stands still has."""
    return min((_squeeze(plane, how) for how in (zlib.Z_HUFFMAN_ONLY, zlib.Z_DEFAULT_STRATEGY)), key=len)


def _squeeze(plane: bytes, strategy: int) -> bytes:
    squeezer = zlib.compressobj(9, zlib.DEFLATED, -15, 9, strategy)
    return squeezer.compress(plane) + squeezer.flush()


def _inflate(data: bytes, count: int) -> bytes:
    found = zlib.decompress(data, -15, count + 1)
    if len(found) != count:
        raise ValueError(f"a plane of {len(found)} bytes where {count} were expected")
    return found


def _little(numbers: array[Any]) -> array[Any]:
    """Little-endian bytes in memory, on any machine."""
    if sys.byteorder == "big":  # pragma: no cover
        numbers.byteswap()
    return numbers
