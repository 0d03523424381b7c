"""The library of the page's charts: taken only if it is the known one, carried by the wheel, missed aloud.

Nothing is asked of a net: where npm is needed a small program stands at its place and name.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tarfile
import zipfile
from pathlib import Path

import pytest

from brinewatch.config import read_shed
from brinewatch.page import VENDOR
from brinewatch.paging import check_charts
from config.sheds import SMALL, write

TOP = Path(__file__).parents[2]
SCRIPT = TOP / "deploy" / "chart_script.py"
NAMES = {"uplot.js", "uplot.css", "uplot-licence.txt"}


def tree(folder: Path, *, with_library: bool) -> Path:
    """A checkout in small: what the build reads, a program of one file."""
    package = folder / "daemon" / "brinewatch"
    for name in ("pyproject.toml", "README.md", "deploy/chart_script.py", "daemon/brinewatch/__init__.py"):
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(TOP / name, folder / name)
    (folder / "rules").mkdir()
    (folder / ".gitignore").write_text((TOP / ".gitignore").read_text())
    if with_library:
        shutil.copytree(VENDOR, package / "page" / "vendor")
    return folder


def npm(folder: Path, script: str) -> dict[str, str]:
    """An environment in which nothing but this goes by the name of npm."""
    (folder / "bin").mkdir()
    program = folder / "bin" / "npm"
    program.write_text(f"#!/bin/sh\n{script}\n")
    program.chmod(0o755)
    return {**os.environ, "PATH": f"{folder / 'bin'}:/bin:/usr/sbin"}


def run(top: Path, environ: dict[str, str]) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, str(top / "deploy" / "chart_script.py")]
    return subprocess.run(command, env=environ, capture_output=True, text=True, timeout=60, check=False)


def build(top: Path, environ: dict[str, str]) -> tuple[set[str], str]:
    """The library's files in a wheel that is built, and what was said meanwhile."""
    command = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(top / "out")]
    done = subprocess.run(command, cwd=top, env=environ, capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 0, done.stderr
    [wheel] = (top / "out").glob("*.whl")
    with zipfile.ZipFile(wheel) as file:
        names = {name for name in file.namelist() if "/vendor/" in name}
    return {name.rpartition("/")[2] for name in names}, done.stdout + done.stderr


def test_a_wheel_carries_what_git_does_not(tmp_path: Path) -> None:
    top = tree(tmp_path, with_library=True)
    carried, said = build(top, npm(tmp_path, "echo asked >&2; exit 1"))
    assert carried == NAMES
    assert "asked" not in said


def test_a_build_without_npm_works_and_says_what_is_missing(tmp_path: Path) -> None:
    top = tree(tmp_path, with_library=False)
    carried, said = build(top, {**os.environ, "PATH": str(tmp_path / "nowhere")})
    assert carried == set()
    assert "The charts' script is missing: npm is not installed" in said


def test_what_is_not_the_known_archive_is_not_used(tmp_path: Path) -> None:
    top = tree(tmp_path / "top", with_library=False)
    (tmp_path / "package" / "dist").mkdir(parents=True)
    (tmp_path / "package" / "dist" / "uPlot.iife.min.js").write_text("alert(1)")
    with tarfile.open(tmp_path / "other.tgz", "w:gz") as tar:
        tar.add(tmp_path / "package", "package")
    done = run(top, npm(tmp_path, f'for last; do :; done; cp {tmp_path}/other.tgz "$last/uplot-1.6.32.tgz"'))
    assert done.returncode == 1
    assert "is not what is known under that name; it is not used" in done.stderr
    assert not (top / "daemon" / "brinewatch" / "page" / "vendor").exists()


@pytest.mark.parametrize(
    ("script", "said"),
    [("echo 'npm error code ENOTFOUND' >&2; exit 1", "npm error code ENOTFOUND"), ("exit 0", "no reason given")],
)
def test_why_npm_could_not_is_said(tmp_path: Path, script: str, said: str) -> None:
    done = run(tree(tmp_path, with_library=False), npm(tmp_path, script))
    assert done.returncode == 1
    assert said in done.stderr
    assert "the history keeps the strips drawn by the daemon" in done.stderr


def test_what_is_there_is_brought_by_nobody(tmp_path: Path) -> None:
    """Byte for byte the known files: nothing is asked, so a machine without a net builds too."""
    done = run(tree(tmp_path, with_library=True), npm(tmp_path, "exit 1"))
    assert (done.returncode, done.stderr) == (0, "")


def test_the_check_of_a_shed_says_whether_it_is_there(tmp_path: Path) -> None:
    shed = read_shed(write(tmp_path, SMALL.replace("enabled = false", "enabled = true")))
    assert check_charts(shed) == []
    [line] = check_charts(shed, tmp_path)
    assert "cannot be zoomed" in line
