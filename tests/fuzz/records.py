"""Records that people bring: played, examined, and tried rules on."""

from __future__ import annotations

import csv
import gzip
import io
import random
from decimal import Decimal
from itertools import pairwise
from math import isclose

from brinewatch.errors import BadAnswer, BrinewatchError, PortLost
from brinewatch.examine.sheet import examine, utc_of_cell
from brinewatch.probes.record_file import RecordFile
from brinewatch.rehearse.sheet import read_sheet
from brinewatch.water.records import Records

from .folder import folder
from .mutate import spoiled
from .target import Target, Wrong

_CSV = (
    b"time,temperature_C,oxygen_mg_per_L,note\r\n"
    + b"".join(
        f'2026-09-23T22:{minute:02d}:00Z,{12 + minute / 10},{8 - minute / 50},"said ""so"", twice"\r\n'.encode()
        for minute in range(12)
    )
)  # fmt: skip


def _csv(chance: random.Random) -> bytes:
    data = spoiled(chance, _CSV)
    return gzip.compress(data, 1) if chance.random() < 0.05 else data


def _check_played(given: bytes) -> bool:
    """As a record that is played: every row is that of the file, in rising time."""
    path = folder() / "record.csv"
    path.write_bytes(given)
    record = RecordFile(path, "time", None, None, frozenset({"temperature_C"}))
    refused: list[str] = []
    try:
        rows = list(record.rows(refused))
    except (BadAnswer, PortLost):
        return False
    if given[:2] == b"\x1f\x8b":
        given = gzip.decompress(given)
    plain = list(csv.reader(io.StringIO(given.decode("utf-8-sig"), newline="")))
    at = plain[0].index("temperature_C") if "temperature_C" in plain[0] else -1
    cells = {row[at] if len(row) > at else "" for row in plain[1:] if row}
    last = float("-inf")
    for row in rows:
        if row.utc <= last:
            raise Wrong("a row out of order")
        last = row.utc
        if plain[0].count("temperature_C") == 1 and row.cells["temperature_C"] not in cells:
            raise Wrong(f"{row.cells} is in no row")
    return bool(rows)


def _check_examined(given: bytes) -> bool:
    """As a record that is examined: what was read comes out again, with flags behind it."""
    path, out = folder() / "examine.csv", folder() / "examined.csv"
    path.write_bytes(given)
    records = Records("record", io.BytesIO(given), owned=True)
    try:
        with records:
            all_of_it = [records.read_header(), *records]
    except BrinewatchError:
        all_of_it = []
    if all_of_it and given[:2] != b"\x1f\x8b" and not any(one.broken for one in all_of_it):
        text = given.decode("utf-8-sig", "surrogateescape")
        again = "".join(one.text + one.end for one in all_of_it)
        if again.replace("\r", "").replace("\n", "") != text.replace("\r", "").replace("\n", ""):
            raise Wrong("a file that does not come out as it went in")
    try:
        examine(str(path), str(out), {}, time=None)
    except BrinewatchError:
        return False
    finally:
        out.unlink(missing_ok=True)
    return True


def _check_rehearsed(given: bytes) -> bool:
    """As a record that rules are tried on: values and times are those of the cells."""
    path = folder() / "rehearse.csv"
    path.write_bytes(given)
    try:
        sheet = read_sheet(str(path), None, None)
    except BrinewatchError:
        return False
    for readings in sheet.readings.values():
        for before, after in pairwise(readings):
            if after.at.utc < before.at.utc:
                raise Wrong("readings out of order")
    return True


def _cell(chance: random.Random) -> str:
    text = chance.choice(("2026-09-23T22:00:00Z", "1790200800", "1790200800123", "2026-09-23 22:00", "1.5e9"))
    return spoiled(chance, text.encode()).decode("utf-8", "replace")


def _check_cell(given: str) -> bool:
    found = utc_of_cell(given)
    if found is None:
        return False
    if "_" in given:  # the decimal module passes over it; in a date without hyphens it stands before the time
        return True
    try:
        number = Decimal(given)
    except ArithmeticError:
        return True
    right = number / 1000 if abs(number) >= 100_000_000_000 else number
    if not isclose(found, float(right), rel_tol=4e-16):  # a float divided is rounded twice
        raise Wrong(f"{found} out of {given!r}")
    return True


TARGETS = (
    Target("records played", _csv, _check_played, 3),
    Target("records examined", _csv, _check_examined, 2),
    Target("records for rules", _csv, _check_rehearsed, 3),
    Target("times in records", _cell, _check_cell, 4),
)
