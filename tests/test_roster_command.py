"""`brinewatch roster`: who would be called, told without a daemon."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from brinewatch.cli import main
from scenarios.night import TEAL, shed_text


def shed(folder: Path, more: str = "") -> str:
    text = shed_text().replace("[modem]\n", "[modem]\nring_s = 15\n")
    text = text.replace(f'phone = "{TEAL}"\n', f'phone = "{TEAL}"\nduty = [{{ hours = "18:00-08:00" }}]\n{more}')
    path = folder / "shed.toml"
    path.write_text(text, encoding="utf-8")
    return str(path)


def calls(capsys: pytest.CaptureFixture[str], path: str, at: str) -> list[tuple[str, str, list[str]]]:
    assert main(["roster", "--shed", path, "--at", at, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    return [
        (one["priority"], one["after"], [f"{who['name']} {'+'.join(who['ways'])}" for who in one["who"]])
        for one in told["calls"]
    ]


def test_by_day_and_by_night(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = shed(tmp_path)
    by_day = calls(capsys, path, "2026-09-23T12:00")
    assert by_day[:2] == [
        ("critical", "at once", ["Wren sms+rung"]),
        ("critical", "5 min", ["Wren sms+rung", "Teal sms+rung"]),
    ]
    by_night = calls(capsys, path, "2026-09-23T23:00")
    assert by_night[:3] == [
        ("critical", "at once", ["Wren sms+rung"]),
        ("critical", "5 min", ["Teal sms+rung"]),
        ("critical", "10 min", ["Wren sms+rung", "Teal sms+rung"]),
    ]
    assert by_night[-1][:2] == ("low", "in the morning")


def test_in_words(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["roster", "--shed", shed(tmp_path), "--at", "2026-09-23T12:00"]) == 0
    text = capsys.readouterr().out
    assert "Wednesday 2026-09-23 12:00" in text
    assert "Wren (sms, rung), Teal (sms, rung)" in text


def test_a_time_that_is_none_is_one_error(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["roster", "--shed", shed(tmp_path), "--at", "tomorrow"]) == 1
    assert "'tomorrow': expected a day" in capsys.readouterr().err


def test_hours_that_are_none_name_their_place(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = shed(tmp_path, 'ways = ["sms", "mail"]\n')
    assert main(["roster", "--shed", path]) == 1
    err = capsys.readouterr().err
    assert "contact[2]" in err
    assert "mail address" in err
