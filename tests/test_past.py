"""`brinewatch history`: from the files of a store, with no daemon running, to rows for people and for programs."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from brinewatch.cli import main
from brinewatch.clock import SteppingClock
from brinewatch.moment import Moment, seconds_of, utc_of
from brinewatch.past.bars import spark
from brinewatch.phrases import span_of
from brinewatch.querying.rows import stretches
from brinewatch.readings import Flag, Reading, quantity_of
from brinewatch.seawater.oxygen import percent_saturation
from brinewatch.seawater.pressure import station_pressure_hPa
from brinewatch.signals.records import CalibrationRecord, Visit
from brinewatch.store.history import History
from brinewatch.store.journal import Journal
from config.sheds import SMALL, write

T0 = Moment(1000.0, utc_of("2026-09-23T10:00", ZoneInfo("UTC")), True)
OXYGEN, PERCENT = "tank.oxygen", "tank.oxygen_saturation"


def reading(point: str, second: float, value: float | None, **more: object) -> Reading:
    base = Reading(point, quantity_of(point), value, value, Flag.PASS, "", T0.later(second), "sonde")
    return replace(base, **more)  # type: ignore[arg-type]


async def kept(folder: Path, readings: Iterable[Reading], records: Iterable[CalibrationRecord] = ()) -> Path:
    """A shed whose daemon kept these and was stopped."""
    clock = SteppingClock(T0.utc, mono=T0.mono)
    history = History(folder / "data" / "history.sqlite", clock)
    await history.open()
    history.add(list(readings))
    await history.close()
    journal = Journal(folder / "data" / "journal.sqlite", clock)
    await journal.open()
    for one in records:
        assert await journal.calibrate(one, T0)
    await journal.close()
    return write(folder)


def record(key: str, offset: float, utc: float, **more: object) -> CalibrationRecord:
    base = CalibrationRecord(key, OXYGEN, "sonde", Visit.CALIBRATION, utc, utc, "Wren", offset=offset)
    return replace(base, **more)  # type: ignore[arg-type]


def ask(shed: Path, *words: str) -> int:
    return main(["history", *words, "--shed", str(shed)])


DAY = ("--since", "2026-09-23", "--until", "2026-09-24")


async def test_csv_has_every_reading_with_what_was_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    readings = [
        reading(OXYGEN, 0, 8.0, uncertainty=0.1),
        reading(OXYGEN, 5, None, raw=None, flag=Flag.MISSING, reason='No answer, "again".'),
        reading(OXYGEN, 10.25, 8.125),
    ]
    shed = await kept(tmp_path, readings, [record("o1", 0.5, T0.utc + 7)])
    assert ask(shed, OXYGEN, *DAY, "--csv", "--raw") == 0
    rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
    assert [(row["time"], row["value"], row["said"], row["flag"], row["calibration"]) for row in rows] == [
        ("2026-09-23T10:00:00.000Z", "8.0", "8.0", "1", ""),
        ("2026-09-23T10:00:05.000Z", "", "", "9", ""),
        ("2026-09-23T10:00:10.250Z", "8.625", "8.125", "1", "o1"),
    ]
    assert rows[1]["reason"] == 'No answer, "again".'
    assert {row["unit"] for row in rows} == {"mg/L"}
    assert list(rows[0]) == [
        "time", "point", "value", "said", "unit", "uncertainty", "flag", "reason", "calibration", "probe",
    ]  # fmt: skip


async def test_json_is_one_array_and_an_empty_one_when_there_is_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shed = await kept(tmp_path, [reading(OXYGEN, 0, 8.0), reading(OXYGEN, 5, 8.1)])
    assert ask(shed, OXYGEN, *DAY, "--json") == 0
    rows = json.loads(capsys.readouterr().out)
    assert [row["value"] for row in rows] == [8.0, 8.1]
    assert "said" not in rows[0]
    assert ask(shed, OXYGEN, "--since", "2027-01-01", "--until", "2027-01-02", "--json") == 0
    assert json.loads(capsys.readouterr().out) == []
    assert ask(shed, OXYGEN, "--since", "2027-01-01", "--until", "2027-01-02") == 0
    assert "No reading of tank.oxygen from 2027-01-01 00:00:00" in capsys.readouterr().out


async def test_a_derived_value_is_worked_out_from_corrected_inputs_that_stood_before_the_span(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Percent by the published equation (held against tables in tests/seawater); inputs read before the span."""
    readings = [
        reading("tank.temperature", -1800, 12.0),
        reading("tank.salinity", -1800, 33.0),
        reading(OXYGEN, -10, 8.0),
        reading(PERCENT, -9, 90.0, raw=None, probe="derived"),
        reading(PERCENT, 1, 90.0, raw=None, probe="derived"),
    ]
    wrong = record("o1", 0.0, T0.utc - 7200)
    right = record("o2", -0.5, T0.utc + 60, effective_utc=T0.utc - 7200, replaces="o1")
    shed = await kept(tmp_path, readings, [wrong, right])
    assert ask(shed, PERCENT, "--since", "2026-09-23T10:00", "--until", "2026-09-24", "--json") == 0
    [row] = json.loads(capsys.readouterr().out)
    assert row["value"] == pytest.approx(percent_saturation(7.5, 12.0, 33.0, station_pressure_hPa(4.0)), abs=5.1e-3)


async def test_table_is_in_the_sheds_units_and_time_with_its_line_of_bars(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    readings = [reading("tank.temperature", 60.0 * n, 10.0 + n / 30, uncertainty=0.25) for n in range(600)]
    shed = await kept(tmp_path, readings)
    shed.write_text(
        SMALL.replace("altitude_m = 4", 'altitude_m = 4\ndisplay = { temperature = "degF" }').replace(
            "Etc/UTC", "Europe/London"
        ),
        encoding="utf-8",
    )
    assert ask(shed, "tank.temperature", "--since", "2026-09-23T11:00", "--until", "2026-09-23T21:00") == 0
    lines = capsys.readouterr().out.splitlines()
    body = [line for line in lines if line.startswith(" 2026-09-23")]
    assert len(body) == 40  # ten hours in quarters of an hour: no more than 48 rows
    # 10 to 10.97 degC is 50.0 to 51.7 degF, a standard uncertainty of 0.25 K is 0.45 degF
    assert lines[0] == "tank.temperature from 2026-09-23 11:00:00 to 2026-09-23 21:00:00"
    assert body[0].split()[1:] == ["11:14:00", "50.8", "F", "50.0", "F", "50.8", "F", "±0.45", "1", "pass"]
    assert lines[-1].startswith("▁▁")
    assert lines[-1].endswith("█")
    assert len(lines[-1]) == 40
    assert (
        ask(shed, "tank.temperature", "--since", "2026-09-23T11:00", "--until", "2026-09-23T21:00", "--every", "2h")
        == 0
    )
    assert len([line for line in capsys.readouterr().out.splitlines() if line.startswith(" 2026-09-23")]) == 6


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((OXYGEN, "--since", "yesterday"), "--since 'yesterday' is no time"),
        ((OXYGEN, "--since", "0h"), "--since '0h' is no time"),
        ((OXYGEN, "--until", "soon"), "--until 'soon' is no time"),
        ((OXYGEN, "--since", "1h", "--until", "2h"), "--since is not before --until"),
        ((OXYGEN, "--every", "often"), "--every 'often': expected a length of time"),
        (("tank.oxigen",), "no reading of 'tank.oxigen'"),
    ],
)
async def test_what_cannot_be_is_one_clear_message(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], said: str
) -> None:
    shed = await kept(tmp_path, [reading(OXYGEN, 0, 8.0)])
    assert ask(shed, *words) == 1
    told = capsys.readouterr()
    assert said in told.err
    assert told.out == ""


def test_a_shed_never_watched_says_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert ask(write(tmp_path), OXYGEN) == 1
    assert "There is no " in capsys.readouterr().err


async def test_a_socket_nobody_serves_holds_nothing_back(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shed = await kept(tmp_path, [reading(OXYGEN, 0, 8.0)])
    (tmp_path / "data" / "control.sock").write_text("")
    assert ask(shed, OXYGEN, *DAY, "--csv") == 0
    told = capsys.readouterr()
    assert "What was read last may be missing: No daemon is running" in told.err
    assert len(told.out.splitlines()) == 2


# -- the pieces --


def test_a_stretch_has_its_last_usable_value_its_ends_and_its_worst_flag() -> None:
    readings = [
        reading(OXYGEN, 0, 8.0),
        reading(OXYGEN, 10, 6.5, flag=Flag.SUSPECT, reason="fast"),
        reading(OXYGEN, 20, 99.0, flag=Flag.FAIL, reason="cannot be true"),
        reading(OXYGEN, 59, 8.2),
        reading(OXYGEN, 61, None, flag=Flag.MISSING, reason="no answer"),
        reading(OXYGEN, 121, 0.1, flag=Flag.NOT_EVALUATED, reason="being calibrated by Wren"),
        reading(OXYGEN, 125, 7.0),
        reading(OXYGEN, 130, 1.0, flag=Flag.FAIL, reason="cannot be true"),
    ]
    rows = list(stretches(readings, 60.0))
    assert [(one.reading.value, one.lowest, one.highest, one.flag, one.readings) for one in rows] == [
        (8.2, 6.5, 8.2, Flag.FAIL, 4),
        (None, None, None, Flag.MISSING, 1),
        (7.0, 7.0, 7.0, Flag.FAIL, 3),
    ]
    assert [one.reading for one in stretches(readings, None)] == readings
    assert list(stretches([], 60.0)) == []


def test_spans_begin_at_round_times_of_the_sheds_own_clock() -> None:
    """A zone at half an hour: Kolkata's day begins at 18:30 UTC."""
    zone = ZoneInfo("Asia/Kolkata")
    midnight = datetime(2026, 9, 24, tzinfo=zone).timestamp()
    readings = [
        reading(OXYGEN, 0, float(n), at=Moment(0.0, midnight + 3600.0 * n, True, zone)) for n in range(-2, 3)
    ]
    assert [one.readings for one in stretches(readings, 86400.0)] == [2, 3]


def test_times_are_read_as_people_write_them() -> None:
    zone = ZoneInfo("Europe/London")  # summer time until 2026-10-25
    now = replace(T0, zone=zone)
    assert span_of("24h", None, now) == (now.utc - 86400, now.utc)
    assert span_of("2026-09-01", "30m", now) == (utc_of("2026-08-31T23:00+00:00", zone), now.utc - 1800)
    assert [seconds_of(text) for text in ("45s", "10m", "10 min", "1.5h", "7d", "2W")] == [
        45, 600, 600, 5400, 604800, 1209600,
    ]  # fmt: skip
    for text in ("", "h", "-5m", "5 parsecs", "0d"):
        with pytest.raises(ValueError, match="expected a length of time"):
            seconds_of(text)


def test_bars_leave_gaps_empty_and_a_level_line_level() -> None:
    readings = [
        reading(OXYGEN, 0, 5.0), reading(OXYGEN, 30, 9.0, flag=Flag.FAIL), reading(OXYGEN, 60, 6.0),
        reading(OXYGEN, 99, 7.0),
    ]  # fmt: skip
    assert spark(readings, T0.utc, T0.utc + 100, width=10) == "▁     ▅  █"
    assert spark([reading(OXYGEN, 0, 5.0), reading(OXYGEN, 50, 5.0)], T0.utc, T0.utc + 100, width=4) == "▁ ▁ "
    assert spark([reading(OXYGEN, 0, None)], T0.utc, T0.utc + 100) == ""
