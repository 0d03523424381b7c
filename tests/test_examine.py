"""`brinewatch quality`: a record in a file gets its flags, whatever is wrong with it."""

from __future__ import annotations

import csv
import gzip
import subprocess
import sys
from pathlib import Path

import pytest

from brinewatch.cli import main
from brinewatch.errors import ConfigurationError
from brinewatch.examine import COLUMNS
from brinewatch.examine.limits import limits_of
from brinewatch.quantities import QUANTITIES

HEAD = "time,temperature_C,note\n"


def lines(minutes: range, value: float = 20.0) -> str:
    return "".join(
        f"2026-07-01T{minute // 60:02d}:{minute % 60:02d}:00Z,{value + 0.1 * (minute % 4)},ok\n"
        for minute in minutes
    )


def run(folder: Path, text: str, *options: str) -> list[dict[str, str]]:
    source, output = folder / "in.csv", folder / "out.csv"
    source.write_text(text, encoding="utf-8")
    assert main(["quality", "--csv", str(source), "--output", str(output), *options]) == 0
    with output.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def test_every_column_is_a_quantity_in_its_own_unit() -> None:
    assert set(COLUMNS.values()) <= QUANTITIES.keys()
    units = {
        "temperature_C": "degC", "station_pressure_hPa": "hPa", "oxygen_mg_per_L": "mg/L", "oxygen_percent": "%",
        "conductivity_mS_per_cm": "mS/cm", "specific_conductance_mS_per_cm": "mS/cm", "turbidity_FNU": "FNU",
        "tan_mgN_per_L": "mg/L N", "depth_m": "m",
    }  # fmt: skip
    assert {name: QUANTITIES[COLUMNS[name]].unit for name in units} == units


def test_flags_and_reasons_are_appended_and_the_rest_is_kept(tmp_path: Path) -> None:
    text = HEAD + lines(range(5)) + "2026-07-01T00:05:00Z,55.5,hot\n" + lines(range(6, 10))
    rows = run(tmp_path, text)
    assert [row["temperature_C_flag"] for row in rows] == ["1"] * 5 + ["4"] + ["1"] * 4
    assert "cannot be true" in rows[5]["temperature_C_reason"]
    assert [row["note"] for row in rows] == ["ok"] * 5 + ["hot"] + ["ok"] * 4
    assert (tmp_path / "out.csv").read_text().splitlines()[0] == (
        "time,temperature_C,note,temperature_C_flag,temperature_C_reason"
    )


def test_bad_cells_and_times_have_a_flag_and_a_reason(tmp_path: Path) -> None:
    text = HEAD + (
        "2026-07-01T00:00:00Z,20.0,\n"
        "2026-07-01T00:01:00Z,,\n"
        "2026-07-01T00:02:00Z,NA,\n"
        "2026-07-01T00:03:00Z,broken,\n"
        f"2026-07-01T00:04:00Z,{'9' * 5000}x,\n"
        "yesterday,20.0,\n"
        "2026-07-01T00:03:30Z,20.0,\n"
        "2026-07-01T00:05:00Z,20.1\n"
        "2026-07-01T00:06:00Z,20.2,\n"
    )
    rows = run(tmp_path, text)
    assert [row["temperature_C_flag"] for row in rows] == ["1", "9", "9", "4", "4", "4", "4", "4", "1"]
    reasons = [row["temperature_C_reason"] for row in rows]
    assert all(reasons[1:8])
    assert "'broken' is no number" in reasons[3]
    assert "'9999999999999999999999999999999999999999' is no number" in reasons[4]
    assert "'yesterday' is no time" in reasons[5]
    assert "not after that of the row before" in reasons[6]
    assert "2 cells, the header 3" in reasons[7]


def test_live_and_final_differ_where_the_future_tells(tmp_path: Path) -> None:
    text = HEAD + lines(range(5)) + "2026-07-01T00:05:00Z,29.0,\n" + lines(range(6, 12))
    settings = tmp_path / "limits.toml"
    settings.write_text("[temperature_C]\nspike = 2\n")
    final = run(tmp_path, text, "--settings", str(settings))
    live = run(tmp_path, text, "--settings", str(settings), "--live")
    assert [row["temperature_C_flag"] for row in final] == ["1"] * 5 + ["3"] + ["1"] * 6
    assert {row["temperature_C_flag"] for row in live} == {"1"}


def test_seconds_milliseconds_and_offsets_are_times(tmp_path: Path) -> None:
    for cells in (
        ["1782864000", "1782864900"],
        ["1782864000000", "1782864900000"],
        ["2026-07-01T02:00:00+02:00", "2026-07-01T00:15:00Z"],
        ["2026-07-01 00:00", "2026-07-01 00:15"],
    ):
        text = "timestamp,ph\n" + "".join(f"{cell},8.1\n" for cell in cells)
        assert [row["ph_flag"] for row in run(tmp_path, text)] == ["1", "1"]


def test_another_column_may_be_the_time(tmp_path: Path) -> None:
    rows = run(tmp_path, "when,ph\n2026-07-01,8.1\n", "--time", "when")
    assert rows[0]["ph_flag"] == "1"


def test_seasons_follow_the_calendar_of_the_settings(tmp_path: Path) -> None:
    settings = tmp_path / "limits.toml"
    settings.write_text(
        'time_zone = "Pacific/Auckland"\n[ph]\nseason = [{ begins = "07-01", ends = "07-01", high = 8.0 }]\n'
    )
    text = "time,ph\n2026-06-30T11:00:00Z,8.1\n2026-06-30T13:00:00Z,8.1\n2026-07-01T13:00:00Z,8.1\n"
    assert [row["ph_flag"] for row in run(tmp_path, text, "--settings", str(settings))] == ["1", "3", "1"]


def test_gzip_and_standard_input_and_output(tmp_path: Path) -> None:
    packed = gzip.compress((HEAD + lines(range(3))).encode())
    done = subprocess.run(
        [sys.executable, "-m", "brinewatch", "quality", "--csv", "-"], input=packed, capture_output=True, check=True
    )
    assert done.stdout.decode().splitlines()[1].endswith(",1,")
    assert b"3 rows" in done.stderr
    assert b"temperature_C: 3 good." in done.stderr


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("time,kelvin\n0,1\n", "no column to examine"),
        ("day,ph\n0,8\n", "no column of times"),
        ("time,ph,ph_flag\n0,8,1\n", "ph_flag already"),
        ("", "is empty"),
    ],
)
def test_a_file_that_cannot_be_examined_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str, message: str
) -> None:
    source = tmp_path / "in.csv"
    source.write_text(text)
    assert main(["quality", "--csv", str(source), "--output", str(tmp_path / "out.csv")]) == 1
    assert message in capsys.readouterr().err
    assert not (tmp_path / "out.csv").exists()


def test_every_fault_of_a_settings_file_is_told(tmp_path: Path) -> None:
    settings = tmp_path / "limits.toml"
    settings.write_text('time_zone = "Sea/Bottom"\n[temperature_C]\nlow = 5\nhigh = 2\n[ph]\nspik = 1\n[kelvin]\n')
    with pytest.raises(ConfigurationError) as caught:
        limits_of(settings)
    told = str(caught.value)
    for words in ("Sea/Bottom", "low to be less than high", "did you mean spike?", "kelvin"):
        assert words in told
