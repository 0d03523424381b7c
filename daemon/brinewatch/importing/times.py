"""The time of a row: as it stands in the file, as POSIX seconds, or why it is none."""

from __future__ import annotations

from datetime import datetime, tzinfo

from brinewatch.examine.sheet import NUMBER
from brinewatch.importing.mapping import Ambiguous

# numbers from here on are seconds since 1970 (1973), or milliseconds (1973 as well); less is a day written together
_SECONDS_FROM, _MILLISECONDS_FROM, _MILLISECONDS_TO = 1e8, 1e11, 1e14
_AHEAD_S = 60.0


class Times:
    """Reads the times of one file, row after row. now_utc: what lies after it is refused."""

    def __init__(self, form: str | None, zone: tzinfo | None, ambiguous: Ambiguous, now_utc: float) -> None:
        self._form = form
        self._zone = zone
        self._ambiguous = ambiguous
        self._latest = now_utc + _AHEAD_S
        self._last = float("-inf")

    def utc(self, text: str) -> float:
        """POSIX seconds. ValueError says, for people, why there are none."""
        found = self._read(text.strip())
        if found > self._latest:
            raise ValueError(f"{text.strip()[:40]} lies in the future by the clock of this machine")
        self._last = found
        return found

    def _read(self, text: str) -> float:
        if not text:
            raise ValueError("there is no time")
        if self._form is None and NUMBER.fullmatch(text):
            number = float(text)
            if _SECONDS_FROM <= number < _MILLISECONDS_FROM:
                return number
            if _MILLISECONDS_FROM <= number < _MILLISECONDS_TO:
                return number / 1000.0
            raise ValueError(f"{text[:40]} is no time in seconds or milliseconds since 1970; say time_format")
        try:
            when = (
                datetime.strptime(text, self._form)  # noqa: DTZ007 - the zone is set below
                if self._form
                else datetime.fromisoformat(text)
            )
        except ValueError:
            raise ValueError(f"{text[:40]!r} is no time of the form {self._form or 'ISO 8601'}") from None
        try:
            return when.timestamp() if when.tzinfo else self._local(when, text)
        except (OverflowError, OSError):
            raise ValueError(f"{text[:40]!r} is no time of a calendar") from None

    def _local(self, when: datetime, text: str) -> float:
        if self._zone is None:
            raise ValueError(f"{text[:40]} has no offset from UTC; say time_zone")
        first, second = (when.replace(tzinfo=self._zone, fold=fold).timestamp() for fold in (0, 1))
        if datetime.fromtimestamp(first, self._zone).replace(tzinfo=None) != when:
            raise ValueError(f"{text[:40]} never was: clocks were put forward over it")
        if first == second or self._ambiguous == "first":
            return first
        if self._ambiguous == "second":
            return second
        if self._ambiguous == "in order":
            return first if first > self._last else second
        raise ValueError(f"{text[:40]} came twice, when clocks went back; say ambiguous")
