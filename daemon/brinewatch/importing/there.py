"""What the history has already at the instants a file speaks of."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from enum import Enum
from itertools import chain

from brinewatch.config import ShedFile
from brinewatch.readings import Reading
from brinewatch.signals.records import CalibrationRecord
from brinewatch.store.columns import as_kept, microseconds
from brinewatch.store.history_rows import DAY_US
from brinewatch.store.reader import StoreReader
from brinewatch.views import seen

_BEFORE_S = 1e-6


class State(Enum):
    """Of a reading of a file: the history has none of that instant, has the same, or has another."""

    NEW = "new"
    SAME = "there already"
    OTHER = "in conflict"


class There:
    """The readings of a store, looked up in order of time. Without a history there are none."""

    def __init__(self, shed: ShedFile, store: StoreReader | None) -> None:
        self._shed = shed
        self._store = store
        self._days: dict[str, tuple[int, dict[int, tuple[float | None, float | None]]]] = {}

    def calibrations(self) -> Sequence[CalibrationRecord]:
        return () if self._store is None else self._store.calibrations()

    def state(self, reading: Reading) -> State:
        """Readings of a point are asked for in order of time. What a probe said tells whether two are the same; of
        what was worked out, the number.
        """
        t_us = microseconds(reading.at.utc)
        kept = self._day(reading.point, t_us // DAY_US).get(t_us)
        if kept is None:
            return State.NEW
        one = as_kept(reading)
        raw, value = kept
        same = one.raw == raw if (one.raw, raw) != (None, None) else one.value == value
        return State.SAME if same else State.OTHER

    def _day(self, point: str, day: int) -> Mapping[int, tuple[float | None, float | None]]:
        if self._days.get(point, (None,))[0] != day:
            found: dict[int, tuple[float | None, float | None]] = {}
            if self._store is not None:
                for columns in self._store.columns(point, day * DAY_US / 1e6, (day + 1) * DAY_US / 1e6):
                    found.update(zip(columns.t, zip(columns.raw, columns.value, strict=True), strict=True))
            self._days[point] = (day, found)
        return self._days[point][1]

    def known(self, points: Sequence[str], since: float, until: float) -> Iterator[Reading]:
        """Readings of points that are not in the file, by the calibrations there are now, oldest first: the last
        one of each before an instant, then all up to another.
        """
        store = self._store
        there = set() if store is None else set(store.points())
        points = [point for point in points if point in there]
        if store is None or not points:
            return iter(())
        before = [one for point in points if (one := store.last(point, since - _BEFORE_S)) is not None]
        before.sort(key=lambda one: one.at.utc)
        accuracies = {name: channel.accuracy for name, (_, _, channel) in self._shed.channels().items()}
        stored = store.readings(points, since, until + _BEFORE_S)
        return seen(chain(before, stored), store.calibrations(), accuracies, self._shed.derivations)


@contextmanager
def store_of(shed: ShedFile) -> Iterator[StoreReader | None]:
    """The store of a shed, None before there is one."""
    if not (shed.data / "history.sqlite").is_file():
        yield None
        return
    with StoreReader(shed.data, shed.zone) as store:
        yield store
