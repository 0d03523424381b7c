"""Readings as lines: aligned instants, one type a field, ten digits, and the checksum anybody can work out."""

from __future__ import annotations

import hashlib
import math
import re
import struct
from pathlib import Path
from typing import Any

from hypothesis import example, given
from hypothesis import strategies as st
from influxdb_client import Point

from brinewatch.store.columns import Columns
from brinewatch.store.series.lines import (
    CROWDED,
    ENDLESS,
    TICK_US,
    aligned,
    body,
    checksum,
    made,
    told,
    window,
)

AT = 1_780_000_000_000_000


def columns(rows: list[tuple[int, float | None, float | None, int]]) -> Columns:
    """t_us, raw, value, flag."""
    one = Columns.none()
    for t_us, raw, value, flag in rows:
        for name, cell in (("t", t_us), ("raw", raw), ("value", value), ("flag", flag)):
            getattr(one, name).append(cell)
    return one


def test_a_line_is_what_the_servers_own_library_makes_of_it() -> None:
    (line,), _ = made("gannet-quay", "raceway.oxygen", columns([(AT + 203_456, 8.31, 8.41, 1)]))
    point = Point.from_dict(
        {
            "measurement": "reading",
            "tags": {"shed": "gannet-quay", "stage": "raceway", "quantity": "oxygen"},
            "fields": {"flag": 1.0, "raw": 8.31, "value": 8.41},
            "time": (AT + 200_000) // 1000,
        },
        write_precision="ms",
    )
    assert line.text == point.to_line_protocol()
    assert body([line, line]) == f"{line.text}\n{line.text}".encode()


def test_a_reading_without_a_value_is_told_by_its_flag() -> None:
    (line,), _ = made("q", "raceway.oxygen", columns([(AT, None, None, 9)]))
    assert line.text == f"reading,quantity=oxygen,shed=q,stage=raceway flag=9 {AT // 1000}"
    assert line.value is None


def test_what_no_server_takes_is_named() -> None:
    lines, refused = made("q", "r.flow", columns([(AT, 1.0, math.inf, 4), (AT + TICK_US, -math.inf, 2.0, 4)]))
    assert [(one.t_us, one.reason) for one in refused] == [(AT, ENDLESS)]
    assert [line.text.split()[1] for line in lines] == ["flag=4,value=2"]


def test_numbers_have_ten_digits_and_no_nought_below_nought() -> None:
    assert [told(x) for x in (8.41, 20.0, -0.0, 8.420933000000002, 1e-5, 1e16, 123456.78901234)] == [
        "8.41", "20", "0", "8.420933", "1e-05", "1e+16", "123456.789",
    ]  # fmt: skip


def test_no_number_is_ever_told_as_a_whole_one() -> None:
    """Line protocol marks whole numbers with an i, u behind them; truth with t and f."""
    for value in (0.0, 1.0, 1e300, -5e-324, 12345678901234.0):
        text = told(value)
        assert text[-1].isdigit()
        assert "i" not in text
        assert math.isclose(float(text), value, rel_tol=5e-10, abs_tol=0.0)


def test_scans_with_jitter_stand_at_even_distances() -> None:
    stamps = [AT + 37_000 + 5_000_000 * i + (i * 7_919) % 9_000 for i in range(1000)]
    found = aligned(stamps)
    assert [ms - AT // 1000 for ms in found if ms is not None] == [5000 * i for i in range(1000)]


def test_readings_of_one_tick_are_all_told() -> None:
    assert aligned([AT, AT + 1_500, AT + 1_700, AT + 99_999, AT + TICK_US]) == [
        AT // 1000, AT // 1000 + 1, AT // 1000 + 2, AT // 1000 + 99, AT // 1000 + 100,
    ]  # fmt: skip


def test_more_than_a_tick_has_room_for_are_named() -> None:
    rows = [(AT + i, 1.0, 1.0, 1) for i in range(130)]
    lines, refused = made("q", "r.flow", columns(rows))
    assert len(lines) == 100
    assert {one.reason for one in refused} == {CROWDED}
    assert [one.t_us for one in refused] == [t for t, *_ in rows[100:]]


@given(st.lists(st.integers(AT - 5 * TICK_US, AT + 5 * TICK_US), unique=True, max_size=60).map(sorted))
@example([AT, AT + 99_000, AT + 99_001])
@example([AT, AT + 98_000, AT + 99_000, AT + 99_001, AT + 99_002])
def test_no_two_readings_share_an_instant_and_none_moves_a_tick(stamps: list[int]) -> None:
    found = [(t_us, ms) for t_us, ms in zip(stamps, aligned(stamps), strict=True) if ms is not None]
    assert len(found) == len(stamps)
    assert len({ms for _, ms in found}) == len(found)
    assert [ms for _, ms in found] == sorted(ms for _, ms in found)
    for t_us, ms in found:
        assert ms * 1000 // TICK_US == t_us // TICK_US


@given(
    st.lists(st.integers(AT - 5 * TICK_US, AT + 5 * TICK_US), unique=True, min_size=1, max_size=60).map(sorted),
    st.data(),
)
def test_a_part_is_told_as_the_whole_is(stamps: list[int], data: st.DataObject) -> None:
    """Whatever span is asked for: its ticks are told alike, so that a repeat falls on what was told before."""
    whole = dict(zip(stamps, aligned(stamps), strict=True))
    since = data.draw(st.sampled_from(stamps))
    until = data.draw(st.sampled_from([t for t in stamps if t >= since])) + 1
    low, high = window(since, until)
    part = [t for t in stamps if low <= t < high]
    assert dict(zip(part, aligned(part), strict=True)) == {t: whole[t] for t in part}
    assert low <= since < until <= high


def test_the_guide_works_it_out_the_same_way() -> None:
    guide = Path(__file__).parents[2] / "deploy" / "guides" / "series.md"
    (code,) = re.findall(r"^```python\n(.*?)^```", guide.read_text(encoding="utf-8"), re.DOTALL | re.MULTILINE)
    names: dict[str, Any] = {}
    exec(code, names)
    rows = [(1_716_928_000_100, 8.41), (1_716_928_000_000, -3e-5)]
    assert names["checksum"](rows) == checksum(rows)


def test_the_guide_shows_a_line_as_it_is_sent() -> None:
    guide = Path(__file__).parents[2] / "deploy" / "guides" / "series.md"
    (line,), _ = made("gannet-quay", "raceway.oxygen", columns([(1_795_600_000_234_567, 8.31, 8.41, 1)]))
    assert f"```\n{line.text}\n```" in guide.read_text(encoding="utf-8")


@given(st.dictionaries(st.integers(0, 2**42), st.floats(allow_nan=False, allow_infinity=False), max_size=20))
def test_the_checksum_is_that_of_the_guide(values: dict[int, float]) -> None:
    packed = b"".join(struct.pack("<q", ms) + struct.pack("<d", values[ms]) for ms in sorted(values))
    assert checksum(reversed(list(values.items()))) == hashlib.sha256(packed).hexdigest()
