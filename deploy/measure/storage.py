"""A year of twenty channels in the history's file (`--quick`: a month), beside a row per point and DuckDB.

The channels are those of the other measurements: a daily swing with Gaussian noise of 0.7 to 1.5 counts, rounded to
the probe's resolution, a scan every 5 s, stamps that jitter by 2 ms. In the quick run the days after the fifth
repeat the first five under new dates. The table with a row per point holds four of the channels: its size and its
queries go by the channel.
"""

from __future__ import annotations

import json
import math
import sqlite3
import tempfile
import time
import zlib
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import UTC
from pathlib import Path
from typing import Any

import duckdb
import numpy as np

from brinewatch.clock import SteppingClock
from brinewatch.moment import Moment
from brinewatch.quantities import QUANTITIES
from brinewatch.readings import Flag, Reading, quantity_of
from brinewatch.signals.rounding import FINER
from brinewatch.store import schema
from brinewatch.store.columns import Columns, pack_axis, pack_body
from brinewatch.store.history_file import HistoryFile
from brinewatch.store.history_hours import pack_hours, summaries, unpack_hours
from brinewatch.store.history_rows import DAY_US, HistoryRows
from brinewatch.store.history_seal import Sealer, transaction
from brinewatch.store.reader import StoreReader
from brinewatch.store.rollup import keep_hours
from made_shed import SIGNALS
from row import Row
from storage_disk import ROW_TABLE, alarms, blocks

START = 1_767_225_600.0  # 2026-01-01 00:00 UTC
EVERY_S, DAY_S = 5.0, 86400.0
SCANS = int(DAY_S / EVERY_S)  # in a day
ROWS_OF, PIXELS = 4, 1500
MADE = 5  # days made before a quick run repeats them

GOALS = {
    "size": 0.5, "size ratio": 1 / 50, "year": 1 / 500, "year duck": 1.0, "sixty": 1 / 40, "day": 1 / 15,
}  # fmt: skip


def measure(quick: bool) -> Iterator[Row]:
    days = 30 if quick else 365
    with tempfile.TemporaryDirectory(prefix="brinewatch-bench-") as name:
        folder = Path(name)
        made = _Made(quick)
        points = days * SCANS * len(SIGNALS)
        _history(folder, made, days)
        _rows(folder, made, days)
        _duck(folder, made, days)
        ours, theirs, duck = (folder / one for one in ("history.sqlite", "rows.sqlite", "points.duckdb"))
        size = f"{days} days x {len(SIGNALS)} channels x {EVERY_S:g} s"
        own = ours.stat().st_size / points
        row = theirs.stat().st_size / (days * SCANS * ROWS_OF)
        yield Row("storage", f"{size}: flags, hours and rollups included", own, "B/point", goal=GOALS["size"])
        yield Row("storage", "the same", own, "B/point", row, "a row per point", GOALS["size ratio"])
        yield Row("storage", "the same", own, "B/point", duck.stat().st_size / points, "DuckDB, stamps and values")
        what = "a day with four probes calibrated and eight points worked out, as they are told"
        yield Row("storage", what, _as_told(made), "B/point")
        yield from _queries(folder, days)
    yield from blocks(quick)
    yield from alarms(quick)


# -- the three stores
# -----------------------------------------------------------------------------------------------


class _Made:
    """Days of all channels: stamps in microseconds, and values by channel."""

    def __init__(self, quick: bool) -> None:
        self._quick = quick
        self._days: dict[int, tuple[Any, dict[str, Any]]] = {}

    def day(self, number: int) -> tuple[Any, dict[str, Any]]:
        source = number % MADE if self._quick else number
        if source not in self._days:
            chance = np.random.default_rng(source)
            if len(self._days) > MADE:
                self._days.clear()
            ticks = (START + source * DAY_S + np.arange(SCANS) * EVERY_S) * 1e6 + 2.5e6
            stamps = np.sort((ticks + chance.normal(0, 2000, SCANS)).astype(np.int64))
            phase = 2 * math.pi * np.arange(SCANS) / SCANS
            values = {
                point: _to_counts(one.middle + one.swing * np.sin(phase + source / 9), one.count, one.noise, chance)
                for point, one in SIGNALS.items()
            }
            self._days[source] = stamps, values
        stamps, values = self._days[source]
        return stamps + (number - source) * DAY_US, values


def _to_counts(level: Any, count: float, noise: float, chance: np.random.Generator) -> Any:
    whole = np.round(level / count + chance.normal(0, noise, len(level)))
    return np.round(whole * count, max(0, round(-math.log10(count))))


def _history(folder: Path, made: _Made, days: int) -> None:
    file = HistoryFile(folder / "history.sqlite", SteppingClock(START))
    file.open()
    noon = Moment(0.0, START - DAY_S, True, UTC)
    file.write([Reading(p, quantity_of(p), 1.0, 1.0, Flag.PASS, "", noon, "probe", 0.05, "c1") for p in SIGNALS])
    file.close()
    with closing(sqlite3.connect(folder / "history.sqlite", isolation_level=None)) as db:
        rows = HistoryRows(db)
        numbers = rows.points()
        change = len(SIGNALS)

        def next_change() -> int:
            nonlocal change
            change += 1
            return change

        sealer = Sealer(db, rows, next_change)
        db.execute("DELETE FROM fresh")
        packed: dict[int, list[int]] = {}
        for day in range(days):
            begin = round(START * 1e6) + day * DAY_US
            with transaction(db):
                if day - MADE in packed and made._quick:
                    packed[day] = [_again(db, one, begin, next_change()) for one in packed[day - MADE]]
                    continue
                stamps, values = made.day(day)
                t = stamps.tolist()
                for point, (number, _) in numbers.items():
                    columns = _columns(t, values[point].tolist())
                    hours = summaries(rows, number, columns)
                    sealer.put(number, begin, begin + DAY_US, columns, hours, next_change())
            packed[day] = [key for (key,) in db.execute("SELECT id FROM piece WHERE begin_us = ?", (begin,))]
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")


def _columns(t: list[int], value: list[float | None]) -> Columns:
    n = len(t)
    nothing: list[Any] = [None] * n
    mono = [(one - round(START * 1e6) + 5_000_000_000) / 1e6 for one in t]
    return Columns(
        t, mono, [1] * n, value, value, [1] * n, nothing, [0.05] * n, [0.0] * n, nothing, [1] * n, [2] * n, nothing,
    )  # fmt: skip


def _again(db: sqlite3.Connection, source: int, begin: int, change: int) -> int:
    """The same piece some days later: its stamps and the names of its hours move, its bytes stay."""
    cursor = db.execute("SELECT * FROM piece WHERE id = ?", (source,))
    piece = dict(zip((column[0] for column in cursor.description), cursor.fetchone(), strict=True))
    by = begin - piece["begin_us"]
    there = db.execute("SELECT id FROM axis WHERE begin_us = ?", (begin,)).fetchone()
    if there is None:
        n, about, data = db.execute("SELECT n, about, data FROM axis WHERE id = ?", (piece["axis"],)).fetchone()
        form = json.loads(about)
        form["t"]["z"] += by
        form["mono"] += by  # the monotonic clock stays where it was: only sizes are looked at
        cells = (begin, begin + DAY_US, n, json.dumps(form, separators=(",", ":")), data)
        there = db.execute("INSERT INTO axis (begin_us, end_us, n, about, data) VALUES (?, ?, ?, ?, ?)", cells)
        there = (there.lastrowid,)
    hours = json.loads(piece["hours"])
    hours[1]["z"] += by // 3_600_000_000
    piece |= {
        "id": None, "begin_us": begin, "end_us": begin + DAY_US, "first_us": piece["first_us"] + by,
        "last_us": piece["last_us"] + by, "change": change, "axis": there[0],
        "hours": json.dumps(hours, separators=(",", ":")),
    }  # fmt: skip
    marks = ", ".join("?" * len(piece))
    query = f"INSERT INTO piece ({', '.join(piece)}) VALUES ({marks})"  # noqa: S608 - our own names
    key = db.execute(query, tuple(piece.values())).lastrowid
    db.execute("INSERT INTO body SELECT ?, about, data FROM body WHERE piece = ?", (key, source))
    keep_hours(db, piece["point"], unpack_hours("", "", piece["hours"], piece["hour_data"], UTC))
    return int(key or 0)


def _as_told(made: _Made) -> float:
    """What a shed of its own takes: values on a calibration's line, worked-out ones that are not multiples of a
    step, with an uncertainty and an age that move. Packed bytes a point, without the file's own overhead."""
    stamps, values = made.day(0)
    t, chance, size = stamps.tolist(), np.random.default_rng(4), 0
    for place, (point, signal) in enumerate(SIGNALS.items()):
        quantity = QUANTITIES[quantity_of(point)]
        columns = _columns(t, values[point].tolist())
        if place < 4:
            columns.value = [0.0317 + 1.0123 * one for one in values[point].tolist()]
        elif place >= 12:
            level = signal.middle + signal.swing * np.sin(2 * np.pi * np.arange(SCANS) / SCANS)
            level += chance.normal(0, signal.count * signal.noise, SCANS)
            columns.raw, columns.basis = [None] * SCANS, [3] * SCANS
            columns.value = np.round(level, quantity.decimals + FINER).tolist()
            columns.uncertainty = [float(f"{0.01 * abs(one) + 0.1 * signal.count:.2g}") for one in level.tolist()]
            columns.age = np.ceil(chance.normal(3.1, 0.02, SCANS) / 0.1).astype(int).tolist()
            columns.age = [one / 10 for one in columns.age]
        with closing(sqlite3.connect(":memory:", isolation_level=None)) as db:
            schema.migrate(db, schema.HISTORY, "memory")
            packed = pack_hours(summaries(HistoryRows(db), 1, columns))
        size += sum(map(len, (*pack_body(columns), *packed)))
        size += 0 if place else sum(map(len, pack_axis(columns)))  # all share it
    return size / SCANS / len(SIGNALS)


def _rows(folder: Path, made: _Made, days: int) -> None:
    with closing(sqlite3.connect(folder / "rows.sqlite", isolation_level=None)) as db:
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("PRAGMA synchronous = NORMAL")
        db.execute(ROW_TABLE)
        for channel, point in enumerate(list(SIGNALS)[:ROWS_OF]):
            for day in range(days):
                stamps, values = made.day(day)
                db.execute("BEGIN")
                rows = zip([channel] * SCANS, stamps.tolist(), values[point].tolist(), strict=True)
                db.executemany("INSERT INTO point VALUES (?, ?, ?)", rows)
                db.execute("COMMIT")
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")


def _duck(folder: Path, made: _Made, days: int) -> None:
    db = duckdb.connect(folder / "points.duckdb")
    db.execute("CREATE TABLE point (channel INTEGER, t BIGINT, value DOUBLE)")
    month = 10
    for channel, point in enumerate(SIGNALS):
        for begin in range(0, days, month):
            parts = [made.day(day) for day in range(begin, min(days, begin + month))]
            stamps = np.concatenate([part[0] for part in parts])
            values = np.concatenate([part[1][point] for part in parts])
            block = {"channel": np.full(len(stamps), channel, np.int32), "t": stamps, "value": values}
            db.execute("INSERT INTO point SELECT channel, t, value FROM block")
            del block
    db.execute("CHECKPOINT")
    db.close()


# -- questions
# ------------------------------------------------------------------------------------------------------


def _queries(folder: Path, days: int) -> Iterator[Row]:
    point = list(SIGNALS)[1]
    long = min(60, days)
    with (
        StoreReader(folder, UTC) as store,
        closing(sqlite3.connect(folder / "rows.sqlite")) as rows,
        closing(duckdb.connect(folder / "points.duckdb", read_only=True)) as duck,
    ):

        def group(begin: float, span_days: int) -> str:
            width = round(span_days * DAY_US / PIXELS)
            since, until = round(begin * 1e6), round(begin * 1e6) + span_days * DAY_US
            return (
                f"SELECT (t - {since}) // {width}, min(value), max(value) FROM point WHERE channel = 1"  # noqa: S608
                f" AND t >= {since} AND t < {until} GROUP BY 1 ORDER BY 1"
            )

        def view(span_days: int, begin: float = START) -> tuple[float, float, float]:
            until = begin + span_days * DAY_S
            asked = group(begin, span_days)
            ours = _best(lambda: _buckets(store, point, begin, until))
            theirs = _best(lambda: rows.execute(asked.replace("//", "/")).fetchall(), 3)
            return ours, theirs, _best(lambda: duck.execute(asked).fetchall())

        ours, theirs, ducks = view(days)
        what = f"{days} days of a channel to {PIXELS} lowest and highest"
        goal = GOALS["year"] if days == 365 else GOALS["sixty"]
        yield Row("storage", what, ours * 1e3, "ms", theirs * 1e3, "GROUP BY over rows", goal)
        yield Row("storage", what, ours * 1e3, "ms", ducks * 1e3, "DuckDB", GOALS["year duck"])
        if days == long:
            yield from _days(folder, days, rows, duck)
            return
        ours, theirs, ducks = view(long, START + (days - long) * DAY_S)
        what = f"{long} days of a channel to {PIXELS} lowest and highest"
        yield Row("storage", what, ours * 1e3, "ms", theirs * 1e3, "GROUP BY over rows", GOALS["sixty"])
        yield Row("storage", what, ours * 1e3, "ms", ducks * 1e3, "DuckDB")
        yield from _days(folder, days, rows, duck)


def _days(folder: Path, days: int, rows: sqlite3.Connection, duck: Any) -> Iterator[Row]:
    """Every value of one day of a channel, another day each time: with numpy, as the others are asked, and
    without.
    """
    began = round(START * 1e6) + (days - 9) * DAY_US
    begins = [began + day * DAY_US for day in range(7)]

    def asked(since: int) -> str:
        return f"SELECT t, value FROM point WHERE channel = 1 AND t >= {since} AND t < {since + DAY_US}"  # noqa: S608

    still = f"file:{folder / 'history.sqlite'}?immutable=1"  # nobody writes
    with closing(sqlite3.connect(still, uri=True)) as db, StoreReader(folder, UTC) as store:
        point = list(SIGNALS)[1]
        (number,) = db.execute("SELECT id FROM point WHERE name = ?", (point,)).fetchone()
        for since in begins[:2]:
            wanted = list(zip(*rows.execute(asked(since)).fetchall(), strict=True))
            stamps, values = _unpacked(db, number, since)
            plain = next(store.values(point, since / 1e6, since / 1e6 + DAY_S))
            if [tuple(stamps.tolist()), tuple(values.tolist())] != wanted or [
                tuple(plain[0]),
                tuple(plain[1]),
            ] != wanted:
                raise SystemExit("storage: the day is not what was written")
        ours = _soonest(begins, lambda since: _unpacked(db, number, since))
        plainly = _soonest(begins[2:], lambda since: next(store.values(point, since / 1e6, since / 1e6 + DAY_S)))
        theirs = _soonest(begins, lambda since: rows.execute(asked(since)).fetchall())
        ducks = _soonest(begins, lambda since: duck.execute(asked(since)).fetchnumpy())
    what = "every value of a channel's day"
    yield Row("storage", f"{what}, with numpy", ours * 1e3, "ms", theirs * 1e3, "a row per point", GOALS["day"])
    yield Row("storage", f"{what}, with numpy", ours * 1e3, "ms", ducks * 1e3, "DuckDB, with numpy")
    yield Row("storage", f"{what}, as plain lists", plainly * 1e3, "ms", theirs * 1e3, "a row per point")


def _unpacked(db: sqlite3.Connection, point: int, begin: int) -> tuple[Any, Any]:
    """A day's stamps and values with numpy, by the description of the format alone."""
    n, about, data, axis_about, axis_data = db.execute(
        "SELECT piece.n, body.about, body.data, axis.about, axis.data FROM piece JOIN body ON body.piece = piece.id"
        " JOIN axis ON axis.id = piece.axis WHERE point = ? AND piece.begin_us = ?",
        (point, begin),
    ).fetchone()
    return _column(json.loads(axis_about)["t"], axis_data, n), _column(json.loads(about)["raw"], data, n)


def _column(form: dict[str, Any], data: bytes, n: int) -> Any:
    def planes(form: dict[str, Any], n: int) -> Any:
        nonlocal data
        raw = np.zeros(n, np.int64)  # as it is where there is no plane
        for byte, length in enumerate(form["p"]):
            raw += np.frombuffer(zlib.decompress(data[:length], -15), np.uint8).astype(np.int64) << (8 * byte)
            data = data[length:]
        return raw - form.get("o", 0)

    def whole(form: dict[str, Any], n: int) -> Any:
        rests, zero, step, block = planes(form, n), form.get("z", 0), form.get("s", 0), form.get("b", 0)
        if not block:
            return zero + np.cumsum(rests + step)
        middles = form["m"]
        if isinstance(middles, list):
            middles = np.repeat([value for _, value in middles], [times for times, _ in middles])
        else:
            middles = whole(middles, -(-n // block))
        return zero + step * np.arange(n) + np.repeat(middles, block)[:n] + rests

    numbers = whole(form, n)
    return numbers / 10 ** form["d"] if "d" in form else numbers


def _soonest(begins: list[int], work: Callable[[int], object]) -> float:
    took = []
    for since in begins:
        began = time.perf_counter()
        work(since)
        took.append(time.perf_counter() - began)
    return min(took)


def _buckets(store: StoreReader, point: str, since: float, until: float) -> list[tuple[float | None, float | None]]:
    """Lowest and highest of each pixel's hours; where a pixel is less than an hour, of each hour."""
    found = store.rollup(point, since, until)
    size = max(1, math.ceil(len(found) / PIXELS))
    if size == 1:
        return list(zip(found.low, found.high, strict=True))
    low, high = found.low, found.high  # of channels that are usable in every hour here
    lowest = map(min, *(low[place::size] for place in range(size)))
    highest = map(max, *(high[place::size] for place in range(size)))
    whole: list[tuple[float | None, float | None]] = list(zip(lowest, highest, strict=True))
    rest = len(found) % size
    return [*whole, (min(low[-rest:]), max(high[-rest:]))] if rest else whole  # type: ignore[type-var]


def _best(work: Callable[[], object], times: int = 7) -> float:
    took = []
    for _ in range(times):
        began = time.perf_counter()
        work()
        took.append(time.perf_counter() - began)
    return min(took)
