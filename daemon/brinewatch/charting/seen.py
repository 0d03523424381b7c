"""One point over a span as it is to be drawn: stretches, how long each value stands, how sure it is, between which
values it lies. What draws shapes and what packs numbers for a script both begin here."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass

from brinewatch.config import ShedFile
from brinewatch.quantities import QUANTITIES
from brinewatch.querying.asking import max_age_s
from brinewatch.querying.buckets import Buckets, buckets, edges_for
from brinewatch.querying.marks import LimitLine
from brinewatch.querying.past import Past

# uncertainty changes slowly: it is asked for at so many instants of a span
_ASKED = 32
# limits are drawn up to so far beyond what was read, as a share of its reach
_REACH = 0.7

# which stretch, from when, until when its value stands
Standing = tuple[int, float, float]


@dataclass(frozen=True, slots=True)
class Seen:
    """found: a row for each stretch; standing: those with a usable reading; unsure: of each stretch, one standard
    uncertainty in the quantity's own unit, None when unknown; earlier: the period held against, on the same axis.
    """

    point: str
    quantity: str
    found: Buckets
    standing: Sequence[Standing]
    unsure: Sequence[float | None]
    earlier: Buckets | None
    earlier_standing: Sequence[Standing]

    def doubted(self, n: int) -> bool:
        """Whether half or more of what was read in a stretch is suspect: it is drawn hollow."""
        return bool(self.found.suspect[n]) and self.found.suspect[n] >= self.found.passed[n]

    def speckled(self, n: int) -> bool:
        """Whether a smaller part of it is suspect or failed: told beside the trace, or a year would be hollow."""
        return not self.doubted(n) and bool(self.found.suspect[n] or self.found.failed[n])

    def reach(self, limits: Sequence[LimitLine]) -> tuple[float, float, list[LimitLine]] | None:
        """Lowest and highest of what is drawn, with its uncertainty and the limits that lie near; None when nothing
        was read."""
        spread = [one or 0.0 for one in self.unsure]
        both = [low - more for low, more in zip(self.found.low, spread, strict=True) if low is not None]
        both += [high + more for high, more in zip(self.found.high, spread, strict=True) if high is not None]
        if self.earlier is not None:
            both += [one for column in (self.earlier.low, self.earlier.high) for one in column if one is not None]
        if not both:
            return None
        least = 10.0 * 10.0 ** -QUANTITIES[self.quantity].decimals
        low, high = min(both), max(both)
        far = _REACH * max(high - low, least)
        near = [one for one in limits if low - far <= one.value <= high + far]
        low, high = min([low, *(one.value for one in near)]), max([high, *(one.value for one in near)])
        if high - low < least:
            low, high = (low + high - least) / 2, (low + high + least) / 2
        return low, high, near


def look(past: Past, shed: ShedFile, point: str, edges: Sequence[float], shift: float = 0.0) -> Seen:
    """shift: so many seconds before lies the period held against, none at 0. BrinewatchError for no such point."""
    quantity = past.quantity(point)
    age = max_age_s(shed, point)
    found = buckets(past, point, edges)
    earlier = buckets(past, point, [edge - shift for edge in edges]) if shift else None
    return Seen(
        point, quantity, found, standing(found, edges, age), unsure_of(past, point, edges), earlier,
        standing(earlier, edges, age) if earlier is not None else (),
    )  # fmt: skip


def standing(found: Buckets, edges: Sequence[float], age: float) -> list[Standing]:
    """Each stretch with a usable reading: which, from when, until when it stands. Until the next, that is, and as
    long as alarms judge by it (age, seconds) at most."""
    known = [n for n, low in enumerate(found.low) if low is not None]
    begins = [edges[n] for n in known]
    ends = [*begins[1:], edges[-1]][: len(begins)]
    return [
        (n, begin, max(edges[n + 1], min(end, edges[n + 1] + age)))
        for n, begin, end in zip(known, begins, ends, strict=True)
    ]


def unsure_of(past: Past, point: str, edges: Sequence[float]) -> list[float | None]:
    """One standard uncertainty for each stretch: the larger of what readings beside it were told with.

    A few readings of the span are asked, not all of a year: it follows calibrations and drift, which are slow.
    """
    asked = edges_for(edges[0], edges[-1], _ASKED)
    told: list[float | None] = []
    for n, edge in enumerate(asked):
        one = past.last(point, edge)
        fresh = one is not None and one.at.utc >= (asked[n - 1] if n else 2 * asked[0] - asked[1])
        told.append(one.uncertainty if one is not None and fresh else None)
    found: list[float | None] = []
    for begin in edges[:-1]:
        place = bisect_right(asked, begin)
        near = [one for one in told[place - 1 : place + 1] if one is not None]
        found.append(max(near, default=None))
    return found
