"""A short night with the whole daemon: the report comes by itself, to whom it is for, and says what was."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from brinewatch.cli import main
from scenarios.night import TEAL, WREN, night, shed_text

SHORT = '[calling]\nnight = "22:00-22:08"\n\n[report]\nat = "22:09"\nto = ["Teal"]\n\n[page]\n'


async def test_the_report_comes_in_the_morning(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    async with night(tmp_path, shed_text().replace("[page]\n", SHORT)) as it:
        await it.passes(9 * 60)
        await it.until(lambda: it.texts("22:00-22:08"), 60)
        [report] = it.texts("22:00-22:08")
        assert it.texts("22:00-22:08", to=TEAL) == [report]
        assert report.startswith("GANNET QUAY ")
        assert "air on" in report
        assert "0 calls" in report
        share = float(report.split("watch ")[1].split(" ")[0])
        assert 80 <= share < 100  # the first half minute had no readings yet
        await it.passes(120)
        assert len(it.texts("22:00-22:08")) == 1

        assert main(["report", "--night", "2026-09-23", "--json", "--shed", str(tmp_path / "shed.toml")]) == 0
        told = json.loads(capsys.readouterr().out)
        assert told["calls"] == []
        assert told["watch"] == pytest.approx(share / 100, abs=0.006)
        points = {one["point"]: one for one in told["ranges"]}
        oxygen = points["raceway.oxygen_saturation"]
        assert 85 < oxygen["low"] <= oxygen["mean"] <= oxygen["high"] < 100


async def test_a_night_with_a_call_is_not_all_well(tmp_path: Path) -> None:
    async with night(tmp_path, shed_text().replace("[page]\n", SHORT)) as it:
        await it.passes(120)
        await it.shed.faults.on("blower-stop")
        await it.until(lambda: it.texts("AIR STOPPED", to=WREN))
        await it.passes(6 * 60)
        await it.until(lambda: it.texts("22:00-22:08"), 120)
        [report] = it.texts("22:00-22:08")
        assert "NOT ALL WELL" in report
        assert "STANDS: Blower motor draws no" in report
        assert "1 call, " in report or "2 calls, " in report
