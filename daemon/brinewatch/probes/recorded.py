"""A record played as if it were live: the row that is due when it is asked for, and no row twice."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal

from pydantic import Field, field_validator

from brinewatch.errors import BadAnswer, NoAnswer, PortLost, ProbeError
from brinewatch.ports import Bus, Clock
from brinewatch.probes.common import ChannelSettings, ProbeSettings, no_sample, sample_of
from brinewatch.probes.line_text import to_number
from brinewatch.probes.record_file import RecordFile, RecordSpan, Row, zone_of
from brinewatch.readings import Sample
from brinewatch.settings import Settings

log = logging.getLogger(__name__)

# a row is due this little before its time: the sum of many steps is not exact
_DUE_S = 0.001
# after so many of the probe's periods without a row the record has a hole there
_HOLE_PERIODS = 1.5


class RecordedChannel(ChannelSettings):
    """One column of the record."""

    column: str = Field(min_length=1, description="the column's heading")


class RecordedProbe(ProbeSettings):
    """The columns played."""

    channel: list[RecordedChannel] = Field(description="the columns")


class RecordedSettings(Settings):
    """A record in a file. Set every_s of its probe to the time between rows."""

    kind: Literal["recorded"]
    file: str = Field(description="CSV or gzip CSV with a heading line, seen from the shed file")
    time_column: str = Field(min_length=1, description="the column that holds the time of a row")
    time_format: str | None = Field(None, description="as strptime has it, like %m/%d/%Y %H:%M; else ISO 8601")
    time_zone: str | None = Field(None, description='zone of times without one: "-06:00" or IANA name; else UTC')
    start: str | None = Field(None, description="ISO 8601 time in the record to begin at; else its first row")
    missing: list[str] = Field(default_factory=lambda: ["", "NA"], description="what stands in an empty cell")
    probe: list[RecordedProbe] = Field(min_length=1, max_length=1, description="the one probe")

    @field_validator("time_zone")
    @classmethod
    def _zone(cls, value: str | None) -> str | None:
        if value is not None:
            zone_of(value)
        return value

    @field_validator("start")
    @classmethod
    def _start(cls, value: str | None) -> str | None:
        if value is not None:
            try:
                datetime.fromisoformat(value)
            except ValueError as error:
                raise ValueError("an ISO 8601 time, like 2021-07-02T00:00-06:00") from error
        return value

    def record(self, folder: Path) -> RecordFile:
        columns = frozenset(channel.column for channel in self.probe[0].channel)
        zone = zone_of(self.time_zone) if self.time_zone else None
        return RecordFile(folder / self.file, self.time_column, self.time_format, zone, columns)

    @property
    def begin_utc(self) -> float:
        """POSIX seconds the playing begins at; minus infinity for the first row."""
        if self.start is None:
            return float("-inf")
        when = datetime.fromisoformat(self.start)
        if when.tzinfo is None:
            when = when.replace(tzinfo=zone_of(self.time_zone) if self.time_zone else UTC)
        return when.timestamp()


def survey(settings: RecordedSettings, folder: Path) -> RecordSpan:
    """What the record holds from its start on, before anything is opened; reads it through once.

    Raises PortLost or BadAnswer, which name the file and what is wrong with it.
    """
    span = settings.record(folder).survey()
    begin = settings.begin_utc
    if begin > span.last:
        raise BadAnswer(f"{settings.file} ends before {settings.start}.", "Choose an earlier start.")
    if begin <= span.first:
        return span
    rows = sum(1 for row in settings.record(folder).rows() if row.utc >= begin)
    return RecordSpan(begin, span.last, rows, span.refused, span.example)


class RecordedBus:
    """The record's own time starts to run when the bus is first opened: its first row is due then."""

    def __init__(self, name: str, settings: RecordedSettings, clock: Clock, folder: Path) -> None:
        self.name = name
        self._settings = settings
        self._clock = clock
        self._folder = folder
        self._span: RecordSpan | None = None
        self._began: float | None = None
        self._first = 0.0
        self._refused: list[str] = []
        self._ended: ProbeError = NoAnswer("The record has ended.")
        self._rows: Iterator[Row] | None = None
        self._next: Row | None = None
        self._current: Row | None = None
        self.played = 0
        self.passed_over = 0

    @property
    def span(self) -> tuple[float, float]:
        """First and last POSIX seconds of what is played."""
        return self._surveyed.first, self._surveyed.last

    @property
    def rows(self) -> int:
        return self._surveyed.rows

    @property
    def finished(self) -> bool:
        """Whether the last row has been given."""
        return self._began is not None and self._rows is None and self._next is None

    @property
    def _surveyed(self) -> RecordSpan:
        if self._span is None:
            self._span = survey(self._settings, self._folder)
        return self._span

    async def open(self) -> None:
        if self._began is not None:
            return
        record, refused = self._settings.record(self._folder), self._refused
        rows = record.rows(refused)
        begin = self._settings.begin_utc
        with self._clock.hold():
            first = await asyncio.to_thread(lambda: next((row for row in rows if row.utc >= begin), None))
        if first is None:
            why = f" ({refused[0]})" if refused else ""
            raise BadAnswer(f"{record.path.name} has no row with a time that can be read{why}.")
        self._rows, self._next = rows, first
        self._first = first.utc if self._settings.start is None else begin
        self._began = self._clock.now().mono

    async def close(self) -> None:
        """The record stays where it is: playing goes on when the bus is opened again."""

    def _advance(self) -> Row | None:
        row = None
        try:
            row = next(self._rows, None) if self._rows is not None else None
        except ProbeError as error:
            log.error("%s: %s", self.name, error)
            self._ended = error  # the rows before the damage are played
        if row is None:
            self._rows = None
        if self._refused:
            log.warning("%s: a row cannot be played: %s", self.name, self._refused[0])
            self._refused.clear()
        return row

    async def read(self, probe: str) -> Sequence[Sample]:
        settings = self._settings.probe[0]
        at = self._clock.now()
        if self._began is None:
            raise PortLost(f"The record {self._settings.file} is not open.")
        position = self._first + at.mono - self._began
        fresh = False
        while self._next is not None and self._next.utc <= position + _DUE_S:
            self.passed_over += fresh
            self._current, fresh = self._next, True
            self._next = self._advance()
        if not fresh:
            if self._current is not None and position - self._current.utc < _HOLE_PERIODS * settings.every:
                return ()
            error = self._ended if self.finished else NoAnswer("The record has no row for this time.")
            return [no_sample(channel, probe, at, error) for channel in settings.channel]
        assert self._current is not None
        self.played += 1
        samples = []
        for channel in settings.channel:
            cell = self._current.cells[channel.column].strip()
            try:
                if cell in self._settings.missing:
                    raise NoAnswer("The record has no value here.")
                samples.append(sample_of(channel, probe, to_number(cell, f"Column {channel.column}"), at))
            except ProbeError as error:
                samples.append(no_sample(channel, probe, at, error))
        return samples


async def record_ends(bus: Bus, every_s: float, clock: Clock) -> None:
    """Wait until a record is over. bus: a RecordedBus; every_s: of its quickest probe."""
    assert isinstance(bus, RecordedBus)
    while not bus.finished:
        await clock.sleep(every_s)
