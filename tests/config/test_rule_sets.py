"""Rule sets that stand on others, as a shed file names them."""

from __future__ import annotations

from pathlib import Path

import pytest

from brinewatch.config import read_shed
from brinewatch.errors import ConfigurationError
from config.sheds import SMALL

LOBSTER = """
title = "Lobsters of this shed"
based_on = "lobster.toml"

[[rule]]
key = "lobster-salinity-low-critical"
title = "Salinity too low for ours"
short = "SALINITY TOO LOW"
quantity = "salinity"
when = { below = 27 }
unit = "PSS-78"
deadband = 0.3
on_delay_s = 900
off_delay_s = 600
priority = "high"
why = "Ours came from the open sea."
consequence = "Losses."
todo = ["Fresh water coming in?"]
time_available = "Hours."
source = "judgement"
standing = "judgement"
"""


def limits(path: Path) -> dict[str, float | None]:
    return {alarm.rule.key: alarm.limit for alarm in read_shed(path).alarms}


def shed(folder: Path, rules: str) -> Path:
    path = folder / "shed.toml"
    path.write_text(SMALL + f'\n[[rules]]\nfile = "{rules}"\nstages = ["tank"]\n', encoding="utf-8")
    return path


def test_a_species_brings_everything_of_its_group(tmp_path: Path) -> None:
    found = limits(shed(tmp_path, "sea_urchin_green.toml"))
    assert found["urchin-temperature-high-critical"] == 17.0
    assert found["urchin-oxygen-low-emergency"] == 45.0
    assert found["urchin-tan-high-warn"] == 0.5


def test_a_file_beside_the_shed_may_stand_on_one_of_the_programs(tmp_path: Path) -> None:
    (tmp_path / "ours.toml").write_text(LOBSTER, encoding="utf-8")
    found = limits(shed(tmp_path, "ours.toml"))
    assert found["lobster-salinity-low-critical"] == 27.0
    assert found["lobster-salinity-low-warn"] == 28.0


def test_a_file_that_stands_on_one_that_is_not_there_is_refused_at_its_place(tmp_path: Path) -> None:
    (tmp_path / "ours.toml").write_text(LOBSTER.replace('"lobster.toml"', '"lobsters.toml"'), encoding="utf-8")
    with pytest.raises(ConfigurationError) as caught:
        read_shed(shed(tmp_path, "ours.toml"))
    [fault] = caught.value.faults
    assert (fault.file, fault.key, fault.value) == ("ours.toml", "based_on", "lobsters.toml")


def test_two_species_in_one_tank_must_be_settled_by_whoever_keeps_them(tmp_path: Path) -> None:
    path = shed(tmp_path, "sea_urchin_green.toml")
    with path.open("a", encoding="utf-8") as file:
        file.write('\n[[rules]]\nfile = "sea_urchin_red.toml"\n')
    with pytest.raises(ConfigurationError, match=r"another key: sea_urchin_green\.toml has a rule of this name"):
        read_shed(path)
