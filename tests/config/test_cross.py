"""Cross-checks in a shed file: read, tied to points that exist, and refused where they cannot be meant."""

from __future__ import annotations

from pathlib import Path

import pytest

from brinewatch.config import read_shed
from brinewatch.errors import ConfigurationError
from brinewatch.signals.crosscheck import fastest_K_per_s
from config.sheds import SMALL, write

SECOND = """
[[bus.line.probe.channel]]
point = "sump.temperature"
field = 5
"""
SUMP = '[[water]]\nkey = "sump"\nname = "Sump"\nkind = "sump"\nwatch = ["temperature"]\n'
TWO = SMALL.replace("[[air]]", f"{SUMP}\n[[air]]").replace("[bus.hand]", f"{SECOND}\n[bus.hand]")


def test_cross_checks_are_read_whole(tmp_path: Path) -> None:
    text = (
        TWO.replace('kind = "animals"', 'kind = "animals"\nvolume_l = 1000\nheat_kw = 2.0')
        + """
[[compare]]
points = ["tank.temperature", "sump.temperature"]
apart = 1.0

[[neighbour]]
point = "tank.oxygen"
partner = "tank.temperature"
moves = 1.0
partner_moves = 0.5

[physics]
oxygen_above_percent = 115
"""
    )
    cross = read_shed(write(tmp_path, text)).cross
    assert cross.compare[0].points == ["tank.temperature", "sump.temperature"]
    assert cross.compare[0].after_s == 600
    assert cross.neighbour[0].partner == "tank.temperature"
    assert cross.oxygen_above_percent == 115
    assert cross.heat == {"tank.temperature": fastest_K_per_s(1000, 2.0)}


def test_without_a_word_physics_is_checked_where_it_can_be(tmp_path: Path) -> None:
    cross = read_shed(write(tmp_path)).cross
    assert (cross.compare, cross.neighbour, cross.oxygen_above_percent, cross.heat) == ((), (), 130, {})


def test_where_oxygen_gas_is_fed_it_may_stand_above_saturation(tmp_path: Path) -> None:
    assert (
        read_shed(write(tmp_path, SMALL + "\n[physics]\npure_oxygen = true\n")).cross.oxygen_above_percent is None
    )


@pytest.mark.parametrize(
    ("more", "key", "words"),
    [
        ('[[compare]]\npoints = ["tank.ph", "sump.ph"]\napart = 1.0', "compare[1].points[1]", "a point"),
        ('[[compare]]\npoints = ["tank.oxygen"]\napart = 1.0', "compare[1].points", "at least 2 items"),
        (
            '[[neighbour]]\npoint = "tank.oxygen"\npartner = "tank.wind"\nmoves = 1.0\npartner_moves = 1.0',
            "neighbour[1].partner", "a point with a value",
        ),
        ("[physics]\noxygen_above_percent = 90", "physics.oxygen_above_percent", "greater than 100"),
        ("[physics]\npure_oxigen = true", "physics.pure_oxigen", "did you mean pure_oxygen?"),
    ],
)  # fmt: skip
def test_what_cannot_be_meant_is_a_fault_with_its_place(tmp_path: Path, more: str, key: str, words: str) -> None:
    with pytest.raises(ConfigurationError) as caught:
        read_shed(write(tmp_path, f"{SMALL}\n{more}\n"))
    fault = next(one for one in caught.value.faults if one.key == key)
    assert words in fault.expected
