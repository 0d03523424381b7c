"""`--csv`: a file of readings, a column of times and one for each quantity, as a record that can be rehearsed."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, tzinfo
from itertools import pairwise
from statistics import median

from brinewatch.errors import BrinewatchError
from brinewatch.examine import COLUMNS
from brinewatch.examine.sheet import NOTHING, NUMBER, time_column, utc_of_cell
from brinewatch.moment import Moment
from brinewatch.quantities import QUANTITIES
from brinewatch.readings import Flag, Reading, quantity_of
from brinewatch.signals.derived import Derivation, derive
from brinewatch.signals.rounding import rounded
from brinewatch.water.records import Record, open_records

_FLAG = "_flag"
_SCANS = 3  # a reading may miss two scans before it is too old
# where no shed says whose a quantity is
_STAGE = "file"


@dataclass(frozen=True)
class Sheet:
    """What a file holds. readings: by point, oldest first; ages: seconds for which a reading of a point counts;
    every_s: the usual time between them; notes: what was not read, for people."""

    readings: Mapping[str, list[Reading]]
    ages: Mapping[str, float]
    every_s: Mapping[str, float]
    notes: tuple[str, ...]


@dataclass
class _Column:
    """One column of values. flag: the column of its flags, None without."""

    name: str
    point: str
    place: int
    flag: int | None = None


def read_sheet(source: str, time: str | None, points: Collection[str] | None, zone: tzinfo = UTC) -> Sheet:
    """Read a file through. points: those of the shed, None without one. BrinewatchError when it cannot be used."""
    with open_records(source) as records:
        header = records.read_header().cells
        place = time_column(records.name, header, time)
        columns, unread = _columns(records.name, header, place, points)
        cells: list[tuple[float, int, Record]] = []
        last = -math.inf
        for line, record in enumerate(records, 2):
            utc = _instant(records.name, line, record, place, len(header), last)
            cells.append((utc, line, record))
            last = utc
        if not cells:
            raise BrinewatchError(f"{records.name} has no rows.", "Every row after the first is an instant.")
        readings = {}
        for column in columns:
            readings[column.point] = list(_read(records.name, column, cells, zone))
    notes = [f"Not read, as no quantity of that name is watched: {', '.join(unread)}."] if unread else []
    every = {point: _every(found) for point, found in readings.items()}
    ages = {point: _SCANS * seconds for point, seconds in every.items() if seconds is not None}
    usual = {point: seconds for point, seconds in every.items() if seconds is not None}
    return Sheet(readings, ages, usual, tuple(notes))


def _columns(
    name: str, header: Sequence[str], time: int, points: Collection[str] | None
) -> tuple[list[_Column], list[str]]:
    found: dict[str, _Column] = {}
    flags: dict[str, int] = {}
    unread = []
    for place, column in enumerate(header):
        bare = column.strip()
        if place == time or not bare:
            continue
        if bare.endswith(_FLAG):
            flags[bare.removesuffix(_FLAG)] = place
            continue
        point = _point(name, bare, points)
        if point is None:
            unread.append(bare)
        elif point in found:
            raise BrinewatchError(f"{name}: columns {found[point].name} and {bare} are both {point}.", "Keep one.")
        else:
            found[point] = _Column(bare, point, place)
    for one in found.values():
        one.flag = flags.pop(one.name, None)
    unread += [f"{bare}{_FLAG}" for bare in flags]
    if not found:
        known = ", ".join(sorted(points)) if points else f"{', '.join(COLUMNS)}, or any of `brinewatch quantities`"
        raise BrinewatchError(
            f"{name} has no column of a quantity. Its columns are: {', '.join(header)}.", f"Name one of: {known}."
        )
    return list(found.values()), unread


def _point(name: str, column: str, points: Collection[str] | None) -> str | None:
    """The point a column is of: itself, or the one point of its quantity."""
    stage, _, last = column.rpartition(".")
    quantity = COLUMNS.get(last, last)
    if quantity not in QUANTITIES:
        return None
    if stage:
        point = f"{stage}.{quantity}"
        return point if points is None or point in points else None
    if points is None:
        return f"{_STAGE}.{quantity}"
    there = [point for point in points if quantity_of(point) == quantity]
    if len(there) > 1:
        raise BrinewatchError(
            f"{name}: {column} is watched at {len(there)} points.", f"Name the column one of: {', '.join(there)}."
        )
    return there[0] if there else None


def _instant(name: str, line: int, record: Record, place: int, width: int, last: float) -> float:
    if record.broken:
        raise BrinewatchError(f"{name}, row {line}: {record.broken}.", "Mend the row.")
    if len(record.cells) != width:
        raise BrinewatchError(
            f"{name}, row {line}: {len(record.cells)} cells, the header has {width}.", "Mend the row."
        )
    text = record.cells[place].strip()
    utc = utc_of_cell(text)
    if utc is None:
        raise BrinewatchError(
            f"{name}, row {line}: {text[:40]!r} is no time.", "Write ISO 8601 or seconds since 1970."
        )
    if utc <= last:
        raise BrinewatchError(
            f"{name}, row {line}: {text[:40]} is not after the time of the row before.",
            "Put the rows in order of time.",
        )
    return utc


def _read(name: str, column: _Column, rows: Sequence[tuple[float, int, Record]], zone: tzinfo) -> Iterator[Reading]:
    quantity = quantity_of(column.point)
    span = QUANTITIES[quantity]
    filled = [record.cells[column.place].strip().lower() not in NOTHING for _, _, record in rows]
    # filled cells that mostly stand alone are tests made now and then, and not what a probe says row by row
    now_and_then = 2 * sum(one and other for one, other in pairwise(filled)) < sum(filled) and not all(filled)
    for utc, line, record in rows:
        text = record.cells[column.place].strip()
        flag, reason, value = Flag.PASS, "", None
        if text.lower() in NOTHING:
            if now_and_then:
                continue
            flag, reason = Flag.MISSING, "There is no value."
        elif NUMBER.fullmatch(text) is None or not math.isfinite(float(text)):
            raise BrinewatchError(
                f"{name}, row {line}, column {column.name}: {text[:40]!r} is no number.",
                "Write a number with a point.",
            )
        else:
            value = float(text)
            if not span.low <= value <= span.high:
                flag, reason = Flag.FAIL, f"Outside {span.low:g} to {span.high:g} {span.unit}."
        if column.flag is not None and (said := record.cells[column.flag].strip()):
            flag = _flag(name, line, column, said, flag)
        at = Moment(utc, utc, True, zone)
        yield Reading(column.point, quantity, value, value, flag, reason, at, "file")


def _flag(name: str, line: int, column: _Column, text: str, own: Flag) -> Flag:
    try:
        said = Flag(int(text))
    except ValueError:
        raise BrinewatchError(
            f"{name}, row {line}, column {column.name}{_FLAG}: {text[:40]!r} is no flag.", "Write 1, 2, 3, 4 or 9."
        ) from None
    return own if own in (Flag.FAIL, Flag.MISSING) else said


def _every(readings: Sequence[Reading]) -> float | None:
    stamps = [one.at.utc for one in readings]
    if len(stamps) < 2:
        return None
    return median(later - earlier for earlier, later in pairwise(stamps))


def derived(sheet: Sheet, derivations: Sequence[Derivation]) -> dict[str, list[Reading]]:
    """What the shed works out from columns of the file, as it does live: with each reading of the leading input.

    Left out: what the file has itself, and what can never be told from it.
    """
    wanted = [one for one in derivations if one.point not in sheet.readings and one.inputs]
    latest: dict[str, Reading] = {}
    found: dict[str, list[Reading]] = {}
    rows = sorted((one for readings in sheet.readings.values() for one in readings), key=lambda one: one.at.utc)
    place = 0
    while place < len(rows):
        at, fresh = rows[place].at, set()
        while place < len(rows) and rows[place].at.utc == at.utc:
            latest[rows[place].point] = rows[place]
            fresh.add(rows[place].point)
            place += 1
        for one in wanted:
            if next(iter(one.inputs.values())) in fresh:
                made = rounded(derive(one, latest, at))
                latest[one.point] = made
                fresh.add(one.point)
                found.setdefault(one.point, []).append(made)
    return {point: readings for point, readings in found.items() if any(one.usable for one in readings)}
