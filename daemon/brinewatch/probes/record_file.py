"""A record on disk, CSV or gzip CSV, read row by row. Nothing of it is kept but the row in hand."""

from __future__ import annotations

import csv
import gzip
import io
import re
import zlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from brinewatch.errors import BadAnswer, PortLost

_OFFSET = re.compile(r"([+-])(\d{2}):(\d{2})")


@dataclass(frozen=True, slots=True)
class Row:
    """One row: POSIX seconds, the wanted cells by column, and its line in the file."""

    utc: float
    cells: Mapping[str, str]
    line: int


@dataclass(frozen=True, slots=True)
class RecordSpan:
    """What a record holds: first and last POSIX seconds, rows that can be played, rows that cannot and why."""

    first: float
    last: float
    rows: int
    refused: int = 0
    example: str = ""


@dataclass(frozen=True, slots=True)
class RecordFile:
    """Where a record lies and how its time column is read."""

    path: Path
    time_column: str
    time_format: str | None
    zone: tzinfo | None
    columns: frozenset[str]

    def rows(self, refused: list[str] | None = None) -> Iterator[Row]:
        """Rows in rising time. One that cannot be placed in time is left out and named in `refused`.

        Raises PortLost when the file cannot be opened, BadAnswer when it is no such record.
        """
        last = float("-inf")
        try:
            with self._text() as text:
                table = csv.DictReader(text, strict=True)
                missing = sorted({self.time_column, *self.columns} - set(table.fieldnames or ()))
                if missing:
                    raise BadAnswer(
                        f"{self.path.name} has no column {', '.join(missing)}.",
                        f"It has: {', '.join(table.fieldnames or ('nothing',))}.",
                    )
                for row in table:
                    try:
                        utc = self._utc(row[self.time_column] or "", last)
                    except (ValueError, OverflowError) as error:
                        if refused is not None:
                            refused.append(f"line {table.line_num}: {row[self.time_column]!r}: {error}")
                        continue
                    last = utc
                    yield Row(utc, {key: row[key] or "" for key in self.columns}, table.line_num)
        except (csv.Error, UnicodeDecodeError, EOFError, zlib.error, gzip.BadGzipFile) as error:
            raise BadAnswer(f"{self.path.name} is damaged: {error}.", "Fetch or unpack it again.") from error
        except OSError as error:
            raise PortLost(f"Cannot read the record {self.path}: {error.strerror or error}.") from error

    def _text(self) -> io.TextIOWrapper:
        with self.path.open("rb") as file:
            packed = file.read(2) == b"\x1f\x8b"
        if packed:
            return io.TextIOWrapper(gzip.open(self.path, "rb"), encoding="utf-8-sig", newline="")
        return self.path.open("r", encoding="utf-8-sig", newline="")

    def _utc(self, text: str, last: float) -> float:
        """POSIX seconds, after `last`; of an hour that came twice when clocks went back, the one that fits."""
        text = text.strip()
        when = (
            datetime.strptime(text, self.time_format)  # noqa: DTZ007 - the zone is set below
            if self.time_format
            else datetime.fromisoformat(text)
        )
        if when.tzinfo is None:
            when = when.replace(tzinfo=self.zone or UTC)
        for fold in (0, 1):
            utc = when.replace(fold=fold).timestamp()
            if utc > last:
                return utc
        raise ValueError("not after the row before")

    def survey(self) -> RecordSpan:
        """Read the whole record once. BadAnswer when it has no row that can be played."""
        first, last, count = 0.0, 0.0, 0
        refused: list[str] = []
        many, example = 0, ""
        for row in self.rows(refused):
            first = row.utc if count == 0 else first
            last, count = row.utc, count + 1
            if refused:
                many, example = many + len(refused), example or refused[0]
                refused.clear()
        many, example = many + len(refused), example or (refused[0] if refused else "")
        if count == 0:
            why = f" ({example})" if example else ""
            raise BadAnswer(f"{self.path.name} has no row with a time that can be read{why}.")
        return RecordSpan(first, last, count, many, example)


def zone_of(text: str) -> tzinfo:
    """A time zone from "+hh:mm", "-hh:mm" or an IANA name. ValueError for anything else."""
    match = _OFFSET.fullmatch(text)
    if match:
        hours, minutes = int(match[2]), int(match[3])
        if hours > 14 or minutes > 59:
            raise ValueError("an offset between -14:00 and +14:00")
        shift = timedelta(hours=hours, minutes=minutes)
        return timezone(-shift if match[1] == "-" else shift)
    try:
        return ZoneInfo(text)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise ValueError('an offset like "-06:00" or an IANA time zone') from error
