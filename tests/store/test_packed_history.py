"""The packed history against a plain list of the same readings, whatever comes when and however it is packed."""

from __future__ import annotations

import math
import random
from collections import Counter
from collections.abc import Sequence
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from brinewatch.clock import SteppingClock
from brinewatch.moment import Moment
from brinewatch.quantities import QUANTITIES
from brinewatch.readings import Flag, Reading
from brinewatch.store import schema
from brinewatch.store.columns import as_kept, microseconds
from brinewatch.store.history_file import HistoryFile, Verdict
from brinewatch.store.history_rows import HistoryRows
from brinewatch.store.reader import StoreReader
from store.made import reading

START = 1_795_600_800.0  # a whole hour: 2026-11-25 10:00 UTC
POINTS = ("nursery.temperature", "nursery.oxygen", "nursery.oxygen_saturation", "room.mains")
DAY_S = 86400.0


def opened(folder: Path, now: float = START) -> HistoryFile:
    file = HistoryFile(folder / "history.sqlite", SteppingClock(now))
    file.open()
    return file


def pack_all(file: HistoryFile, now: float) -> None:
    while file.sum_up(microseconds(now), 50):
        pass


def everything(folder: Path, points: Sequence[str] = POINTS) -> list[Reading]:
    with StoreReader(folder, UTC) as store:
        return list(store.readings(points, -1e9, 1e10))


class Plain:
    """The same history as a list: the first reading of an instant stands, a verdict changes flag and reason."""

    def __init__(self) -> None:
        self.known: dict[tuple[str, int], Reading] = {}
        self.live: dict[tuple[str, int], Flag] = {}

    def write(self, batch: Sequence[Reading | Verdict]) -> tuple[int, int, int]:
        new = repeated = homeless = 0
        for item in batch:
            if isinstance(item, Verdict):
                there = self.known.get((item.point, item.t_us))
                homeless += there is None
                if there is not None:
                    self.live.setdefault((item.point, item.t_us), there.flag)
                    self.known[item.point, item.t_us] = replace(there, flag=item.flag, reason=item.reason)
                continue
            key = (item.point, microseconds(item.at.utc))
            repeated += key in self.known
            new += key not in self.known
            self.known.setdefault(key, plainly_kept(item))
        return new, repeated, homeless

    def of(self, points: Sequence[str] = POINTS) -> list[Reading]:
        place = {point: place for place, point in enumerate(points)}
        found = [one for one in self.known.values() if one.point in place]
        return sorted(found, key=lambda one: (one.at.utc, place[one.point]))


def plainly_kept(one: Reading) -> Reading:
    """The documented rule, in other words than the program's."""
    value = None if one.value is None or math.isnan(one.value) else one.value
    if one.raw is None and value is not None and math.isfinite(value):
        value = float(f"{value:.{QUANTITIES[one.quantity].decimals + 1}f}")
    unsure = (
        one.uncertainty
        if one.uncertainty is None
        else float(f"{one.uncertainty:.{2 if one.raw is not None else 1}e}")
    )
    utc, mono = (float(f"{number:.6f}") for number in (one.at.utc, one.at.mono))
    return replace(one, value=value, uncertainty=unsure, at=replace(one.at, utc=utc, mono=mono), ingredients=())


def a_record(chance: random.Random, hours: float) -> list[Reading]:
    """Several points, some read together; gaps, restarts, steps of the wall clock, missing values, calibrations."""
    found: list[Reading] = []
    second, shift, calibration, line = chance.uniform(0, 3000), -5000.0, "", (0.0, 1.0)
    every = chance.choice([60.0, 300.0])
    while second < hours * 3600:
        if chance.random() < 0.01:
            second += chance.uniform(1000, 40000)
        if chance.random() < 0.01:
            shift = -second
        if chance.random() < 0.01:
            second = max(0.0, second + chance.uniform(-4000, 4000))
        if chance.random() < 0.01:
            calibration, line = f"made at {second:.0f}", (chance.gauss(0, 0.1), chance.gauss(1, 0.02))
        utc = round(START + second + chance.gauss(0, 0.002), 6)
        at = Moment(round(second + shift + chance.choice([0.0, 1e-6]), 6), utc, chance.random() < 0.9, UTC)
        for point in POINTS:
            flag = chance.choice([Flag.PASS] * 20 + [Flag.SUSPECT, Flag.FAIL, Flag.MISSING])
            said: float | None = round(chance.gauss(12, 0.02), 2)
            value: float | None
            if flag is Flag.MISSING:
                said = value = None
            elif point.endswith("oxygen"):
                value = line[0] + line[1] * (said or 0.0)
            elif point.endswith("saturation"):
                said, value = None, chance.gauss(94, 1)
            elif point.endswith("mains"):
                said = value = float(chance.random() < 0.9)
            else:
                value = said
            found.append(reading(
                point, at if chance.random() < 0.98 else replace(at, utc=round(utc + 0.25, 6)), value, raw=said,
                flag=flag, reason="" if flag is Flag.PASS else chance.choice(["no answer", "jumped"]),
                uncertainty=None if said is None else round(0.05 + second / 1e7, 5),
                calibration=calibration if point.endswith("oxygen") else "",
                age_s=chance.choice([0.0, 0.3]) if said is None else 0.0, basis="by Weiss" if said is None else "",
            ))  # fmt: skip
        second += every
    return found


@settings(max_examples=12, deadline=None)
@given(st.integers(0, 2**32))
def test_what_was_written_comes_back_whatever_comes_when(
    tmp_path_factory: pytest.TempPathFactory, seed: int
) -> None:
    chance, folder, plain = random.Random(seed), tmp_path_factory.mktemp("packed"), Plain()
    order = a_record(chance, chance.choice([6.0, 60.0]))
    for _ in range(chance.choice([0, 10, 100])):  # late ones, and the same ones again
        one = order.pop(chance.randrange(len(order)))
        order.insert(chance.randrange(len(order)), one)
        if chance.random() < 0.5:
            order.insert(chance.randrange(len(order)), replace(one, value=99.0, raw=99.0))
    file = opened(folder)
    written: list[Reading] = []
    position, followed = 0, dict[tuple[str, float], Reading]()
    while order:
        batch: list[Reading | Verdict] = list(order[: chance.randint(1, 400)])
        del order[: len(batch)]
        written += [one for one in batch if isinstance(one, Reading)]
        for _ in range(chance.choice([0, 0, 3])):
            one = chance.choice(written)
            at = microseconds(one.at.utc) + chance.choice([0, 0, 0, 1])
            batch.append(Verdict(one.point, at, chance.choice([Flag.FAIL, Flag.SUSPECT]), "in hindsight"))
        done = file.write(batch)
        assert (done.new, done.repeated, done.homeless) == plain.write(batch)
        now = START + chance.uniform(0, 90) * 3600
        for _ in range(chance.choice([0, 1, 30])):
            file.sum_up(microseconds(now), chance.choice([1, 7, 50]))
        if chance.random() < 0.3:
            file.close()  # a restart
            file.open()
        if chance.random() < 0.3:
            position = follow(folder, position, followed)
    pack_all(file, START + chance.choice([0, 4, 30, 90]) * 3600)
    assert file.counts() == Counter(one.flag for one in plain.known.values())
    live = {}
    with closing(schema.connect(folder / "history.sqlite", "NORMAL")) as db:
        rows = HistoryRows(db)
        for point, (key, _) in rows.points().items():
            found = rows.window(key, 0, 2**61)
            live.update(
                {(point, t): Flag(was) for t, was in zip(found.t, found.live, strict=True) if was is not None}
            )
    assert live == plain.live
    file.close()
    assert everything(folder) == plain.of()
    follow(folder, position, followed)
    assert followed == {(one.point, one.at.utc): one for one in plain.known.values()}
    ask_around(folder, plain, chance)


def follow(folder: Path, position: int, followed: dict[tuple[str, float], Reading]) -> int:
    """What a server beside it is told: every reading by the changes since the position."""
    with StoreReader(folder, UTC) as store:
        while changes := store.changes(position, 7):
            for one in changes:
                assert one.number > position or one is not changes[0]
                for found in store.readings([one.point], one.since_us / 1e6, one.until_us / 1e6):
                    followed[found.point, found.at.utc] = found
            position = changes[-1].number
        assert position == store.newest_change()
    return position


def ask_around(folder: Path, plain: Plain, chance: random.Random) -> None:
    every = plain.of()
    with StoreReader(folder, UTC) as store:
        for _ in range(20):
            point = chance.choice(POINTS)
            own = [one for one in every if one.point == point]
            at = chance.choice(own).at.utc + chance.choice([0.0, -1e-6, 1e-6, 700.0])
            at, until = round(at, 6), round(at + chance.choice([0.0, 60.0, 5000.0, 90000.0]), 6)
            since_us, until_us = microseconds(at), microseconds(until)
            inside = [one for one in own if since_us <= microseconds(one.at.utc) < until_us]
            assert list(store.readings([point], at, until)) == inside
            values = [row for part in store.values(point, at, until) for row in zip(*part, strict=True)]
            assert values == [(microseconds(one.at.utc), one.value, int(one.flag)) for one in inside]
            earlier = [one for one in own if microseconds(one.at.utc) <= since_us]
            assert store.last(point, at) == (earlier[-1] if earlier else None)
            later = [one.at.utc for one in every if since_us < microseconds(one.at.utc) < until_us]
            assert store.following(at, until) == (later[0] if later else None)
        for point in POINTS:
            hours: dict[int, list[Reading]] = {}
            for one in every:
                if one.point == point:
                    hours.setdefault(int(one.at.utc // 3600), []).append(one)
            found = store.rollup(point, START - DAY_S, START + 30 * DAY_S)
            assert found.hour == sorted(hours)
            for place, hour in enumerate(found.hour):
                usable = [one.value for one in hours[hour] if one.flag.usable and one.value is not None]
                assert found.low[place] == min(usable, default=None)
                assert found.high[place] == max(usable, default=None)
                assert found.total[place] == math.fsum(usable)
                flags = Counter(int(one.flag) for one in hours[hour])
                assert [flags[1], flags[2], flags[3], flags[4], flags[9]] == [
                    column[place]
                    for column in (found.passed, found.untested, found.suspect, found.failed, found.missing)
                ]


# a leap day, both ends of summer time in the shed's zone, the turn of a year, and before 1970: a day is a day of
# UTC
@pytest.mark.parametrize("day", ["2028-02-29", "2026-03-29", "2026-10-25", "2026-12-31", "1969-12-31"])
def test_days_of_the_calendar_and_gaps_are_exact(tmp_path: Path, day: str) -> None:
    begin = datetime.fromisoformat(f"{day}T00:00:00+00:00").timestamp()
    stamps = [begin + n * 600.0 for n in range(300) if n % 50 < 40]  # two days with gaps
    record = [reading(at=Moment(n, utc, True, UTC), value=float(n % 7)) for n, utc in enumerate(stamps)]
    file = opened(tmp_path)
    file.write(record)
    pack_all(file, begin + 5 * DAY_S)
    assert file.latest() == {"nursery.temperature": record[-1]}
    file.close()
    assert everything(tmp_path) == record
    with StoreReader(tmp_path, UTC) as store:
        found = store.rollup("nursery.temperature", begin, begin + 3 * DAY_S)
        assert found.hour == sorted({int(utc // 3600) for utc in stamps})
        assert [one.start for one in store.hours("nursery.temperature", begin, begin + 3 * DAY_S)] == [
            hour * 3600.0 for hour in found.hour
        ]


def test_points_read_together_share_their_stamps_even_when_one_missed_some(tmp_path: Path) -> None:
    file = opened(tmp_path)
    batch = []
    for n in range(600):
        at = Moment(n * 5.0, START + n * 5.001, True, UTC)
        batch += [reading(point, at) for point in POINTS if point != POINTS[2] or n not in (17, 18, 400)]
    file.write(batch)
    pack_all(file, START + 3601)
    db = file._db
    assert db is not None
    assert db.execute("SELECT count(*) FROM axis").fetchone() == (1,)
    assert db.execute("SELECT count(*) FROM piece").fetchone() == (4,)
    assert db.execute("SELECT count(*) FROM fresh").fetchone() == (0,)
    file.close()
    assert everything(tmp_path) == sorted(batch, key=lambda one: (one.at.utc, POINTS.index(one.point)))


def test_thinned_years_keep_their_hours_and_say_nothing_twice(tmp_path: Path) -> None:
    file = opened(tmp_path)
    record = [reading(at=Moment(0.0, START + n * 300.0, True, UTC), value=12 + n % 5 / 10) for n in range(900)]
    file.write(record)
    pack_all(file, START + 10 * DAY_S)
    with StoreReader(tmp_path, UTC) as store:
        before = (store.rollup(POINTS[0], 0, 4e9), list(store.hours(POINTS[0], 0, 4e9)))
        position = store.newest_change()
    newest = record[-1].at.utc
    cut = newest // DAY_S * DAY_S
    while file.thin(microseconds(cut)):
        pass
    assert file.write([record[0]]).repeated == 1  # nobody knows any more, so it is not counted twice
    assert file.write([replace(record[0], at=Moment(0.0, newest + 5, True, UTC))]).new == 1
    file.close()
    with StoreReader(tmp_path, UTC) as store:
        assert [one for one in everything(tmp_path) if one.at.utc <= newest] == [
            one for one in record if one.at.utc >= cut
        ]
        assert store.changes(position)[0].number > position
        again = store.rollup(POINTS[0], 0, 4e9)
        assert (again.hour, again.total[:-1]) == (before[0].hour, before[0].total[:-1])
        assert list(store.hours(POINTS[0], 0, cut)) == [one for one in before[1] if one.start < cut]


def test_what_is_kept_of_a_reading_is_what_the_rule_says() -> None:
    """Rounded to two digits: JCGM 100:2008, 7.2.6. The rest are our own rules, in numbers worked out by hand."""
    at = Moment(12.3456789, START + 0.1234567, True, UTC)
    one = as_kept(reading("nursery.oxygen_saturation", at, 94.123456, raw=None, uncertainty=1.23456, age_s=3.001))
    assert (one.value, one.uncertainty, one.age_s, one.at.mono) == (94.12, 1.2, 3.1, 12.345679)
    assert microseconds(one.at.utc) == microseconds(START) + 123457
    same = as_kept(reading("nursery.oxygen", at, 8.123456789, raw=8.1, uncertainty=0.051234))
    assert (same.value, same.raw, same.uncertainty) == (8.123456789, 8.1, 0.0512)
    assert as_kept(reading(value=math.nan)).value is None
    assert as_kept(as_kept(one)) == as_kept(one)
