"""Times as people write them, and text that is safe to show: the same for the terminal and the page. Pure."""

from __future__ import annotations

import re

from brinewatch.errors import BrinewatchError
from brinewatch.moment import Moment, seconds_of, utc_of

_PHONE = re.compile(r"(?<![\d.:-])(?:\+|00?)[1-9][0-9]{4,12}([0-9]{2})(?![0-9])")


def span_of(since: str, until: str | None, now: Moment) -> tuple[float, float]:
    """Both ends of --since and --until as UTC seconds. BrinewatchError when they make no span."""
    begin, end = instant_of("--since", since, now), now.utc if until is None else instant_of("--until", until, now)
    if begin >= end:
        raise BrinewatchError("--since is not before --until.", "Write for example --since 7d --until 24h.")
    return begin, end


def instant_of(option: str, text: str, now: Moment) -> float:
    """UTC seconds of an instant as people write it: so long ago, or a day or minute. BrinewatchError when none."""
    try:
        return now.utc - seconds_of(text)
    except ValueError:
        try:
            return utc_of(text, now.zone)
        except (ValueError, OverflowError, OSError):
            raise BrinewatchError(
                f"{option} {text!r} is no time.", "Write 24h, 7d, 2026-09-01 or 2026-09-01T14:00."
            ) from None


def one_line(text: str) -> str:
    """What others wrote, on one line, with nothing in it that a terminal would obey."""
    return " ".join("".join(letter if letter.isprintable() else " " for letter in text).split())


def masked(text: str) -> str:
    """The same text with all of each phone number (E.164, or as dialled at home) hidden but its last two digits."""
    return _PHONE.sub(r"…\1", text)
