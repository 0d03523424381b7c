"""A sample of the matrix of troubles; `bash deploy/bench --only faults` lives through all of them."""

from __future__ import annotations

from pathlib import Path

import pytest

from faults.matrix import TROUBLES, names, try_it

# one of each part
SAMPLE = (
    "probe-unplugged rs485",
    "rubbish at full speed on rs485",
    "iio devices gone",
    "no network",
    "no room for the journal",
    "clock to and fro",
    "daemon started again",
)


def test_every_trouble_has_a_name_of_its_own() -> None:
    assert len(set(names())) == len(names())
    assert set(SAMPLE) < set(names())


@pytest.mark.parametrize("name", SAMPLE)
async def test_the_loss_of_air_is_called_whatever_else_is_wrong(tmp_path: Path, name: str) -> None:
    (trouble,) = [one for one in TROUBLES if one.name == name]
    found = await try_it(tmp_path, trouble)
    assert found.wrong == []
    assert found.called
