"""The readings there have been, as they should be seen now: the way to them for everybody who asks.

What was read is kept as it was told at the time. Where a calibration record came later than the readings it counts
for, they are put right on the way out (views); everywhere else what is kept is what is told, and hours that are
summed up already are taken as they are. Which spans are which follows from the records alone.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import tzinfo
from itertools import groupby

from brinewatch.errors import BrinewatchError
from brinewatch.readings import Reading
from brinewatch.signals.derived import Derivation
from brinewatch.signals.records import CalibrationRecord, Visit
from brinewatch.store.columns import microseconds
from brinewatch.store.history_rows import DAY_US
from brinewatch.store.reader import StoreReader
from brinewatch.views import inputs_of, seen

Span = tuple[float, float]
# stamps (microseconds from 1970), values, flags
Values = tuple[Sequence[int], Sequence[float | None], Sequence[int]]

_EVER = 1e12  # seconds
_LAG_S = 3600.0  # within this a record that was made is in use
_DAY_S = 86400.0
_INPUT_LOOK_S = 30 * _DAY_S  # a value worked out stands on no older input


@dataclass(frozen=True, slots=True)
class How:
    """What the shed file says of seeing readings. accuracies: by measured point, one standard uncertainty of its
    probe, None when unknown; derivations: each after those it stands on."""

    accuracies: Mapping[str, float | None]
    derivations: Sequence[Derivation]
    zone: tzinfo


class Past:
    """Use it in one thread, within the `with` of its store. StoreError when the store cannot be read."""

    def __init__(self, store: StoreReader, how: How) -> None:
        self.store = store
        self.how = how
        self._points = store.points()
        self._records = store.calibrations()
        self._corrected: dict[str, Sequence[Span]] = {}

    # -- what there is ----------------------------------------------------------------------------------------

    @property
    def points(self) -> Mapping[str, str]:
        """Every point there are readings of, with its quantity."""
        return self._points

    @property
    def records(self) -> Sequence[CalibrationRecord]:
        return self._records

    def quantity(self, point: str) -> str:
        """BrinewatchError, naming those there are, for a point without readings."""
        try:
            return self._points[point]
        except KeyError:
            known = ", ".join(self._points) or "nothing yet"
            raise BrinewatchError(
                f"There is no reading of {point!r}.", f"There are readings of: {known}."
            ) from None

    def corrected(self, point: str) -> Sequence[Span]:
        """Spans of UTC seconds in which a reading may be seen otherwise than it is kept, in order, apart."""
        if point not in self._corrected:
            inputs = inputs_of(point, self.how.derivations)
            found = spans_corrected(self._records, {point, *inputs})
            if inputs and found:
                found = [(begin, self._outlived(inputs, end)) for begin, end in found]
            self._corrected[point] = joined(found)
        return self._corrected[point]

    def _outlived(self, inputs: Collection[str], end: float) -> float:
        """Until when a value worked out may stand on an input read before `end`: each is read anew by then."""
        latest = end
        for one in inputs:
            following = next(self.store.readings([one], end, end + _INPUT_LOOK_S), None)
            latest = max(latest, end + _INPUT_LOOK_S if following is None else following.at.utc + 1.0)
        return latest

    # -- readings ---------------------------------------------------------------------------------------------

    def last(self, point: str, until_utc: float) -> Reading | None:
        """The newest reading of a point at or before an instant."""
        self.quantity(point)
        stored = self.store.last(point, until_utc)
        if stored is None or not within(stored.at.utc, self.corrected(point)):
            return stored
        return next(self.readings([point], stored.at.utc, stored.at.utc + 1e-6), stored)

    def readings(self, points: Sequence[str], since_utc: float, until_utc: float) -> Iterator[Reading]:
        """Readings of several points from since to before until, in order of time, one after another."""
        for point in points:
            self.quantity(point)
        spans = joined([one for point in points for one in self.corrected(point)])
        for begin, end, changed in parts(since_utc, until_utc, spans):
            if changed:
                yield from self._seen(points, begin, end)
            else:
                yield from self.store.readings(points, begin, end)

    def _seen(self, points: Sequence[str], since: float, until: float) -> Iterator[Reading]:
        plan = self.how.derivations
        needed = list(dict.fromkeys([*(one for point in points for one in inputs_of(point, plan)), *points]))
        of = {one.point: tuple(one.inputs.values()) for one in plan}
        before = self._standing(needed, of, since)
        stored = self.store.readings(needed, since, until)
        views = seen(_chained(before, stored), self._records, self.how.accuracies, plan)
        wanted = set(points)
        return (one for one in views if one.point in wanted and one.at.utc >= since)

    def _standing(self, points: Sequence[str], inputs: Mapping[str, Sequence[str]], since: float) -> list[Reading]:
        """What stood when the span began: the last reading of each input, and what that one stood on."""
        found: dict[tuple[float, str], Reading] = {}

        def gather(point: str, until: float) -> None:
            one = self.store.last(point, until)
            if one is not None and (one.at.utc, point) not in found:
                found[one.at.utc, point] = one
                for source in inputs.get(point, ()):
                    gather(source, one.at.utc)

        for point in points:
            gather(point, since - 1e-6)  # what was read at `since` itself comes with the span
        return [found[key] for key in sorted(found)]

    def values(self, point: str, since_utc: float, until_utc: float) -> Iterator[Values]:
        """Stamps, values and flags of a point, at most a UTC day at a time: the soonest way to every value.

        The lists are not to be changed.
        """
        self.quantity(point)
        for begin, end, changed in parts(since_utc, until_utc, self.corrected(point)):
            if not changed:
                yield from self.store.values(point, begin, end)
                continue
            rows = self._seen([point], begin, end)
            for _, day in groupby(rows, key=lambda one: microseconds(one.at.utc) // DAY_US):
                ones = list(day)
                yield (
                    [microseconds(one.at.utc) for one in ones],
                    [one.value for one in ones],
                    [int(one.flag) for one in ones],
                )


# -- spans --------------------------------------------------------------------------------------------------------


def spans_corrected(records: Iterable[CalibrationRecord], points: Collection[str]) -> list[Span]:
    """Where a reading may have been taken before a record that counts for it was in use, of any of these points."""
    own = {one.id: one for one in records if one.point in points and one.visit is Visit.CALIBRATION}
    found = []
    for one in own.values():
        begin, before, met = one.effective_utc, own.get(one.replaces), {one.id}
        while before is not None and before.id not in met:
            met.add(before.id)
            begin, before = min(begin, before.effective_utc), own.get(before.replaces)
        found.append((min(begin, one.made_utc), one.made_utc + _LAG_S))
    return found


def joined(spans: Iterable[Span]) -> list[Span]:
    """The same stretches of time in order, none touching another."""
    found: list[Span] = []
    for begin, end in sorted(spans):
        if found and begin <= found[-1][1]:
            found[-1] = (found[-1][0], max(end, found[-1][1]))
        else:
            found.append((begin, end))
    return found


def parts(since: float, until: float, spans: Sequence[Span]) -> Iterator[tuple[float, float, bool]]:
    """A span cut where others begin and end: (begin, end, whether inside one of them), without a hole."""
    here = since
    for begin, end in spans:
        begin, end = max(begin, since), min(end, until)
        if begin >= end:
            continue
        if here < begin:
            yield here, begin, False
        yield begin, end, True
        here = end
    if here < until:
        yield here, until, False


def within(utc: float, spans: Sequence[Span]) -> bool:
    """Whether an instant lies in one of the spans, which are in order."""
    place = bisect_left(spans, (utc, _EVER))
    return place > 0 and spans[place - 1][0] <= utc < spans[place - 1][1]


def _chained(before: Iterable[Reading], stored: Iterable[Reading]) -> Iterator[Reading]:
    yield from before
    yield from stored
