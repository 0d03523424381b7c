"""The rules in force: the shed's own, and what was changed here. What fits no more keeps no shed from watching."""

from __future__ import annotations

from pathlib import Path

import pytest

from brinewatch.cli import main
from brinewatch.config import ShedFile, read_shed
from brinewatch.config.instead import Instead
from config.sheds import SMALL, write

STOPPED, HIGH = "air-stopped@manifold.air_pressure", "air-pressure-high@manifold.air_pressure"


def altered(alarm: str, change: int = 1, **more: object) -> str:
    lines = "".join(f"{key} = {value!r}\n" for key, value in more.items())
    who = f'why = "the <new> blower"\nby = "Rhona"\nat = 2026-09-23T22:00:00Z\nchange = {change}\n'
    return f'[[override]]\nalarm = "{alarm}"\n{lines}{who}\n'


def shed_with(folder: Path, *tables: str, text: str = SMALL) -> ShedFile:
    path = write(folder, text)
    (folder / "data").mkdir(exist_ok=True)
    (folder / "data" / "overrides.toml").write_text("change = 9\n\n" + "".join(tables), encoding="utf-8")
    return read_shed(path)


def limit(shed: ShedFile, alarm: str) -> float | None:
    return next(one.limit for one in shed.alarms if one.id == alarm)


def test_what_is_changed_here_is_in_force_and_the_shed_s_own_rules_are_still_known(tmp_path: Path) -> None:
    shed = shed_with(tmp_path, altered(STOPPED, limit=9.0), altered(HIGH, 2, limit=3.6, unit="psi", on_delay_s=5.0))
    assert limit(shed, STOPPED) == 9.0
    # 1 psi is 6.894757 kPa (NIST SP 811, table B.8)
    assert limit(shed, HIGH) == pytest.approx(3.6 * 6.894757)
    assert shed.in_force.of(STOPPED).limit == 8.0  # type: ignore[union-attr]
    assert [one.note for one in shed.alarms if one.id == STOPPED] == ["the <new> blower"]
    assert shed.in_force.told == [
        "2 alarms are changed here: manifold.air_pressure. See: brinewatch override"
    ]  # fmt: skip
    assert shed.in_force.content.newest == 9


def test_a_change_goes_before_an_override_of_the_shed_file_and_what_is_tried_before_both(
    tmp_path: Path,
) -> None:
    own = '\n[[override]]\nrule = "air-stopped"\nlimit = 7.0\nwhy = "a small blower"\n'
    shed = shed_with(tmp_path, altered(STOPPED, deadband=0.25), text=SMALL + own)
    now = shed.in_force.now(STOPPED)
    assert now is not None
    assert (now.limit, now.rule.deadband) == (7.0, 0.25)
    tried = Instead(overrides=(("try.toml", {"rule": "air-stopped", "deadband": 0.75, "why": "tried"}),))
    now = read_shed(shed.path, tried).in_force.now(STOPPED)
    assert now is not None
    assert (now.limit, now.rule.deadband) == (7.0, 0.75)


def test_a_change_of_an_alarm_that_is_gone_is_one_warning_and_the_shed_goes_on(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    gone = "air-sopped@manifold.air_pressure"
    shed = shed_with(
        tmp_path, altered(gone, limit=9.0), altered(STOPPED, 2, limit=9.0), altered(HIGH, 3, limit=900.0)
    )
    assert limit(shed, STOPPED) == 9.0
    assert limit(shed, HIGH) == 25.0
    assert len(shed.in_force.left_out) == 2
    assert f"Change 1 by Rhona does not count: there is no alarm {gone} any more." in shed.in_force.told
    assert "Change 3 by Rhona" in shed.in_force.left_out[1]
    assert "inside" in shed.in_force.left_out[1]
    # nothing of them is lost
    assert {one.change for one in shed.in_force.content.idle} == {1, 3}
    assert main(["check", str(shed.path), "--no-probes"]) == 0
    assert "Change 1 by Rhona" in capsys.readouterr().out


def test_changes_that_do_not_go_together_count_as_far_as_they_do_the_older_first(tmp_path: Path) -> None:
    # the low limit must lie under the high one
    shed = shed_with(tmp_path, altered(HIGH, 5, limit=12.0), altered(STOPPED, 4, limit=14.0))
    assert (limit(shed, STOPPED), limit(shed, HIGH)) == (14.0, 25.0)
    assert [one.startswith("Change 5 ") for one in shed.in_force.left_out] == [True]


def test_a_file_spoiled_by_hand_stops_no_watch_and_check_tells_every_fault(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shed = shed_with(tmp_path, altered(STOPPED, limit=9.0), "[[override]]\nalarm = 3\n", "[nonsense]\n")
    assert limit(shed, STOPPED) == 9.0
    assert any("wrong in overrides.toml" in one for one in shed.in_force.told)
    assert main(["check", str(shed.path), "--no-probes"]) == 1
    said = capsys.readouterr().err
    for words in ("override[2].alarm = 3: expected text in quotes", "override[2].why", "nonsense"):
        assert words in said
    (tmp_path / "data" / "overrides.toml").write_bytes(b"\xff\xfe[[")
    assert limit(read_shed(shed.path), STOPPED) == 8.0
    assert read_shed(shed.path).in_force.faults


def test_the_command_lists_what_is_changed_here(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = write(tmp_path)
    assert main(["override", "--shed", str(path)]) == 0
    assert "No limit is changed here" in capsys.readouterr().out
    shed_with(tmp_path, altered(STOPPED, limit=7.0))
    assert main(["override", "--shed", str(path)]) == 0
    said = capsys.readouterr().out
    assert STOPPED in said
    assert "the <new> blower" in said
    assert main(["override", "back", "--shed", str(path)]) == 1
    assert "Which change" in capsys.readouterr().err
    assert main(["override", "back", STOPPED, "--shed", str(path)]) == 1  # no daemon that could write it down
