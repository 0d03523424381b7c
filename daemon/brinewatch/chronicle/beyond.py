"""For how long a quantity was past a limit, and how far, from its readings. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from brinewatch.readings import Flag

# stamps (microseconds from 1970), values, flags: as the past hands them out
Values = tuple[Sequence[int], Sequence[float | None], Sequence[int]]


@dataclass(frozen=True, slots=True)
class Beyond:
    """beyond_s: past the limit; known_s: with a usable reading; whole_s: of the span; worst: the farthest usable
    value on the side of the limit, in the quantity's own unit, None without any."""

    beyond_s: float
    known_s: float
    whole_s: float
    worst: float | None


def beyond(
    values: Iterable[Values], side: str, limit: float, since_utc: float, until_utc: float, age_s: float
) -> Beyond:
    """side: "min" or "max". Each usable reading stands until the next of any flag, no longer than age_s."""
    past_s = known_s = 0.0
    worst: float | None = None
    last: tuple[float, float] | None = None  # when and what the last usable reading was

    def stands(until: float) -> None:
        nonlocal past_s, known_s
        if last is not None:
            spoken = max(0.0, min(until, last[0] + age_s, until_utc) - max(last[0], since_utc))
            known_s += spoken
            past_s += spoken if _past(last[1], side, limit) else 0.0

    for stamps, column, flags in values:
        for stamp, value, flag in zip(stamps, column, flags, strict=True):
            at = stamp / 1_000_000
            stands(at)
            last = None
            if value is not None and Flag(flag).usable:
                last = (at, value)
                if worst is None or (value < worst if side == "min" else value > worst):
                    worst = value
    stands(until_utc)
    return Beyond(past_s, known_s, until_utc - since_utc, worst)


def _past(value: float, side: str, limit: float) -> bool:
    return value < limit if side == "min" else value > limit
