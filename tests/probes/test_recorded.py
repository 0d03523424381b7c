"""A record played as if live: the right row at the right time, holes told, damage refused."""

from __future__ import annotations

import asyncio
import csv
import gzip
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from brinewatch.clock import SteppingClock
from brinewatch.errors import BadAnswer, PortLost
from brinewatch.moment import utc_text
from brinewatch.probes.recorded import RecordedBus, RecordedSettings, survey
from brinewatch.readings import Flag, Sample
from probes.conftest import VECTORS

ESTUARY = VECTORS.parents[1] / "checkvalues" / "estuary-sonde-gndbl-2021.csv.gz"

ROWS = """time,T,DO,F_T
2026-03-01T00:00:00Z,10.5,8.1,<0>
2026-03-01T00:15:00Z,10.6,,<0>
2026-03-01T00:30:00Z,--,8.3,<-3>
2026-03-01T01:15:00Z,10.8,8.4,<0>
"""


def settings(file: str = "r.csv", **more: Any) -> RecordedSettings:
    channels = [
        {"point": "creek.temperature", "column": "T"},
        {"point": "creek.oxygen", "column": "DO"},
    ]
    probe = {"name": "sonde", "every_s": 900.0, "channel": channels}
    return RecordedSettings.model_validate(
        {"kind": "recorded", "file": file, "time_column": "time", "probe": [probe], **more}
    )


async def play(made: RecordedSettings, folder: Path, every: float, times: int) -> list[Sequence[Sample]]:
    """What the bus gives when it is read on a schedule in stepped time."""
    clock = SteppingClock(survey(made, folder).first)
    bus = RecordedBus("record", made, clock, folder)
    await bus.open()
    driver = asyncio.create_task(clock.drive())
    given = []
    start = clock.now().mono
    for tick in range(times):
        await clock.sleep_until(start + tick * every)
        given.append(await bus.read("sonde"))
    await bus.close()
    driver.cancel()
    await asyncio.gather(driver, return_exceptions=True)
    return given


def brief(samples: Sequence[Sample]) -> list[tuple[float | None, int]]:
    return [(sample.value, int(sample.flag)) for sample in samples]


async def test_each_row_when_it_is_due(tmp_path: Path) -> None:
    (tmp_path / "r.csv").write_text(ROWS)
    given = await play(settings(), tmp_path, 900, 8)
    assert [brief(samples) for samples in given] == [
        [(10.5, 1), (8.1, 1)],
        [(10.6, 1), (None, 9)],  # an empty cell is missing
        [(None, 4), (8.3, 1)],  # what is no number has failed
        [],  # nothing new yet, and not old enough to be a hole
        [(None, 9), (None, 9)],  # the hole
        [(10.8, 1), (8.4, 1)],
        [],
        [(None, 9), (None, 9)],
    ]
    assert "no row for this time" in given[4][0].reason
    assert "has ended" in given[7][0].reason
    assert utc_text(given[5][0].at.utc) == "2026-03-01T01:15:00.000Z"


async def test_no_row_twice_however_often_it_is_asked(tmp_path: Path) -> None:
    (tmp_path / "r.csv").write_text(ROWS)
    given = await play(settings(), tmp_path, 300, 7)
    assert [len(samples) for samples in given] == [2, 0, 0, 2, 0, 0, 2]


async def test_gzip_and_span(tmp_path: Path) -> None:
    with gzip.open(tmp_path / "r.csv.gz", "wt") as file:
        file.write("\ufeff" + ROWS)
    made = settings("r.csv.gz")
    bus = RecordedBus("record", made, SteppingClock(0.0), tmp_path)
    assert [utc_text(end) for end in bus.span] == ["2026-03-01T00:00:00.000Z", "2026-03-01T01:15:00.000Z"]
    assert bus.rows == 4
    assert not bus.finished
    assert brief((await play(made, tmp_path, 900, 1))[0]) == [(10.5, 1), (8.1, 1)]


async def test_finished_with_the_last_row(tmp_path: Path) -> None:
    (tmp_path / "r.csv").write_text("time,T,DO\n2026-03-01T00:00Z,1,2\n2026-03-01T00:15Z,3,4\n")
    clock = SteppingClock(0.0)
    bus = RecordedBus("record", settings(), clock, tmp_path)
    driver = asyncio.create_task(clock.drive())
    await bus.open()
    assert brief(await bus.read("sonde")) == [(1.0, 1), (2.0, 1)]
    assert not bus.finished
    await clock.sleep(900)
    await bus.open()  # a bus opened again goes on where it was
    assert brief(await bus.read("sonde")) == [(3.0, 1), (4.0, 1)]
    assert bus.finished
    assert (bus.played, bus.passed_over) == (2, 0)
    driver.cancel()
    await asyncio.gather(driver, return_exceptions=True)


async def test_a_start_within_the_record(tmp_path: Path) -> None:
    (tmp_path / "r.csv").write_text(ROWS)
    made = settings(start="2026-03-01T00:20:00Z")
    assert survey(made, tmp_path).rows == 2
    given = await play(made, tmp_path, 600, 2)
    assert [brief(samples) for samples in given] == [[(None, 9), (None, 9)], [(None, 4), (8.3, 1)]]
    with pytest.raises(BadAnswer, match="ends before 2027"):
        survey(settings(start="2027-01-01"), tmp_path)


def test_zones(tmp_path: Path) -> None:
    (tmp_path / "r.csv").write_text("time,T,DO\n7/2/2021 0:00,1,2\n7/2/2021 0:15,1,2\n")
    for zone, hour in (("-06:00", "06"), ("America/Chicago", "05"), (None, "00"), ("+05:30", None)):
        span = survey(settings(time_format="%m/%d/%Y %H:%M", time_zone=zone), tmp_path)
        expected = f"2021-07-02T{hour}:00:00.000Z" if hour else "2021-07-01T18:30:00.000Z"
        assert utc_text(span.first) == expected


def test_the_hour_that_comes_twice_is_played_twice(tmp_path: Path) -> None:
    """Clocks in Chicago went back at 2 h on 2021-11-07 (IANA time zone database)."""
    stamps = ["00:30", "01:00", "01:30", "01:00", "01:30", "02:00"]
    (tmp_path / "r.csv").write_text("time,T,DO\n" + "".join(f"2021-11-07T{stamp},1,2\n" for stamp in stamps))
    span = survey(settings(time_zone="America/Chicago"), tmp_path)
    assert (span.rows, span.refused) == (6, 0)
    assert span.last - span.first == 2.5 * 3600
    assert span.last == datetime(2021, 11, 7, 2, 0, tzinfo=ZoneInfo("America/Chicago")).timestamp()


def test_rows_out_of_order_are_counted_not_played(tmp_path: Path) -> None:
    lines = ROWS.splitlines()
    (tmp_path / "r.csv").write_text(
        "\n".join([lines[0], lines[1], lines[3], lines[2], "soon,1,2,3", lines[4]]) + "\n"
    )
    span = survey(settings(), tmp_path)
    assert (span.rows, span.refused) == (3, 2)
    assert "line 4" in span.example


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "no column DO, T, time"),
        (b"time,T\n2026-03-01,1\n", "no column DO"),
        (b"time,T,DO\n", "no row with a time"),
        (b"time,T,DO\nsoon,1,2\n", "no row with a time .*soon"),
        (b"time,T,DO\n\xff\xfe,1,2\n", "damaged"),
        (b'time,T,DO\n"2026-03-01,1,2\n', "damaged"),
        (b"\x1f\x8b" + bytes(40), "damaged"),
    ],
)
async def test_a_damaged_record_is_refused(tmp_path: Path, content: bytes, says: str) -> None:
    (tmp_path / "r.csv").write_bytes(content)
    with pytest.raises(BadAnswer, match=says):
        survey(settings(), tmp_path)
    with pytest.raises(BadAnswer, match=says):
        await RecordedBus("record", settings(), SteppingClock(0.0), tmp_path).open()


async def test_a_record_cut_off_is_told_and_played_as_far_as_it_goes(tmp_path: Path) -> None:
    (tmp_path / "r.csv").write_bytes(gzip.compress(ROWS.encode())[:-12])
    with pytest.raises(BadAnswer, match="damaged"):
        survey(settings(), tmp_path)
    clock = SteppingClock(0.0)
    bus = RecordedBus("record", settings(), clock, tmp_path)
    driver = asyncio.create_task(clock.drive())
    await bus.open()
    assert brief(await bus.read("sonde")) == [(10.5, 1), (8.1, 1)]
    while not bus.finished:
        await clock.sleep(900)
        await bus.read("sonde")
    await clock.sleep(1800)
    told = await bus.read("sonde")
    assert [(sample.value, sample.flag) for sample in told] == [(None, Flag.FAIL)] * 2
    assert "damaged" in told[0].reason
    driver.cancel()
    await asyncio.gather(driver, return_exceptions=True)


def test_a_record_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(PortLost, match=r"Cannot read the record .*none.csv"):
        survey(settings("none.csv"), tmp_path)


async def test_the_estuary_record_plays_as_it_was_written(tmp_path: Path) -> None:
    """NOAA NERRS System-wide Monitoring Program, station gndblwq; read here by csv alone to compare."""
    probe = {
        "name": "sonde", "every_s": 900.0,
        "channel": [
            {"point": "creek.temperature", "column": "Temp"}, {"point": "creek.oxygen", "column": "DO_mgl"},
        ],
    }  # fmt: skip
    made = RecordedSettings.model_validate(
        {
            "kind": "recorded", "file": str(ESTUARY), "time_column": "DateTimeStamp",
            "time_format": "%m/%d/%Y %H:%M", "time_zone": "-06:00", "probe": [probe],
        }
    )  # fmt: skip
    with gzip.open(ESTUARY, "rt") as file:
        rows = list(csv.DictReader(file))
    span = survey(made, tmp_path)
    assert span.rows == len(rows)
    assert span.refused == 0
    assert utc_text(span.first) == "2021-07-02T06:00:00.000Z"
    given = await play(made, tmp_path, 900, 300)
    for samples, row in zip(given, rows, strict=False):
        expected = [float(row[key]) if row[key].strip() else None for key in ("Temp", "DO_mgl")]
        assert [sample.value for sample in samples] == expected
        assert all((sample.flag is Flag.PASS) == (sample.value is not None) for sample in samples)
