"""A span in few rows: what hours that are summed up give, and what the readings give one by one, is the same."""

from __future__ import annotations

import asyncio
import math
import random
from dataclasses import dataclass
from datetime import date
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from brinewatch.clock import SteppingClock
from brinewatch.errors import BrinewatchError
from brinewatch.moment import Moment, utc_of
from brinewatch.querying.buckets import Buckets, buckets, days_of, edges_for
from brinewatch.querying.figures import exceedance, percentiles
from brinewatch.querying.past import How, Past, joined, parts, spans_corrected
from brinewatch.querying.rows import together
from brinewatch.readings import Flag, Reading
from brinewatch.signals.records import CalibrationRecord, Visit
from brinewatch.store.history import History
from brinewatch.store.journal import Journal
from brinewatch.store.reader import StoreReader

UTC = ZoneInfo("UTC")
T0 = utc_of("2026-03-01T00:00", UTC)
OXYGEN, AIR = "tank.oxygen", "main.air_pressure"
EVERY = 60.0


@dataclass
class Kept:
    folder: Path
    readings: list[Reading]

    def of(self, point: str, since: float, until: float) -> list[Reading]:
        return [one for one in self.readings if one.point == point and since <= one.at.utc < until]


def moment(utc: float) -> Moment:
    return Moment(utc - T0 + 1000.0, utc, True, UTC)


def made(days: float, seed: int) -> list[Reading]:
    """Readings with gaps, doubts and failures; one point a minute, the other every five."""
    chance = random.Random(seed)
    found, value = [], 8.0
    for n in range(round(days * 86400 / EVERY)):
        at = moment(T0 + n * EVERY)
        if chance.random() < 0.01:
            continue
        value += chance.gauss(0.0, 0.05) + 0.01 * (8.0 - value)
        draw = chance.random()
        flag = (
            Flag.SUSPECT
            if draw < 0.02
            else Flag.FAIL
            if draw < 0.03
            else Flag.MISSING
            if draw < 0.04
            else Flag.PASS
        )
        said = None if flag is Flag.MISSING else round(value, 2)
        found.append(Reading(OXYGEN, "oxygen", said, said, flag, "", at, "sonde"))
        if n % 5 == 0:
            air = round(12.0 + chance.gauss(0.0, 0.1), 2)
            found.append(Reading(AIR, "air_pressure", air, air, Flag.PASS, "", at, "gauge"))
    return [one for one in found if not 2.0 < (one.at.utc - T0) / 86400 < 2.6]  # half a day nobody watched


async def keep(folder: Path, readings: list[Reading], records: tuple[CalibrationRecord, ...] = ()) -> Kept:
    """Stored as the daemon stores them, packed by its own care of the file."""
    clock = SteppingClock(readings[-1].at.utc + 40 * 86400.0, mono=readings[-1].at.mono + 40 * 86400.0)
    history = History(folder / "history.sqlite", clock)
    await history.open()
    history.add(readings)
    await history.flush()
    await history.tidy()
    await history.close()
    journal = Journal(folder / "journal.sqlite", clock)
    await journal.open()
    for one in records:
        assert await journal.calibrate(one, clock.now())
    await journal.close()
    return Kept(folder, readings)


@pytest.fixture(scope="module")
def readings() -> list[Reading]:
    return made(5.0, 1)


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory, readings: list[Reading]) -> Kept:
    return asyncio.run(keep(tmp_path_factory.mktemp("kept"), readings))


def asked(kept: Kept, zone: ZoneInfo = UTC) -> tuple[StoreReader, Past]:
    store = StoreReader(kept.folder, zone)
    return store, Past(store, How({OXYGEN: 0.1, AIR: 0.1}, (), zone))


def singly(kept: Kept, point: str, edges: list[float]) -> Buckets:
    """The same by numpy, a reading at a time."""
    rows = Buckets(edges)
    for begin, end in pairwise(edges):
        own = kept.of(point, begin, end)
        usable = np.array([one.value for one in own if one.usable])
        rows.low.append(float(usable.min()) if len(usable) else None)
        rows.high.append(float(usable.max()) if len(usable) else None)
        rows.mean.append(float(usable.mean()) if len(usable) else None)
        for column, flag in (
            (rows.passed, Flag.PASS), (rows.untested, Flag.NOT_EVALUATED), (rows.suspect, Flag.SUSPECT),
            (rows.failed, Flag.FAIL), (rows.missing, Flag.MISSING),
        ):  # fmt: skip
            column.append(sum(one.flag is flag for one in own))
    return rows


def same(one: Buckets, other: Buckets) -> None:
    for name in ("low", "high", "passed", "untested", "suspect", "failed", "missing"):
        assert getattr(one, name) == getattr(other, name), name
    for mine, theirs in zip(one.mean, other.mean, strict=True):
        assert (mine is None) == (theirs is None)
        assert mine is None or theirs is None or mine == pytest.approx(theirs, rel=1e-12)


@pytest.mark.parametrize("most", [1, 3, 7, 24, 60, 125, 500, 1500])
@pytest.mark.parametrize(("begin", "end"), [(0.0, 5.0), (0.3, 4.77), (1.98, 2.71), (-1.0, 9.0), (1.0, 1.02)])
async def test_buckets_are_those_of_the_readings_one_by_one(
    kept: Kept, most: int, begin: float, end: float
) -> None:
    since, until = T0 + begin * 86400 + 17.25, T0 + end * 86400 + 3.5
    edges = edges_for(since, until, most)
    assert len(edges) <= most + 1
    assert (edges[0], edges[-1]) == (since, until)
    store, past = asked(kept)
    with store:
        for point in (OXYGEN, AIR):
            same(buckets(past, point, edges), singly(kept, point, edges))


async def test_random_edges_too(kept: Kept) -> None:
    chance = random.Random(2)
    store, past = asked(kept)
    with store:
        for _ in range(40):
            edges = sorted({T0 + chance.uniform(-0.2, 5.2) * 86400 for _ in range(chance.randint(2, 30))})
            edges += [math.ceil(edges[-1] / 3600) * 3600 + 3600.0 * n for n in range(chance.randint(1, 30))]
            edges = sorted(set(edges))
            same(buckets(past, OXYGEN, edges), singly(kept, OXYGEN, edges))


async def test_days_are_those_of_the_calendar_where_clocks_change(kept: Kept) -> None:
    """29 March 2026 is 23 h long in Europe/London, 25 October 25 h (EU and UK rule: last Sundays)."""
    zone = ZoneInfo("Europe/London")
    days, edges = days_of(utc_of("2026-03-28T12:00", zone), utc_of("2026-03-30T12:00", zone), zone)
    assert days == [date(2026, 3, 28), date(2026, 3, 29), date(2026, 3, 30)]
    assert [round((b - a) / 3600) for a, b in pairwise(edges)] == [24, 23, 24]
    days, edges = days_of(utc_of("2026-10-25T12:00", zone), utc_of("2026-10-25T13:00", zone), zone)
    assert [round((b - a) / 3600) for a, b in pairwise(edges)] == [25]
    # half an hour off the whole hour: every day's edge cuts an hour
    zone = ZoneInfo("Asia/Kolkata")
    days, edges = days_of(T0, T0 + 5 * 86400.0, zone)
    store, past = asked(kept, zone)
    with store:
        same(buckets(past, OXYGEN, edges), singly(kept, OXYGEN, edges))


async def test_a_record_made_later_puts_its_span_right_in_every_answer(
    tmp_path: Path, readings: list[Reading]
) -> None:
    """Two hours too high by 0.5 mg/L, told by a record made a day later and counting from before."""
    begin, until = T0 + 1.25 * 86400, T0 + 1.25 * 86400 + 7200
    late = CalibrationRecord(
        "late", OXYGEN, "sonde", Visit.CALIBRATION, T0 + 3 * 86400.0, begin, "Wren", offset=-0.5, until_utc=until
    )
    kept = await keep(tmp_path, readings, (late,))
    seen = [
        one if not (one.point == OXYGEN and begin <= one.at.utc < until) or one.value is None
        else Reading(OXYGEN, "oxygen", one.value - 0.5, one.raw, one.flag, "", one.at, "sonde", calibration="late")
        for one in readings
    ]  # fmt: skip
    right = Kept(tmp_path, seen)
    store, past = asked(kept)
    with store:
        for most in (5, 60, 900):
            edges = edges_for(T0, T0 + 5 * 86400.0, most)
            same(buckets(past, OXYGEN, edges), singly(right, OXYGEN, edges))
        inside = past.last(OXYGEN, until - 1.0)
        assert inside is not None
        assert inside.calibration == "late"
        told = list(past.readings([OXYGEN, AIR], begin - 600, until + 600))
        wanted = [one for one in seen if begin - 600 <= one.at.utc < until + 600]
        assert [(one.at.utc, one.point, one.value) for one in told] == [
            (one.at.utc, one.point, one.value) for one in wanted
        ]


async def test_past_a_limit_is_the_time_each_value_stood(kept: Kept) -> None:
    """Against the same reckoned with numpy: a value stands until the next, and two minutes at most."""
    since, until, limit = T0 + 3600.0, T0 + 4 * 86400.0, 8.1
    own = kept.of(OXYGEN, since, until)
    stamps = np.array([one.at.utc for one in own] + [until])
    known = np.minimum(np.diff(stamps), 120.0) * np.array([one.usable for one in own])
    value = np.array([one.value if one.value is not None else math.nan for one in own])
    over = known * (value > limit)
    store, past = asked(kept)
    with store:
        found = exceedance(past, OXYGEN, since, until, limit, above=True, max_age_s=120.0)
        under = exceedance(past, OXYGEN, since, until, limit, above=False, max_age_s=120.0)
    assert found.known_s == pytest.approx(known.sum())
    assert found.over_s == pytest.approx(over.sum())
    assert found.beyond == pytest.approx(np.nansum((value - limit) * over) / 3600)
    assert found.furthest == np.nanmax(value[known > 0])
    assert 0 < found.longest_s <= found.over_s
    assert found.times > 1
    at_limit = known[value == limit].sum()
    assert found.over_s + under.over_s + at_limit == pytest.approx(found.known_s)
    assert found.span_s - found.known_s > 0.59 * 86400  # the gap is unknown, not in order


async def test_an_episode_ends_with_a_value_inside_or_a_gap(tmp_path: Path) -> None:
    values = [9.0, 9.0, 7.0, 9.5, None, 9.1]
    rows = [
        Reading(
            OXYGEN, "oxygen", one, one, Flag.MISSING if one is None else Flag.PASS, "", moment(T0 + 60.0 * n), "p"
        )
        for n, one in enumerate(values)
    ]
    kept = await keep(tmp_path, rows)
    store, past = asked(kept)
    with store:
        found = exceedance(past, OXYGEN, T0, T0 + 3600.0, 8.0, above=True, max_age_s=90.0)
    assert (found.times, found.longest_s, found.over_s) == (3, 120.0, 60 + 60 + 60 + 90)
    assert (found.known_s, found.furthest) == (330.0, 9.5)


async def test_percentiles_are_those_of_the_usual_definition(kept: Kept) -> None:
    """numpy.percentile's default method is definition 7 of Hyndman and Fan (1996)."""
    wanted = [0, 2.5, 5, 25, 50, 75, 95, 99.9, 100]
    own = np.array([one.value for one in kept.of(OXYGEN, T0, T0 + 5 * 86400) if one.usable])
    store, past = asked(kept)
    with store:
        count, found = percentiles(past, OXYGEN, T0, T0 + 5 * 86400.0, wanted)
        assert count == len(own)
        assert found == pytest.approx(list(np.percentile(own, wanted)), abs=1e-12)
        assert percentiles(past, OXYGEN, T0 - 9e5, T0 - 8e5, [50]) == (0, [None])
        with pytest.raises(ValueError, match="percentage"):
            percentiles(past, OXYGEN, T0, T0 + 1, [101])


async def test_side_by_side_never_shows_a_value_before_it_was_read(kept: Kept) -> None:
    store, past = asked(kept)
    with store:
        rows = list(together(past, [OXYGEN, AIR], T0, T0 + 86400.0, 90.0, {OXYGEN: 150.0, AIR: 400.0}))
    assert [instant for instant, _ in rows] == [T0 + 90.0 * n for n in range(960)]
    for instant, row in rows:
        for point, one in row.items():
            before = kept.of(point, instant - {OXYGEN: 150.0, AIR: 400.0}[point], instant + 1e-3)
            assert (one is None) == (not before)
            assert one is None or (one.at.utc, one.flag) == (before[-1].at.utc, before[-1].flag)


async def test_an_unknown_point_is_named_with_those_there_are(kept: Kept) -> None:
    store, past = asked(kept)
    with store, pytest.raises(BrinewatchError, match=r"tank\.ph.*\n?"):
        buckets(past, "tank.ph", [T0, T0 + 1])


def test_spans_are_joined_and_cut() -> None:
    assert joined([(5, 6), (1, 3), (2, 4), (6, 7)]) == [(1, 4), (5, 7)]
    assert list(parts(0, 10, [(1, 4), (5, 12)])) == [(0, 1, False), (1, 4, True), (4, 5, False), (5, 10, True)]
    assert list(parts(0, 10, [])) == [(0, 10, False)]
    assert list(parts(2, 3, [(1, 4)])) == [(2, 3, True)]


def test_a_chain_of_replaced_records_counts_from_the_first() -> None:
    def record(key: str, effective: float, when: float, replaces: str = "") -> CalibrationRecord:
        return CalibrationRecord(key, OXYGEN, "p", Visit.CALIBRATION, when, effective, "W", replaces=replaces)

    first, second, third = record("a", 100, 1000), record("b", 500, 5000, "a"), record("c", 600, 90000, "b")
    assert joined(spans_corrected([first, second, third], {OXYGEN})) == [(100, 93600)]
    check = CalibrationRecord("k", OXYGEN, "p", Visit.CHECK, 10, 10, "W")
    assert spans_corrected([check, first], {AIR}) == []
    assert spans_corrected([check], {OXYGEN}) == []


@pytest.mark.parametrize(("since", "until", "most"), [(5.0, 5.0, 10), (5.0, 4.0, 10), (1.0, 2.0, 0)])
def test_no_span_no_edges(since: float, until: float, most: int) -> None:
    with pytest.raises(ValueError, match="span"):
        edges_for(since, until, most)
