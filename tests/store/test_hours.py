"""What each hour comes to, against a plain list of the same readings: whatever came late, twice, or was changed."""

from __future__ import annotations

import math
import random
import sqlite3
from collections.abc import Sequence
from contextlib import closing
from dataclasses import replace
from datetime import UTC
from pathlib import Path
from statistics import median

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from brinewatch.alarms.summary import HourSummary
from brinewatch.clock import SteppingClock
from brinewatch.moment import Moment
from brinewatch.readings import Flag, Reading
from brinewatch.store import schema
from brinewatch.store.history import History
from brinewatch.store.history_file import HistoryFile, Verdict, microseconds
from brinewatch.store.reader import StoreReader
from store.made import reading

POINT, OTHER = "nursery.temperature", "nursery.oxygen_saturation"
START = 1_795_600_800.0  # a whole hour: 2026-11-25 10:00 UTC
HOURS = 8


def at(second: float, mono: float | None = None) -> Moment:
    utc = round(START + second, 6)
    return Moment(second if mono is None else mono, utc, True, UTC)


def plainly(point: str, start: float, record: Sequence[Reading]) -> HourSummary | None:
    """The hour from all readings there are, counted out one number after another; None when it has none."""
    known = {one.at.utc: one for one in reversed(record) if one.point == point}  # the first of an instant stands
    ordered = [known[utc] for utc in sorted(known)]
    inside = [one for one in ordered if start <= one.at.utc < start + 3600]
    earlier = [one for one in ordered if one.at.utc < start]
    if not inside:
        return None
    good = [one for one in inside if one.flag in (1, 3) and one.value is not None]
    before = earlier[-1] if earlier else None
    # the age of the newest usable reading just before each change, and at the end of the hour
    ages, standing = (
        [],
        before if before is not None and before.flag in (1, 3) and before.value is not None else None,
    )
    for one in good:
        ages.append(one.at.utc - (standing.at.utc - standing.age_s) if standing else math.inf)
        ages.append(one.age_s)
        standing = one
    ages.append(start + 3600 - (standing.at.utc - standing.age_s) if standing else math.inf)
    if any(one.flag in (1, 3) and one.value is None for one in inside):
        ages.append(math.inf)
    fives, busiest = [], 0
    for five in range(12):
        halves = []
        for half in range(10):
            begin = start + five * 300 + half * 30
            values = [one.value for one in good if begin <= one.at.utc < begin + 30]
            busiest = max(busiest, len(values))
            if values:
                halves.append(values)
        whole = [value for values in halves for value in values]
        medians = [median(values) for values in halves]
        fives.append((min(whole), max(whole), min(medians), max(medians)) if whole else None)
    values = [one.value for one in good]
    return HourSummary(
        point, start, {flag: n for flag in Flag if (n := sum(one.flag is flag for one in inside))},
        min(values, default=None), max(values, default=None), math.fsum(values),
        values[0] if values else None, values[-1] if values else None, max(ages), before, tuple(fives), busiest,
    )  # fmt: skip


def same(found: HourSummary | None, wanted: HourSummary | None) -> None:
    if found is None or wanted is None:
        assert found is wanted
        return
    for key in HourSummary.__dataclass_fields__:
        if key in ("before", "oldest_s", "fives"):
            continue
        assert getattr(found, key) == getattr(wanted, key), key
    # kept on the safe side: an age rounded up to a millisecond, medians outward to a tenth of a reading's step
    assert found.oldest_s == wanted.oldest_s or 0.0 <= found.oldest_s - wanted.oldest_s < 0.00101
    for five, plain in zip(found.fives, wanted.fives, strict=True):
        assert (five is None) == (plain is None)
        if five is not None and plain is not None:
            assert five[:2] == plain[:2]
            assert 0.0 <= plain[2] - five[2] < 0.00101
            assert 0.0 <= five[3] - plain[3] < 0.00101
    kept, stood = found.before, wanted.before
    assert (kept is None) == (stood is None)
    if kept is not None and stood is not None:
        assert (kept.at.utc, kept.value, kept.flag, kept.age_s) == (
            stood.at.utc,
            stood.value,
            stood.flag,
            stood.age_s,
        )


def some(chance: random.Random, point: str) -> list[Reading]:
    """Hours of readings with gaps, flags, a restart that sets monotonic time back and steps of the wall clock."""
    found, second, shift = [], chance.uniform(0, 5000), 0.0
    while second < HOURS * 3600:
        if chance.random() < 0.02:
            second += chance.uniform(100, 9000)
        if chance.random() < 0.02:
            shift = -second  # the machine was started again
        if chance.random() < 0.02:
            second = max(0.0, second + chance.uniform(-2000, 2000))  # the wall clock stepped
        flag = chance.choice([Flag.PASS] * 12 + [Flag.SUSPECT, Flag.FAIL, Flag.MISSING, Flag.NOT_EVALUATED])
        value = None if flag in (Flag.MISSING, Flag.NOT_EVALUATED) else round(chance.gauss(12, 0.1), 2)
        found.append(
            reading(point, at(second, second + shift), value, flag=flag, age_s=chance.choice([0.0, 0.0, 40.0]))
        )
        second += chance.choice([5.0, 30.0, 60.0, 400.0]) + chance.uniform(-0.002, 0.002)
    return found


def kept(folder: Path, point: str) -> dict[float, HourSummary]:
    with StoreReader(folder, UTC) as store:
        return {row.start: row for row in store.hours(point, START, START + HOURS * 3600)}


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 2**32))
def test_hours_are_what_a_plain_list_gives_whatever_comes_when(
    tmp_path_factory: pytest.TempPathFactory, seed: int
) -> None:
    chance, folder = random.Random(seed), tmp_path_factory.mktemp("hours")
    record = some(chance, POINT) + some(chance, OTHER)
    order = sorted(record, key=lambda one: one.at.utc)
    for _ in range(chance.choice([0, 3, 40])):  # some come late
        place = chance.randrange(len(order))
        order.insert(chance.randrange(len(order)), order.pop(place))
    file = HistoryFile(folder / "history.sqlite", SteppingClock(START))
    file.open()
    written: list[Reading] = []
    while order:
        batch = order[: chance.randint(1, 120)]
        del order[: len(batch)]
        verdicts = []
        for _ in range(chance.choice([0, 0, 2])):
            one = chance.choice([*written, *batch])
            flag = chance.choice([Flag.PASS, Flag.SUSPECT, Flag.FAIL])
            verdicts.append(Verdict(one.point, microseconds(one.at.utc), flag, "in hindsight"))
        file.write([*batch, *verdicts])
        written += batch
        for verdict in verdicts:
            place = next(
                i for i, one in enumerate(written)
                if one.point == verdict.point and microseconds(one.at.utc) == verdict.t_us
            )  # fmt: skip
            written[place] = replace(written[place], flag=verdict.flag)
        file.sum_up(microseconds(START + chance.uniform(0, HOURS * 3600)), chance.choice([1, 1000]))
        for point in (POINT, OTHER):  # what is kept is true at every moment
            for start, row in kept(folder, point).items():
                same(row, plainly(point, start, written))
    while file.sum_up(microseconds(START + (HOURS + 1) * 3600), 3):
        pass
    for point in (POINT, OTHER):
        rows = kept(folder, point)
        for hour in range(HOURS):
            start = START + hour * 3600
            same(rows.get(start), plainly(point, start, written))
    file.close()


async def test_the_watch_sums_up_an_hour_when_it_is_over(tmp_path: Path) -> None:
    clock = SteppingClock(START, mono=5000.0)
    history = History(tmp_path / "history.sqlite", clock)
    await history.open()
    record = [reading(POINT, at(60.0 * minute), 14.0 + 0.01 * minute) for minute in range(90)]
    history.add(record)
    clock.step_wall(3599.0)
    await history.flush()
    await history.sum_up()
    assert kept(tmp_path, POINT) == {}
    clock.step_wall(1.0)
    await history.sum_up()
    assert list(kept(tmp_path, POINT)) == [START]
    # a verdict in hindsight takes the row away at once, and the next time it is there again
    history.revise(replace(record[3], flag=Flag.FAIL, reason="a spike"))
    await history.flush()
    assert kept(tmp_path, POINT) == {}
    await history.sum_up()
    assert kept(tmp_path, POINT)[START].counts == {Flag.PASS: 59, Flag.FAIL: 1}
    await history.close()


async def test_hours_of_an_earlier_version_are_summed_up_at_night(tmp_path: Path) -> None:
    path = tmp_path / "history.sqlite"
    with closing(schema.connect(path, "NORMAL")) as db:
        schema.migrate(db, schema.HISTORY[:2], str(path))
        db.execute("INSERT INTO point VALUES (1, ?, 'temperature')", (POINT,))
        db.executemany(
            "INSERT INTO reading (point, t_us, mono, trusted, value, flag, age_s) VALUES (1, ?, 0, 1, ?, 1, 0)",
            [(microseconds(START + 60 * minute), 14.0) for minute in range(300)],
        )
    history = History(path, SteppingClock(START + 6 * 3600))
    await history.open()
    assert kept(tmp_path, POINT) == {}
    await history.tidy()
    assert [row.counts for row in kept(tmp_path, POINT).values()] == [{Flag.PASS: 60}] * 5
    await history.close()


def test_a_history_of_an_earlier_version_has_no_hours_to_read(tmp_path: Path) -> None:
    path = tmp_path / "history.sqlite"
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        schema.migrate(db, schema.HISTORY[:2], str(path))
        db.execute("INSERT INTO point VALUES (1, ?, 'temperature')", (POINT,))
    assert kept(tmp_path, POINT) == {}
