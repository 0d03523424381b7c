"""Carrying over what can still be read of a damaged history that was set aside, a little at a time.

Where it has got to stands in the fresh file, so that a stop costs nothing. What is broken is passed over and
counted.
"""

from __future__ import annotations

import json
import logging
import sqlite3
from collections.abc import Callable, Sequence
from contextlib import closing, suppress
from datetime import UTC
from pathlib import Path
from typing import Any
from urllib.parse import quote

from brinewatch.readings import Reading
from brinewatch.store import schema
from brinewatch.store.columns import unpack_axis, unpack_body
from brinewatch.store.history_rows import HOUR_US, HistoryRows

log = logging.getLogger(__name__)

_APART = 1_000_000  # between the numbers of changes of the old file and of the fresh one
_GIVEN_UP = 5000  # places in a row that cannot be read
_WHOLE = ("point", "word", "stale", "rollup")  # small tables that are copied at once
# what is copied in slices: table, and what is passed over where it cannot be read
_SLICED = (("piece", 1), ("fresh", 1), ("reading", HOUR_US))

Write = Callable[[Sequence[Reading]], object]


def begin(db: sqlite3.Connection, aside: Path) -> bool:
    """Take over names and small tables of the old file. False when nothing of it can be read."""
    try:
        with closing(_open(aside)) as old:
            names = {name for (name,) in old.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
            if "point" not in names:
                return False
            change = _last_change(old, names)
            db.execute("BEGIN IMMEDIATE")
            for table in _WHOLE:
                if table in names:
                    _copy(old, db, table)
            place = json.dumps(
                {"file": aside.name, "table": 0, "point": 0, "at": -(2**62), "carried": 0, "broken": 0}
            )
            db.execute("INSERT OR REPLACE INTO state VALUES ('carry', ?)", (place,))
            db.execute("UPDATE state SET value = ? WHERE name = 'change'", (change + _APART,))
            db.execute("COMMIT")
            return True
    except sqlite3.Error as error:
        schema.rollback(db)
        log.error("Nothing of %s can be carried over: %s", aside.name, error)
        return False


def go_on(db: sqlite3.Connection, rows: HistoryRows, folder: Path, most: int, write: Write) -> tuple[int, str]:
    """Carry over so many rows at most. Returns how many were looked at, 0 at the end, and words once it has
    ended.
    """
    row = db.execute("SELECT value FROM state WHERE name = 'carry'").fetchone()
    if row is None:
        return 0, ""
    place = json.loads(row[0])
    looked, words = 0, ""
    path = folder / place["file"]
    if place["table"] < len(_SLICED) and path.exists():
        with closing(_open(path)) as old:
            looked = _slice(old, db, rows, place, most, write)
    if not looked:
        words = f"{place['carried']} parts of {place['file']} were carried over, {place['broken']} could not be."
        db.execute("DELETE FROM state WHERE name = 'carry'")
        log.warning("%s", words)
    return looked, words


def _slice(
    old: sqlite3.Connection,
    db: sqlite3.Connection,
    rows: HistoryRows,
    place: dict[str, Any],
    most: int,
    write: Write,
) -> int:
    looked = 0
    while looked < most and place["table"] < len(_SLICED):
        table, _ = _SLICED[place["table"]]
        found = _next(old, table, place)
        if found is None:
            place |= {"table": place["table"] + 1, "point": 0, "at": -(2**62)}
        else:
            looked += 1
            try:
                _take(old, db, rows, table, found, write)
                place["carried"] += 1
            except (sqlite3.Error, schema.Damaged) as error:
                if db.in_transaction:
                    schema.rollback(db)
                if not schema.is_damage(error) and not isinstance(error, sqlite3.DataError):
                    raise
                place["broken"] += 1
        db.execute("UPDATE state SET value = ? WHERE name = 'carry'", (json.dumps(place),))
    return looked


def _next(old: sqlite3.Connection, table: str, place: dict[str, Any]) -> dict[str, Any] | None:
    """The next row, or the next hour of rows of an earlier schema; what cannot be read is passed over."""
    key, skip = {"piece": "id", "fresh": "change"}.get(table, "t_us"), dict(_SLICED)[table]
    passed = False  # a stretch that cannot be read is counted once
    for _ in range(_GIVEN_UP):
        try:
            if table == "reading":
                row = old.execute(
                    "SELECT point, t_us FROM reading WHERE (point, t_us) > (?, ?) ORDER BY point, t_us LIMIT 1",
                    (place["point"], place["at"]),
                ).fetchone()
                if row is None:
                    return None
                end = (row[1] // HOUR_US + 1) * HOUR_US
                place |= {"point": row[0], "at": end - 1}
                return {"point": row[0], "begin": row[1], "end": end}
            cursor = old.execute(f"SELECT * FROM {table} WHERE {key} > ? ORDER BY {key} LIMIT 1", (place["at"],))  # noqa: S608
            row = cursor.fetchone()
            if row is None:
                return None
            found = dict(zip((column[0] for column in cursor.description), row, strict=True))
            place["at"] = found[key]
            return found
        except sqlite3.Error as error:
            if "no such table" in str(error):
                return None
            place["broken"] += not passed
            passed = True
            place["at"] = skip + (place["at"] if place["at"] > -(2**62) else 0)
    return None


def _take(
    old: sqlite3.Connection,
    db: sqlite3.Connection,
    rows: HistoryRows,
    table: str,
    row: dict[str, Any],
    write: Write,
) -> None:
    """One part into the fresh file. Where that has readings of the same time already, one by one as late ones."""
    theirs, point = HistoryRows(old), row["point"]
    body: dict[str, Any] = {}
    axis: dict[str, Any] = {}
    if table == "piece" and row["axis"] is None:
        _put(db, "piece", {**row, "id": None})
        return
    if table == "reading":
        columns = theirs.window(point, row["begin"], row["end"])
    else:
        # by their numbers alone: an index may be what is broken
        if table == "piece":
            body = _row(old, "SELECT about, data FROM body WHERE piece = ?", row["id"])
            axis = _row(old, "SELECT * FROM axis WHERE id = ?", row["axis"])
        else:
            body, axis = row, {"n": row["n"], "about": row["stamps"], "data": row["stamp_data"]}
        columns = schema.unpacking(
            lambda: unpack_body(
                unpack_axis(axis["about"], axis["data"], axis["n"]), body["about"], body["data"], row["n"]
            )
        )
    named = old.execute("SELECT name, quantity FROM point WHERE id = ?", (point,)).fetchone()
    if named is None or not len(columns):
        raise schema.Damaged("a part without a point or readings")
    mine, first, last = rows.point(named[0]), columns.t[0], columns.t[-1]
    verdicts = [] if table == "reading" else _verdicts(old, point, first, last)
    straight = mine is not None and mine[0] == point and table != "reading"
    if straight and not len(rows.window(point, row.get("begin_us", first), row.get("end_us", last + 1))):
        db.execute("BEGIN IMMEDIATE")
        if table == "piece":
            key = _put(db, table, {**row, "id": None, "axis": _axis(db, axis)})
            db.execute("INSERT INTO body VALUES (?, ?, ?)", (key, body["about"], body["data"]))
        else:
            _put(db, table, row)
        db.executemany("INSERT OR IGNORE INTO verdict VALUES (?, ?, ?, ?, ?, ?)", verdicts)
        db.execute("COMMIT")
        return
    for _, t_us, flag, reason, _, _ in verdicts:
        if t_us in columns.t:
            columns.judge(columns.t.index(t_us), flag, reason)
    write(list(columns.readings(named[0], named[1], theirs.word, UTC)))


def _row(old: sqlite3.Connection, query: str, key: int) -> dict[str, Any]:
    cursor = old.execute(query, (key,))
    names, cells = [column[0] for column in cursor.description], cursor.fetchone()
    if cells is None:
        raise schema.Damaged("a part of a piece is not there")
    return dict(zip(names, cells, strict=True))


def _axis(db: sqlite3.Connection, row: dict[str, Any]) -> int:
    there = db.execute(
        "SELECT id FROM axis WHERE begin_us = ? AND end_us = ? AND n = ? AND about = ? AND data = ?",
        (row["begin_us"], row["end_us"], row["n"], row["about"], row["data"]),
    ).fetchone()
    return int(there[0]) if there else _put(db, "axis", {**row, "id": None})


def _verdicts(old: sqlite3.Connection, point: int, first: int, last: int) -> list[tuple[Any, ...]]:
    with suppress(sqlite3.DatabaseError):
        query = "SELECT * FROM verdict WHERE point = ? AND t_us >= ? AND t_us <= ?"
        return old.execute(query, (point, first, last)).fetchall()
    return []


def _put(db: sqlite3.Connection, table: str, row: dict[str, Any]) -> int:
    names, marks = ", ".join(row), ", ".join("?" * len(row))
    query = f"INSERT OR IGNORE INTO {table} ({names}) VALUES ({marks})"  # noqa: S608 - our own names
    return int(db.execute(query, tuple(row.values())).lastrowid or 0)


def _copy(old: sqlite3.Connection, db: sqlite3.Connection, table: str) -> None:
    with suppress(sqlite3.DatabaseError):  # as far as it can be read
        for row in old.execute(f"SELECT * FROM {table}"):  # noqa: S608 - our own names
            db.execute(f"INSERT OR IGNORE INTO {table} VALUES ({', '.join('?' * len(row))})", row)  # noqa: S608


def _last_change(old: sqlite3.Connection, names: set[str]) -> int:
    best = 0
    for table in ("fresh", "piece", "verdict"):
        if table in names:
            with suppress(sqlite3.DatabaseError):
                best = max(best, old.execute(f"SELECT max(change) FROM {table}").fetchone()[0] or 0)  # noqa: S608
    if "state" in names:
        with suppress(sqlite3.DatabaseError):
            best = max(best, old.execute("SELECT value FROM state WHERE name = 'change'").fetchone()[0])
    return best


def _open(path: Path) -> sqlite3.Connection:
    return sqlite3.connect(
        f"file:{quote(str(path.resolve()))}?mode=rw", uri=True, timeout=5.0, isolation_level=None
    )
