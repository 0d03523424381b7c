"""What was read before the replica began, sent a day at a time, oldest first.

It can be stopped at any moment: the same work goes on from the day it was at; what is sent twice changes nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, replace
from datetime import tzinfo
from pathlib import Path

from brinewatch.alarms.summary import HOUR_S
from brinewatch.store.history_rows import DAY_US
from brinewatch.store.reader import StoreReader
from brinewatch.store.series.courier import Courier
from brinewatch.store.series.feed import lines_of
from brinewatch.store.series.lines import Line, Refused
from brinewatch.store.series.position import SeriesFile, Span
from brinewatch.store.series.server import NotNow

_NOTE = "backfill"
_WAIT_FROM_S, _WAIT_TO_S = 5.0, 300.0

Wait = Callable[[float, str], None]


@dataclass(frozen=True, slots=True)
class Work:
    """A back-fill: the span, where it goes on, and how much is done. Microseconds from 1970."""

    since_us: int
    until_us: int
    next_us: int
    sent: int = 0

    @property
    def over(self) -> bool:
        return self.next_us >= self.until_us


class BackFill:
    """wait(seconds, why) is called when the server wants time; utc() is now."""

    def __init__(
        self, data: Path, zone: tzinfo, shed: str, file: SeriesFile, courier: Courier, wait: Wait,
        utc: Callable[[], float],
    ) -> None:  # fmt: skip
        self._data = data
        self._zone = zone
        self._shed = shed
        self._file = file
        self.courier = courier
        self._wait = wait
        self._utc = utc

    def unfinished(self) -> Work | None:
        """The back-fill that was stopped, if one was."""
        found = self._file.get(_NOTE)
        return None if found is None else Work(**found)

    def first_us(self) -> int | None:
        """When the first reading of all was made."""
        with StoreReader(self._data, self._zone) as store:
            found = store.following(-1e9, 1e11)
        return None if found is None else round(found * 1e6)

    def readings(self, since_us: int, until_us: int) -> int:
        """How many there are about, to the hour."""
        with StoreReader(self._data, self._zone) as store:
            count = 0
            for point in store.points():
                one = store.rollup(point, since_us / 1e6 - HOUR_S, until_us / 1e6)
                count += sum(map(sum, (one.passed, one.untested, one.suspect, one.failed, one.missing)))
        return count

    def go(self, work: Work, tell: Callable[[int, int], None]) -> tuple[int, int]:
        """Do it to the end. tell(instant, readings) is called as it goes. Returns readings sent and refused.

        PersonNeeded when somebody must act first; it goes on from there when it is called again.
        """
        refused = 0
        self._file.put(_NOTE, asdict(work))
        while not work.over:
            with StoreReader(self._data, self._zone) as store:
                begin = store.following((work.next_us - 1) / 1e6, work.until_us / 1e6)
                if begin is None:
                    work = replace(work, next_us=work.until_us)
                    break
                since_us = max(work.next_us, round(begin * 1e6))
                until_us = min((since_us // DAY_US + 1) * DAY_US, work.until_us)
                for lines, bad in self._day(store, since_us, until_us):
                    found = [*bad, *self._bring(lines)]
                    refused += len(found)
                    work = replace(work, sent=work.sent + len(lines))
                    self._file.set_aside(found, self._utc())
                    tell(since_us, work.sent)
            work = replace(work, next_us=until_us)
            self._file.put(_NOTE, asdict(work))
        self._file.put(_NOTE, None)
        return work.sent, refused

    def _day(self, store: StoreReader, since_us: int, until_us: int) -> Iterator[tuple[list[Line], list[Refused]]]:
        lines: list[Line] = []
        refused: list[Refused] = []
        for point in sorted(store.points()):
            for more, bad, _ in lines_of(store, self._shed, point, since_us, until_us, self.courier.most):
                refused += bad
                if lines and len(lines) + len(more) > self.courier.most:
                    yield lines, refused
                    lines, refused = [], []
                lines += more
        if lines or refused:
            yield lines, refused

    def send_again(self, span: Span) -> int:
        """Send readings that were refused once more; returns how many still are."""
        refused: list[Refused] = []
        with StoreReader(self._data, self._zone) as store:
            for lines, bad, _ in lines_of(
                store, self._shed, span.point, span.first_us, span.last_us + 1, self.courier.most
            ):
                wanted = [line for line in lines if span.first_us <= line.t_us <= span.last_us]
                refused += [one for one in bad if span.first_us <= one.t_us <= span.last_us]
                refused += self._bring(wanted)
        self._file.forget(span)
        self._file.set_aside(refused, self._utc())
        return len(refused)

    def _bring(self, lines: list[Line]) -> list[Refused]:
        pause = _WAIT_FROM_S
        while True:
            try:
                return self.courier.bring(lines)
            except NotNow as error:
                self._wait(pause if error.after_s is None else max(1.0, error.after_s), error.what)
                pause = min(2 * pause, _WAIT_TO_S)
