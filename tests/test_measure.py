"""The bench: every name it offers can be measured, and a figure is judged by its ratio."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

MEASURE = Path(__file__).parents[1] / "deploy" / "measure"


def bench(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, str(MEASURE), *words], capture_output=True, text=True, timeout=100, check=False
    )


def test_every_name_on_the_list_has_its_measurement() -> None:
    listed = [line.split()[0] for line in bench("--list").stdout.splitlines()]
    assert listed
    for name in listed:
        assert (MEASURE / f"{name}.py").is_file(), name


def test_figures_come_as_ratios_for_programs() -> None:
    done = bench("--only", "engine", "--quick", "--json")
    rows = json.loads(done.stdout)
    assert done.returncode in (0, 1), done.stderr  # 1 says that a goal was missed: no failure of the bench
    for row in rows:
        assert row["ratio"] == row["value"] / row["reference"]
        assert row["met"] is (row["ratio"] <= row["goal"])


def test_an_unknown_name_is_refused_with_those_there_are() -> None:
    done = bench("--only", "nothing")
    assert done.returncode == 2
    assert "engine" in done.stderr
