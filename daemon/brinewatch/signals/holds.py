"""Points being calibrated: what they read is not the water, so no alarm judges it, for a bounded time."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, replace

from brinewatch.moment import Moment
from brinewatch.readings import Flag, Reading


@dataclass(frozen=True, slots=True)
class Hold:
    """by: who calibrates; until_mono: when the hold ends by itself, monotonic seconds."""

    by: str
    until_mono: float


class Holds:
    """Which points are held. A hold that has run out is as good as none."""

    def __init__(self) -> None:
        self._holds: dict[str, Hold] = {}

    def hold(self, points: Iterable[str], by: str, until_mono: float) -> None:
        self._holds.update(dict.fromkeys(points, Hold(by, until_mono)))

    def release(self, points: Iterable[str]) -> None:
        for point in points:
            self._holds.pop(point, None)

    def of(self, point: str, now: Moment) -> Hold | None:
        """The hold a point is under now."""
        hold = self._holds.get(point)
        return hold if hold is not None and now.mono < hold.until_mono else None

    def now(self, now: Moment) -> Mapping[str, Hold]:
        """Every point held now."""
        return {point: hold for point, hold in self._holds.items() if now.mono < hold.until_mono}


def held(reading: Reading, hold: Hold) -> Reading:
    """The reading of a held point: its numbers are kept, and nobody judges them."""
    own = f": {reading.reason}" if reading.reason and not reading.flag.usable else ""
    return replace(reading, flag=Flag.NOT_EVALUATED, reason=f"being calibrated by {hold.by}{own}")


def reached(
    points: Collection[str], made: Iterable[tuple[Collection[str], Collection[str]]], latest: Mapping[str, Reading]
) -> frozenset[str]:
    """The held points, and those that have no value to be judged while something they stand on is held.

    made: (points, inputs) of everything worked out, each after what it stands on. What goes on without the held
    input, by something assumed in its place, is judged as ever.
    """
    found = set(points)
    if found:
        for results, inputs in made:
            if not found.isdisjoint(inputs):
                found.update(one for one in results if one in latest and not latest[one].usable)
    return frozenset(found)
