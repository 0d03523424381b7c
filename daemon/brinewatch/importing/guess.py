"""A first mapping of a file, guessed from its headings and first rows: TOML to be read and mended by a person.

It is printed and nothing else. What is guessed says so, and what cannot be is left for whoever knows.
"""

from __future__ import annotations

import csv
import json
import re
from collections.abc import Mapping, Sequence
from datetime import datetime
from itertools import islice
from pathlib import Path

from brinewatch.config import ShedFile
from brinewatch.errors import BrinewatchError
from brinewatch.examine import COLUMNS
from brinewatch.examine.sheet import NUMBER
from brinewatch.quantities import QUANTITIES
from brinewatch.readings import quantity_of
from brinewatch.water.records import Record, open_records

_LOOKED_AT = 5000
_DELIMITERS = (",", ";", "\t", "|")
_ENCODINGS = ("", "utf-16", "cp1252")
_DATES = ("%d.%m.%Y", "%d/%m/%Y", "%m/%d/%Y", "%Y/%m/%d", "%d-%m-%Y", "%m-%d-%Y", "%d.%m.%y", "%d/%m/%y",
          "%m/%d/%y", "%Y%m%d")  # fmt: skip
_CLOCKS = ("", " %H:%M", " %H:%M:%S", " %I:%M %p", " %I:%M:%S %p", "%H%M%S", "%H%M")
_FILLS = ("-9999", "-999", "-99", "9999", "-", "--", "nan", "na", "n/a", "null", "none", "error", "err")
# what stands in headings for a quantity, the first that fits; common practice of loggers, no source
_HEADINGS: Sequence[tuple[str, str]] = (
    (r"flag|qc|qa\b|remark|comment|battery|^f_", ""),
    (r"sp(ecific)?[ _.]*cond|\bsc\b|ec ?25", "specific_conductance"),
    (r"cond(uctivity)?\b|\bec\b", "conductivity"),
    (r"(do|o2|oxygen|odo)[^a-z]*(pct|perc|%|sat)", "oxygen_saturation"),
    (r"(^|[^a-z])(do|odo|o2|dissolved[ _]?oxygen|oxygen)([^a-z]|$)", "oxygen"),
    (r"baro|air[ _]?press|atm", "barometric_pressure"),
    (r"(air|room|ambient)[ _.]*temp", "air_temperature"),
    (r"temp|°c|°f|degc|degf", "temperature"),
    (r"\bsal(inity)?\b|psu|pss", "salinity"),
    (r"ph[ _.]*mv|orp", ""),
    (r"(^|[^a-z])ph([^a-z]|$)", "ph"),
    (r"turb|fnu|ntu", "turbidity"),
    (r"depth", "depth"),
    (r"(^|[^a-z])(tan|nh3|nh4|ammonia|ammonium)([^a-z]|$)", "tan"),
    (r"nitrite|no2", "nitrite"),
    (r"nitrate|no3", "nitrate"),
    (r"alk|kh\b", "alkalinity"),
    (r"calcium|\bca\b", "calcium"),
    (r"co2", "co2"),
)
_UNITS: Sequence[tuple[str, str]] = (
    (r"°f|degf|fahrenheit|[_ (\[]f[)\]]?$", "degF"), (r"[uµμ]s[ /_]?(per_?)?cm", "uS/cm"), (r"\bs/m\b", "S/m"),
    (r"mmhg", "mmHg"), (r"inhg", "inHg"), (r"mbar", "mbar"), (r"kpa", "kPa"), (r"dkh", "dKH"),
    (r"caco3", "mg/L CaCO3"), (r"nh3(?!-?n)", "mg/L NH3"), (r"nh4(?!-?n)", "mg/L NH4"), (r"no2(?!-?n)", "mg/L NO2"),
    (r"no3(?!-?n)", "mg/L NO3"),
)  # fmt: skip


class Look:
    """The first rows of a file."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.encoding, self.delimiter, self.header_line = "", ",", 1
        self.header: list[str] = []
        self.rows: list[list[str]] = []
        for self.encoding in _ENCODINGS:
            lines = self._lines()
            if lines is not None:
                break
        else:
            raise BrinewatchError(f"{path.name} is no text.", "Export it as CSV.")
        self.delimiter, self.header_line = _shape(lines)
        with open_records(str(path), self.delimiter, self.encoding) as records:
            records.pass_over(self.header_line - 1)
            self.header = [cell.strip() for cell in records.read_header().cells]
            self.rows = [
                [cell.strip() for cell in record.cells]
                for record in islice(records, _LOOKED_AT)
                if not record.broken and len(record.cells) == len(self.header)
            ]

    def _lines(self) -> list[str] | None:
        """Its first lines, None when they are not of this encoding."""
        try:
            with open_records(str(self.path), "\0", self.encoding) as records:
                found: list[Record] = [*islice(records, 60)]
        except (UnicodeError, csv.Error):
            return None
        text = [one.text for one in found]
        wrong = any("\udc80" <= sign <= "\udcff" or sign in "\0\ufffd" for line in text for sign in line)
        return None if wrong or not text else text

    def cells(self, heading: str) -> list[str]:
        place = self.header.index(heading)
        return [row[place] for row in self.rows]


def _shape(lines: Sequence[str]) -> tuple[str, int]:
    """What stands between cells, and which line names the columns: the first with as many cells as most have."""
    best = (0, ",", 1)
    for delimiter in _DELIMITERS:
        counts = [len(cells) for cells in csv.reader(lines, delimiter=delimiter)]
        usual = max(set(counts), key=lambda n: (counts.count(n), n)) if counts else 1
        if usual > 1:
            best = max(best, (counts.count(usual) * usual, delimiter, counts.index(usual) + 1))
    return best[1], best[2]


def guess(path: Path, shed: ShedFile) -> str:
    """The TOML text. BrinewatchError when the file cannot be read at all."""
    look = Look(path)
    name = (
        re.sub(r"[^A-Za-z0-9._-]+", "-", path.name.removesuffix(".gz").rsplit(".", 1)[0]).strip("-._")[:60] or "log"
    )
    lines = [
        f"# How {path.name} is to be read, guessed from its first rows. Look at every line before you use it.",
        f"name = {json.dumps(name)}",
    ]
    times = [one for one in look.header if re.search(r"time|date|utc|stamp", one, re.I)] or look.header[:1]
    lines += _time_lines(look, times, shed)
    if look.delimiter != ",":
        lines.append(f"delimiter = {json.dumps(look.delimiter)}")
    if look.encoding:
        lines.append(f"encoding = {json.dumps(look.encoding)}")
    if look.header_line > 1:
        lines.append(f"header_line = {look.header_line}")
    body = [cell for row in look.rows for cell in row]
    comma = any(re.fullmatch(r"[+-]?\d+,\d+", cell) for cell in body)
    if comma:
        lines.append('decimal = ","')
    fills = sorted({cell for cell in body if cell.lower() in _FILLS})
    if fills:
        lines.append(f"missing = {json.dumps(['', *fills])}   # what stands for no value")
    lines += _column_lines(look, times, shed)
    return "\n".join(lines) + "\n"


def _time_lines(look: Look, times: Sequence[str], shed: ShedFile) -> list[str]:
    found = _dated(look, times)
    columns, forms, zoned = found if found else (times[:1], [], False)
    told = json.dumps(columns[0]) if len(columns) == 1 else json.dumps(columns)
    lines = [f"time_column = {told}"]
    if len(forms) == 1 and forms[0]:
        lines.append(f"time_format = {json.dumps(forms[0])}")
    elif len(forms) > 1:
        lines.append("# Day and month cannot be told apart in the first rows: take the mark off the right one.")
        lines += [f"# time_format = {json.dumps(form)}" for form in forms]
    elif not forms:
        lines.append("# What form its times have could not be found out; say it as strptime does:")
        lines.append('# time_format = "%d.%m.%Y %H:%M"')
    if not zoned:
        lines.append(
            f"time_zone = {json.dumps(shed.shed.time_zone)}   # the shed's; a logger often keeps winter time"
        )
        lines.append('ambiguous = "refuse"   # of an hour that came twice: refuse, first, second, in order')
    return lines


def _dated(look: Look, times: Sequence[str]) -> tuple[list[str], list[str], bool] | None:
    """The columns of times, the forms that fit all rows ("" for ISO 8601), whether they name their zone."""
    pairs = [[one] for one in times] + [[a, b] for a in times for b in times if a != b]
    for columns in pairs:
        cells = [" ".join(parts) for parts in zip(*(look.cells(one) for one in columns), strict=True)]
        cells = [cell for cell in cells if cell.strip()]
        if not cells:
            continue
        if (
            all(NUMBER.fullmatch(cell) and float(cell) >= 1e8 for cell in cells)
            and len(cells[0].split(".")[0]) != 14
        ):
            return columns, [""], True
        iso = [_iso(cell) for cell in cells]
        if all(one is not None for one in iso):
            return columns, [""], all(one is not None and one.tzinfo is not None for one in iso)
        forms = [date + clock for date in _DATES for clock in _CLOCKS if _fits(cells, date + clock)]
        if forms and (len(columns) > 1 or any("%H" in form or "%I" in form for form in forms)):
            return columns, forms, False
    return None


def _iso(cell: str) -> datetime | None:
    try:
        return None if NUMBER.fullmatch(cell) else datetime.fromisoformat(cell)
    except ValueError:
        return None


def _fits(cells: Sequence[str], form: str) -> bool:
    try:
        for cell in cells:
            datetime.strptime(cell, form)  # noqa: DTZ007 - only whether it can be read
    except ValueError:
        return False
    return True


def _column_lines(look: Look, times: Sequence[str], shed: ShedFile) -> list[str]:
    points: dict[str, list[str]] = {}
    for point in shed.channels():
        points.setdefault(quantity_of(point), []).append(point)
    lines: list[str] = []
    left: list[str] = []
    taken: set[str] = set()
    for heading in look.header:
        if not heading or heading in times:
            continue
        quantity = _quantity(heading)
        free = [point for point in points.get(quantity, []) if point not in taken]
        if not free:
            left.append(heading + (f" ({quantity})" if quantity else ""))
            continue
        taken.add(free[0])
        others = f"   # or: {', '.join(free[1:])}" if len(free) > 1 else ""
        lines += ["", "[[column]]", f"column = {json.dumps(heading, ensure_ascii=False)}",
                  f'point = "{free[0]}"{others}', _unit_line(heading, quantity)]  # fmt: skip
    if not lines:
        lines = ["", "# No heading was understood. For each column of values:", "# [[column]]",
                 f"# column = {json.dumps(look.header[-1])}",
                 f'# point = "{next(iter(shed.channels()), "")}"']  # fmt: skip
    if left:
        lines += ["", "# Not used, for want of a point in the shed file that would take them:",
                  f"# {', '.join(left)}"]  # fmt: skip
    return lines


def _quantity(heading: str) -> str:
    """What a heading speaks of; "" when nobody knows."""
    bare = heading.strip()
    last = bare.rpartition(".")[2]
    if last in COLUMNS or last in QUANTITIES:
        return COLUMNS.get(last, last)
    for pattern, quantity in _HEADINGS:
        if re.search(pattern, bare.replace("_", " "), re.IGNORECASE) or re.search(pattern, bare, re.IGNORECASE):
            return quantity
    return ""


def _unit_line(heading: str, key: str) -> str:
    quantity = QUANTITIES[key]
    units: Mapping[str, object] = quantity.units
    for pattern, unit in _UNITS:
        if unit in units and re.search(pattern, heading, re.IGNORECASE):
            return f"unit = {json.dumps(unit)}"
    also = f"; or: {', '.join(units)}" if units else ""
    return f"unit = {json.dumps(quantity.unit)}   # assumed{also}"
