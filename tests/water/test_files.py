"""Files as they really come, and what is refused."""

from __future__ import annotations

import gzip
import io
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from water.asking import Answer, Ask

HEADER = "time,temperature_C,salinity,oxygen_mg_per_L"
ROW = "1,12,33,8.1"


def test_full_precision_and_nothing_else_on_standard_output(on_file: Ask) -> None:
    from brinewatch.seawater.oxygen import benson_krause, percent_saturation

    answer = on_file("oxygen", [HEADER, ROW], "--station-pressure-hPa", "1000")
    assert answer.out.splitlines()[0] == (
        f"{HEADER},oxygen_saturation_mg_per_L,oxygen_saturation_mg_per_L_uncertainty,oxygen_percent,"
        "oxygen_percent_uncertainty,reason"
    )
    assert len(answer.out.splitlines()) == 2
    assert answer.rows[0]["oxygen_saturation_mg_per_L"] == repr(benson_krause(12, 33, 1000))
    assert float(answer.rows[0]["oxygen_percent"]) == pytest.approx(
        percent_saturation(8.1, 12, 33, 1000), rel=1e-14
    )
    assert answer.code == 0


def test_mg_per_litre_from_percent_and_back(on_file: Ask, water: Ask, tmp_path: Path) -> None:
    first = on_file("oxygen", ["temperature_C,salinity,oxygen_percent", "12,33,93.25", "3,0,101"])
    middle = [f"{r['temperature_C']},{r['salinity']},{r['oxygen_mg_per_L']}" for r in first.rows]
    second = on_file("oxygen", ["temperature_C,salinity,oxygen_mg_per_L", *middle])
    assert [float(r["oxygen_percent"]) for r in second.rows] == pytest.approx([93.25, 101], rel=1e-12)


def test_cells_pass_through_byte_for_byte(on_file: Ask) -> None:
    # a BOM, CRLF, Latin-1 degree signs, quotes, commas and line ends inside cells, blanks
    content = (
        b"\xef\xbb\xbf\"no, te\",temperature_C,salinity,\xb0\r\n"
        b"\"a \"\"b\"\"\r\nc\", 12 ,33.00,\xb0C\r\n"
        b"5\" pipe,12,33,\r\n"
    )  # fmt: skip
    answer = on_file("oxygen", content)
    head, rest = answer.raw.split(b"\r\n", 1)
    assert head.startswith(b'"no, te",temperature_C,salinity,\xb0,oxygen_saturation_mg_per_L,')
    assert rest.startswith(b'"a ""b""\r\nc", 12 ,33.00,\xb0C,8.757')
    assert b'\r\n5" pipe,12,33,,8.757' in rest
    assert rest.endswith(b",\r\n")
    assert b"\n" not in answer.raw.replace(b"\r\n", b"")


def test_gzip_is_read_by_its_content(on_file: Ask) -> None:
    plain = on_file("oxygen", [HEADER, ROW])
    assert on_file("oxygen", gzip.compress(f"{HEADER}\n{ROW}\n".encode())).raw == plain.raw


def test_a_cut_off_gzip_is_said(on_file: Ask) -> None:
    answer = on_file("oxygen", gzip.compress((f"{HEADER}\n" + f"{ROW}\n" * 5000).encode())[:-40])
    assert answer.code == 1
    assert "cannot be read to its end" in answer.err


def test_standard_input_goes_on_to_the_next_command(water: Ask, monkeypatch: pytest.MonkeyPatch) -> None:
    text = "temperature_C,conductivity_mS_per_cm,oxygen_percent\n12,38,95\n"
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(text.encode())))
    first = water("salinity", "--csv", "-")
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(first.raw)))
    second = water("oxygen", "--csv", "-", "--station-pressure-hPa", "1013").rows[0]
    assert second["reason"] == second["reason_2"] == ""
    assert second["salinity"] == first.rows[0]["salinity"]
    # the salinity's own uncertainty, half of what a person's entry is taken to have, is carried along
    by_hand = water("oxygen", "--temperature-C", "12", "--salinity", second["salinity"], "--oxygen-percent", "95",
                    "--station-pressure-hPa", "1013", "--json")  # fmt: skip
    entered = {r["name"]: r for r in json.loads(by_hand.out)["results"]}["oxygen_mg_per_L"]
    assert float(second["oxygen_mg_per_L"]) == pytest.approx(entered["value"], rel=1e-14)
    assert float(second["oxygen_mg_per_L_uncertainty"]) < entered["uncertainty"]


BAD_CELLS = [
    ("1,,33,8", "temperature_C is empty"),
    ("1,warm,33,8", "temperature_C = 'warm' is not a number"),
    ("1,nan,33,8", "temperature_C = 'nan' is not a number"),
    ("1,inf,33,8", "temperature_C = 'inf' is not a number"),
    ("1,1e999,33,8", "temperature_C = 1e999 is too large to be a number"),
    ("1,1_2,33,8", "temperature_C = '1_2' is not a number"),
    ('1,"12,5",33,8', "temperature_C = '12,5' is not a number"),
    ("1,55,33,8", "temperature_C = 55 degC is outside -2 to 42 degC"),
    ("1,12,-1,8", "salinity = -1 is outside 0 to 45"),
    ("1,12,33", "the row has 3 cells, the header 4"),
    ("1,12,33,8,9", "the row has 5 cells, the header 4; beyond it: 9"),
    ('1,12,33,"8', "a quote is opened and not closed"),
]


@pytest.mark.parametrize(("bad", "reason"), BAD_CELLS, ids=[reason for _, reason in BAD_CELLS])
def test_a_bad_row_has_its_reason_and_the_rest_is_worked_out(on_file: Ask, bad: str, reason: str) -> None:
    answer = on_file("oxygen", [HEADER, ROW, bad, "2,13,33,8.1"])
    assert answer.code == 0
    first, broken, last = answer.rows
    assert first["oxygen_percent"] != ""
    assert last["oxygen_percent"] != ""
    assert first["reason"] == last["reason"] == ""
    assert broken["oxygen_saturation_mg_per_L"] == broken["oxygen_saturation_mg_per_L_uncertainty"] == ""
    assert broken["oxygen_percent"] == broken["oxygen_percent_uncertainty"] == ""
    assert reason in broken["reason"].split("; ") or broken["reason"] == reason
    assert "3 rows, 1 with empty results" in answer.err


def test_one_bad_cell_spoils_only_what_stands_on_it(on_file: Ask) -> None:
    answer = on_file("oxygen", [HEADER, "1,12,33,", "1,12,33,900"])
    assert [r["oxygen_saturation_mg_per_L"] != "" for r in answer.rows] == [True, True]
    assert [r["oxygen_percent"] for r in answer.rows] == ["", ""]
    assert [r["reason"] for r in answer.rows] == [
        "oxygen_mg_per_L is empty", "oxygen_mg_per_L = 900 mg/L is outside -1 to 100 mg/L",
    ]  # fmt: skip


def test_ammonia_without_tan_gives_the_share(on_file: Ask) -> None:
    answer = on_file("ammonia", ["temperature_C,salinity,ph", "12,33,8"])
    assert 0.01 < float(answer.rows[0]["uia_fraction"]) < 0.03
    assert answer.rows[0]["uia_mgN_per_L"] == answer.rows[0]["uia_mgNH3_per_L_uncertainty"] == ""
    assert answer.rows[0]["reason"] == "no column tan_mgN_per_L"
    answer = on_file("ammonia", ["temperature_C,salinity,ph,tan_mgN_per_L", "12,33,8,", "12,33,8,0.5"])
    assert answer.rows[0]["reason"] == "tan_mgN_per_L is empty"
    n, nh3 = float(answer.rows[1]["uia_mgN_per_L"]), float(answer.rows[1]["uia_mgNH3_per_L"])
    assert nh3 / n == pytest.approx(17.0305 / 14.0067)  # IUPAC masses


def test_conductivity_is_preferred_and_the_other_fills_in(on_file: Ask) -> None:
    answer = on_file("salinity", [
        "temperature_C,conductivity_mS_per_cm,specific_conductance_mS_per_cm", "12,38,1", "12,,50.55", "12,,",
    ])  # fmt: skip
    assert float(answer.rows[0]["salinity"]) == pytest.approx(float(answer.rows[1]["salinity"]), abs=0.01)
    assert "conductivity_mS_per_cm is empty" in answer.rows[2]["reason"]


def test_another_compensation_of_the_meter(on_file: Ask) -> None:
    # at 12 degC a meter set to 2.00 %/K shows C / 0.74 where one set to 1.91 shows C / 0.7517
    cell = f"12,{38.0 / 0.74!r}"
    header = "temperature_C,specific_conductance_mS_per_cm"
    right = on_file("salinity", [header, cell], "--compensation-percent-per-K", "2.00").rows[0]
    plain = on_file("salinity", ["temperature_C,conductivity_mS_per_cm", "12,38"]).rows[0]
    assert float(right["salinity"]) == pytest.approx(float(plain["salinity"]), abs=1e-9)


def test_nothing_is_overwritten(on_file: Ask) -> None:
    answer = on_file("salinity", ["temperature_C,conductivity_mS_per_cm,salinity,reason", "12,38,7,why"])
    assert answer.rows[0]["salinity"] == "7"
    assert answer.rows[0]["reason"] == "why"
    assert float(answer.rows[0]["salinity_2"]) == pytest.approx(33.0, abs=0.3)
    assert answer.rows[0]["reason_2"] == ""
    assert "salinity_2" in answer.err
    both = on_file("oxygen", ["temperature_C,salinity,oxygen_mg_per_L,oxygen_percent", "12,33,8.1,90"]).rows[0]
    assert (both["oxygen_mg_per_L"], both["oxygen_percent"]) == ("8.1", "90")
    assert float(both["oxygen_percent_2"]) / 8.1 == pytest.approx(90 / float(both["oxygen_mg_per_L_2"]))


def test_pressure_by_altitude_and_a_pressure_reduced_to_sea_level(on_file: Ask) -> None:
    # ISO 2533: 898.7 hPa at 1000 m
    answer = on_file("oxygen", ["temperature_C,salinity", "12,33"], "--altitude-m", "1000")
    assert "898.7 hPa at 1000 m" in answer.err
    given = on_file("oxygen", ["temperature_C,salinity,station_pressure_hPa", "12,33,898.746"]).rows[0]
    assert float(answer.rows[0]["oxygen_saturation_mg_per_L"]) == pytest.approx(
        float(given["oxygen_saturation_mg_per_L"]), rel=1e-4
    )
    doubted = on_file(
        "oxygen", ["temperature_C,salinity,station_pressure_hPa", "12,33,1013", "12,33,900", "12,33,1015"],
        "--altitude-m", "1000",
    )  # fmt: skip
    assert "In 2 rows, for example: 1013 hPa at 1000 m looks reduced to sea level" in doubted.err
    assert all(row["reason"] == "" for row in doubted.rows)


def test_uncertainty_by_option_and_by_column(on_file: Ask) -> None:
    plain = on_file("oxygen", ["temperature_C,salinity,station_pressure_hPa", "12,33,1013"]).rows[0]
    option = on_file(
        "oxygen", ["temperature_C,salinity,station_pressure_hPa", "12,33,1013"],
        "--uncertainty", "temperature_C=0.02",
        "--uncertainty", "salinity=0", "--uncertainty", "station_pressure_hPa=0",
    ).rows[0]  # fmt: skip
    header = "temperature_C,salinity,station_pressure_hPa,temperature_C_uncertainty,salinity_uncertainty"
    column = on_file("oxygen", [header, "12,33,1013,0.02,0", "12,33,1013,x,0", "12,33,1013,,", "12,33,1013,-1,0"],
                     "--uncertainty", "station_pressure_hPa=0").rows  # fmt: skip
    name = "oxygen_saturation_mg_per_L_uncertainty"
    # 1 K is worth 2.1 % of 8.755 mg/L here, and 0.1 % comes with the equation
    assert float(option[name]) == pytest.approx(((0.02 * 0.0208) ** 2 + 0.001**2) ** 0.5 * 8.755, rel=0.02)
    assert column[0][name] == option[name]
    assert column[1][name] == ""
    assert column[1]["reason"] == "temperature_C_uncertainty = 'x' is not a number"
    assert float(column[2][name]) < float(plain[name])
    assert column[3]["reason"] == "temperature_C_uncertainty is negative"


REFUSED = [
    ("oxygen", b"", "is empty", "first line must name"),
    ("oxygen", b"salinity,x\n1,2\n", "has no column temperature_C, which", "Its columns are: salinity, x."),
    ("oxygen", b"Temperature_c,salinity\n1,2\n", "no column temperature_C", "Write temperature_C where"),
    ("oxygen", b"temperature_C\n1\n", "no column salinity", "--salinity"),
    ("ammonia", b"temperature_C,salinity,tan_mgN_per_L\n1,2,3\n", "no column ph", "--ph"),
    ("salinity", b"temperature_C\n1\n", "conductivity_mS_per_cm or specific_conductance_mS_per_cm", "--"),
    ("oxygen", b"temperature_C;salinity\n1;2\n", "separated by semicolons", "commas"),
    ("oxygen", b"temperature_C\tsalinity\n1\t2\n", "separated by tabs", "commas"),
    ("oxygen", b"temperature_C,salinity,salinity\n1,2,3\n", "more than one column named salinity", "Rename"),
    ("oxygen", "temperature_C,salinity\n1,2\n".encode("utf-16"), "UTF-16", "UTF-8"),
]


@pytest.mark.parametrize(("name", "content", "what", "hint"), REFUSED, ids=[what for _, _, what, _ in REFUSED])
def test_a_file_that_cannot_be_used_is_refused_and_nothing_written(
    on_file: Ask, tmp_path: Path, name: str, content: bytes, what: str, hint: str
) -> None:
    out = tmp_path / "out.csv"
    for extra in ((), ("--output", str(out))):
        answer: Answer = on_file(name, content, *extra)
        assert answer.code == 1
        assert answer.raw == b""
        assert what in answer.err
        assert hint in answer.err
    assert [path.name for path in tmp_path.iterdir()] == ["in.csv"]


def test_a_file_that_is_not_there(water: Ask) -> None:
    answer = water("oxygen", "--csv", "/nowhere/x.csv")
    assert (answer.code, answer.raw) == (1, b"")
    assert answer.err.startswith("brinewatch: /nowhere/x.csv cannot be read: No such file or directory.")


def test_output_appears_when_it_is_whole(on_file: Ask, water: Ask, tmp_path: Path) -> None:
    out = tmp_path / "out.csv"
    out.write_text("old")
    to_terminal = on_file("oxygen", [HEADER, ROW])
    to_file = on_file("oxygen", [HEADER, ROW], "--output", str(out))
    assert to_file.raw == b""
    assert out.read_bytes() == to_terminal.raw
    assert sorted(path.name for path in tmp_path.iterdir()) == ["in.csv", "out.csv"]
    same = water("oxygen", "--csv", str(out), "--output", str(out))
    assert same.code == 1
    assert "is the file that is read" in same.err
    assert out.read_bytes() == to_terminal.raw
    away = on_file("oxygen", [HEADER, ROW], "--output", "/nowhere/out.csv")
    assert away.code == 1
    assert "/nowhere/out.csv cannot be written" in away.err


def test_an_option_the_file_makes_needless_is_said(on_file: Ask) -> None:
    answer = on_file("oxygen", [HEADER, ROW], "--salinity", "0", "--told-station-pressure-hPa", "1000")
    assert "--salinity is not used" in answer.err
    assert "--told-station-pressure-hPa is not used" in answer.err
    assert float(answer.rows[0]["oxygen_saturation_mg_per_L"]) < 9
    answer = on_file("oxygen", [HEADER, ROW], "--oxygen-percent", "50")
    assert float(answer.rows[0]["oxygen_percent"]) == pytest.approx(92.5, abs=0.1)
    assert float(answer.rows[0]["oxygen_mg_per_L_2"]) == pytest.approx(4.38, abs=0.01)


def test_a_probe_told_fresh_water_is_put_right(on_file: Ask) -> None:
    # the percent of such a probe is right: shown mg/L over the saturation of fresh water
    from brinewatch.seawater.oxygen import benson_krause

    row = on_file(
        "oxygen", [HEADER, "1,12,33,9"], "--told-salinity", "0", "--station-pressure-hPa", "1013.25"
    ).rows[0]
    assert float(row["oxygen_percent"]) == pytest.approx(100 * 9 / benson_krause(12, 0), rel=1e-12)
    corrected = 9 * benson_krause(12, 33) / benson_krause(12, 0)
    assert float(row["oxygen_mg_per_L_2"]) == pytest.approx(corrected, rel=1e-12)
    assert row["oxygen_mg_per_L"] == "9"


PROGRAM = [sys.executable, "-m", "brinewatch", "water", "oxygen", "--csv", "-", "--station-pressure-hPa", "1013"]


def test_rows_come_out_as_they_go_in() -> None:
    with subprocess.Popen(
        PROGRAM,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env={name: value for name, value in os.environ.items() if name != "PYTHONUNBUFFERED"},
    ) as program:
        assert program.stdin is not None
        assert program.stdout is not None
        program.stdin.write(f"{HEADER}\n{ROW}\n".encode())
        program.stdin.flush()
        assert program.stdout.readline().startswith(HEADER.encode())
        assert program.stdout.readline().startswith(f"{ROW},8.7".encode())
        program.stdin.close()
        assert program.wait(30) == 0


def test_a_reader_that_goes_away_is_no_fault(tmp_path: Path) -> None:
    path = tmp_path / "long.csv"
    path.write_text(f"{HEADER}\n" + f"{ROW}\n" * 3000)
    words = [word if word != "-" else str(path) for word in PROGRAM]
    with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as program:
        assert program.stdout is not None
        assert program.stderr is not None
        program.stdout.readline()
        program.stdout.close()
        assert program.stderr.read() == b""
        assert program.wait(30) == 0


def test_specific_gravity_goes_with_its_reference(on_file: Ask) -> None:
    # EOS-80: S 35 is 1.0264 at 25/25 degC
    row = on_file("density", ["temperature_C,salinity", "25,35"], "--reference-temperature-C", "25").rows[0]
    assert float(row["specific_gravity"]) == pytest.approx(1.0264, abs=5e-5)
    assert row["reason"] == ""
