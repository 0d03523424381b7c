"""A record in a file: its cells as samples, its rows with their flags, in order and with bounded memory."""

from __future__ import annotations

import math
import os
import re
from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo

from brinewatch.errors import BrinewatchError
from brinewatch.examine import COLUMNS, TIMES
from brinewatch.moment import Moment
from brinewatch.readings import Flag, Sample
from brinewatch.signals.hindsight import Hindsight, Row
from brinewatch.signals.limits import Quality
from brinewatch.water.files import writer
from brinewatch.water.records import Record, joined, open_records

NUMBER = re.compile(r"[+-]?(\d+(?:\.\d*)?|\.\d+)([eE][+-]?\d+)?", re.ASCII)
_FLAG_WORDS = {
    Flag.PASS: "good",
    Flag.NOT_EVALUATED: "not evaluated",
    Flag.SUSPECT: "suspect",
    Flag.FAIL: "bad",
    Flag.MISSING: "missing",
}
NOTHING = ("", "na", "n/a", "nan", "null", "none", "-")
_MILLISECONDS_FROM = 1e11  # as seconds it would be the year 5138


def examine(
    source: str,
    output: str | None,
    limits: Mapping[str, Quality],
    zone: tzinfo = UTC,
    *,
    time: str | None = None,
    live: bool = False,
) -> list[str]:
    """Append flags and reasons to every row of a file; returns what to say afterwards.

    limits: by quantity; a quantity without any is held to its physical span alone.
    """
    with open_records(source) as records:
        header = records.read_header()
        sheet = _Sheet(records.name, header.cells, limits, zone, time, live=live)
        with writer(source, output) as write:
            write(f"{header.text},{joined(sheet.new_columns)}{header.end or os.linesep}")
            for record in records:
                for line in sheet.take(record):
                    write(line)
            for line in sheet.close():
                write(line)
    return sheet.summary()


@dataclass(frozen=True, slots=True)
class _Held:
    """A record that waits for its final flags. mono: its row's; None when it cannot be judged, problem says why."""

    record: Record
    mono: float | None
    problem: str = ""


class _Sheet:
    """The columns of one file and the records that wait."""

    def __init__(
        self,
        name: str,
        columns: Sequence[str],
        limits: Mapping[str, Quality],
        zone: tzinfo,
        time: str | None,
        *,
        live: bool,
    ) -> None:
        self._name, self._zone, self._live = name, zone, live
        self._width = len(columns)
        self._time = time_column(name, columns, time)
        self._places = {column: columns.index(column) for column in COLUMNS if column in columns}
        if not self._places:
            raise BrinewatchError(
                f"{name} has no column to examine. Its columns are: {', '.join(columns)}.",
                f"Name at least one exactly so: {', '.join(COLUMNS)}.",
            )
        taken = [f"{column}{end}" for column in self._places for end in ("_flag", "_reason")]
        twice = sorted(set(taken) & set(columns))
        if twice:
            raise BrinewatchError(f"{name} has columns named {', '.join(twice)} already.", "Rename or remove them.")
        self.new_columns = taken
        self._hindsight = Hindsight(
            {f"record.{COLUMNS[column]}": limits.get(COLUMNS[column], Quality()) for column in self._places},
            wait=not live,
        )
        self._held: deque[_Held] = deque()
        self._last: float | None = None
        self._counts = {column: dict.fromkeys(Flag, 0) for column in self._places}
        self._rows = self._untimed = 0

    def take(self, record: Record) -> Iterator[str]:
        """The lines that are final with this record taken in."""
        self._rows += 1
        utc, problem = self._instant(record)
        if utc is None:
            self._untimed += 1
            self._held.append(_Held(record, None, problem))
            if len(self._held) == 1:
                yield from self._unjudged()
            return
        self._last = utc
        at = Moment(utc, utc, True, self._zone)
        self._held.append(_Held(record, utc))
        samples = {}
        for column, place in self._places.items():
            sample = _sample(column, record.cells[place], at)
            samples[sample.point] = sample
        for row in self._hindsight.take(samples, at):
            yield from self._written(row)

    def close(self) -> Iterator[str]:
        """The lines still waiting."""
        for row in self._hindsight.close():
            yield from self._written(row)
        yield from self._unjudged()

    def summary(self) -> list[str]:
        """What was found, a line for each column."""
        lines = [f"{self._name}: {self._rows} rows, {self._untimed} of them without a time to judge them at."]
        for column, counts in self._counts.items():
            said = ", ".join(f"{counts[flag]} {_FLAG_WORDS[flag]}" for flag in Flag if counts[flag])
            lines.append(f"{column}: {said or 'nothing'}.")
        return lines

    def _instant(self, record: Record) -> tuple[float | None, str]:
        if record.broken:
            return None, f"The row cannot be read: {record.broken}."
        if len(record.cells) != self._width:
            return None, f"The row has {len(record.cells)} cells, the header {self._width}."
        text = record.cells[self._time].strip()
        utc = utc_of_cell(text)
        if utc is None:
            return None, f"{text[:40]!r} is no time: ISO 8601 or seconds since 1970 are expected."
        if self._last is not None and utc <= self._last:
            return None, f"The time {text[:40]} is not after that of the row before."
        return utc, ""

    def _written(self, row: Row) -> Iterator[str]:
        """The line of a judged row, after those before it that could not be judged."""
        yield from self._unjudged()
        held = self._held.popleft()
        cells = []
        for column in self._places:
            point = f"record.{COLUMNS[column]}"
            reading = row.live[point]
            flag, reason = (reading.flag, reading.reason) if self._live else row.final[point]
            self._counts[column][flag] += 1
            cells += [str(int(flag)), reason]
        yield f"{held.record.text},{joined(cells)}{held.record.end or os.linesep}"
        yield from self._unjudged()

    def _unjudged(self) -> Iterator[str]:
        while self._held and self._held[0].mono is None:
            held = self._held.popleft()
            kept = held.record.text + "," * max(0, self._width - len(held.record.cells))
            if len(held.record.cells) > self._width:
                kept = joined(held.record.cells[: self._width])
            for column in self._places:
                self._counts[column][Flag.FAIL] += 1
            cells = joined([str(int(Flag.FAIL)), held.problem] * len(self._places))
            yield f"{kept},{cells}{held.record.end or os.linesep}"


def time_column(name: str, columns: Sequence[str], wanted: str | None) -> int:
    if wanted is not None:
        if wanted in columns:
            return columns.index(wanted)
        raise BrinewatchError(f"{name} has no column {wanted}. Its columns are: {', '.join(columns)}.")
    for place, column in enumerate(columns):
        if column.strip().lower() in TIMES:
            return place
    raise BrinewatchError(
        f"{name} has no column of times. Its columns are: {', '.join(columns)}.",
        "Name it time, or say which it is: --time COLUMN.",
    )


def utc_of_cell(text: str) -> float | None:
    """POSIX seconds of a cell; None when it is no time."""
    if NUMBER.fullmatch(text):
        number = float(text)
        seconds = number / 1000.0 if abs(number) >= _MILLISECONDS_FROM else number
    else:
        try:
            found = datetime.fromisoformat(text)
        except ValueError:
            return None
        seconds = (found if found.tzinfo else found.replace(tzinfo=UTC)).timestamp()
    # the years 1 to 9999 and nothing else have a calendar
    return seconds if -6.2e10 < seconds < 2.5e11 else None


def _sample(column: str, cell: str, at: Moment) -> Sample:
    """A cell as a sample: MISSING when there is nothing in it, FAIL when it is no number."""
    point, text = f"record.{COLUMNS[column]}", cell.strip()
    if text.lower() in NOTHING:
        return Sample(point, None, None, at, "record", Flag.MISSING, "There is no value.")
    if NUMBER.fullmatch(text) is None or not math.isfinite(float(text)):
        return Sample(point, None, None, at, "record", Flag.FAIL, f"{text[:40]!r} is no number.")
    return Sample(point, float(text), float(text), at, "record")
