"""Whether the server holds what the history holds: every reading of a day, read back and held against it.

A server that answers yes has not always kept what it was sent: some drop what they cannot use without a word.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import tzinfo
from pathlib import Path

from brinewatch.store.history_rows import DAY_US
from brinewatch.store.reader import StoreReader
from brinewatch.store.series.courier import Courier
from brinewatch.store.series.feed import lines_of
from brinewatch.store.series.lines import Line, Refused, checksum
from brinewatch.store.series.position import Span
from brinewatch.store.series.server import Kept, Server

_PART = 20_000


@dataclass(frozen=True, slots=True)
class Compared:
    """One point on one UTC day.

    here, there: readings in the history and on the server; missing, extra: those only the one has; other: those
    whose value or flag is another there; earlier: instants at which the server still holds what a reading was
    before too; sum_here, sum_there: checksums of the values (lines.checksum).
    """

    point: str
    day_us: int
    here: int
    there: int
    missing: int
    extra: int
    other: int
    earlier: int
    sum_here: str
    sum_there: str

    @property
    def same(self) -> bool:
        return not (self.missing or self.extra or self.other) and self.sum_here == self.sum_there


def compare(point: str, day_us: int, lines: Iterable[Line], kept: Kept, *, overwrites: bool = True) -> Compared:
    """Lines as they were sent against what the server gives back.

    overwrites: whether it holds what it was told last of an instant; where it does not, a flag from before a
    verdict in hindsight is no difference.
    """
    values, flags = kept
    here = {line.ms: line for line in lines}
    there = values.keys() | flags.keys()
    missing = other = earlier = 0
    for ms, line in here.items():
        if ms not in flags or (line.value is not None and ms not in values):
            missing += 1
            continue
        got = values.get(ms, set())
        if line.value not in got if line.value is not None else bool(got):
            other += 1
        elif line.flag not in flags[ms]:
            other, earlier = other + overwrites, earlier + (not overwrites)
        elif len(flags[ms]) > 1 or len(got) > 1:
            earlier += 1
    told = {ms: line.value for ms, line in here.items() if line.value is not None}
    kept_values = [(ms, told[ms] if told.get(ms) in got else min(got)) for ms, got in values.items()]
    return Compared(
        point, day_us, len(here), len(there), missing, len(there - here.keys()), other, earlier,
        checksum(told.items()), checksum(kept_values),
    )  # fmt: skip


def days(data: Path, zone: tzinfo, since_us: int, until_us: int) -> list[int]:
    """The UTC days of a span on which anything was read, as the microseconds they begin at."""
    found: list[int] = []
    with StoreReader(data, zone) as store:
        while since_us < until_us:
            begin = store.following((since_us - 1) / 1e6, until_us / 1e6)
            if begin is None:
                break
            day = round(begin * 1e6) // DAY_US * DAY_US
            found.append(day)
            since_us = day + DAY_US
    return found


def verify(
    data: Path, zone: tzinfo, shed: str, server: Server, day_us: int, aside: Sequence[Span] = ()
) -> Iterator[Compared]:
    """Every point of the history on one UTC day. aside: what the server refused, and need not have. NotNow or
    PersonNeeded when it cannot be asked.
    """
    with StoreReader(data, zone) as store:
        for point in sorted(store.points()):
            lines = [
                line for part, _, _ in lines_of(store, shed, point, day_us, day_us + DAY_US, _PART) for line in part
            ]
            kept = server.kept(shed, point, day_us // 1000, (day_us + DAY_US) // 1000)
            spans = [one for one in aside if one.point == point]
            lines = [line for line in lines if line.ms in kept[1] or not _within(line, spans)]
            if lines or kept[0] or kept[1]:
                yield compare(point, day_us, lines, kept, overwrites=server.overwrites)


def _within(line: Line, spans: Sequence[Span]) -> bool:
    return any(one.first_us <= line.t_us <= one.last_us for one in spans)


def send_again(data: Path, zone: tzinfo, shed: str, courier: Courier, wrong: Iterable[Compared]) -> list[Refused]:
    """Send days of points once more; returns what was refused. NotNow or PersonNeeded as Courier.bring."""
    refused: list[Refused] = []
    with StoreReader(data, zone) as store:
        for one in wrong:
            for lines, bad, _ in lines_of(store, shed, one.point, one.day_us, one.day_us + DAY_US, courier.most):
                refused += [*bad, *courier.bring(lines)]
    return refused
