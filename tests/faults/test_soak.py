"""A short sample of the soak; `bash deploy/bench --only soak` lives through weeks and a year of readings."""

from __future__ import annotations

from pathlib import Path

from faults.soak import soak
from faults.year import LEAP_SECOND, year


async def test_an_hour_of_troubles_by_chance_loses_no_alarm_and_calls_nobody_falsely(tmp_path: Path) -> None:
    came = await soak(tmp_path, 13, 0.05)
    assert came.wrong == []
    assert came.needed > 0
    assert came.called == came.needed
    assert sum(came.faults.values()) > came.faults["loss of air"]
    assert max(came.files) - min(came.files) <= 4


async def test_days_over_a_leap_second_keep_every_reading_and_call_what_is_so(tmp_path: Path) -> None:
    came = await year(tmp_path, 14, 1.5, LEAP_SECOND - 86400.0)
    assert came.wrong == []
    assert came.spells["leap second"] == 1
    assert came.called == came.needed > 0
