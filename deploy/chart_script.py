"""Brings the library that draws the page's charts, out of the npm registry, where the program is built.

    python3 deploy/chart_script.py        put it there if it is missing; say what stands in the way if it cannot be

A build does the same (a hook of hatch), and a wheel carries it. Nothing depends on it: without it the page keeps
the strips that are drawn by the daemon. What comes is taken only if it is, byte for byte, what this file names.
"""

from __future__ import annotations

import hashlib
import shutil
import subprocess
import sys
import tarfile
import tempfile
from pathlib import Path
from typing import Any

try:
    from hatchling.builders.hooks.plugin.interface import BuildHookInterface
except ImportError:  # run by itself
    BuildHookInterface = object

NAME, VERSION, LICENCE = "uplot", "1.6.32", "MIT"
ARCHIVE = "4b8a8191e425658e3ea8c8c1314b0fc679c861ee3a1af2b20c7b16ba50b5133d"
# where it stands in the archive, under which name it is kept, its SHA-256
FILES = (
    (
        "package/dist/uPlot.iife.min.js",
        "uplot.js",
        "19c8d4c6ad88929a79f4ae49d6f7161566dfd0ba3d15cc495e974f787eb78f1f",
    ),
    ("package/dist/uPlot.min.css", "uplot.css", "df630c6a8d6f8eeaff264b50f73ce5b114f646ffd9a0bb74f049b0a00135fa04"),
    ("package/LICENSE", "uplot-licence.txt", "8f989229699b4fe2f1a0432d0e9edc338a8a911e250e2d1b01ecd770a5f5b1bd"),
)
FOLDER = Path(__file__).resolve().parents[1] / "daemon" / "brinewatch" / "page" / "vendor"
WITHOUT = "the history keeps the strips drawn by the daemon, without zoom by touch"
_PATIENCE_S = 60.0


class Missing(Exception):
    """Why it is not there, in a sentence."""


def there(folder: Path = FOLDER) -> bool:
    """Whether every file is there and is what it should be."""
    return all(_sum_of(folder / name) == known for _, name, known in FILES)


def bring(folder: Path = FOLDER, npm: str = "npm") -> bool:
    """Put the files into a folder unless they are there. Returns whether any was written; raises Missing."""
    if there(folder):
        return False
    path = shutil.which(npm)
    if path is None:
        raise Missing(f"{npm} is not installed (Debian: apt-get install npm)")
    with tempfile.TemporaryDirectory() as home:
        quick = ["--loglevel=error", "--fetch-retries=1"]
        command = [path, "pack", f"{NAME}@{VERSION}", *quick, "--pack-destination", home]
        try:
            done = subprocess.run(  # noqa: S603 - our own words
                command, cwd=home, capture_output=True, text=True, timeout=_PATIENCE_S, check=False
            )
        except (OSError, subprocess.TimeoutExpired) as error:
            raise Missing(f"npm did not bring {NAME} {VERSION} ({type(error).__name__})") from None
        archive = Path(home) / f"{NAME}-{VERSION}.tgz"
        if done.returncode or not archive.is_file():
            said = next((line for line in done.stderr.splitlines() if line.strip()), "no reason given")
            raise Missing(f"npm could not bring {NAME} {VERSION}: {said.strip()}")
        unpack(archive, folder)
    return True


def unpack(archive: Path, folder: Path) -> None:
    """The files out of an archive, once it has proven to be the known one. Raises Missing."""
    if _sum_of(archive) != ARCHIVE:
        raise Missing(f"what npm brought as {NAME} {VERSION} is not what is known under that name; it is not used")
    folder.mkdir(parents=True, exist_ok=True)
    with tarfile.open(archive) as tar:
        for place, name, _ in FILES:
            member = tar.extractfile(place)
            assert member is not None  # the archive is the known one
            half = folder / f".{name}"
            half.write_bytes(member.read())
            half.replace(folder / name)


def _sum_of(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else ""


class ChartScript(BuildHookInterface):  # type: ignore[misc, valid-type]
    """Before anything is built. What is missing is a warning, not an end: the program works without."""

    PLUGIN_NAME = "custom"

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        try:
            bring(Path(self.root) / FOLDER.relative_to(Path(__file__).resolve().parents[1]))
        except Missing as error:
            self.app.display_warning(f"The charts' script is missing: {error}; {WITHOUT}.")


def main() -> int:
    """0 when it is there; 1, with a sentence, when it is not."""
    try:
        bring()
    except Missing as error:
        sys.stderr.write(f"brinewatch: the charts' script is missing: {error}; {WITHOUT}.\n")
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
