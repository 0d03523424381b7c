"""The store as a record that can be rehearsed: hours by their summaries, readings where they must be stepped.

rebuilt: how many hours had readings and no summary, and were worked out here.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from heapq import merge

from brinewatch.alarms.features import done_key
from brinewatch.alarms.summary import HOUR_S, HourSummary, summarise
from brinewatch.errors import BrinewatchError
from brinewatch.moment import Moment
from brinewatch.readings import Flag, Reading, quantity_of
from brinewatch.rehearsal.record import Kept, timed
from brinewatch.signals.records import CalibrationRecord, Visit
from brinewatch.store.reader import StoreReader

_MICROSECOND = 1e-6
_BEGINS = "The watch begins"


class Stored:
    """Readings of a store. done: when points were last calibrated, as rules look it up, from the journal."""

    def __init__(self, store: StoreReader, until: float, done: Kept) -> None:
        self._store = store
        self._points = store.points()
        self._until = until
        self._done = done
        self._rows: dict[str, dict[float, HourSummary]] = {}
        self._from: dict[str, float] = {}
        self._following: dict[tuple[float, float], float | None] = {}
        self.rebuilt = 0

    @property
    def points(self) -> Mapping[str, str]:
        """Every point there are readings of, with its quantity."""
        return self._points

    def hour(self, point: str, start: float) -> HourSummary | None:
        if point not in self._points:
            return self._done.hour(point, start)
        rows, known = self._rows.setdefault(point, {}), self._from.get(point, self._until)
        if start < known:
            rows.update((row.start, _timed(row)) for row in self._store.hours(point, start, known))
            self._from[point] = start
        found = rows.get(start)
        if found is None:
            within = list(self.readings([point], start, start + HOUR_S))
            self.rebuilt += bool(within)
            found = rows[start] = summarise(point, start, within, self.last(point, start))
        return found

    def readings(self, points: Sequence[str], since: float, until: float) -> Iterator[Reading]:
        kept = self._store.readings([point for point in points if point in self._points], since, until)
        stored = (timed(one) for one in kept)
        done = self._done.readings([point for point in points if point not in self._points], since, until)
        return merge(stored, done, key=lambda one: one.at.utc)

    def last(self, point: str, before: float) -> Reading | None:
        if point not in self._points:
            return self._done.last(point, before)
        found = self._store.last(point, before - _MICROSECOND)
        return None if found is None else timed(found)

    def following(self, after: float, before: float) -> float | None:
        # rules that are held against others ask the same again, and it is the most work of all
        asked = (after, before)
        if asked not in self._following:
            found = [self._store.following(after, before), self._done.following(after, before)]
            self._following[asked] = min((one for one in found if one is not None), default=None)
        return self._following[asked]


def _timed(row: HourSummary) -> HourSummary:
    return row if row.before is None else replace(row, before=timed(row.before))


def calibrations_done(records: Sequence[CalibrationRecord], like: Moment) -> Kept:
    """Every calibration as rules about it look it up."""
    replaced = {one.replaces for one in records}
    found: dict[str, dict[float, Reading]] = {}
    for one in records:
        if one.visit is Visit.CALIBRATION and one.id not in replaced:
            at = Moment(one.made_utc, one.made_utc, True, like.zone)
            key = done_key(one.point, "calibration")
            reading = Reading(key, quantity_of(one.point), 1.0, None, Flag.PASS, "", at, "journal")
            found.setdefault(key, {})[one.made_utc] = reading
    return Kept({key: [made[utc] for utc in sorted(made)] for key, made in found.items()})


def watched(store: StoreReader, record: Stored, since: float, until: float) -> list[tuple[float, float]]:
    """The stretches of time in which there was a watch: from each start of the daemon to its last reading."""
    begins = sorted(
        float(one.fields["at_utc"])
        for one in store.records(("remark",), since, until)
        if one.fields["kind"] == "settings" and str(one.fields["body"]).startswith(_BEGINS)
    )
    found, begin = [], since
    for start in (*begins, until):
        last = max((one.at.utc for point in record.points if (one := record.last(point, start))), default=begin)
        if begin < last < start:
            found.append((begin, last + _MICROSECOND))
        begin = max(begin, start)
    if not found:
        raise BrinewatchError("The store has no readings of that time.", "What there is: brinewatch history")
    return found
