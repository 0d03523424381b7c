"""When the watch could not have called for every critical alarm: the minutes of the coverage, joined. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from brinewatch.alarms.coverage import EVERY_S
from brinewatch.readings import Reading

# a reading speaks for the minute before it, and a little more
_SPEAKS_FOR_S = 1.5 * EVERY_S


@dataclass(frozen=True, slots=True)
class Gap:
    """why: as the watch said of its first minute."""

    begin_utc: float
    end_utc: float
    why: str


def gaps_of(readings: Iterable[Reading], begin_utc: float, end_utc: float) -> list[Gap]:
    """In order, none touching another of the same reason. readings: of the coverage, in per cent, in order."""
    found: list[Gap] = []
    last = begin_utc

    def add(begin: float, end: float, why: str) -> None:
        if found and found[-1].why == why and begin - found[-1].end_utc < 1.0:
            found[-1] = replace(found[-1], end_utc=end)
        elif end > begin:
            found.append(Gap(begin, end, why))

    for one in readings:
        if one.value is None:
            continue
        at = one.at.utc
        since = max(last, at - _SPEAKS_FOR_S)
        if since > last:
            add(last, since, "nothing ran")
        if one.value < 100.0:
            add(since, at, one.reason or "not told")
        last = at
    if end_utc - last > _SPEAKS_FOR_S:
        add(last, end_utc, "nothing ran")
    return found
