"""What is handed to other programs, read back by libraries that are not ours."""

from __future__ import annotations

import csv
import gzip
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import duckdb
import pyarrow.parquet as pq
import pytest
import xarray as xr

from brinewatch.cli import main
from brinewatch.clock import SteppingClock
from brinewatch.moment import Moment, utc_of
from brinewatch.readings import Flag, Reading, quantity_of
from brinewatch.signals.records import CalibrationRecord, Visit
from brinewatch.store.history import History
from brinewatch.store.journal import Journal
from config.sheds import write

T0 = Moment(1000.0, utc_of("2026-09-23T10:00", ZoneInfo("UTC")), True)
OXYGEN, WARMTH = "tank.oxygen", "tank.temperature"
DAY = ("--since", "2026-09-23", "--until", "2026-09-24")


def reading(point: str, second: float, value: float | None, **more: object) -> Reading:
    base = Reading(point, quantity_of(point), value, value, Flag.PASS, "", T0.later(second), "sonde", 0.125)
    return replace(base, **more)  # type: ignore[arg-type]


READINGS = [
    reading(OXYGEN, 0.0, 8.0),
    reading(OXYGEN, 5.0, None, flag=Flag.MISSING, reason='No answer, "again";\nat all.'),
    reading(OXYGEN, 10.25, 8.125, flag=Flag.SUSPECT, reason="jumped"),
    reading(WARMTH, 10.25, -0.5, at=replace(T0.later(10.25), trusted=False)),
    reading(OXYGEN, 15.0, 8.25, uncertainty=None),
]
BY_HAND = reading("tank.tan", 0.0, 0.4)
RECORD = CalibrationRecord("o1", OXYGEN, "sonde", Visit.CALIBRATION, T0.utc + 7, T0.utc + 7, "Wren", offset=0.5)


@pytest.fixture
async def shed(tmp_path: Path) -> Path:
    clock = SteppingClock(T0.utc, mono=T0.mono)
    history = History(tmp_path / "data" / "history.sqlite", clock)
    await history.open()
    history.add([*READINGS, BY_HAND])
    await history.close()
    journal = Journal(tmp_path / "data" / "journal.sqlite", clock)
    await journal.open()
    assert await journal.calibrate(RECORD, T0)
    await journal.close()
    return write(tmp_path)


def ask(shed: Path, file: Path | str, *words: str) -> int:
    return main(["export", str(file), *words, *DAY, "--shed", str(shed)])


async def test_csv_gives_every_reading_back(shed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """RFC 4180: fields in quotes keep quotes, commas and line breaks; lines end in CR LF."""
    file = shed.parent / "out.csv"
    assert ask(shed, file, OXYGEN, WARMTH) == 0
    assert capsys.readouterr().out == f"5 readings in {file}.\n"
    with file.open(newline="", encoding="utf-8") as lines:
        rows = list(csv.DictReader(lines))
    assert file.read_bytes().splitlines()[0].startswith(b"time,point,value,said,unit,uncertainty,flag,")
    assert b"\r\n" in file.read_bytes()
    assert [(row["point"], row["value"], row["said"], row["flag"], row["clock"]) for row in rows] == [
        (OXYGEN, "8.0", "8.0", "1", "set"), (OXYGEN, "", "", "9", "set"), (OXYGEN, "8.625", "8.125", "3", "set"),
        (OXYGEN, "8.75", "8.25", "1", "set"), (WARMTH, "-0.5", "-0.5", "1", "not set"),
    ]  # fmt: skip
    assert rows[1]["reason"] == 'No answer, "again";\nat all.'
    assert [row["calibration"] for row in rows] == ["", "", "o1", "o1", ""]
    assert rows[2]["time"] == "2026-09-23T10:00:10.250Z"
    assert not list(shed.parent.glob("*.part"))


async def test_gzip_is_the_same_lines_and_the_same_bytes_each_time(shed: Path) -> None:
    one, other, plain = (shed.parent / name for name in ("a.csv.gz", "b.csv.gz", "c.csv"))
    assert ask(shed, one, OXYGEN) == ask(shed, other, OXYGEN) == ask(shed, plain, OXYGEN) == 0
    assert gzip.decompress(one.read_bytes()) == plain.read_bytes()
    assert one.read_bytes() == other.read_bytes()


async def test_the_terminal_gets_lines_and_nothing_else(shed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert ask(shed, "-", WARMTH) == 0
    out = capsys.readouterr().out.splitlines()
    assert len(out) == 2
    assert out[1].startswith("2026-09-23T10:00:10.250Z,tank.temperature,-0.5,-0.5,degC,")


async def test_side_by_side_is_a_row_an_instant(shed: Path) -> None:
    file = shed.parent / "wide.csv"
    words = ("--since", "2026-09-23T10:00", "--until", "2026-09-23T10:01", "--side-by-side", "1s")
    assert main(["export", str(file), OXYGEN, WARMTH, *words, "--shed", str(shed)]) == 0
    with file.open(newline="", encoding="utf-8") as lines:
        rows = list(csv.reader(lines))
    assert rows[0] == ["time", "tank.oxygen [mg/L]", "tank.oxygen flag", "tank.temperature [degC]",
                       "tank.temperature flag"]  # fmt: skip
    assert rows[1] == ["2026-09-23T10:00:00.000Z", "8.0", "1", "", "9"]
    by_second = {row[0][17:19]: row[1:] for row in rows[1:]}
    assert by_second["02"] == ["8.0", "1", "", "9"]
    assert by_second["04"] == ["", "9", "", "9"]  # three seconds is as long as its alarms judge by it
    assert by_second["10"] == ["", "9", "", "9"]
    assert by_second["11"] == ["8.625", "3", "-0.5", "1"]
    assert by_second["15"] == ["8.75", "1", "", "9"]
    assert len(rows) == 61


async def test_side_by_side_a_point_is_told_as_long_as_its_own_alarms_judge_by_it(shed: Path) -> None:
    """A probe and a value entered by hand in one table: the one is too old in seconds, whatever the other is."""
    file = shed.parent / "ages.csv"
    words = ("--since", "2026-09-23T10:00", "--until", "2026-09-23T13:00", "--side-by-side", "1h")
    assert main(["export", str(file), OXYGEN, "tank.tan", *words, "--shed", str(shed)]) == 0
    with file.open(newline="", encoding="utf-8") as lines:
        rows = list(csv.reader(lines))
    assert [row[1:3] for row in rows[1:]] == [["8.0", "1"], ["", "9"], ["", "9"]]
    assert [row[3:5] for row in rows[1:]] == [["0.4", "1"]] * 3


async def test_parquet_is_read_by_two_libraries(shed: Path) -> None:
    file = shed.parent / "out.parquet"
    assert ask(shed, file, OXYGEN, WARMTH) == 0
    table = pq.read_table(file)
    assert table.schema.field("time").type.tz == "UTC"
    assert b'"unit": "mg/L"' in table.schema.metadata[b"points"]
    rows = table.to_pylist()
    assert [row["value"] for row in rows] == [8.0, None, 8.625, 8.75, -0.5]
    assert rows[2]["time"] == datetime(2026, 9, 23, 10, 0, 10, 250_000, UTC)
    assert [row["uncertainty"] is None for row in rows] == [False, False, True, True, False]
    with duckdb.connect() as db:
        found = db.execute(
            f"SELECT point, count(*), count(value), max(flag), max(calibration) FROM '{file}' GROUP BY 1 ORDER BY 1"
        ).fetchall()
    assert found == [(OXYGEN, 4, 3, 9, "o1"), (WARMTH, 1, 1, 1, "")]


async def test_netcdf_is_decoded_by_its_own_attributes(shed: Path) -> None:
    """xarray applies the conventions (times, fill values, ancillary variables) and knows nothing of us."""
    file = shed.parent / "out.nc"
    assert ask(shed, file, OXYGEN, WARMTH) == 0
    with xr.open_dataset(file, decode_cf=True) as data:
        assert data.attrs["Conventions"].startswith("CF-")
        oxygen = data["tank_oxygen"]
        assert oxygen.attrs["standard_name"] == "mass_concentration_of_oxygen_in_sea_water"
        assert oxygen.attrs["units"] == "mg L-1"
        assert [None if x != x else float(x) for x in oxygen.values] == [8.0, None, 8.625, 8.75]
        stamps = oxygen["time_tank_oxygen"].values.astype("datetime64[ms]").astype(str).tolist()
        assert stamps == ["2026-09-23T10:00:00.000", "2026-09-23T10:00:05.000", "2026-09-23T10:00:10.250",
                          "2026-09-23T10:00:15.000"]  # fmt: skip
        names = oxygen.encoding.get("ancillary_variables", oxygen.attrs.get("ancillary_variables")).split()
        assert set(names) <= set(data.variables)
        flag = data["tank_oxygen_flag"]
        assert list(zip(flag.attrs["flag_values"], flag.attrs["flag_meanings"].split(), strict=True)) == [
            (1, "pass"), (2, "not_evaluated"), (3, "suspect"), (4, "fail"), (9, "missing"),
        ]  # fmt: skip
        assert flag.values.tolist() == [1, 9, 3, 1]
        assert data["tank_oxygen_calibration"].values.tolist() == ["", "", "o1", "o1"]
        assert data["tank_temperature"].attrs["units"] == "degree_Celsius"
        assert data["tank_temperature_clock"].values.tolist() == [0]


@pytest.mark.parametrize(
    ("file", "words", "said"),
    [
        ("out.xls", (), "nobody knows what to write there"),
        ("out.csv", ("tank.ph",), "There is no reading of 'tank.ph'"),
        ("no/such/folder/out.csv", (), "There is no folder"),
        ("out.nc", ("--side-by-side", "10m"), "--side-by-side goes with CSV"),
        ("out.csv", ("--side-by-side", "often"), "--side-by-side 'often': expected a length of time"),
    ],
)
async def test_a_refusal_says_what_and_leaves_no_file(
    shed: Path, capsys: pytest.CaptureFixture[str], file: str, words: tuple[str, ...], said: str
) -> None:
    assert ask(shed, shed.parent / file, *words) != 0
    assert said in capsys.readouterr().err
    assert not list(shed.parent.rglob("out*"))


async def test_what_is_there_is_not_written_over(shed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = shed.parent / "mine.csv"
    file.write_text("precious")
    assert ask(shed, file) != 0
    assert "There is a file" in capsys.readouterr().err
    assert file.read_text() == "precious"


async def test_an_export_that_is_given_up_leaves_nothing_behind(
    shed: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from brinewatch.exporting.writers import CsvWriter

    def give_up(self: CsvWriter, point: str, readings: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(CsvWriter, "write", give_up)
    file = shed.parent / "out.csv"
    assert ask(shed, file) == 130
    assert not list(shed.parent.glob("out*"))
