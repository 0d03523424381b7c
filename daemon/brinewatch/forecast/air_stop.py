"""The moment the air stops, and when it is back: by the readings themselves, not by an alarm and its delay."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from brinewatch.readings import Reading

_BACK_S = 60.0  # the air must be back for so long before a stop is over (judgement)


@dataclass(frozen=True, slots=True)
class AirOff:
    """The point that tells that the air has stopped, the limit below which it has, and the dip that is no stop."""

    point: str
    below: float
    after_s: float = 10.0


class AirStop:
    """Since when the air is off, by each point that tells it. A blind gauge changes nothing."""

    def __init__(self, points: Sequence[AirOff]) -> None:
        self._points = {one.point: one for one in points}
        self._low: dict[str, float] = {}
        self._back: dict[str, float] = {}
        self._ran: set[str] = set()

    def tell(self, points: Sequence[AirOff]) -> None:
        """The same points with other limits: what has been seen so far stays."""
        self._points = {one.point: one for one in points}

    def hear(self, one: Reading) -> None:
        told = self._points.get(one.point)
        if told is None or not one.usable or one.value is None:
            return
        if one.value < told.below:
            self._back.pop(one.point, None)
            self._low.setdefault(one.point, one.at.mono)
        else:
            self._ran.add(one.point)
            if one.point in self._low:
                self._back.setdefault(one.point, one.at.mono)

    def pass_time(self, mono: float) -> None:
        """A stop is over when the air has been back for a minute; a dip is when it is back."""
        for point, back in list(self._back.items()):
            if mono - back >= _BACK_S or back - self._low[point] < self._points[point].after_s:
                del self._low[point], self._back[point]

    def since(self, mono: float) -> float | None:
        """When it stopped; None while it runs, or has only dipped so far."""
        stops = (at for point, at in self._low.items() if mono - at >= self._points[point].after_s)
        return min(stops, default=None)

    @property
    def returning(self) -> bool:
        """Whether the air is back everywhere it was low, though not yet for a minute."""
        return bool(self._low) and self._low.keys() == self._back.keys()

    @property
    def found_off(self) -> bool:
        """Whether it was off already when it was first looked at."""
        return any(point not in self._ran for point in self._low)
