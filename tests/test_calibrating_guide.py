"""The guide to calibrating says what the program does."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

from brinewatch.cli import _parser
from brinewatch.quantities import QUANTITIES
from brinewatch.signals import plausibility
from brinewatch.signals.upkeep import upkeep_of

GUIDE = (Path(__file__).parents[1] / "deploy" / "guides" / "calibrating.md").read_text(encoding="utf-8")


def upkeep_table() -> str:
    lines = ["| quantity | drift a day | due, days | off | far | unit |", "|---|---|---|---|---|---|"]
    for key, quantity in QUANTITIES.items():
        row = upkeep_of(key)
        if row is not None:
            numbers = f"{row.drift_per_day:g} | {row.due_days:g} | {row.off:g} | {row.far:g}"
            lines.append(f"| {quantity.name} | {numbers} | {quantity.unit} |")
    return "\n".join(lines)


def test_the_table_is_printed_from_the_program() -> None:
    block = re.search(r"<!-- upkeep -->\n(.*)\n<!-- /upkeep -->", GUIDE, re.DOTALL)
    assert block is not None
    assert block[1] == upkeep_table()


def test_the_bounds_are_those_of_the_program() -> None:
    low, high = plausibility.SLOPE_PERCENT
    assert f"outside {low:g} to {high:g} % of Nernst or more than {plausibility.OFFSET_MV:g} mV" in GUIDE
    low, high = plausibility.GOOD_SLOPE_PERCENT
    assert f"a slope outside {low:g} to {high:g} % of Nernst" in GUIDE


@pytest.mark.parametrize("line", re.findall(r"`brinewatch ([^`]+)`", GUIDE))
def test_every_command_of_the_guide_is_understood(line: str) -> None:
    assert _parser().parse_args(shlex.split(line)).command == "calibrate"
