"""The rows of a file in order of time: those of one instant together, and what is wrong with any of them."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import groupby, pairwise
from pathlib import Path

from brinewatch.errors import BrinewatchError
from brinewatch.importing.mapping import ImportSettings, Mapped
from brinewatch.importing.times import Times
from brinewatch.water.records import Records, open_records

_LISTED = 1000
_GAPS_LISTED = 5
# of the usual distance between rows: from there on something is missing between two
_GAP = 1.5
_PIECE = 1 << 20


@dataclass(frozen=True, slots=True)
class Problem:
    """What cannot be used. line: in the file, from 1; column: its heading, "" for the whole row."""

    line: int
    column: str
    reason: str


@dataclass
class Problems:
    """Counted by kind, and the first of each kind listed in order of their lines."""

    counts: Counter[str] = field(default_factory=Counter)
    listed: list[Problem] = field(default_factory=list)

    def add(self, kind: str, problem: Problem) -> None:
        self.counts[kind] += 1
        if self.counts[kind] <= _LISTED:
            self.listed.append(problem)

    def first(self, most: int) -> list[Problem]:
        return sorted(self.listed, key=lambda one: one.line)[:most]


@dataclass(frozen=True, slots=True)
class Row:
    """POSIX seconds, the cells of the mapped columns in their order, the line in the file."""

    utc: float
    cells: tuple[str, ...]
    line: int


@dataclass(frozen=True, slots=True)
class Instant:
    """All a file says of one instant. cells: by the place of the mapped column; lines: where each stands."""

    utc: float
    cells: dict[int, str]
    lines: dict[int, int]


@dataclass(frozen=True, slots=True)
class Survey:
    """A file read through once. rows: with a time; refused: without; gaps: the longest, (from, to) in POSIX
    seconds, of so many (gap_count); every_s: the usual distance between two instants.
    """

    rows: int
    refused: int
    first: float
    last: float
    every_s: float | None
    gap_count: int
    gaps: tuple[tuple[float, float], ...]
    ordered: bool


ROW, CELL, TWICE = "rows that cannot be taken", "cells that are no number", "rows that say otherwise than another"


class Table:
    """One file with its mapping, read as often as is asked. BrinewatchError when it cannot be read as mapped."""

    def __init__(self, path: Path, settings: ImportSettings, columns: Sequence[Mapped], now_utc: float) -> None:
        self._path = path
        self._settings = settings
        self._columns = columns
        self._now_utc = now_utc
        self._kept: list[Row] | None = None
        self.repeated = 0  # cells of an instant that stood there before with the same text

    def survey(self, problems: Problems) -> Survey:
        """Read it through once, and name every row that has no time."""
        stamps: list[float] = []
        rows: list[Row] = []
        ordered, count, last = True, 0, float("-inf")
        for row in self._read(problems):
            if row.utc < last and ordered:
                ordered = False
                rows = list(self._read(Problems()))
            last = max(last, row.utc)
            count += 1
            stamps.append(row.utc)
        if not stamps:
            example = f" ({problems.listed[0].reason})" if problems.listed else ""
            raise BrinewatchError(
                f"{self._path.name} has no row with a time that can be read{example}.", "See the mapping's time_*."
            )
        if not ordered:
            rows.sort(key=lambda row: row.utc)
            self._kept = rows
        stamps = sorted(set(stamps))
        apart = [later - earlier for earlier, later in pairwise(stamps)]
        every = sorted(apart)[len(apart) // 2] if apart else None
        gaps = [
            (stamps[place], stamps[place + 1])
            for place, one in enumerate(apart)
            if every is not None and one > _GAP * every
        ]
        longest = sorted(gaps, key=lambda gap: gap[0] - gap[1])[:_GAPS_LISTED]
        return Survey(
            count, problems.counts[ROW], stamps[0], stamps[-1], every, len(gaps), tuple(sorted(longest)), ordered
        )

    def instants(self, problems: Problems) -> Iterator[Instant]:
        """Everything it says, oldest first; call `survey` before."""
        rows = self._read(Problems()) if self._kept is None else iter(self._kept)
        for utc, together in groupby(rows, key=lambda row: row.utc):
            found = Instant(utc, {}, {})
            for row in together:
                self._join(found, row, problems)
            yield found

    def _join(self, found: Instant, row: Row, problems: Problems) -> None:
        """The first that has a value stands; the same once more says nothing new."""
        for place, (cell, column) in enumerate(zip(row.cells, self._columns, strict=True)):
            text, there = cell.strip(), found.cells.get(place)
            if there is None or (column.is_missing(there) and not column.is_missing(text)):
                found.cells[place], found.lines[place] = text, row.line
            elif text == there:
                self.repeated += 1
            elif not column.is_missing(text):
                heading, line = column.settings.column, found.lines[place]
                reason = (
                    f"says {text[:40]!r} of an instant of which line {line} says {there[:40]!r}; that one counts"
                )
                problems.add(TWICE, Problem(row.line, heading, reason))

    def _read(self, problems: Problems) -> Iterator[Row]:
        settings = self._settings
        times = Times(settings.time_format, settings.zone, settings.ambiguous, self._now_utc)
        with open_records(str(self._path), settings.delimiter, settings.encoding) as records:
            records.pass_over(settings.header_line - 1)
            header = [cell.strip() for cell in records.read_header().cells]
            time = [self._place(records, header, one) for one in settings.times]
            places = [self._place(records, header, one.settings.column) for one in self._columns]
            for record in records:
                if record.broken:
                    problems.add(ROW, Problem(record.line, "", record.broken))
                elif len(record.cells) != len(header):
                    reason = f"it has {len(record.cells)} cells, the heading {len(header)}"
                    problems.add(ROW, Problem(record.line, "", reason))
                else:
                    try:
                        utc = times.utc(" ".join(record.cells[place].strip() for place in time))
                    except ValueError as error:
                        problems.add(ROW, Problem(record.line, " ".join(settings.times), str(error)))
                        continue
                    yield Row(utc, tuple(record.cells[place] for place in places), record.line)

    def _place(self, records: Records, header: Sequence[str], column: str) -> int:
        if column.strip() in header:
            return header.index(column.strip())
        raise BrinewatchError(
            f"{records.name} has no column {column}. Its columns are: {', '.join(header)}.",
            "Mend the mapping; delimiter, encoding and header_line are part of it.",
        )


def sha256_of(path: Path) -> str:
    """Of the file as it lies there. BrinewatchError when it cannot be read."""
    found = hashlib.sha256()
    try:
        with path.open("rb") as file:
            while piece := file.read(_PIECE):
                found.update(piece)
    except OSError as error:
        raise BrinewatchError(f"{path} cannot be read: {error.strerror or error}.") from error
    return found.hexdigest()
