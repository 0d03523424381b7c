"""Readings of one point as columns: what a piece of the history is made of, and how it is packed.

What is kept, and the rule where it is not kept to the last bit, stands in `as_kept`: a reading comes back as that.
"""

from __future__ import annotations

import json
import math
import struct
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, fields
from datetime import tzinfo
from itertools import groupby
from typing import Any

from brinewatch.moment import Moment
from brinewatch.readings import Flag, Reading
from brinewatch.signals.rounding import rounded
from brinewatch.store.packing import pack, reader_of, unpack
from brinewatch.store.rows import real

_DIGITS = {True: 3, False: 2}  # of an uncertainty, by whether a probe gave the value
_AGES_IN = 10  # parts of a second
_FAR = 64  # units in the last place
_AXIS, _BODY = ("t", "mono", "trusted"), ("raw", "value", "flag", "live", "uncertainty", "age", "reason", "probe",
                                          "calibration", "basis")  # fmt: skip
_USUAL = {"trusted": 1, "flag": 1, "age": 0}  # every other column is null for all rows unless it is told


def microseconds(utc: float) -> int:
    """Seconds as the whole microseconds that name a reading."""
    return round(utc * 1_000_000)


def as_kept(one: Reading) -> Reading:
    """The reading as the history gives it back.

    Exactly: point, quantity, raw, the value of what a probe said (raw is not None), flag, reason, probe,
    calibration, basis, whether UTC was trusted. Instants: both clocks to the microsecond. A value that was worked
    out (raw is None): to one decimal more than are shown, which is how finely it was told (signals.rounding).
    Uncertainty: to three significant digits, of a value that was worked out to two (JCGM 100:2008, 7.2.6: two
    usually do). Age: to a tenth of a second, rounded up. No number (NaN) is no value. Ingredients are not kept.
    """
    found = Reading(
        one.point, one.quantity, real(one.value), real(one.raw), one.flag, one.reason,
        Moment(_micro(one.at.mono), microseconds(one.at.utc) / 1_000_000, one.at.trusted, one.at.zone), one.probe,
        _rounded(real(one.uncertainty), _DIGITS[one.raw is not None]), one.calibration, _aged(one.age_s), one.basis,
    )  # fmt: skip
    return rounded(found)


def _rounded(uncertainty: float | None, digits: int) -> float | None:
    if uncertainty is None or not math.isfinite(uncertainty):
        return uncertainty
    return float(f"{uncertainty:.{digits}g}")


def _aged(age: float) -> float:
    if not math.isfinite(age) or abs(age) > 1e12:
        return age
    near = round(age * _AGES_IN)
    return (
        near if abs(near / _AGES_IN - age) < 1e-9 * max(1.0, abs(age)) else math.ceil(age * _AGES_IN)
    ) / _AGES_IN


def _micro(mono: float) -> float:
    return microseconds(mono) / 1_000_000 if abs(mono) < 9e9 else mono


@dataclass(slots=True)
class Columns:
    """Readings of one point, oldest first, one list a column.

    t: microseconds from 1970, none twice; mono: seconds; trusted: 0 or 1; live: the flag as it was when read where
    a later verdict changed it, None elsewhere; reason, probe, calibration, basis: numbers of words, None for none.
    """

    t: list[int]
    mono: list[float]
    trusted: list[int]
    raw: list[float | None]
    value: list[float | None]
    flag: list[int]
    live: list[int | None]
    uncertainty: list[float | None]
    age: list[float]
    reason: list[int | None]
    probe: list[int | None]
    calibration: list[int | None]
    basis: list[int | None]

    def __len__(self) -> int:
        return len(self.t)

    @classmethod
    def none(cls) -> Columns:
        return cls(*([] for _ in _NAMES))

    def put(self, one: Reading, word: Callable[[str], int | None]) -> None:
        """Add a reading that is as kept."""
        row = (
            microseconds(one.at.utc), one.at.mono, int(one.at.trusted), one.raw, one.value, int(one.flag), None,
            one.uncertainty, one.age_s, word(one.reason), word(one.probe), word(one.calibration), word(one.basis),
        )  # fmt: skip
        for name, cell in zip(_NAMES, row, strict=True):
            getattr(self, name).append(cell)

    def add(self, other: Columns) -> None:
        """Rows of another one after these; `sort` brings them in order."""
        for name in _NAMES:
            getattr(self, name).extend(getattr(other, name))

    def sort(self) -> None:
        if any(map(int.__ge__, self.t, self.t[1:])):
            order = sorted(range(len(self.t)), key=self.t.__getitem__)
            for name in _NAMES:
                column = getattr(self, name)
                setattr(self, name, [column[place] for place in order])

    def part(self, begin: int, end: int) -> Columns:
        """Rows from one place to before another."""
        if begin <= 0 and end >= len(self.t):
            return self
        return Columns(*(getattr(self, name)[begin:end] for name in _NAMES))

    def judge(self, place: int, flag: int, reason: int | None) -> None:
        """A verdict in hindsight; the flag given live is kept beside it."""
        if self.live[place] is None:
            self.live[place] = self.flag[place]
        self.flag[place], self.reason[place] = flag, reason

    def readings(
        self, point: str, quantity: str, words: Callable[[int | None], str], zone: tzinfo
    ) -> Iterator[Reading]:
        """The rows as readings."""
        flags = {int(flag): flag for flag in Flag}
        for t, mono, trusted, raw, value, flag, unsure, age, reason, probe, calibration, basis in zip(
            self.t, self.mono, self.trusted, self.raw, self.value, self.flag, self.uncertainty, self.age,
            self.reason, self.probe, self.calibration, self.basis, strict=True,
        ):  # fmt: skip
            yield Reading(
                point, quantity, value, raw, flags[flag], words(reason),
                Moment(mono, t / 1_000_000, bool(trusted), zone), words(probe), unsure, words(calibration), age,
                words(basis),
            )  # fmt: skip


_NAMES = tuple(field.name for field in fields(Columns))


# -- packing ------------------------------------------------------------------------------------------------------


def pack_axis(columns: Columns) -> tuple[str, bytes]:
    """When the readings were made: JSON that describes the bytes, and the bytes. Points read together share it."""
    apart = [_apart(t, mono) for t, mono in zip(columns.t, columns.mono, strict=True)]
    exact = None not in apart
    extra = {} if exact else {"plain": 1}
    return _join({"t": columns.t, "mono": apart if exact else columns.mono, "trusted": columns.trusted}, **extra)


def _apart(t: int, mono: float) -> int | None:
    """Microseconds from the monotonic clock to UTC; None when that does not give the monotonic stamp back."""
    if abs(mono) >= 9e9:
        return None
    apart = t - microseconds(mono)
    return apart if (t - apart) / 1_000_000 == mono else None


def pack_body(columns: Columns, on: Sequence[Sequence[int]] | None = None) -> tuple[str, bytes]:
    """All but the stamps. on: runs [count, 1 or 0] that tell which rows of the axis these are; None for all."""
    parts: dict[str, Any] = {name: getattr(columns, name) for name in _BODY}
    extra: dict[str, Any] = {} if on is None else {"on": on}
    if any(one is not None for one in columns.raw) and _the_same(columns.value, columns.raw):
        extra["value"] = "raw"
        del parts["value"]
    elif (line := _line(columns)) is not None:
        extra["line"], parts["value"] = line
    return _join(parts, **extra)


def _join(parts: dict[str, Sequence[Any]], **extra: Any) -> tuple[str, bytes]:
    about, data = dict(extra), b""
    for name, values in parts.items():
        form, more = pack(values)
        if form != _USUAL.get(name):
            about[name] = form
        data += more
    return json.dumps(about, separators=(",", ":")), data


def unpack_axis(about: str, data: bytes, count: int) -> tuple[list[int], list[float], list[int]]:
    """Stamps, monotonic stamps, whether UTC was trusted."""
    form, take = json.loads(about), reader_of(data)
    t, mono, trusted = (unpack(form.get(name, _USUAL.get(name)), count, take) for name in _AXIS)
    if "plain" not in form:
        mono = [(one - apart) / 1_000_000 for one, apart in zip(t, mono, strict=True)]
    else:
        mono = [float(one) for one in mono]
    return t, mono, trusted


def unpack_stamps(about: str, data: bytes, count: int) -> list[int]:
    """Stamps alone."""
    return unpack(json.loads(about)["t"], count, reader_of(data))


def unpack_body(axis: tuple[list[int], list[float], list[int]], about: str, data: bytes, count: int) -> Columns:
    """A whole piece."""
    form, take = json.loads(about), reader_of(data)
    if "on" in form:
        on = form["on"]
        axis = tuple(_only(column, on) for column in axis)  # type: ignore[assignment]
    found = {
        name: unpack(form.get(name, _USUAL.get(name)), count, take) for name in _BODY if form.get(name) != "raw"
    }
    raw = _real(found["raw"])
    if "value" not in found:
        value = raw.copy()
    elif "line" in form:
        value = _along(form["line"], raw, found["value"])
    else:
        value = _real(found["value"])
    return Columns(
        *axis, raw, value, found["flag"], found["live"], _real(found["uncertainty"]), _real(found["age"]),
        found["reason"], found["probe"], found["calibration"], found["basis"],
    )  # fmt: skip


def unpack_values(about: str, data: bytes, count: int) -> tuple[list[float | None], list[int]]:
    """Values and flags alone, for whoever looks at many."""
    form, take = json.loads(about), reader_of(data)
    raw = unpack(form.get("raw"), count, take)
    value = raw if form.get("value") == "raw" else unpack(form.get("value"), count, take)
    flag = unpack(form.get("flag", 1), count, take)
    return (_along(form["line"], _real(raw), value) if "line" in form else _real(value)), flag


def _the_same(one: Sequence[float | None], other: Sequence[float | None]) -> bool:
    return one == other and not any(
        cell == 0.0 and str(cell) != str(raw) for cell, raw in zip(one, other, strict=True)
    )


def _only(column: list[Any], on: Sequence[Sequence[int]]) -> list[Any]:
    """on: runs [count, 1 or 0]."""
    found, place = [], 0
    for times, mark in on:
        if mark:
            found += column[place : place + times]
        place += times
    return found


def _real(column: list[Any]) -> list[Any]:
    """Numbers that JSON or a scale gave as whole ones, as what they were."""
    return (
        column
        if set(map(type, column)) <= {float, type(None)}
        else [float(one) if type(one) is int else one for one in column]
    )


# -- the line between raw and value
# ---------------------------------------------------------------------------------


def _line(columns: Columns) -> tuple[list[list[Any]], list[int | None]] | None:
    """Values as a straight line of raw for each run of a calibration, and how many units in the last place each is
    off.

    The line is found from the numbers themselves, so that nothing but this file is needed to read them. None when
    some value is no such thing.
    """
    runs: list[list[Any]] = []
    rests: list[int | None] = []
    rows = zip(columns.calibration, columns.raw, columns.value, strict=True)
    for _, group in groupby(rows, key=lambda row: row[0]):
        part = list(group)
        pairs = [(raw, value) for _, raw, value in part if raw is not None and value is not None]
        if any(raw is None and value is not None for _, raw, value in part):
            return None
        try:
            offset, slope = _through(pairs)
            off = [
                None if raw is None or value is None else _units(value) - _units(offset + slope * raw)
                for _, raw, value in part
            ]
        except (OverflowError, ValueError, ZeroDivisionError):
            return None
        if any(one is not None and abs(one) > _FAR for one in off):
            return None
        runs.append([len(part), [offset, slope]])
        rests += off
    return (runs, rests) if any(one is not None for one in rests) else None


def _through(pairs: Sequence[tuple[float, float]]) -> tuple[float, float]:
    if not pairs:
        return 0.0, 1.0
    low, high = min(pairs), max(pairs)
    if low[0] == high[0]:
        return low[1] - low[0], 1.0
    slope = (high[1] - low[1]) / (high[0] - low[0])
    offset = low[1] - slope * low[0]
    if not (math.isfinite(slope) and math.isfinite(offset)):
        raise OverflowError("no line through these")
    return offset, slope


def _along(
    runs: Sequence[Sequence[Any]], raw: Sequence[float | None], rests: Sequence[int | None]
) -> list[float | None]:
    found: list[float | None] = []
    place = 0
    for times, (offset, slope) in runs:
        for said, rest in zip(raw[place : place + times], rests[place : place + times], strict=True):
            found.append(None if said is None or rest is None else _number(_units(offset + slope * said) + rest))
        place += times
    return found


def _units(value: float) -> int:
    """A double's place among all doubles: neighbours differ by one."""
    (bits,) = struct.unpack("<q", struct.pack("<d", value))
    if bits == -(2**63):
        raise ValueError("minus zero has no place of its own")
    return int(bits if bits >= 0 else -(bits & 0x7FFFFFFFFFFFFFFF))


def _number(units: int) -> float:
    (value,) = struct.unpack("<d", struct.pack("<q", units))
    return float(value) if units >= 0 else -struct.unpack("<d", struct.pack("<q", -units))[0]
