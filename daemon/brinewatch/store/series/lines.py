"""Readings as a time-series server is told them: one point each, the same bytes whenever it is told again.

    reading,quantity=oxygen,shed=gannet-quay,stage=raceway flag=1,raw=8.31,value=8.41 1795600000200

(line protocol, docs.influxdata.com/influxdb/v2/reference/syntax/line-protocol). Every field is a float for ever: a
server that has once met a float refuses a whole number, and the other way round. Three tags tell the series apart
and no more: a tag that changes, such as the probe, would begin a new series at each change, and what is told again
would not fall on what was told before. Their values are keys, in which nothing need be escaped.
"""

from __future__ import annotations

import hashlib
import math
import struct
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby

from brinewatch.readings import quantity_of, stage_of
from brinewatch.store.columns import Columns

MEASUREMENT = "reading"
TICK_US = 100_000
_MS_US = 1000
_IN_TICK = TICK_US // _MS_US  # milliseconds
# A server that keeps numbers as decimals (VictoriaMetrics) gives ten digits back as they were, and not always more.
# No probe has that many, and a value that was worked out has fewer in the history already.
DIGITS = 10

ENDLESS = "its value is infinite, which no server takes"
CROWDED = "there are more readings in one tenth of a second than it has milliseconds"


@dataclass(frozen=True, slots=True)
class Line:
    """One point as it is sent. t_us: the reading's own instant, by which the history names it; ms: the instant it
    is told under; value: as told, None when the reading has none."""

    text: str
    point: str
    t_us: int
    ms: int
    value: float | None
    flag: int


@dataclass(frozen=True, slots=True)
class Refused:
    """A reading that no server takes, or that this one does not."""

    point: str
    t_us: int
    reason: str


def told(value: float) -> str:
    """A number as it is sent: ten significant digits, no minus before nought."""
    return f"{value + 0.0:.{DIGITS}g}"


def window(since_us: int, until_us: int) -> tuple[int, int]:
    """The ticks that hold a span: what shares a tick is told together."""
    return since_us // TICK_US * TICK_US, -(-until_us // TICK_US) * TICK_US


def aligned(stamps: Sequence[int]) -> list[int | None]:
    """Instants (microseconds, ascending, all of a tick or none) as the milliseconds they are told under.

    The first reading of a tick is told under the tick's beginning: scans then stand at even distances and take a
    server little room. A further one of the same tick is told under its own millisecond, or the nearest free one
    that keeps their order; None for what is beyond the hundred a tick has.
    """
    found: list[int | None] = []
    for tick, together in groupby(stamps, key=lambda t_us: t_us // TICK_US):
        begin, own = tick * _IN_TICK, list(together)
        places = [begin]
        for t_us in own[1:_IN_TICK]:
            places.append(max(t_us // _MS_US, places[-1] + 1))
        free = begin + _IN_TICK - 1
        for place in range(len(places) - 1, 0, -1):
            if places[place] <= free:
                break
            places[place], free = free, free - 1
        found += [*places, *[None] * (len(own) - len(places))]
    return found


def made(shed: str, point: str, columns: Columns) -> tuple[list[Line], list[Refused]]:
    """Readings of a point, all of a tick or none, as lines; and those that cannot be told."""
    head = f"{MEASUREMENT},quantity={quantity_of(point)},shed={shed},stage={stage_of(point)} flag="
    lines: list[Line] = []
    refused: list[Refused] = []
    rows = zip(columns.t, aligned(columns.t), columns.raw, columns.value, columns.flag, strict=True)
    for t_us, ms, raw, value, flag in rows:
        if ms is None:
            refused.append(Refused(point, t_us, CROWDED))
            continue
        if value is not None and not math.isfinite(value):
            refused.append(Refused(point, t_us, ENDLESS))
            continue
        fields = f"{flag}"
        if raw is not None and math.isfinite(raw):
            fields += f",raw={told(raw)}"
        number = None
        if value is not None:
            number = told(value)
            fields += f",value={number}"
        lines.append(Line(f"{head}{fields} {ms}", point, t_us, ms, None if number is None else float(number), flag))
    return lines, refused


def body(lines: Iterable[Line]) -> bytes:
    """What is posted."""
    return "\n".join(line.text for line in lines).encode()


def checksum(values: Iterable[tuple[int, float]]) -> str:
    """SHA-256, in hex, over (milliseconds from 1970, value), by time: each a little-endian 64-bit whole number and
    a little-endian IEEE 754 double, sixteen bytes, one after another."""
    found = hashlib.sha256()
    for ms, value in sorted(values):
        found.update(struct.pack("<qd", ms, value))
    return found.hexdigest()
