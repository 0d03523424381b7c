"""Starts nobody asked for are counted, told, and forgiven after an hour of steady running."""

from __future__ import annotations

import json
from datetime import UTC
from pathlib import Path

import pytest

from brinewatch.moment import Moment
from brinewatch.starts import OFTEN, STEADY_S, Starts


def at(mono: float) -> Moment:
    return Moment(mono, 1.79e9 + mono, False, UTC)


def well(starts: Starts, mono: float) -> bool:
    return starts.health(at(mono))["starts"][0]


def test_orderly_ends_are_never_counted(tmp_path: Path) -> None:
    for _ in range(2 * OFTEN):
        starts = Starts(tmp_path)
        assert starts.begin(at(0)) == []
        assert well(starts, 1)
        starts.end()


def test_the_third_start_without_an_orderly_end_is_told(tmp_path: Path) -> None:
    Starts(tmp_path).begin(at(0))
    for kill in range(1, OFTEN + 1):
        starts = Starts(tmp_path)
        assert starts.begin(at(0)) == ["The last run had no orderly end: killed, or the power was lost."]
        assert well(starts, 1) == (kill < OFTEN)
    said = starts.health(at(1))["starts"][1]
    assert "3 times" in said
    assert "power was lost" in said
    for _ in range(20):
        starts = Starts(tmp_path)
        starts.begin(at(0))
    assert "10 times or more" in starts.health(at(1))["starts"][1]


def test_an_hour_of_running_begins_anew_whatever_the_wall_clock_says(tmp_path: Path) -> None:
    Starts(tmp_path).begin(at(0))
    for _ in range(OFTEN):
        starts = Starts(tmp_path)
        starts.begin(at(100))
    assert not well(starts, 100 + STEADY_S - 1)
    assert well(starts, 100 + STEADY_S)
    again = Starts(tmp_path)
    assert len(again.begin(at(0))) == 1
    assert well(again, 1)


def test_the_service_managers_own_word_is_told_and_read_once(tmp_path: Path) -> None:
    Starts(tmp_path).begin(at(0))
    (tmp_path / "stops").write_text(
        "1790000000 success exited 0\n1790000050 exit-code exited 1\n1790000100 watchdog killed ABRT\n\nrubbish\n",
        encoding="latin-1",
    )
    starts = Starts(tmp_path)
    assert starts.begin(at(0)) == [
        "A start came to nothing: exit-code exited 1.",
        "The last run had no orderly end: watchdog killed ABRT.",
    ]
    assert not (tmp_path / "stops").exists()
    assert "watchdog" in json.loads((tmp_path / "starts.json").read_text())["why"][0]


@pytest.mark.parametrize("text", ["", "{", "[]", '{"running": true}', '{"running": 1, "why": 3}', "\x00"])
def test_a_damaged_count_begins_anew(tmp_path: Path, text: str) -> None:
    (tmp_path / "starts.json").write_text(text)
    starts = Starts(tmp_path)
    assert starts.begin(at(0)) == []
    assert well(starts, 1)
    assert json.loads((tmp_path / "starts.json").read_text()) == {"running": True, "why": []}


def test_a_folder_that_is_not_there_only_loses_the_count(tmp_path: Path) -> None:
    starts = Starts(tmp_path / "gone")
    assert starts.begin(at(0)) == []
    assert well(starts, 1)
    starts.end()


def test_a_record_that_is_played_is_not_counted() -> None:
    starts = Starts(None)
    assert starts.begin(at(0)) == []
    assert starts.health(at(1)) == {}
    starts.end()
