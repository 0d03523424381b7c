"""What a condition is shown: the readings as they stand now, whose point it looks at, and how old each may be."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import datetime

from brinewatch.moment import Moment
from brinewatch.readings import Flag, Reading

_NO_PARTS: Mapping[str, Moment] = {}


def age_s(reading: Reading, now: Moment) -> float:
    """How old the value is: since its stamp, and its oldest input before that."""
    since = now.mono - reading.at.mono
    return (since if since > 0.0 else 0.0) + reading.age_s


def trusted(reading: Reading | None, max_age_s: float, now: Moment) -> bool:
    """Whether a limit may be judged by it (QARTOD flag 1 or 3, a number, and not too old)."""
    return (
        reading is not None
        and reading.value is not None
        and reading.flag.usable
        and math.isfinite(reading.value)
        and age_s(reading, now) <= max_age_s
    )


class View:
    """The readings of one instant, seen from one point. It lasts for one scan and is turned from alarm to alarm.

    readings: the newest of each point, and of each feature under its key; point, max_age_s, band: of the condition
    that is being judged; parts: when each part of a combination began to hold, by its path; whatever changes them
    puts a new mapping in place, so that a memory is never written to.
    """

    __slots__ = ("_known", "_local", "band", "max_age_s", "now", "parts", "point", "readings")

    def __init__(self, readings: Mapping[str, Reading], now: Moment) -> None:
        self.readings = readings
        self.now = now
        self.point = ""
        self.max_age_s = 0.0
        self.band = 0.0
        self.parts = _NO_PARTS
        self._known: dict[tuple[str, float], float | None] = {}
        self._local: datetime | None = None

    @property
    def own(self) -> float | None:
        """The value of the point looked at, None when no limit may be judged by it."""
        return self.value(self.point, self.max_age_s)

    @property
    def reading(self) -> Reading | None:
        """The reading of the point looked at, trusted or not."""
        return self.readings.get(self.point)

    @property
    def local(self) -> datetime:
        """The shed's wall clock."""
        if self._local is None:
            self._local = self.now.local
        return self._local

    def value(self, point: str, max_age_s: float) -> float | None:
        """The value of a point, None when there is none to be trusted."""
        key = (point, max_age_s)
        known = self._known.get(key, math.nan)  # no value that is trusted is that
        if known is math.nan:
            reading = self.readings.get(point)
            known = reading.value if reading is not None and trusted(reading, max_age_s, self.now) else None
            self._known[key] = known
        return known

    def found(self, key: str) -> Reading | None:
        """A feature, to be judged by or not. RuntimeError when it could not be worked out: that rule is broken."""
        reading = self.readings.get(key)
        if reading is not None and reading.flag is Flag.FAIL:
            raise RuntimeError(reading.reason)
        return reading

    def feature(self, key: str, oldest_s: float) -> float | None:
        """The value of a feature, which may be infinite; None when it is unknown or was worked out too long ago."""
        reading = self.found(key)
        if reading is None or reading.value is None or not reading.flag.usable or math.isnan(reading.value):
            return None
        return reading.value if self.now.mono - reading.at.mono <= oldest_s else None

    def begins(self, path: str) -> Moment:
        """A part of a combination has begun to hold; when that was, when it is known already."""
        since = self.parts.get(path)
        if since is None:
            since = self.now
            self.parts = {**self.parts, path: since}
        return since

    def ends(self, path: str) -> None:
        """A part of a combination holds no more."""
        if path in self.parts:
            self.parts = {key: since for key, since in self.parts.items() if key != path}
