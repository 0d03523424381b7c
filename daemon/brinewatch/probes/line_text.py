"""One line of text from a probe, taken apart. Pure: bytes in, numbers out."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from brinewatch.errors import BadAnswer

# float() would also take "nan", "inf" and "1_000"
_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d{1,2})?", re.ASCII)
_ESCAPE = re.compile(r"\\(x[0-9a-fA-F]{2}|.)", re.DOTALL)
_ESCAPES = {"r": "\r", "n": "\n", "t": "\t", "\\": "\\", "0": "\0"}


def unescape(text: str) -> bytes:
    """Text as people write it in a settings file (\\r, \\n, \\t, \\xHH, \\\\) as the bytes on the wire.

    Raises ValueError for another escape or a sign beyond ASCII.
    """

    def one(match: re.Match[str]) -> str:
        code = match[1]
        if code[0] == "x" and len(code) == 3:
            return chr(int(code[1:], 16))
        if code not in _ESCAPES:
            raise ValueError(f"one of \\r \\n \\t \\0 \\xHH \\\\ after the backslash, not \\{code}")
        return _ESCAPES[code]

    return _ESCAPE.sub(one, text).encode("latin-1" if "\\x" in text else "ascii")


def plain(line: bytes, terminator: bytes) -> str:
    """A whole line as ASCII text without its terminator. BadAnswer when it is cut off or not text."""
    if not line.endswith(terminator):
        raise BadAnswer(f"A line of {len(line)} bytes came without its end.")
    body = line[: -len(terminator)]
    try:
        text = body.decode("ascii")
    except UnicodeDecodeError as error:
        raise BadAnswer(f"The line is garbled: {body[:60]!r}.", "Check speed, parity and the cable.") from error
    if not text.replace("\t", " ").isprintable():
        raise BadAnswer(f"The line is garbled: {body[:60]!r}.", "Check speed, parity and the cable.")
    return text


def checked(text: str) -> str:
    """The text the checksum of NMEA 0183 covers: between $ (if there is one) and *, XOR of its bytes in hex."""
    body, star, given = text.rpartition("*")
    body = body.removeprefix("$")
    if not star or not re.fullmatch(r"[0-9A-Fa-f]{2}", given):
        raise BadAnswer(f"The line has no checksum: {text[:60]!r}.")
    total = 0
    for byte in body.encode("ascii"):
        total ^= byte
    if total != int(given, 16):
        raise BadAnswer(f"The checksum of the line is {total:02X} and it says {given.upper()}.")
    return body


def split_fields(text: str, separator: str, expected: int | None, needed: int) -> Sequence[str]:
    """The fields of a line. separator "" means any white space."""
    fields = text.split(separator) if separator else text.split()
    if expected is not None and len(fields) != expected:
        raise BadAnswer(f"The line has {len(fields)} fields instead of {expected}: {text[:60]!r}.")
    if len(fields) < needed:
        raise BadAnswer(f"The line has {len(fields)} fields and number {needed} is asked for: {text[:60]!r}.")
    return fields


def match_groups(text: str, pattern: re.Pattern[str]) -> Mapping[str, str | None]:
    match = pattern.fullmatch(text)
    if match is None:
        raise BadAnswer(f"The line does not look as expected: {text[:60]!r}.")
    return match.groupdict()


def to_number(text: str | None, what: str) -> float:
    """A decimal number as instruments write it. BadAnswer for anything else, `nan` among it."""
    stripped = (text or "").strip(" \t\r\n")  # a control character is no blank, it is a garbled line
    if not _NUMBER.fullmatch(stripped):
        raise BadAnswer(f"{what} reads {stripped[:40]!r}, which is no number.")
    return float(stripped)
