"""What a probe publishes, taken apart. Pure: bytes in, numbers and an instant out.

A payload is a plain number, or JSON (RFC 8259) in which a pointer (RFC 6901) finds the number.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from datetime import datetime
from typing import Any, NoReturn

from brinewatch.errors import BadAnswer
from brinewatch.probes.line_text import to_number

POINTER = r"^(/([^~/]|~[01])*)+$"
_INDEX = re.compile(r"0|[1-9][0-9]{0,8}", re.ASCII)
# above this a number of seconds would lie after the year 5000: it is milliseconds
_MILLISECONDS = 1e11
_FIRST_UTC, _LAST_UTC = 946_684_800.0, 4_102_444_800.0  # the years 2000 to 2099


def text_of(payload: bytes, longest: int) -> str:
    """A payload as text. BadAnswer when it is too long or no text."""
    if len(payload) > longest:
        raise BadAnswer(f"A payload of {len(payload)} bytes came; the longest is {longest}.")
    try:
        return payload.decode("utf-8")
    except UnicodeDecodeError as error:
        raise BadAnswer(f"The payload is no text: {payload[:40]!r}.") from error


def document_of(text: str) -> Any:
    """The JSON value of a payload; every number a float. BadAnswer for no JSON, NaN, or a key that stands twice."""
    try:
        return json.loads(text, parse_int=float, parse_constant=_no_constant, object_pairs_hook=_once_each)
    except (ValueError, RecursionError) as error:
        raise BadAnswer(f"The payload is no JSON: {text[:40]!r}.") from error


def _no_constant(word: str) -> NoReturn:
    raise ValueError(f"{word} is no number in JSON")


def _once_each(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError("a key stands twice")
    return found


def found_at(document: Any, pointer: str) -> Any:
    """What a pointer leads to. BadAnswer when there is nothing."""
    here = document
    for part in pointer.split("/")[1:]:
        key = part.replace("~1", "/").replace("~0", "~")
        if isinstance(here, dict) and key in here:
            here = here[key]
        elif isinstance(here, list) and _INDEX.fullmatch(key) and int(key) < len(here):
            here = here[int(key)]
        else:
            raise BadAnswer(f"The payload has no {pointer}.")
    return here


def number_of(value: Any, what: str, words: Mapping[str, float], *, states: bool) -> float:
    """A JSON value or a text as a number.

    what: names it for people; words: texts that stand for a number; states: whether true and false are 1 and 0.
    """
    if isinstance(value, bool):
        if not states:
            raise BadAnswer(f"{what} reads {str(value).lower()}, which is no number.")
        return float(value)
    if isinstance(value, float):
        return value
    if isinstance(value, str):
        return words[value.strip()] if value.strip() in words else to_number(value, what)
    raise BadAnswer(f"{what} reads {_short(value)}, which is no number.")


def utc_of_stamp(value: Any, pointer: str) -> float:
    """A time in a payload as POSIX seconds: those or milliseconds as a number, or ISO 8601 with its zone."""
    utc = None
    if isinstance(value, float):
        utc = value / 1000.0 if value > _MILLISECONDS else value
    elif isinstance(value, str):
        try:
            at = datetime.fromisoformat(value.strip())
        except ValueError:
            at = None
        if at is not None and at.tzinfo is None:
            raise BadAnswer(f"The time {value.strip()!r} at {pointer} does not say of which zone it is.")
        utc = None if at is None or not 1999 < at.year < 2101 else at.timestamp()
    if utc is None or not _FIRST_UTC <= utc <= _LAST_UTC:
        raise BadAnswer(f"{pointer} reads {_short(value)}, which is no time.")
    return utc


def _short(value: Any) -> str:
    text = json.dumps(value) if not isinstance(value, (dict, list)) else "a table or a list"
    return text if len(text) <= 40 else f"{text[:40]}..."
