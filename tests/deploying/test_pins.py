"""Every package has a version and checksums for each Python, as pyproject.toml asks (pip's hash-checking mode)."""

from __future__ import annotations

import re
import subprocess
import tomllib
from functools import cache
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

TOP = Path(__file__).parents[2]
PYTHONS = ("3.11", "3.12", "3.13")
ANEW = "run: bash deploy/pin"
# one requirement as pip's manual has it ("Hash-checking Mode"), and nothing else: no address, no option of pip
LINE = re.compile(r"([A-Za-z0-9._-]+)==([\w.]+)( ; platform_machine == \"\w+\")?((?: --hash=sha256:[0-9a-f]{64})+)")


@cache
def pins(python: str) -> dict[str, dict[str, str]]:
    """The version of each package, by section."""
    sections: dict[str, dict[str, str]] = {}
    for line in (TOP / "deploy" / "pins" / f"{python}.txt").read_text().splitlines():
        if line.startswith("# ["):
            here = sections.setdefault(line[3:-1], {})
        elif not line.startswith("#"):
            found = LINE.fullmatch(line)
            assert found, (python, line)
            here[canonicalize_name(found[1])] = found[2]
    return sections


def asked_for() -> dict[str, list[Requirement]]:
    settings = tomllib.loads((TOP / "pyproject.toml").read_text())
    project = settings["project"]
    sections = {
        "base": project["dependencies"],
        **project["optional-dependencies"],
        **settings["dependency-groups"],
    }
    return {name: [Requirement(one) for one in lines] for name, lines in sections.items()}


@pytest.mark.parametrize("python", PYTHONS)
def test_what_pyproject_asks_for_is_pinned(python: str) -> None:
    pinned, wanted = pins(python), asked_for()
    assert pinned.keys() == wanted.keys(), ANEW
    for section, requirements in wanted.items():
        here = pinned["base"] | pinned[section]
        for one in requirements:
            if one.name == "brinewatch":
                assert all(pinned[extra].keys() <= here.keys() for extra in one.extras), ANEW
            elif one.marker is None or one.marker.evaluate({"python_version": python}):
                version = here.get(canonicalize_name(one.name), "none")
                assert version != "none", f"{one} of [{section}] is not pinned; {ANEW}"
                assert one.specifier.contains(version), f"{one} is pinned to {version}; {ANEW}"


@pytest.mark.parametrize("python", PYTHONS)
def test_pins_and_constraints_are_one(python: str) -> None:
    lines = (TOP / "deploy" / "constraints.txt").read_text().splitlines()
    listed: dict[str, str] = {
        str(canonicalize_name(name)): version
        for name, _, version in (one.partition("==") for one in lines if "==" in one)
    }
    pinned = {name: version for section in pins(python).values() for name, version in section.items()}
    assert pinned == {name: listed.get(name) for name in pinned}, ANEW
    every = {name for one in PYTHONS for section in pins(one).values() for name in section}
    assert listed.keys() == every, ANEW


def test_the_shell_takes_the_sections_it_is_asked_for() -> None:
    command = f'here={TOP}; . "$here/deploy/lib.sh"; pins_for 3.12 base,series'
    said = subprocess.run(["bash", "-c", command], capture_output=True, text=True, check=True, timeout=30).stdout
    taken = [line.partition("==")[0] for line in said.splitlines()]
    assert {canonicalize_name(one) for one in taken} == pins("3.12")["base"].keys() | pins("3.12")["series"].keys()
    assert len(taken) == len(set(taken))
    assert {"influxdb-client", "pydantic"} <= set(taken)
    assert not {"gpiod", "pytest", "hatchling"} & set(taken)
