"""Now, as a value: passed in, never looked up."""

from __future__ import annotations

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
