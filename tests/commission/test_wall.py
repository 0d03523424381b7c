"""The page for the wall: this shed's alarms as its texts say them, its people, and what can hurt."""

from __future__ import annotations

import re
from html import unescape
from pathlib import Path

import pytest

from brinewatch.cli import main
from brinewatch.commission.wall import calls_of, wall_page
from brinewatch.config import read_shed
from scenarios.night import DEMO


def test_it_says_what_this_shed_calls_for_and_whom_it_calls(tmp_path: Path) -> None:
    text = DEMO.read_text(encoding="utf-8")
    (tmp_path / "shed.toml").write_text(text, encoding="utf-8")
    shed = read_shed(tmp_path / "shed.toml")
    calls, more = calls_of(shed)
    assert calls[0].short == "AIR STOPPED"
    assert [one.priority for one in calls] == sorted(
        (one.priority for one in calls), key=["critical", "high"].index
    )
    waking = {one.rule.short for one in shed.alarms if one.rule.priority in ("critical", "high")}
    assert {one.short for one in calls} <= waking
    page = unescape(wall_page(shed))
    assert page.count("<tr>") <= 18 + 5 + 2  # what one A4 page was seen to hold
    assert (f"{more} more alarms" in page) == (more > 0)
    for words in (
        "Wren",
        "+447700900101",
        "after 5 min",
        "hydrogen sulfide",
        "licensed electrician",
        "live seafood",
    ):
        assert words in page, words
    assert not re.search(r"(src|href)=", page)
    for alarm in shed.alarms:
        if alarm.rule.short == "AIR STOPPED":
            assert alarm.rule.todo[0] in page


def test_ten_people_leave_fewer_lines_for_alarms(tmp_path: Path) -> None:
    people = "".join(f'[[contact]]\nname = "P{one}"\nphone = "+4477009001{one}"\n' for one in range(20, 28))
    (tmp_path / "shed.toml").write_text(DEMO.read_text(encoding="utf-8") + people, encoding="utf-8")
    shed = read_shed(tmp_path / "shed.toml")
    calls, more = calls_of(shed)
    assert len(calls) == 12
    assert wall_page(shed).count("is called by the watch") == 10
    assert more > 0


def test_where_it_goes_must_be_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "shed.toml").write_text(DEMO.read_text(encoding="utf-8"), encoding="utf-8")
    shed = str(tmp_path / "shed.toml")
    assert main(["commission", "wall", "--shed", shed]) == 1
    assert "--html wall.html" in capsys.readouterr().err
    assert main(["commission", "wall", "--shed", shed, "--html", str(tmp_path / "no" / "wall.html")]) == 1
    assert "cannot be written" in capsys.readouterr().err
    assert main(["commission", "wall", "--shed", shed, "--html", str(tmp_path / "wall.html")]) == 0
    assert "When it calls" in (tmp_path / "wall.html").read_text(encoding="utf-8")
