"""The list of licences is current: made anew from the packages that are installed, it is the same."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

DEPLOY = Path(__file__).parents[2] / "deploy"


def test_the_list_of_licences_is_current(tmp_path: Path) -> None:
    (tmp_path / "deploy").mkdir()
    for name in ("licences", "chart_script.py"):
        shutil.copy(DEPLOY / name, tmp_path / "deploy")
    environ = {**os.environ, "PYTHON": sys.executable}
    subprocess.run(["bash", str(tmp_path / "deploy" / "licences")], check=True, env=environ, timeout=60)
    made = (tmp_path / "deploy" / "licences.md").read_text()
    assert made == (DEPLOY / "licences.md").read_text(), "run: bash deploy/licences"
    assert "not said" not in made
