"""Now, as a value: passed in, never looked up."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo


@dataclass(frozen=True, slots=True)
class Moment:
    """One instant as the shed knows it.

    mono: seconds on a clock that never steps (comparable only within one boot); utc: POSIX seconds;
    trusted: whether UTC was synchronised since boot; zone: the shed's own time zone.
    """

    mono: float
    utc: float
    trusted: bool
    zone: tzinfo = UTC

    @property
    def local(self) -> datetime:
        """The shed's calendar and wall clock."""
        return datetime.fromtimestamp(self.utc, self.zone)

    def later(self, seconds: float) -> Moment:
        """The same clock, so many seconds on."""
        return Moment(self.mono + seconds, self.utc + seconds, self.trusted, self.zone)


def utc_text(utc: float) -> str:
    """POSIX seconds as ISO 8601 in UTC, to the millisecond; no float rounding can carry it to another second."""
    whole = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(milliseconds=round(utc * 1000))
    return whole.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def span_text(seconds: float) -> str:
    """A length of time as people say it: 45 s, 12 min, 3 h 10 min, 4 d 2 h."""
    total = round(max(0.0, seconds))
    if total < 100:
        return f"{total} s"
    minutes = round(total / 60)
    if minutes < 90:
        return f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    if hours < 48:
        return f"{hours} h {minutes} min" if minutes else f"{hours} h"
    days, hours = divmod(hours, 24)
    return f"{days} d {hours} h" if hours else f"{days} d"


_SPAN = re.compile(r"(\d+(?:\.\d+)?)\s*(s|min|m|h|d|w)")
_UNIT_S = {"s": 1.0, "m": 60.0, "min": 60.0, "h": 3600.0, "d": 86400.0, "w": 7 * 86400.0}


def seconds_of(text: str) -> float:
    """A length of time as people write it: 45s, 10m, 24h, 7d, 2w. ValueError when it is none, or no time at all."""
    found = _SPAN.fullmatch(text.strip().lower())
    seconds = float(found[1]) * _UNIT_S[found[2]] if found else 0.0
    if not seconds:
        raise ValueError(f"{text!r}: expected a length of time like 10m, 24h or 7d")
    return seconds


def utc_of(text: str, zone: tzinfo) -> float:
    """A day or a minute of a calendar in `zone`, as POSIX seconds. ValueError when it is neither."""
    try:
        found = datetime.fromisoformat(text.strip())
    except ValueError:
        raise ValueError(f"{text!r}: expected a day like 2026-09-01, or a minute like 2026-09-01T14:00") from None
    return (found if found.tzinfo else found.replace(tzinfo=zone)).timestamp()
