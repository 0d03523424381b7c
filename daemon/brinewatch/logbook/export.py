"""The journal for other programs: every field, with the hashes and the text they are taken of.

Anybody can follow the chain without this program: hash = SHA-256 of `before` followed by `sealed`, in UTF-8, and
`before` is the hash of the link before.
"""

from __future__ import annotations

import csv as csv_format
import json
from collections.abc import Iterable
from typing import IO, Any

from brinewatch.store.chain import Record
from brinewatch.store.journal_tables import OPEN, SEALED
from brinewatch.store.rows import clean

_LINK = ("link", "record")
_HASHES = ("before", "hash", "sealed")
# every column of every table once, under its own name
FIELDS = tuple(
    dict.fromkeys(name for table, its in SEALED.items() for name in (*its.columns, *OPEN.get(table, ())))
)
COLUMNS = (*_LINK, *FIELDS, *_HASHES)


def write_export(records: Iterable[Record], file: IO[str], *, csv: bool) -> int:
    """Write every record, one a line, times as POSIX seconds; returns how many. csv: else JSON lines."""
    written = 0
    if csv:
        rows = csv_format.DictWriter(file, COLUMNS, lineterminator="\n")
        rows.writeheader()
    for one in records:
        row, written = _row(one), written + 1
        if csv:
            rows.writerow(row)
        else:
            file.write(json.dumps(row) + "\n")
    return written


def _row(one: Record) -> dict[str, Any]:
    fields = {name: _plain(value) for name, value in one.fields.items()}
    return {
        "link": one.link, "record": one.record, **fields, "before": one.before, "hash": one.hash,
        "sealed": _sealed(one),
    }  # fmt: skip


def _plain(value: object) -> object:
    return clean(value) if isinstance(value, str) else repr(value) if isinstance(value, bytes) else value


def _sealed(one: Record) -> str:
    try:
        return one.sealed
    except TypeError:
        return ""  # a value no journal holds: the check of the chain says so
