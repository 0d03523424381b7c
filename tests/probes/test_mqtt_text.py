"""Payloads taken apart: numbers, JSON pointers by RFC 6901, times."""

from __future__ import annotations

from typing import Any

import pytest

from brinewatch.errors import BadAnswer
from brinewatch.probes.mqtt_text import document_of, found_at, number_of, text_of, utc_of_stamp

# RFC 6901 section 5, the document and what each pointer gives ("" and the last two keys left out: see below)
DOCUMENT = (
    '{"foo": ["bar", "baz"], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, '
    '"g|h": 4, "i\\\\j": 5, "k\\"l": 6, " ": 7, "m~n": 8}'
)
POINTERS = [
    ("/foo", ["bar", "baz"]), ("/foo/0", "bar"), ("/", 0.0), ("/a~1b", 1.0), ("/c%d", 2.0), ("/e^f", 3.0),
    ("/g|h", 4.0), ("/i\\j", 5.0), ('/k"l', 6.0), ("/ ", 7.0), ("/m~0n", 8.0),
]  # fmt: skip


@pytest.mark.parametrize(("pointer", "expected"), POINTERS)
def test_pointers_of_the_standard(pointer: str, expected: Any) -> None:
    assert found_at(document_of(DOCUMENT), pointer) == expected


@pytest.mark.parametrize(
    "pointer", ["/bar", "/foo/2", "/foo/-1", "/foo/00", "/foo/bar", "/a~1b/0", "/foo/-", "/foo/٠"]
)
def test_pointers_that_lead_nowhere(pointer: str) -> None:
    with pytest.raises(BadAnswer, match="has no"):
        found_at(document_of(DOCUMENT), pointer)


@pytest.mark.parametrize(
    "text",
    ["", "{", "NaN", '{"a": NaN}', '{"a": -Infinity}', '{"a": 1, "a": 2}', "[" * 4000, "01", '{"a": 1}x', "'a'"],
)
def test_what_is_no_json(text: str) -> None:
    with pytest.raises(BadAnswer, match="no JSON"):
        document_of(text)


@pytest.mark.parametrize(
    ("value", "expected"),
    [(12.5, 12.5), ("12.5", 12.5), (" -0.5 ", -0.5), ("ON", 1.0), ("1e2", 100.0), (True, 1.0), (False, 0.0)],
)
def test_numbers(value: Any, expected: float) -> None:
    assert number_of(value, "/x", {"ON": 1.0}, states=True) == expected


@pytest.mark.parametrize(
    "value", ["", "nan", "inf", "1_000", "12,5", "0x10", "12.5 C", "OFF", None, [1.0], {"a": 1.0}]
)
def test_what_is_no_number(value: Any) -> None:
    with pytest.raises(BadAnswer, match="is no number"):
        number_of(value, "/x", {"ON": 1.0}, states=True)
    with pytest.raises(BadAnswer, match="reads true, which is no number"):
        number_of(True, "/x", {}, states=False)


# 2026-09-23T22:00:00Z is 1790200800 (date -u -d @1790200800)
@pytest.mark.parametrize(
    "value",
    [
        1790200800.0,
        1790200800000.0,
        "2026-09-23T22:00:00Z",
        "2026-09-24T00:00:00+02:00",
        "2026-09-23 22:00:00.000+00:00",
    ],
)
def test_times(value: Any) -> None:
    assert utc_of_stamp(value, "/at") == 1790200800.0


@pytest.mark.parametrize(
    ("value", "says"),
    [
        ("2026-09-23T22:00:00", "does not say of which zone"), ("yesterday", "is no time"), (0.0, "is no time"),
        (-1.0, "is no time"), (1e300, "is no time"), (float("inf"), "is no time"), (None, "is no time"),
        (True, "is no time"), ({"a": 1.0}, "is no time"), ("0001-01-01T00:00:00+14:00", "is no time"),
    ],
)  # fmt: skip
def test_what_is_no_time(value: Any, says: str) -> None:
    with pytest.raises(BadAnswer, match=says):
        utc_of_stamp(value, "/at")


def test_payloads_that_are_no_text() -> None:
    assert text_of(b"12.5", 4) == "12.5"
    with pytest.raises(BadAnswer, match="5 bytes came; the longest is 4"):
        text_of(b"12.50", 4)
    with pytest.raises(BadAnswer, match="is no text"):
        text_of(b"\xff\xfe", 4)
