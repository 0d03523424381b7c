"""What is still to be sent, taken from the history itself in the order it was written. Used from one thread."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import tzinfo
from pathlib import Path

from brinewatch.moment import Moment
from brinewatch.store.reader import Change, StoreReader
from brinewatch.store.series.lines import TICK_US, Line, Refused, made, window
from brinewatch.store.series.position import Position, SeriesFile, settle

_CHANGES = 500
_EVER_UTC = 1e11
# the position is written down so often: what is sent once more after a stop costs less than a card's wear
_EVERY_S = 600.0


@dataclass(frozen=True, slots=True)
class Batch:
    """What is sent together. number: how far the position moves when all of it is settled; inside: where a change
    that was too large for one batch goes on, (its number, microseconds); last: nothing more waits behind it."""

    lines: list[Line]
    refused: list[Refused]
    number: int
    inside: tuple[int, int] | None
    last: bool


def lines_of(
    store: StoreReader, shed: str, point: str, since_us: int, until_us: int, most: int
) -> Iterator[tuple[list[Line], list[Refused], int]]:
    """Readings of a point as lines, so many at once at most (but never part of a tick), with where they end
    (microseconds, not included)."""
    since_us, until_us = window(since_us, until_us)
    for columns in store.columns(point, since_us / 1e6, until_us / 1e6):
        begin = 0
        while begin < len(columns):
            end = min(begin + most, len(columns))
            while end < len(columns) and columns.t[end] // TICK_US == columns.t[end - 1] // TICK_US:
                end += 1
            lines, refused = made(shed, point, columns.part(begin, end))
            yield lines, refused, (columns.t[end - 1] // TICK_US + 1) * TICK_US
            begin = end


class Feed:
    """The readings of one shed, from a position on. data: the store's folder."""

    def __init__(self, data: Path, zone: tzinfo, shed: str, file: SeriesFile) -> None:
        self._data = data
        self._zone = zone
        self._shed = shed
        self._file = file
        self._position: Position | None = None
        self._absent = False
        self._kept_mono = -_EVERY_S

    @property
    def caught_utc(self) -> float:
        """When nothing waited any more; when sending began, if that never was."""
        return max(self._position.caught_utc, self._position.since_utc) if self._position else 0.0

    @property
    def since_utc(self) -> float:
        """When sending began; for ever when it has not."""
        return self._position.since_utc if self._position else float("inf")

    def begin(self, now: Moment) -> tuple[str, ...]:
        """Find the place to go on from; returns what people should know of it. Called before the history writes
        anything: a file that has gone back, as after a power cut, is noticed by its numbers.
        """
        notes = [note] if (note := self._file.mend(now)) else []
        position = self._file.position()
        name, newest = "", 0
        if (self._data / "history.sqlite").exists():
            with StoreReader(self._data, self._zone) as store:
                name, newest = store.file(), store.newest_change()
        if not name:
            self._absent = True
            return tuple(notes)
        if position is None:
            # a file that came after the start holds nothing that was read before
            position = Position(name, 0 if self._absent else newest, now.utc)
            if position.number:
                notes.append("The time-series server is sent what is read from now on; what was read before: "
                             "brinewatch series backfill.")  # fmt: skip
        elif position.file != name:
            # a fresh file, or an older one put back: nobody knows what of it the server has
            if position.file:
                notes.append("The history is another file than before: all of it is sent once more.")
            position = replace(position, file=name, number=0, inside=None)
        elif position.number > newest:
            position = replace(position, number=newest)
        else:
            self._position = position
            return tuple(notes)
        self._keep(position, now)
        return tuple(notes)

    def next(self, now: Moment, most: int) -> Batch | None:
        """What comes next; None when the server has everything there is."""
        if self._position is None:
            self.begin(now)
        if self._position is None:
            return None
        with StoreReader(self._data, self._zone) as store:
            if store.file() != self._position.file:
                self._position = None  # the file was renewed under our hands: look again
                return Batch([], [], 0, None, last=False)
            return self._gather(store, self._position.number, most)

    def _gather(self, store: StoreReader, number: int, most: int) -> Batch | None:
        lines: list[Line] = []
        refused: list[Refused] = []
        inside = self._position.inside if self._position else None
        changes = store.changes(number, _CHANGES)
        if not changes:
            return None
        for change in changes:
            since_us = inside[1] if inside is not None and inside[0] == change.number else change.since_us
            inside = None
            for more, bad, until_us in self._lines(store, change, since_us, most):
                if lines and len(lines) + len(more) > most:
                    return Batch(lines, refused, number, inside, last=False)
                lines += more
                refused += bad
                inside = (change.number, until_us)
            number, inside = change.number, None
        return Batch(lines, refused, number, None, last=len(changes) < _CHANGES)

    def _lines(
        self, store: StoreReader, change: Change, since_us: int, most: int
    ) -> Iterator[tuple[list[Line], list[Refused], int]]:
        if since_us >= change.until_us:
            return iter(())
        return lines_of(store, self._shed, change.point, since_us, change.until_us, most)

    def forget(self) -> None:
        """Look for the position anew before the next batch."""
        self._position = None

    def done(self, batch: Batch, refused: list[Refused], now: Moment) -> None:
        """The server has all of a batch but what it refused."""
        if self._position is None:
            return
        self._file.set_aside(refused, now.utc)
        caught = now.utc if batch.last else self._position.caught_utc
        self._position = replace(self._position, number=batch.number, caught_utc=caught, inside=batch.inside)
        if now.mono - self._kept_mono >= _EVERY_S:
            self._keep(self._position, now)

    def idle(self, now: Moment) -> None:
        """Nothing waited when it was looked for."""
        if self._position is not None:
            self._position = replace(self._position, caught_utc=now.utc)

    def rest(self, now: Moment) -> None:
        """Write down what is known, before the end."""
        if self._position is not None:
            self._keep(self._position, now)

    def newest(self) -> list[Line]:
        """The newest reading of all as a line: what tells a server that refuses everything from one that refuses
        old readings."""
        with StoreReader(self._data, self._zone) as store:
            found = [one for point in store.points() if (one := store.last(point, _EVER_UTC)) is not None]
            if not found:
                return []
            one = max(found, key=lambda reading: reading.at.utc)
            t_us = round(one.at.utc * 1e6)
            return [
                line for lines, _, _ in lines_of(store, self._shed, one.point, t_us, t_us + 1, 1) for line in lines
            ][-1:]

    def _keep(self, position: Position, now: Moment) -> None:
        settle(self._data / "history.sqlite")
        self._file.move(position)
        self._position, self._kept_mono = position, now.mono
