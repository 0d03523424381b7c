"""Columns: what was packed comes back to the last bit, whatever it was."""

from __future__ import annotations

import json
import math
import random
import struct
import zlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from brinewatch.store.packing import pack, reader_of, unpack

WHOLE = st.integers(-(2**40), 2**40)
FEW = st.lists(st.sampled_from([0, 1, 9]), min_size=1, max_size=300)
# numbers as probes give them, and as nobody would
DECIMAL = st.integers(-99999, 99999).flatmap(lambda k: st.sampled_from([k / 100, k / 1000, float(k)]))
ANY = st.floats(allow_nan=False)


def there_and_back(values: list[float] | list[int]) -> list[float]:
    form, data = pack(values)
    form = json.loads(json.dumps(form, allow_nan=False))  # a description is plain JSON
    left = reader_of(data)
    found = unpack(form, len(values), left)
    with pytest.raises(ValueError, match="fewer bytes"):
        left(1)  # every byte was used
    return found


def bits(values: list[float]) -> list[bytes | None]:
    return [None if one is None else struct.pack("<d", one) for one in values]


@given(st.lists(WHOLE, min_size=1, max_size=200) | FEW | st.lists(WHOLE | st.none(), min_size=1, max_size=200))
def test_whole_numbers_come_back(values: list[int]) -> None:
    assert there_and_back(values) == values


@given(
    st.lists(DECIMAL, min_size=1, max_size=200)
    | st.lists(ANY, min_size=1, max_size=50)
    | st.lists(ANY | DECIMAL | st.none(), min_size=1, max_size=100)
)
def test_numbers_come_back_to_the_last_bit(values: list[float]) -> None:
    found = there_and_back(values)
    assert bits([None if one is None else float(one) for one in found]) == bits(values)


@pytest.mark.parametrize(
    "values",
    [[0.0, -0.0] * 40, [math.inf, -math.inf, 1.0] * 9, [5e-324, 1.7976931348623157e308] * 9, [2**60, -(2**60)] * 9,
     [1795600800000000 + 5_000_000 * n + n % 7 for n in range(3000)], [0.1 + 0.2, 0.3] * 30],
)  # fmt: skip
def test_edges_come_back(values: list[float]) -> None:
    assert list(map(repr, there_and_back(values))) == list(map(repr, values))


def test_noise_about_a_slow_swing_takes_little_more_than_its_entropy() -> None:
    """Entropy of a Gaussian rounded to whole numbers: log2(s sqrt(2 pi e)) bits for s of one or more (Cover and
    Thomas, Elements of Information Theory, theorems 8.3.1 and 8.4.1).
    """
    chance = random.Random(5)
    for spread in (1.0, 1.5, 4.0):
        values = [
            round(1200 + 70 * math.sin(2 * math.pi * n / 17280) + chance.gauss(0, spread)) / 100
            for n in range(17280)
        ]
        form, data = pack(values)
        least = math.log2(spread * math.sqrt(2 * math.pi * math.e)) * len(values) / 8
        assert len(data) + len(json.dumps(form)) < 1.2 * least


def test_broken_bytes_are_refused() -> None:
    form, data = pack([float(n * n % 101) for n in range(500)])
    for broken in (data[:-1], b"\xff" + data[1:], b""):
        with pytest.raises((ValueError, zlib.error)):
            unpack(form, 500, reader_of(broken))
    with pytest.raises((ValueError, zlib.error)):
        unpack(form, 501, reader_of(data))
    with pytest.raises(ValueError, match="a column of 3 rows where 4"):
        unpack([[1, 2], [2, 5]], 4, reader_of(b""))
