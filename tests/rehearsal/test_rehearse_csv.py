"""`brinewatch rehearse --csv`: worked sequences to the second; what is wrong with a file is said once."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from brinewatch.cli import main
from config.sheds import SMALL, write

BEGIN = datetime(2026, 3, 1, 22, 0, tzinfo=UTC)
RULE = """
[[rule]]
key = "{key}"
title = "Oxygen too low"
short = "OXYGEN LOW"
quantity = "{quantity}"
when = {when}
{unit}
on_delay_s = {on}
off_delay_s = {off}
priority = "high"
why = "-"
consequence = "-"
todo = ["Air on?"]
time_available = "An hour."
source = "judgement"
standing = "judgement"
repeat_s = {repeat}
"""


def rule(
    when: str = "{ below = 65 }", *, key: str = "oxygen-low", quantity: str = "oxygen_saturation",
    band: float = 0.0, on: float = 0, off: float = 0, repeat: float = 0, unit: str = "%",
) -> str:  # fmt: skip
    said = f'unit = "{unit}"\ndeadband = {band}' if unit else ""
    return RULE.format(key=key, quantity=quantity, when=when, unit=said, on=on, off=off, repeat=repeat)


def rules(folder: Path, *texts: str, name: str = "try.toml") -> Path:
    path = folder / name
    path.write_text('title = "Try"\n' + "\n".join(texts or (rule(),)), encoding="utf-8")
    return path


def sheet(
    folder: Path, rows: Iterable[Sequence[object]], header: str = "time,oxygen_saturation", every: float = 60.0
) -> Path:
    """Rows from 22:00 on, so far apart."""
    path = folder / "readings.csv"
    lines = [header]
    for place, cells in enumerate(rows):
        at = BEGIN + timedelta(seconds=every * place)
        lines.append(",".join([at.strftime("%Y-%m-%dT%H:%M:%SZ"), *map(str, cells)]))
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def run(capsys: pytest.CaptureFixture[str], *words: object) -> dict[str, Any]:
    assert main(["rehearse", *map(str, words), "--json"]) == 0
    return json.loads(capsys.readouterr().out)


def said(found: dict[str, Any], key: str = "oxygen-low") -> list[str]:
    """Clock, happening, value of each event of a rule."""
    return [f"{one['time'][11:19]} {one['event']} {one['value']}" for one in found["events"] if one["rule"] == key]


def refused(capsys: pytest.CaptureFixture[str], *words: object) -> str:
    assert main(["rehearse", *map(str, words)]) == 1
    out, err = capsys.readouterr()
    assert out == ""
    return err


# -- worked sequences: deadband, on-delay and off-delay as ISA-18.2 defines them -------------------------------


def test_a_limit_calls_at_the_very_reading(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = sheet(tmp_path, [[v] for v in (80, 65, 64.9, 65, 80)])
    found = run(capsys, "--csv", file, "--rules", rules(tmp_path))
    assert said(found) == ["22:02:00 raised 64.9", "22:03:00 returned 65.0"]
    first = next(one for one in found["events"] if one["rule"] == "oxygen-low")
    assert first == {
        "time": "2026-03-01T22:02:00.000Z", "t": (BEGIN + timedelta(minutes=2)).timestamp(), "rule": "oxygen-low",
        "point": "file.oxygen_saturation", "alarm": "oxygen-low@file.oxygen_saturation", "event": "raised",
        "state": "unacknowledged", "value": 64.9, "limit": 65.0, "unit": "%", "priority": "high",
        "began": "2026-03-01T22:02:00.000Z", "number": 1, "incident": 1, "detail": "", "title": "Oxygen too low",
        "also": [],
    }  # fmt: skip


def test_the_deadband_holds_it_until_the_value_is_well_back(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = sheet(tmp_path, [[v] for v in (64, 66.9, 67, 66, 64)])
    found = run(capsys, "--csv", file, "--rules", rules(tmp_path, rule(band=2.0)))
    assert said(found) == ["22:00:00 raised 64.0", "22:02:00 returned 67.0", "22:04:00 repeated 64.0"]


def test_the_on_delay_ends_between_two_rows_at_its_own_instant(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    # under the limit from 22:01 for 90 s: called at 22:02:30 though no row stands there
    file = sheet(tmp_path, [[v] for v in (80, 60, 60, 60, 80)])
    found = run(capsys, "--csv", file, "--rules", rules(tmp_path, rule(on=90)))
    assert said(found) == ["22:02:30 raised 60.0", "22:04:00 returned 80.0"]
    assert found["calls"][0]["began"] == "2026-03-01T22:01:00.000Z"
    assert found["calls"][0]["lasted_s"] == 90.0


def test_what_ends_before_its_delay_calls_nobody(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = sheet(tmp_path, [[v] for v in (80, 60, 60, 80, 60, 60, 80)])
    assert said(run(capsys, "--csv", file, "--rules", rules(tmp_path, rule(on=121)))) == []


def test_the_off_delay_holds_it_and_a_return_in_between_starts_it_anew(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = sheet(tmp_path, [[v] for v in (60, 80, 60, 80, 80, 80, 80)])
    found = run(capsys, "--csv", file, "--rules", rules(tmp_path, rule(off=150)))
    assert said(found) == ["22:00:00 raised 60.0", "22:05:30 returned 80.0"]


def test_unanswered_it_calls_again_and_answered_it_is_over(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = sheet(tmp_path, [[60]] * 25 + [[80]] * 5)
    given = rules(tmp_path, rule(repeat=600))
    found = run(capsys, "--csv", file, "--rules", given)
    assert said(found) == [
        "22:00:00 raised 60.0", "22:10:00 repeated 60.0", "22:20:00 repeated 60.0", "22:25:00 returned 80.0",
    ]  # fmt: skip
    assert found["nuisance"]["again"] == 2
    found = run(capsys, "--csv", file, "--rules", given, "--answer-after", "5m")
    assert said(found) == ["22:00:00 raised 60.0", "22:05:00 acknowledged 60.0", "22:25:00 cleared 80.0"]
    assert found["answered_after_s"] == 300.0


def test_readings_not_to_be_trusted_neither_start_nor_end_anything(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rows = [(80, 1), (60, 4), (60, 3), (80, 4), (80, 2), (80, 1)]
    file = sheet(tmp_path, rows, "time,oxygen_saturation,oxygen_saturation_flag")
    assert said(run(capsys, "--csv", file, "--rules", rules(tmp_path))) == [
        "22:02:00 raised 60.0", "22:05:00 returned 80.0",
    ]  # fmt: skip


def test_empty_cells_and_a_hole_in_the_rows_are_no_data(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    # the alarm about data that every point has: no trustworthy value for 30 s
    file = sheet(tmp_path, [[80]] * 5 + [[""]] * 3 + [["NA"]] + [[80]] * 3)
    found = run(capsys, "--csv", file, "--rules", rules(tmp_path))
    assert said(found, "no-data") == ["22:05:30 raised None", "22:09:10 returned 80.0"]
    text = file.read_text(encoding="utf-8").splitlines()
    file.write_text("\n".join([*text[:6], *text[10:]]) + "\n", encoding="utf-8")
    # a row counts for three times the usual minute: from 22:04 to 22:07, and a hair
    found = run(capsys, "--csv", file, "--rules", rules(tmp_path))
    assert said(found, "no-data") == ["22:07:30 raised None", "22:09:10 returned 80.0"]


def test_a_test_made_now_and_then_is_not_missing_in_between(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = sheet(
        tmp_path, [(80, 0.2 if place % 30 == 0 else "") for place in range(120)], "time,oxygen_saturation,tan"
    )
    found = run(capsys, "--csv", file, "--rules", rules(tmp_path))
    assert [one for one in found["events"] if one["rule"] == "no-data"] == []


def test_rates_differences_and_combinations_run_as_live(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    # 12 % an hour for two hours from 100 %, and water that is 1 K warmer than the air from the second hour on
    rows = [(100 - 12.6 * max(0, place - 60) / 60, 12.0, 11.5 if place < 120 else 10.5) for place in range(181)]
    file = sheet(tmp_path, rows, "time,oxygen_saturation,temperature_C,air_temperature")
    given = rules(
        tmp_path,
        rule("{ falls = 12.0, per = 'h', over_s = 1800 }", key="falling"),
        rule("{ higher_than = 'air_temperature', by = 1.0 }", key="warmer", quantity="temperature", unit="degC"),
        rule(
            "{ all = [{ below = 90.0, for_s = 300 }, { quantity = 'temperature', above = 11.0, unit = 'degC' }] }",
            key="both",
        ).replace("deadband = 0.0\n", ""),
    )
    found = run(capsys, "--csv", file, "--rules", given)
    # the slope is more than half of all pairs': told some time after the fall has filled most of the window
    assert "23:20:00" < said(found, "falling")[0] < "23:31:00"
    assert said(found, "warmer") == ["00:00:00 raised 12.0"]
    # 90 % is crossed after 10 / 12.6 h = 47.6 min, at the row of 23:48, and five minutes on
    assert said(found, "both")[0].startswith("23:53:00 raised")


# -- the shed, and rules held against its own ------------------------------------------------------------------


def test_what_the_shed_derives_is_derived_and_its_present_rules_are_held_against_the_new(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    own = rules(tmp_path, rule("{ below = 6 }", key="oxygen-low", quantity="oxygen", unit="mg/L"), name="own.toml")
    path = write(tmp_path, SMALL + f'\n[[rules]]\nfile = "{own.name}"\n')
    rows = [(oxygen, 12.0, 33.0) for oxygen in (8, 5.5, 8, 5.8, 8, 8, 8)]
    file = sheet(tmp_path, rows, "time,oxygen,temperature,salinity")
    found = run(capsys, "--csv", file, "--shed", path)
    assert found["compared"] is None
    assert said(found) == [
        "22:01:00 raised 5.5", "22:02:00 returned 8.0", "22:03:00 repeated 5.8", "22:04:00 returned 8.0",
    ]  # fmt: skip
    left_out = {one["alarm"] for one in found["left_out"]}
    assert "no-data@tank.oxygen_saturation" not in left_out
    assert "air-rise-small@manifold.air_rise" in left_out
    changes = tmp_path / "changes.toml"
    changes.write_text('[[override]]\nrule = "oxygen-low"\nlimit = 5.6\nwhy = "try"\n', encoding="utf-8")
    found = run(capsys, "--csv", file, "--shed", path, "--rules", changes)
    assert found["compared"]["with"] == "the present rules"
    assert [one["called"][11:19] for one in found["compared"]["removed"]] == ["22:03:00"]
    assert found["compared"]["same"] == 1
    # a rule file of the same name stands instead of the shed's
    other = tmp_path / "other"
    other.mkdir()
    new = rules(other, rule("{ below = 6 }", quantity="oxygen", unit="mg/L", on=30), name="own.toml")
    found = run(capsys, "--csv", file, "--shed", path, "--rules", new)
    moved = [(one["before"]["called"], one["now"]["called"]) for one in found["compared"]["moved"]]
    assert [(before[11:19], now[11:19]) for before, now in moved] == [
        ("22:01:00", "22:01:30"), ("22:03:00", "22:03:30"),
    ]  # fmt: skip


def test_a_whole_shed_file_can_be_tried(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rules(tmp_path, rule("{ below = 6 }", quantity="oxygen", unit="mg/L"), name="own.toml")
    path = write(tmp_path, SMALL)
    new = write(tmp_path, SMALL + '\n[[rules]]\nfile = "own.toml"\n', name="new.toml")
    file = sheet(tmp_path, [(8,), (5.5,), (8,)], "time,tank.oxygen")
    found = run(capsys, "--csv", file, "--shed", path, "--rules", new)
    assert [one["alarm"] for one in found["compared"]["added"]] == ["oxygen-low@tank.oxygen"]


def test_people_get_sentences_and_a_table(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = sheet(tmp_path, [[v] for v in (80, 60, 80)])
    assert main(["rehearse", "--csv", str(file), "--rules", str(rules(tmp_path))]) == 0
    out, err = capsys.readouterr()
    assert "oxygen-low@file.oxygen_saturation" in out
    assert "2026-03-01 22:01:00" in out
    assert err == ""
    file = sheet(tmp_path, [[v] for v in (80, 70, 80)])
    assert main(["rehearse", "--csv", str(file), "--rules", str(rules(tmp_path))]) == 0
    assert "Nothing would have called." in capsys.readouterr().out


# -- times and names -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("cells", "when"),
    [
        (["100", "105.5"], "1970-01-01T00:01:45.500Z"),
        (["1772402400", "1772402460"], "2026-03-01T22:01:00.000Z"),
        (["2026-03-01T23:00:00+01:00", "2026-03-01T23:01:00.250+01:00"], "2026-03-01T22:01:00.250Z"),
        (["2026-03-01 22:00", "2026-03-01 22:01"], "2026-03-01T22:01:00.000Z"),
    ],
)
def test_times_are_iso_8601_or_seconds(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], cells: list[str], when: str
) -> None:
    file = tmp_path / "t.csv"
    file.write_text(f"when,oxygen_percent\n{cells[0]},80\n{cells[1]},60\n", encoding="utf-8")
    found = run(capsys, "--csv", file, "--rules", rules(tmp_path), "--time", "when")
    assert [one["time"] for one in found["events"] if one["rule"] == "oxygen-low"] == [when]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "is empty"),
        ("time,oxygen_saturation\n", "has no rows"),
        ("oxygen_saturation\n80\n", "no column of times"),
        ("time,foo\n1,80\n", "no column of a quantity"),
        ("time,oxygen_saturation\nyesterday,80\n", "row 2: 'yesterday' is no time"),
        ("time,oxygen_saturation\n5,80\n5,80\n", "row 3: 5 is not after"),
        ("time,oxygen_saturation\n1,80\n2,a lot\n", "row 3, column oxygen_saturation: 'a lot' is no number"),
        ("time,oxygen_saturation\n1,80\n2,80,1\n", "row 3: 3 cells, the header has 2"),
        ("time,oxygen_saturation,oxygen_saturation_flag\n1,80,good\n", "'good' is no flag"),
        ("time,oxygen_saturation,oxygen_percent\n1,80,80\n", "are both file.oxygen_saturation"),
        ("time;oxygen_saturation\n1;80\n", "separated by semicolons"),
    ],
)
def test_what_is_wrong_with_a_file_is_said_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str, words: str
) -> None:
    file = tmp_path / "wrong.csv"
    file.write_text(text, encoding="utf-8")
    err = refused(capsys, "--csv", file, "--rules", rules(tmp_path))
    assert words in err
    assert "Traceback" not in err


def test_a_quantity_watched_at_two_points_must_be_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = SMALL.replace('watch = ["air_pressure", "air_rise"]', 'watch = ["air_pressure", "air_rise", "tan"]')
    path = write(tmp_path, text + '\n[[bus.hand.probe.channel]]\npoint = "manifold.tan"\n')
    err = refused(capsys, "--csv", sheet(tmp_path, [[0.2]], "time,tan"), "--shed", path)
    assert "tan is watched at 2 points" in err
    assert "tank.tan, manifold.tan" in err


@pytest.mark.parametrize(
    ("text", "words"),
    [("answer = 42\n", "holds answer"), ("answer = \n", "TOML"), ('[[override]]\nrule = "x"\n', "why")],
)
def test_rules_that_are_none_are_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str, words: str
) -> None:
    wrong = tmp_path / "wrong.toml"
    wrong.write_text(text, encoding="utf-8")
    err = refused(capsys, "--csv", sheet(tmp_path, [[80]]), "--shed", write(tmp_path), "--rules", wrong)
    assert words in err


def test_without_a_shed_or_rules_it_says_what_to_name(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("BRINEWATCH_SHED", raising=False)
    assert "shed file" in refused(capsys, "--csv", sheet(tmp_path, [[80]]))
    assert "nowhere.toml" in refused(capsys, "--csv", sheet(tmp_path, [[80]]), "--shed", "nowhere.toml")
    assert "--time goes with --csv" in refused(capsys, "--shed", write(tmp_path), "--time", "t")


def test_since_and_until_cut_the_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = sheet(tmp_path, [[v] for v in (60, 80, 60, 80, 60, 80)])
    words = (
        "--csv",
        file,
        "--rules",
        rules(tmp_path),
        "--since",
        "2026-03-01T22:01",
        "--until",
        "2026-03-01T22:04",
    )
    found = run(capsys, *words)
    assert said(found) == ["22:02:00 raised 60.0", "22:03:00 returned 80.0"]
    assert (found["since"], found["until"]) == ("2026-03-01T22:01:00.000Z", "2026-03-01T22:04:00.000Z")


def test_a_window_too_short_for_the_rows_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = sheet(tmp_path, [[80]] * 30, every=600.0)
    given = rules(tmp_path, rule("{ falls = 12.0, per = 'h', over_s = 1800 }", key="falling"))
    assert main(["rehearse", "--csv", str(file), "--rules", str(given), "--json"]) == 0
    out, err = capsys.readouterr()
    assert "falling@file.oxygen_saturation needs 9 readings in 30 min" in err
    assert json.loads(out)["notes"] == [err.strip()]


def test_a_column_no_limit_judges_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = sheet(tmp_path, [[80, 12.0]] * 5, "time,oxygen_saturation,temperature")
    assert main(["rehearse", "--csv", str(file), "--rules", str(rules(tmp_path))]) == 0
    assert "No limit judges file.temperature by itself: nothing can call for it here." in capsys.readouterr().err
