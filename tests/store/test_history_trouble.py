"""What happens to the history when its file is of an earlier version, damaged, cut off, or has no room."""

from __future__ import annotations

import random
import shutil
import sqlite3
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from datetime import UTC
from pathlib import Path

import pytest

from brinewatch.clock import SteppingClock
from brinewatch.errors import StoreError
from brinewatch.moment import Moment
from brinewatch.readings import Flag, Reading
from brinewatch.store import schema
from brinewatch.store.columns import as_kept, microseconds
from brinewatch.store.history import History
from brinewatch.store.history_file import HistoryFile, Verdict
from brinewatch.store.history_rows import HistoryRows
from brinewatch.store.reader import StoreReader
from store.made import NOW, reading
from store.test_packed_history import POINTS, START, Plain, a_record, everything, opened, pack_all

EARLIER = (1, 2, 3)


def record(many: int, since: float = 0.0, every: float = 60.0) -> list[Reading]:
    return [
        reading(point, Moment(n, START + since + n * every, True, UTC), round(12 + n % 13 / 100, 2))
        for n in range(many)
        for point in POINTS[:2]
    ]


# -- earlier versions --


def earlier(folder: Path, version: int, held: list[Reading]) -> None:
    """A history as that version wrote it: a row a reading."""
    with closing(schema.connect(folder / "history.sqlite", "NORMAL")) as db:
        schema.migrate(db, schema.HISTORY[:version], "history.sqlite")
        words: dict[str, int | None] = {"": None}
        for one in held:
            db.execute("INSERT OR IGNORE INTO point (name, quantity) VALUES (?, ?)", (one.point, one.quantity))
            for text in (one.reason, one.probe, one.calibration, one.basis):
                if text not in words:
                    words[text] = db.execute("INSERT INTO word (body) VALUES (?)", (text,)).lastrowid
            (point,) = db.execute("SELECT id FROM point WHERE name = ?", (one.point,)).fetchone()
            row = (
                point, microseconds(one.at.utc), one.at.mono, one.at.trusted, one.value, one.raw, int(one.flag),
                1 if one.flag is Flag.FAIL else None, one.uncertainty, one.age_s, words[one.reason],
                words[one.probe], words[one.calibration], words[one.basis],
            )  # fmt: skip
            db.execute(f"INSERT INTO reading VALUES ({', '.join('?' * len(row))})", row)
            add = "INSERT INTO tally VALUES (?, ?, 1) ON CONFLICT DO UPDATE SET n = n + 1"
            db.execute(add, (point, int(one.flag)))


@pytest.mark.parametrize("version", EARLIER)
def test_history_of_every_earlier_version_is_read_packed_and_goes_on(tmp_path: Path, version: int) -> None:
    chance, plain = random.Random(version), Plain()
    plain.write(a_record(chance, 30.0))
    held = plain.of()
    if version == 1:  # raw was the number on the wire, and nothing was calibrated: it is taken for the value
        held = [replace(one, raw=one.value if one.raw is not None else None) for one in held]
        plain.known = {(one.point, microseconds(one.at.utc)): one for one in held}
    earlier(tmp_path, version, held)
    assert everything(tmp_path) == held  # before any daemon has touched it
    with StoreReader(tmp_path, UTC) as store:
        assert store.changes() == []
        assert store.last(POINTS[0], 4e9) == next(one for one in reversed(held) if one.point == POINTS[0])
    file = opened(tmp_path, START + 60 * 3600)
    assert everything(tmp_path) == held
    late = [replace(held[5], value=99.0), replace(held[7], at=replace(held[7].at, utc=held[7].at.utc + 1e-3))]
    verdict = Verdict(held[3].point, microseconds(held[3].at.utc), Flag.FAIL, "in hindsight")
    while True:
        batch = [*late, verdict] if late else []
        late = []
        if batch:
            done = file.write(batch)
            assert (done.new, done.repeated, done.homeless) == plain.write(batch)
        assert file.counts() == Counter(one.flag for one in plain.known.values())
        if not file.sum_up_before(1):  # cut off after any slice, nothing is missing and nothing is twice
            break
        file.sum_up(microseconds(START + 60 * 3600), 3)
        assert everything(tmp_path) == plain.of()
        file.close()
        file.open()
    pack_all(file, START + 60 * 3600)
    db = file._db
    assert db is not None
    assert db.execute("SELECT count(*) FROM reading").fetchone() == (0,)
    assert db.execute("SELECT sum(n) FROM tally").fetchone() == (0,)
    file.close()
    assert everything(tmp_path) == plain.of()
    with StoreReader(tmp_path, UTC) as store:  # who follows the history is told of the old rows, too
        told = {
            (found.point, found.at.utc)
            for one in store.changes(0, 10_000)
            for found in store.readings([one.point], one.since_us / 1e6, one.until_us / 1e6)
        }
    assert told == {(one.point, one.at.utc) for one in plain.of()}


def test_newer_file_is_refused_by_whoever_reads_it(tmp_path: Path) -> None:
    opened(tmp_path).close()
    with closing(sqlite3.connect(tmp_path / "history.sqlite", isolation_level=None)) as db:
        db.execute("PRAGMA user_version = 99")
    with StoreReader(tmp_path, UTC) as store, pytest.raises(StoreError, match="schema 99, this program knows 4"):
        store.points()


# -- damage --


def jittered(readings: list[Reading]) -> list[Reading]:
    chance = random.Random(3)
    return [
        replace(one, at=replace(one.at, utc=round(one.at.utc + chance.uniform(0, 800), 6), mono=float(place)))
        for place, one in enumerate(readings)
    ]


@pytest.mark.parametrize("seed", range(2))
def test_damaged_file_is_set_aside_and_what_can_be_read_is_carried_over(tmp_path: Path, seed: int) -> None:
    chance, held = random.Random(seed), jittered(record(3000, every=900.0))
    file = opened(tmp_path)
    for begin in range(0, len(held), 500):
        file.write(held[begin : begin + 500])
        if begin < 5500:
            pack_all(file, held[begin].at.utc)
    file.close()
    path = tmp_path / "history.sqlite"
    raw = bytearray(path.read_bytes())
    for _ in range(2):  # pages of rows: the first ones hold the roots of the tables
        page = chance.randrange(30, len(raw) // 4096) * 4096
        raw[page : page + 4096] = chance.randbytes(4096)
    path.write_bytes(raw)
    file = opened(tmp_path, START + 100 * 86400)
    if not (aside := list(tmp_path.glob("history.damaged-*.sqlite"))):
        file.close()  # SQLite keeps no sums: bytes inside a value are found when they are unpacked
        with pytest.raises(StoreError, match=r"unpacked|malformed"):
            everything(tmp_path)
        file.open()
        file.renew("found by the check")
        (aside,) = [list(tmp_path.glob("history.damaged-*.sqlite"))]
    assert aside[0].name in file.notes[0]
    assert file.write(record(3, 6e6)).new == 6  # the watch goes on meanwhile
    slices = 0
    while file.carry_over(7):
        slices += 1
        if slices % 10 == 0:
            file.close()  # and a stop does not stop it
            file.open()
    pack_all(file, START + 100 * 86400)
    position = file._change
    file.close()
    found = set(everything(tmp_path))
    assert found <= {as_kept(one) for one in [*held, *record(3, 6e6)]}
    assert len(found) > 0.5 * len(held)
    assert {as_kept(one) for one in record(3, 6e6)} <= found
    with StoreReader(tmp_path, UTC) as store:
        assert 0 < store.newest_change() <= position
        for point in POINTS[:2]:
            rollup = store.rollup(point, START, START + 100 * 86400)
            assert sum(rollup.passed) >= len([one for one in found if one.point == point])


def test_bytes_that_are_not_what_was_packed_are_told_in_words(tmp_path: Path) -> None:
    file = opened(tmp_path)
    file.write(record(3000))
    pack_all(file, START + 10 * 86400)
    file.close()
    whole = (tmp_path / "history.sqlite").read_bytes()
    asks: list[Callable[[StoreReader], object]] = [
        lambda store: list(store.readings(POINTS[:1], 0, 4e9)), lambda store: list(store.values(POINTS[0], 0, 4e9)),
        lambda store: list(store.hours(POINTS[0], 0, 4e9)), lambda store: store.rollup(POINTS[0], 0, 4e9),
    ]  # fmt: skip
    spoils = [
        "body SET data = x'00'",
        "axis SET about = '{}'",
        "piece SET hours = '[2]'",
        "rollup SET data = x'ff'",
    ]
    for ask, spoilt in zip(asks, spoils, strict=True):
        (tmp_path / "history.sqlite").write_bytes(whole)
        with closing(sqlite3.connect(tmp_path / "history.sqlite", isolation_level=None)) as db:
            db.execute(f"UPDATE {spoilt}")
        with StoreReader(tmp_path, UTC) as store, pytest.raises(StoreError, match="cannot be unpacked"):
            ask(store)
    file.open()  # and the daemon, which meets it when it opens or packs, goes on with what is whole
    file.close()


async def test_large_file_is_looked_over_beside_the_watch(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = opened(tmp_path)
    for begin in range(0, 8000, 2000):
        file.write(jittered(record(2000, begin * 60.0)))
        pack_all(file, START + (begin + 2000) * 60.0)
    file.close()
    monkeypatch.setattr("brinewatch.store.history.CHECK_BYTES", 4096)
    monkeypatch.setattr("brinewatch.store.history_file.CHECK_BYTES", 4096)
    raw = bytearray((tmp_path / "history.sqlite").read_bytes())
    page = 30 * 4096
    raw[page : page + 4096] = b"\xa5" * 4096
    (tmp_path / "history.sqlite").write_bytes(raw)
    told: list[tuple[bool, str]] = []
    history = History(
        tmp_path / "history.sqlite", SteppingClock(START), on_health=lambda well, words: told.append((well, words))
    )
    await history.open()  # takes no time for the check
    assert await history.check()
    assert list(tmp_path.glob("history.damaged-*.sqlite"))
    assert "set aside" in told[0][1]
    history.add(record(1, 9e6))
    assert await history.flush()
    assert told[-1] == (True, "")
    await history.close()


# -- cut off --


def test_power_cut_at_any_instant_leaves_a_sound_file(tmp_path: Path) -> None:
    """The file and its log as they lie on the disk at random instants of a life, as a power cut would leave them
    when what was written last has reached the disk in order (sqlite.org/wal.html).
    """
    chance, plain = random.Random(7), Plain()
    live = tmp_path / "live"
    live.mkdir()
    file = opened(live)
    order = a_record(chance, 30.0)
    states: list[Counter[Reading]] = [Counter()]
    copies = 0
    while order:
        batch = order[: chance.randint(1, 300)]
        del order[: len(batch)]
        file.write(batch)
        plain.write(batch)
        if chance.random() < 0.7:
            file.sum_up(microseconds(batch[-1].at.utc), 5)
        states.append(Counter(plain.of()))
        if chance.random() < 0.5:
            cut = tmp_path / f"cut-{len(states)}"
            cut.mkdir()
            for tail in ("", "-wal"):
                path = live / f"history.sqlite{tail}"
                if path.exists():
                    shutil.copyfile(path, cut / path.name)
            log = cut / "history.sqlite-wal"
            if log.exists() and log.stat().st_size:
                with log.open("r+b") as torn:  # the last pages had not come to the disk
                    torn.truncate(max(0, log.stat().st_size - chance.choice([0, 1, 4000, 9000])))
            again = opened(cut)
            again.close()
            assert not list(cut.glob("*damaged*"))
            found = Counter(everything(cut))
            assert found in states[-12:]  # a state there was, not long ago, and nothing in between
            copies += 1
    file.close()
    assert copies > 5


CHILD = """
import sys
from pathlib import Path
from brinewatch.clock import SteppingClock
from store.test_history_trouble import lived
lived(Path(sys.argv[1]), int(sys.argv[2]))
"""


def lived(folder: Path, life: int) -> None:
    """One life of a writer: what it was told is written is said on stdout."""
    file = HistoryFile(folder / "history.sqlite", SteppingClock(START))
    file.open()
    for batch in range(1000):
        readings = record(20, life * 1e6 + batch * 1200.0)
        file.write(readings)
        sys.stdout.write(f"{life} {batch}\n")
        sys.stdout.flush()
        file.sum_up(microseconds(readings[-1].at.utc), 4)
        if batch % 9 == 0:
            file.tidy()


def test_killed_at_random_moments_with_a_reader_attached(tmp_path: Path) -> None:
    chance, told = random.Random(11), set[tuple[int, int]]()
    reader = StoreReader(tmp_path, UTC)
    for life in range(6):
        with subprocess.Popen(
            [sys.executable, "-c", CHILD, str(tmp_path), str(life)], stdout=subprocess.PIPE, text=True,
            env={"PYTHONPATH": ":".join(sys.path)},
        ) as child:  # fmt: skip
            assert child.stdout is not None
            said = child.stdout.readline()
            if life:
                assert reader.last(POINTS[0], 4e9) is not None  # a reader is in the middle of it
            time.sleep(chance.uniform(0.0, 0.3))
            child.kill()
            said += child.stdout.read()
        told |= {(int(words[0]), int(words[1])) for line in said.splitlines() if len(words := line.split()) == 2}
        if life == 0:
            reader.__enter__()
        found = {one.at.utc for one in reader.readings([POINTS[0]], 0, 4e9)}
        wanted = {START + life * 1e6 + batch * 1200.0 + n * 60.0 for life, batch in told for n in range(20)}
        assert wanted <= found
        assert len(found) - len(wanted) <= 20  # a batch may be written whose word did not come out
    reader.__exit__(None, None, None)
    assert len(told) > 20
    file = opened(tmp_path)
    schema.check(file._connect())
    pack_all(file, START + 100e6)
    assert {one.at.utc for one in everything(tmp_path, POINTS[:1])} >= wanted
    file.close()


# -- no room --


def fill(file: HistoryFile, utc: float) -> None:
    for hour in range(1000):
        file.sum_up(microseconds(utc + 90_000), 50)
        file.write(record(50, 1e6 + 3600.0 * hour))


def test_full_disk_stops_the_packing_and_loses_nothing(tmp_path: Path) -> None:
    file = opened(tmp_path)
    held = record(2000)
    file.write(held)
    db = file._connect()
    (pages,) = db.execute("PRAGMA page_count").fetchone()
    db.execute(f"PRAGMA max_page_count = {pages + 2}")
    with pytest.raises(sqlite3.OperationalError, match="full"):
        fill(file, held[-1].at.utc)
    db.execute("PRAGMA max_page_count = 1000000")
    assert set(held) <= set(everything(tmp_path))
    pack_all(file, START + 1e8)
    found = everything(tmp_path)
    assert set(held) <= set(found)
    assert len(found) == len(set(found))
    file.close()


async def test_care_waits_for_room_and_the_watch_is_told_of_nothing(tmp_path: Path) -> None:
    told: list[bool] = []
    history = History(
        tmp_path / "history.sqlite", SteppingClock(NOW.utc + 1e6), on_health=lambda well, _: told.append(well)
    )
    await history.open()
    history.add(record(3000))
    assert await history.flush()
    db = history._file._connect()
    await history._ask(lambda: db.execute("PRAGMA max_page_count = 1"))
    await history.sum_up()  # packs what it can; what it cannot waits
    await history._ask(lambda: db.execute("PRAGMA max_page_count = 1000000"))
    await history.sum_up()
    assert len(await history.read(POINTS[0], 0, 4e9)) == 3000
    assert told == []
    with closing(schema.connect_beside(tmp_path / "history.sqlite")) as beside:
        assert len(HistoryRows(beside).window(1, 0, 2**61)) == 3000
    await history.close()
