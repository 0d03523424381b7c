"""Lines of text taken apart, with no line at all."""

from __future__ import annotations

import math
import re

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from brinewatch.errors import BadAnswer
from brinewatch.probes.line_text import checked, match_groups, plain, split_fields, to_number, unescape


@pytest.mark.parametrize(
    ("written", "sent"),
    [
        ("R\\r", b"R\r"), ("R\r", b"R\r"),
        ("\\x02D0\\x03\\n", b"\x02D0\x03\n"), ("a\\\\b", b"a\\b"), ("\\0", b"\0"),
    ],
)  # fmt: skip
def test_escapes(written: str, sent: bytes) -> None:
    assert unescape(written) == sent


@pytest.mark.parametrize("written", ["\\q", "\\x4", "°C\\r"])
def test_other_escapes_and_signs_are_refused(written: str) -> None:
    with pytest.raises(ValueError):  # noqa: PT011 - the settings class words it
        unescape(written)


# Published example sentences: the first in many descriptions of NMEA 0183 (from memory), the second has its
# checksum worked out by hand: 0x41 ^ 0x42 = 0x03
@pytest.mark.parametrize(
    ("text", "body"),
    [
        ("$GPGLL,4916.45,N,12311.12,W,225444,A*31", "GPGLL,4916.45,N,12311.12,W,225444,A"),
        ("AB*03", "AB"),
        ("$AB*03", "AB"),
    ],
)
def test_nmea_checksum(text: str, body: str) -> None:
    assert checked(text) == body
    with pytest.raises(BadAnswer, match="checksum"):
        checked(text.replace("A", "B", 1))
    with pytest.raises(BadAnswer, match="no checksum"):
        checked(body)


@pytest.mark.parametrize(
    "text", ["", " ", "nan", "NaN", "inf", "-Infinity", "1_000", "0x10", "1,5", "--1", "1.2.3", "٣"]
)
def test_what_is_no_number(text: str) -> None:
    with pytest.raises(BadAnswer, match="no number"):
        to_number(text, "Field 1")


@pytest.mark.parametrize(
    ("text", "value"), [("8.12", 8.12), (" -0.5 ", -0.5), ("+3", 3.0), (".5", 0.5), ("5.", 5.0), ("1.2E-1", 0.12)]
)
def test_numbers_as_instruments_write_them(text: str, value: float) -> None:
    assert to_number(text, "Field 1") == value


def test_whole_lines_only() -> None:
    assert plain(b"8.1,7.9\r\n", b"\r\n") == "8.1,7.9"
    for line in (b"8.1,7.9", b"8.1\xff,7.9\r\n", b"8.1\x00,7\r\n"):
        with pytest.raises(BadAnswer):
            plain(line, b"\r\n")


def test_fields_are_counted() -> None:
    assert split_fields("a,b,c", ",", 3, 2) == ["a", "b", "c"]
    assert split_fields("  a \t b", "", None, 2) == ["a", "b"]
    with pytest.raises(BadAnswer, match="2 fields instead of 3"):
        split_fields("a,b", ",", 3, 1)
    with pytest.raises(BadAnswer, match="number 4 is asked for"):
        split_fields("a,b,c", ",", None, 4)


def test_a_pattern_fits_the_whole_line() -> None:
    pattern = re.compile(r"T=(?P<t>\S+) C")
    assert match_groups("T=17.2 C", pattern) == {"t": "17.2"}
    with pytest.raises(BadAnswer, match="does not look"):
        match_groups("T=17.2 C noise", pattern)


@given(st.binary(max_size=80))
def test_random_bytes_end_in_a_number_or_a_refusal(data: bytes) -> None:
    try:
        text = checked(plain(data + b"\r\n", b"\r\n"))
        number = to_number(split_fields(text, ",", None, 1)[0], "Field 1")
    except BadAnswer:
        return
    assert math.isfinite(number)


@example("0\x1f")
@given(st.text(max_size=40))
def test_random_text_is_a_finite_number_or_refused(text: str) -> None:
    try:
        number = to_number(text, "Field 1")
    except BadAnswer:
        return
    assert number == float(text)
