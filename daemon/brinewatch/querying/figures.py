"""What a span of readings amounts to: how long past a limit, between what most of the time."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import accumulate

from brinewatch.querying.past import Past, Values
from brinewatch.readings import Flag

_USABLE = (int(Flag.PASS), int(Flag.SUSPECT))
_HOUR_S = 3600.0


@dataclass(frozen=True, slots=True)
class Exceedance:
    """How long, how often and how far a point was past a limit.

    over_s: seconds past it; known_s: seconds in which there was a value at all; span_s: seconds asked about; times:
    how often it went past; longest_s: the longest of those; furthest: the value furthest past it, None when never;
    beyond: what lay past the limit times the hours it did, in the quantity's unit times hours.
    """

    limit: float
    above: bool
    over_s: float
    known_s: float
    span_s: float
    times: int
    longest_s: float
    furthest: float | None
    beyond: float

    @property
    def share(self) -> float | None:
        """Of the time that is known, 0 to 1; None when nothing is."""
        return self.over_s / self.known_s if self.known_s else None


def exceedance(
    past: Past, point: str, since_utc: float, until_utc: float, limit: float, *, above: bool, max_age_s: float
) -> Exceedance:
    """How long a point was above (or below) a limit. A usable reading stands until the next of any flag, and for
    max_age_s at most: a gap is time nobody knows, not time in order. A value at the limit is not past it.
    """
    sign = 1.0 if above else -1.0
    over_s = known_s = longest = episode = beyond = 0.0
    times, furthest = 0, None
    for begin, end, value in _stretches(past.values(point, since_utc, until_utc), until_utc, max_age_s):
        known = end - begin
        if value is None:
            episode = 0.0
            continue
        known_s += known
        past_it = sign * (value - limit)
        if past_it <= 0.0:
            episode = 0.0
            continue
        times += not episode
        episode += known
        over_s += known
        beyond += past_it * known / _HOUR_S
        longest = max(longest, episode)
        if furthest is None or sign * (value - furthest) > 0.0:
            furthest = value
    return Exceedance(limit, above, over_s, known_s, until_utc - since_utc, times, longest, furthest, beyond)


def _stretches(
    chunks: Iterable[Values], until: float, max_age_s: float
) -> Iterable[tuple[float, float, float | None]]:
    """From when to when a value stood; None where nothing is known."""
    before: tuple[float, float | None] | None = None
    for stamps, values, flags in chunks:
        for t, value, flag in zip(stamps, values, flags, strict=True):
            here = t / 1e6
            if before is not None:
                yield from _stood(*before, here, max_age_s)
            before = (here, value if flag in _USABLE else None)
    if before is not None:
        yield from _stood(*before, until, max_age_s)


def _stood(
    begin: float, value: float | None, end: float, max_age_s: float
) -> Iterable[tuple[float, float, float | None]]:
    if value is None:
        yield begin, end, None
        return
    yield begin, min(end, begin + max_age_s), value
    if end > begin + max_age_s:
        yield begin + max_age_s, end, None


def percentiles(
    past: Past, point: str, since_utc: float, until_utc: float, wanted: Sequence[float]
) -> tuple[int, list[float | None]]:
    """How many usable readings there are, and the value below which so many percent of them lie.

    wanted: percent, 0 to 100. Between two readings in a straight line (definition 7 of Hyndman and Fan 1996, The
    American Statistician 50, 361-365, the one most programs use). None for each when there is no reading.
    ValueError for a percentage that is none.
    """
    if not all(0.0 <= one <= 100.0 for one in wanted):
        raise ValueError("a percentage lies from 0 to 100")
    seen: Counter[float] = Counter()
    for _, values, flags in past.values(point, since_utc, until_utc):
        if set(flags).issubset(_USABLE):
            seen.update(one for one in values if one is not None)
        else:
            seen.update(one for one, flag in zip(values, flags, strict=True) if flag in _USABLE and one is not None)
    return seen.total(), quantiles(seen, wanted)


def quantiles(seen: Counter[float], wanted: Sequence[float]) -> list[float | None]:
    """The same of values and how often each was seen."""
    ordered = sorted(seen)
    upto = list(accumulate(seen[one] for one in ordered))
    if not upto:
        return [None for _ in wanted]

    def at(rank: int) -> float:
        return ordered[bisect_right(upto, rank)]

    found: list[float | None] = []
    for one in wanted:
        place = (upto[-1] - 1) * one / 100.0
        below = math.floor(place)
        low, high = at(below), at(min(below + 1, upto[-1] - 1))
        found.append(low + (high - low) * (place - below))
    return found
