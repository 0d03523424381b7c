"""The documents say what the code does."""

from __future__ import annotations

import re
import shlex
import tomllib
from pathlib import Path

import pytest

from brinewatch.alarms.change import Override
from brinewatch.alarms.states import diagram, table_text
from brinewatch.cli import _parser

TOP = Path(__file__).parents[1]
README = (TOP / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (TOP / "DEVELOPERS.md").read_text(encoding="utf-8")


def test_the_states_in_the_document_are_printed_from_the_table() -> None:
    block = re.search(r"<!-- states -->\n(.*)<!-- /states -->", DEVELOPERS, re.DOTALL)
    assert block is not None
    assert block[1] == f"```mermaid\n{diagram()}```\n\n{table_text()}"


def test_the_two_commands_stand_in_the_readme_and_exist() -> None:
    for name in ("run", "test"):
        assert f"bash deploy/{name}" in README
        assert (TOP / "deploy" / name).is_file()


@pytest.mark.parametrize("line", sorted(set(re.findall(r"\.venv/bin/brinewatch ([a-z][^`\n#]*)", README))))
def test_every_command_the_readme_shows_is_understood(line: str) -> None:
    words = shlex.split(line)
    assert _parser().parse_args(words).command == words[0]


def test_every_file_the_readme_names_is_there() -> None:
    for name in re.findall(r"\((deploy/[^)]+)\)|(deploy/examples/[a-z]+\.toml)", README):
        assert (TOP / (name[0] or name[1])).is_file(), name


def test_the_layers_in_the_document_are_those_the_machine_holds() -> None:
    settings = tomllib.loads((TOP / "pyproject.toml").read_text(encoding="utf-8"))
    layers = settings["tool"]["importlinter"]["contracts"][0]["layers"]
    block = DEVELOPERS.split("```")[1]
    for layer in layers:
        for part in layer.split(" | "):
            assert re.search(rf"\b{part}\b", block), part


def test_every_override_a_guide_shows_is_understood() -> None:
    shown = 0
    for guide in (TOP / "deploy" / "guides").glob("*.md"):
        for block in re.findall(r"```toml\n(.*?)```", guide.read_text(encoding="utf-8"), re.DOTALL):
            for table in tomllib.loads(block).get("override", []):
                Override.model_validate(table)
                shown += 1
    assert shown
