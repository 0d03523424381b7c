"""Files as loggers write them: times, signs, words for nothing; what cannot be used is named by its line."""

from __future__ import annotations

import csv
import gzip
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from brinewatch.cli import main
from brinewatch.config import read_shed
from brinewatch.importing.judging import Judge
from brinewatch.importing.mapping import mapped, settings_of
from brinewatch.importing.rows import CELL, ROW, TWICE, Problems, Table
from brinewatch.importing.times import Times
from brinewatch.readings import Flag
from config.sheds import write as write_shed
from importing.files import ask, kept

NOW = 1_790_000_000.0
LONDON = ZoneInfo("Europe/London")
TANK = ["--column", "T=tank.temperature", "--time", "when"]


def utc(text: str) -> float:
    return datetime.fromisoformat(text).timestamp()


def take(
    folder: Path, capsys: pytest.CaptureFixture[str], text: str | bytes, *words: str
) -> tuple[int, dict[str, Any]]:
    shed, file = write_shed(folder), folder / "log.csv"
    file.write_bytes(text.encode() if isinstance(text, str) else text)
    return ask(capsys, shed, file, *words, "--write")


def values(folder: Path, point: str = "tank.temperature") -> dict[float, float | None]:
    return {at: one.value for (_, at), one in kept(folder / "shed.toml", [point]).items()}


# -- times. Europe/London 2024: forward on 31 March, back on 27 October, both at 01:00 UTC (IANA tzdata) ----------


@pytest.mark.parametrize(
    ("ambiguous", "text", "expected"),
    [
        ("refuse", "2024-06-01T12:00", "2024-06-01T11:00+00:00"),
        ("refuse", "2024-12-01T12:00", "2024-12-01T12:00+00:00"),
        ("first", "2024-10-27T01:30", "2024-10-27T00:30+00:00"),
        ("second", "2024-10-27T01:30", "2024-10-27T01:30+00:00"),
        ("refuse", "2024-10-27T01:30+01:00", "2024-10-27T00:30+00:00"),
        ("refuse", "2024-10-27T02:00", "2024-10-27T02:00+00:00"),
        ("refuse", "2024-02-29T12:00Z", "2024-02-29T12:00+00:00"),
        ("refuse", "1717243200", "2024-06-01T12:00+00:00"),
        ("refuse", "1717243200000", "2024-06-01T12:00+00:00"),
    ],
)
def test_a_time_is_read(ambiguous: Any, text: str, expected: str) -> None:
    assert Times(None, LONDON, ambiguous, NOW).utc(text) == utc(expected)


@pytest.mark.parametrize(
    ("form", "text", "why"),
    [
        (None, "2024-10-27T01:30", "came twice"), (None, "2024-03-31T01:30", "never was"),
        (None, "2027-01-01T00:00Z", "future"), (None, "", "no time"), (None, "20240601", "no time in seconds"),
        (None, "06/01/2024", "ISO 8601"), ("%d.%m.%Y", "31.02.2024", "form %d.%m.%Y"),
        ("%d.%m.%Y", "1717243200", "form %d.%m.%Y"),
    ],
)  # fmt: skip
def test_a_time_that_cannot_be_told_is_refused_with_why(form: str | None, text: str, why: str) -> None:
    with pytest.raises(ValueError, match=why):
        Times(form, LONDON, "refuse", NOW).utc(text)


def test_an_hour_that_came_twice_goes_by_the_order_of_the_rows() -> None:
    times = Times("%Y-%m-%d %H:%M", LONDON, "in order", NOW)
    start = datetime(2024, 10, 26, 23, 0, tzinfo=ZoneInfo("UTC"))
    instants = [start + timedelta(minutes=15 * n) for n in range(20)]
    found = [times.utc(f"{one.astimezone(LONDON):%Y-%m-%d %H:%M}") for one in instants]
    assert found == [one.timestamp() for one in instants]


def test_a_time_without_a_zone_is_no_time(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shed, file = write_shed(tmp_path), tmp_path / "log.csv"
    file.write_text("when,T\n2024-06-01T12:00,14\n", encoding="utf-8")
    assert main(["import", str(file), *TANK, "--shed", str(shed)]) == 1
    assert "say time_zone" in capsys.readouterr().err


# -- forms --------------------------------------------------------------------------------------------------------


def test_semicolons_a_decimal_comma_a_preamble_and_day_and_time_apart(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = (
        "Logger 12;;;\nDatum;Zeit;Temp °C;Leitf\n01.06.2024;13:00;14,25;30\n01.06.2024;13:15;-;31\n"
        "01.06.2024;13:30;1.400,5;32\n"
    ).encode("cp1252")  # fmt: skip
    (tmp_path / "map.toml").write_text(
        'name = "logger-12"\ntime_column = ["Datum", "Zeit"]\ntime_format = "%d.%m.%Y %H:%M"\n'
        'time_zone = "Europe/London"\ndelimiter = ";"\ndecimal = ","\nencoding = "cp1252"\nheader_line = 2\n'
        'missing = ["-"]\n[[column]]\ncolumn = "Temp °C"\npoint = "tank.temperature"\n',
        encoding="utf-8",
    )
    code, said = take(tmp_path, capsys, text, "--mapping", str(tmp_path / "map.toml"))
    assert code == 3
    assert said["problems"] == [
        {"line": 5, "column": "Temp °C",
         "reason": "Column Temp °C reads '1.400,5 with a decimal comma', which is no number."}
    ]  # fmt: skip
    found = kept(tmp_path / "shed.toml", ["tank.temperature"])
    noon = utc("2024-06-01T12:00+00:00")
    assert [(at - noon, one.value, one.flag) for (_, at), one in found.items()] == [
        (0.0, 14.25, Flag.PASS), (900.0, None, Flag.MISSING), (1800.0, None, Flag.FAIL),
    ]  # fmt: skip


def test_units_are_those_of_the_table(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """50 degF are 10 degC (NIST SP 811, B.8); a level of nothing is a point by hand that keeps no empty cells."""
    text = "when,F,tan\n2024-06-01T12:00Z,50,\n2024-06-01T12:01Z,-9999.00,1.5\n"
    columns = ["--time", "when", "--column", "F=tank.temperature:degF", "--column", "tan=tank.tan:mg/L NH4"]
    assert take(tmp_path, capsys, text, *columns, "--missing", "-9999", "--missing", "")[0] == 0
    noon = utc("2024-06-01T12:00+00:00")
    assert values(tmp_path) == {noon: pytest.approx(10.0), noon + 60: None}
    # 14.0067 of the 18.0385 g/mol of ammonium are nitrogen (IUPAC)
    assert values(tmp_path, "tank.tan") == {noon + 60: pytest.approx(1.5 * 14.0067 / 18.0385)}


def test_unsorted_and_doubled_rows(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = (
        "when,T,S\n2024-06-01T12:30Z,14,30\n2024-06-01T12:00Z,13,30\n2024-06-01T12:30Z,14,30\n"
        "2024-06-01T12:00Z,13.5,30\n2024-06-01T13:00Z,,30\n2024-06-01T13:00Z,15,\n"
    )  # fmt: skip
    code, said = take(tmp_path, capsys, text, *TANK, "--column", "S=tank.salinity")
    noon = utc("2024-06-01T12:00+00:00")
    assert values(tmp_path) == {noon: 13.0, noon + 1800: 14.0, noon + 3600: 15.0}
    assert (code, said["ordered"], said["rows_otherwise"], said["repeated_cells"]) == (3, False, 1, 3)
    assert said["problems"][0]["line"] == 5
    assert "'13.5' of an instant of which line 3 says '13'" in said["problems"][0]["reason"]


def test_every_row_that_cannot_be_used_is_named_by_its_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = (
        'when,T\n2024-06-01T12:00Z,14\n\nyesterday,14\n2024-06-01T12:01Z,14,5\n"2024-06-01T12:02Z,14\n'
        "2024-06-01T12:03Z,fourteen\n2024-06-01T12:04Z,15\n"
    )  # fmt: skip
    listed = tmp_path / "problems.csv"
    code, said = take(tmp_path, capsys, text, *TANK, "--problems", str(listed))
    assert (code, said["rows_refused"], said["cells_bad"]) == (3, 3, 1)
    assert [one["line"] for one in said["problems"]] == [4, 5, 6, 7]
    with listed.open(encoding="utf-8", newline="") as file:
        assert [int(row["line"]) for row in csv.DictReader(file)] == [4, 5, 6, 7]
    assert [one.flag for one in kept(tmp_path / "shed.toml", ["tank.temperature"]).values()] == [
        Flag.PASS, Flag.FAIL, Flag.PASS,
    ]  # fmt: skip


def test_gzip_is_known_by_its_content(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert take(tmp_path, capsys, gzip.compress(b"when,T\n2024-06-01T12:00Z,14\n"), *TANK)[0] == 0
    assert list(values(tmp_path).values()) == [14.0]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--column", "T=tank.oxygen_saturation"], "worked out from others"),
        (["--column", "T=sump.temperature"], "a point of the shed file: manifold.air_pressure, tank.oxygen"),
        (["--column", "T=tank.temperature:K"], "degC"), (["--column", "T"], "HEADING=POINT"),
        (["--column", "T=tank.temperature", "--time-zone", "Atlantis"], "IANA"),
        (["--column", "T=tank.temperature", "--encoding", "morse"], "an encoding"),
        (["--column", "T=tank.temperature", "--name", "a/b"], "name"),
        (["--column", "X=tank.temperature"], "has no column X. Its columns are: when, T"),
        (["--column", "T=tank.temperature", "--column", "when=tank.temperature"], "each point once"),
        (["--write"], "Which column is which point was not said"),
    ],
)  # fmt: skip
def test_a_mapping_that_does_not_fit_is_refused(
    words: list[str], said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shed, file = write_shed(tmp_path), tmp_path / "log.csv"
    file.write_text("when,T\n2024-06-01T12:00Z,14\n", encoding="utf-8")
    assert main(["import", str(file), "--time", "when", *words, "--shed", str(shed)]) == 1
    assert said in capsys.readouterr().err
    assert not (tmp_path / "data").exists()


CELLS = st.sampled_from(["14", "14.5", "", "NA", "-9999", "x", "1e3", " 12 ", "nan", "0", "99999"])
TIMES = st.sampled_from(
    ["2024-06-01T12:00Z", "2024-06-01T12:01Z", "2024-06-01T11:59Z", "2024-06-02", "soon", "", "1717243260"]
)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.tuples(TIMES, CELLS, CELLS), min_size=1, max_size=12))
def test_nothing_is_dropped_without_a_word(tmp_path: Path, body: list[tuple[str, str, str]]) -> None:
    """Each row is refused by name or has its instant; each cell is a reading, the same again, or named."""
    shed = read_shed(write_shed(tmp_path))
    path = tmp_path / "any.csv"
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows([("when", "T", "S"), ("2024-06-01T12:30Z", "14", "30"), *body])
    given = {"name": "any", "time_column": "when", "missing": ["", "NA", "-9999"]}
    mapping = settings_of(None, given, ["T=tank.temperature", "S=tank.salinity"])
    columns, problems = mapped(mapping, shed, "any"), Problems()
    table = Table(path, mapping, columns, NOW)
    survey = table.survey(problems)
    assert survey.rows + survey.refused == len(body) + 1
    judge = Judge(mapping, columns, shed, (), iter(()), problems)
    readings = [one for some in judge.readings(table.instants(problems)) for one in some] + judge.rest()
    measured = [one for one in readings if one.point in ("tank.temperature", "tank.salinity")]
    overruled = 2 * survey.rows - len(measured) - table.repeated - problems.counts[TWICE]
    # what is left are empty cells beside one of the same instant that has a value, and the other way round
    texts: dict[tuple[float, int], list[str]] = {}
    times = Times(None, None, "refuse", NOW)
    for when, *cells in [("2024-06-01T12:30Z", "14", "30"), *body]:
        try:
            at = times.utc(when)
        except ValueError:
            continue
        for place, cell in enumerate(cells):
            texts.setdefault((at, place), []).append(cell.strip())
    assert len(measured) == len(texts)
    assert 0 <= overruled <= sum(len(cells) - 1 for cells in texts.values())
    bad = sum(one.flag is Flag.FAIL and "no number" in one.reason for one in measured)
    assert problems.counts[CELL] == bad
    assert problems.counts[ROW] == survey.refused
    assert len({(one.point, one.at.utc) for one in readings}) == len(readings)


def test_a_mapping_file_that_is_no_toml_is_refused_with_one_clear_error(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shed, file, mapping = write_shed(tmp_path), tmp_path / "log.csv", tmp_path / "map.toml"
    file.write_text("when,T\n2024-06-01T12:00Z,14\n", encoding="utf-8")
    for text in ("a = " + "[" * 5000, "a = 1\rb = 2\n"):
        mapping.write_bytes(text.encode())
        assert main(["import", str(file), "--mapping", str(mapping), "--shed", str(shed)]) == 1
        assert "map.toml" in capsys.readouterr().err
