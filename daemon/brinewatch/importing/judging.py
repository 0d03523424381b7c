"""Rows of a file through calibration, quality tests and derivation: the way of a live reading, without alarms."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace

from brinewatch.config import ShedFile
from brinewatch.config.plans import channels_of
from brinewatch.errors import NoAnswer, ProbeError
from brinewatch.importing.mapping import ImportSettings, Mapped
from brinewatch.importing.rows import CELL, Instant, Problem, Problems
from brinewatch.moment import Moment
from brinewatch.probes.common import no_sample, reason_of, sample_of
from brinewatch.probes.line_text import to_number
from brinewatch.readings import Flag, Reading, Sample
from brinewatch.rehearsal.record import timed
from brinewatch.signals.derived import Derivation
from brinewatch.signals.records import CalibrationRecord
from brinewatch.signals.rounding import rounded
from brinewatch.watchkeeper import Watchkeeper


class PastKeeper(Watchkeeper):
    """Keeps watch over the past: nothing is raised, since it has no alarms."""

    def know(self, readings: Iterable[Reading]) -> None:
        """Take in readings that were judged before: what is worked out, and held against others, stands on them."""
        self._latest.update((one.point, one) for one in readings)


@dataclass
class Judge:
    """One file's way to readings. known: what the history has of other points, oldest first (see `inputs`)."""

    settings: ImportSettings
    columns: Sequence[Mapped]
    shed: ShedFile
    records: Sequence[CalibrationRecord]
    known: Iterator[Reading]
    problems: Problems
    without: dict[str, int] = field(default_factory=dict)  # derived points: readings that could not be worked out

    def __post_init__(self) -> None:
        shed, own = self.shed, {one.point: one.settings for one in self.columns if one.settings.calibrated}
        self._as_told = own.keys()
        channels = {
            point: replace(channel, accuracy=own[point].accuracy) if point in own else channel
            for point, channel in channels_of(shed).items()
        }
        self._inputs = {one.point: tuple(one.inputs.values()) for one in made_of(self.columns, shed)}
        start = Moment(0.0, 0.0, True, shed.zone)
        self._keeper = PastKeeper(
            shed.shed.name, (), channels, shed.derivations, (), shed.shed.display, start, cross=shed.cross
        )
        self._keeper.calibrate(tuple(one for one in self.records if one.point not in own))
        self._next = next(self.known, None)
        self._held: dict[str, Reading] = {}

    def readings(self, instants: Iterable[Instant]) -> Iterator[list[Reading]]:
        """The readings that are final with each instant; a reading waits for the next of its point, which may
        bring a verdict on it. `rest` gives those that wait at the end.
        """
        for instant in instants:
            at = Moment(instant.utc, instant.utc, True, self.shed.zone)
            self._know(instant.utc)
            samples = [
                sample
                for place, column in enumerate(self.columns)
                if place in instant.cells and (sample := self._sample(column, instant, place, at)) is not None
            ]
            yield list(self._judged(samples, at))

    def rest(self) -> list[Reading]:
        """The last reading of each point."""
        found, self._held = list(self._held.values()), {}
        return found

    def _know(self, utc: float) -> None:
        while self._next is not None and self._next.at.utc <= utc:
            self._keeper.know([timed(self._next)])
            self._next = next(self.known, None)

    def _sample(self, column: Mapped, instant: Instant, place: int, at: Moment) -> Sample | None:
        text, probe, channel = instant.cells[place], self.settings.probe, column.channel
        if column.is_missing(text):
            if not column.empty:
                return None
            return no_sample(channel, probe, at, NoAnswer("The record has no value here."))
        try:
            number = to_number(self._pointed(text), f"Column {column.settings.column}")
        except ProbeError as error:
            self.problems.add(CELL, Problem(instant.lines[place], column.settings.column, reason_of(error)))
            return no_sample(channel, probe, at, error)
        sample = sample_of(channel, probe, number, at)
        if sample.flag is Flag.FAIL:
            reason = sample.reason.replace("The probe sent", "It is")
            self.problems.add(CELL, Problem(instant.lines[place], column.settings.column, reason))
        if channel.point in self._as_told and sample.value is not None:
            # kept as what was worked out is, so it must be judged as it is kept
            digits = channel.quantity.decimals + 1
            return replace(sample, value=round(sample.value, digits))
        return sample

    def _pointed(self, text: str) -> str:
        if self.settings.decimal == ".":
            return text
        return text.replace(",", ".") if "." not in text else f"{text} with a decimal comma"

    def _judged(self, samples: Sequence[Sample], at: Moment) -> Iterator[Reading]:
        if not samples:
            return
        outcome = self._keeper.take(samples, at)
        for verdict in outcome.revised:
            held = self._held.get(verdict.point)
            if held is not None and held.at == verdict.at:
                self._held[verdict.point] = replace(held, flag=verdict.flag, reason=verdict.reason)
        for one in outcome.readings:
            if one.point in self._inputs and not self._can_be_told(one):
                self.without[one.point] = self.without.get(one.point, 0) + 1
                continue
            raw = None if one.point in self._as_told else one.raw
            made = rounded(replace(one, raw=raw, probe=self.settings.probe))
            before = self._held.get(one.point)
            self._held[one.point] = made
            if before is not None:
                yield before

    def _can_be_told(self, one: Reading) -> bool:
        """Whether there is a number, or all it stands on has been read before. What was never read may come with
        the next file, and a reading that says so would stand in the way of the number.
        """
        return one.value is not None or all(point in self._keeper.latest for point in self._inputs[one.point])


def made_of(columns: Sequence[Mapped], shed: ShedFile) -> list[Derivation]:
    """What is worked out with a file: derivations whose leading input is in it, or worked out with it."""
    there = {one.point for one in columns}
    found: list[Derivation] = []
    for one in shed.derivations:
        if next(iter(one.inputs.values()), None) in there:
            found.append(one)
            there.add(one.point)
    return found


def inputs(columns: Sequence[Mapped], shed: ShedFile) -> list[str]:
    """The points that are not in a file and that its readings are worked out from, or held against."""
    made = made_of(columns, shed)
    there = {one.point for one in columns} | {one.point for one in made}
    wanted = {point for one in made for point in one.inputs.values()}
    for pair in shed.cross.compare:
        wanted |= set(pair.points) if there & set(pair.points) else set()
    return sorted(wanted - there)
