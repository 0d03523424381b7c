"""What the command line asks, taken apart: what no number can be made of is refused, and said shortly."""

from __future__ import annotations

import math
from datetime import UTC
from typing import Any

import pytest

from brinewatch.asked import entry_of, order_of
from brinewatch.errors import BrinewatchError
from brinewatch.moment import Moment

NOW = Moment(1000.0, 1_790_200_800.0, True, UTC)


@pytest.mark.parametrize("for_s", [math.nan, math.inf, 10**400, True, "30", [], {}])
def test_a_length_of_time_that_is_none(for_s: Any) -> None:
    with pytest.raises(BrinewatchError, match="is no length of time in seconds") as caught:
        order_of({"do": "attend", "for_s": for_s}, (), NOW)
    assert len(caught.value.what) < 120


def test_a_length_of_time() -> None:
    assert order_of({"do": "attend", "for_s": 1800}, (), NOW).for_s == 1800.0
    assert order_of({"do": "attend"}, (), NOW).for_s is None


@pytest.mark.parametrize("value", [math.nan, -math.inf, 10**400, False, "0.4", None, ["x" * 500]])
def test_a_value_that_is_no_number(value: Any) -> None:
    with pytest.raises(BrinewatchError, match="is not a number") as caught:
        entry_of({"point": "raceway.tan", "value": value})
    assert len(caught.value.what) < 120


def test_a_unit_that_is_no_word() -> None:
    with pytest.raises(BrinewatchError, match="is no unit"):
        entry_of({"point": "raceway.tan", "value": 0.4, "unit": ["mg/L"]})
    assert entry_of({"point": "raceway.tan", "value": 1, "unit": "mg/L"}) == ("raceway.tan", 1.0, "mg/L")
