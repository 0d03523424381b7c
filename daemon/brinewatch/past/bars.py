"""A curve in one line of text."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Sequence

from brinewatch.readings import Reading

_BARS, _SPARKS = 60, "▁▂▃▄▅▆▇█"


def spark(readings: Iterable[Reading], since: float, until: float, width: int = _BARS) -> str:
    """The span as one line of bars from lowest to highest, empty where there is no usable value."""
    bins: dict[int, float] = {}
    for one in readings:
        if one.usable and one.value is not None:
            bins[min(width - 1, int((one.at.utc - since) / (until - since) * width))] = one.value
    return spark_of([bins.get(place) for place in range(width)]) if bins else ""


def spark_of(values: Sequence[float | None]) -> str:
    """One bar a value, a blank for None."""
    known = [one for one in values if one is not None]
    if not known:
        return ""
    low, high = min(known), max(known)
    scale = (len(_SPARKS) - 1) / (high - low) if high > low else 0.0
    return "".join(" " if one is None else _SPARKS[round((one - low) * scale)] for one in values)


def can_print(text: str) -> bool:
    """Whether the terminal's encoding has these letters."""
    try:
        text.encode(sys.stdout.encoding or "ascii")
    except UnicodeEncodeError:
        return False
    return True
