"""SDI-12 probes: settings, and one bus of them.

Tried at a pseudo-terminal, which carries neither 7E1 nor a break. Not spoken: high-volume measurements (aHA!,
aHB!), metadata, verification and the change of an address.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

from pydantic import Field, model_validator

from brinewatch.errors import BadAnswer, NoAnswer, PortLost, ProbeError, ProbeFault
from brinewatch.moment import Moment
from brinewatch.ports import Clock
from brinewatch.probes.common import ChannelSettings, ProbeSettings, no_sample, sample_of
from brinewatch.probes.sdi12_line import Sdi12Line, Sdi12Wire
from brinewatch.probes.sdi12_text import MEASURE, Identity, command_of, identity, started, values
from brinewatch.readings import Sample

_EVERY_S = 15.0
_DEADLINE_S = 30.0
_MOST_DATA = 10  # aD0! to aD9!


class Sdi12Channel(ChannelSettings):
    """One number of a measurement."""

    value: int = Field(ge=1, le=99, description="which value of the measurement, the first is 1")


class Sdi12Probe(ProbeSettings):
    """One measurement of one probe on the line."""

    address: str = Field(pattern=r"^[0-9A-Za-z]$", description="the probe's address, one digit or letter")
    measure: str = Field(
        "M", pattern=MEASURE,
        description="the measurement as its maker's manual names it, without address and CRC: M, M1 to M9; "
        "C, C1 to C9 (while others measure too); R0 to R9 (what is measured all the time)",
    )  # fmt: skip
    crc: bool = Field(True, description="ask for a CRC with the data; probes older than version 1.3 have none")
    identity: str | None = Field(
        None, min_length=1, max_length=32,
        description="words its identification must hold, like its serial number: no other probe is taken for it",
    )  # fmt: skip
    every_s: float | None = Field(None, gt=0, le=86400, description="time between readings, s; 15 when left out")
    deadline_s: float | None = Field(
        None, gt=0, le=1000,
        description="longest wait for a reading, measuring included, s; 30, or every_s when that is less",
    )  # fmt: skip
    channel: list[Sdi12Channel] = Field(description="the numbers of the measurement")

    @property
    def every(self) -> float:
        return self.every_s if self.every_s is not None else _EVERY_S

    @property
    def deadline(self) -> float:
        return self.deadline_s if self.deadline_s is not None else min(_DEADLINE_S, max(self.every, 5.0))


class Sdi12Settings(Sdi12Wire):
    """One SDI-12 line behind a serial adapter."""

    kind: Literal["sdi12"]
    probe: list[Sdi12Probe] = Field(min_length=1, description="the probes on the line")

    @model_validator(mode="after")
    def _one_of_each(self) -> Sdi12Settings:
        seen = set()
        for place, probe in enumerate(self.probe, 1):
            if (probe.address, probe.measure) in seen:
                raise ValueError(
                    f"one probe for {probe.measure} of address {probe.address}, not two (probe {place}): "
                    "put all its channels into one"
                )
            seen.add((probe.address, probe.measure))
        return self


@dataclass(frozen=True, slots=True)
class _Measuring:
    """A concurrent measurement under way. ready: monotonic second at which its data is there."""

    ready: float
    count: int


class Sdi12Bus:
    """One line and the probes on it.

    Concurrent measurements (C) of one rhythm are begun together, so that the slowest alone is waited for.
    """

    def __init__(self, name: str, settings: Sdi12Settings, clock: Clock, port: str) -> None:
        self.name = name
        self._clock = clock
        self._probes = {probe.name: probe for probe in settings.probe}
        self._line = Sdi12Line(settings, clock, port)
        self._known: set[str] = set()  # probes whose identification has been seen to be right
        self._measuring: dict[str, _Measuring] = {}
        self._apart: set[str] = set()  # did not begin when asked beside another: not tried so until they are well

    async def open(self) -> None:
        self._forget()
        self._line.open()

    async def close(self) -> None:
        self._forget()
        self._line.close()

    def _forget(self) -> None:
        self._known.clear()
        self._measuring.clear()
        self._apart.clear()

    async def identify(self, address: str) -> Identity:
        """What the probe at an address says it is. Raises ProbeError."""
        return identity(await self._line.ask(address, "I"))

    async def read(self, probe: str) -> Sequence[Sample]:
        settings = self._probes[probe]
        try:
            await self._is_the_one(settings)
            at, found = await self._measure(settings)
        except NoAnswer:
            self._known.discard(probe)  # whatever answers next may be another
            raise
        self._apart.discard(probe)
        samples = []
        for channel in settings.channel:
            if channel.value > len(found):
                error = ProbeFault(f"Address {settings.address} gave {len(found)} values; number {channel.value} "
                                   "is asked for.")  # fmt: skip
                samples.append(no_sample(channel, probe, at, error))
            else:
                samples.append(sample_of(channel, probe, found[channel.value - 1], at))
        return samples

    async def _is_the_one(self, probe: Sdi12Probe) -> None:
        if probe.identity is None or probe.name in self._known:
            return
        said = str(await self.identify(probe.address))
        if probe.identity not in said:
            raise BadAnswer(
                f"Another probe has address {probe.address}: {said!r}, without {probe.identity!r}.",
                "Put the right probe there, or correct identity in the shed file.",
            )
        self._known.add(probe.name)

    async def _measure(self, probe: Sdi12Probe) -> tuple[Moment, list[float]]:
        match probe.measure[0]:
            case "R":
                found = values(await self._ask(probe, probe.measure))
                if not found:
                    raise ProbeFault(f"Address {probe.address} has no data for {probe.measure}.")
                return self._clock.now(), found
            case "C":
                return await self._beside_others(probe)
        self._drop(probe.address)
        seconds, count = await self._begin(probe)
        if seconds:
            await self._line.service_request(probe.address, seconds)
        found = await self._data(probe, count)
        return self._clock.now(), found

    async def _beside_others(self, probe: Sdi12Probe) -> tuple[Moment, list[float]]:
        now = self._clock.now().mono
        under_way = self._measuring.pop(probe.name, None)
        if under_way is None or now - under_way.ready > probe.every / 2:
            self._drop(probe.address)
            seconds, count = await self._begin(probe)
            under_way = _Measuring(self._clock.now().mono + seconds, count)
            for other in self._of_its_rhythm(probe):
                await self._begin_beside(other)
        await self._clock.sleep_until(under_way.ready)
        found = await self._data(probe, under_way.count)
        after = self._clock.now()
        return after.later(under_way.ready - after.mono), found

    def _of_its_rhythm(self, probe: Sdi12Probe) -> Iterator[Sdi12Probe]:
        taken = {probe.address, *(self._probes[name].address for name in self._measuring)}
        for other in self._probes.values():
            if other.measure[0] != "C" or other.every != probe.every or other.name in self._apart:
                continue
            if other.identity is not None and other.name not in self._known:
                continue
            if other.address not in taken:
                taken.add(other.address)
                yield other

    async def _begin_beside(self, other: Sdi12Probe) -> None:
        try:
            seconds, count = await self._begin(other, tries=1)
        except PortLost:
            raise
        except ProbeError:
            self._apart.add(other.name)  # it is told at its own turn, which is at hand
        else:
            self._measuring[other.name] = _Measuring(self._clock.now().mono + seconds, count)

    async def _begin(self, probe: Sdi12Probe, tries: int | None = None) -> tuple[int, int]:
        answer = await self._line.ask(probe.address, command_of(probe.measure, crc=probe.crc), tries=tries)
        seconds, count = started(answer, probe.measure[0])
        if not count:
            raise ProbeFault(f"Address {probe.address} says that {probe.measure} gives no values.")
        if seconds > probe.deadline:
            raise ProbeFault(
                f"Address {probe.address} wants {seconds} s for {probe.measure}, more than deadline_s, which is "
                f"{probe.deadline:g}.",
                "Raise deadline_s of the probe, and every_s with it.",
            )
        return seconds, count

    async def _data(self, probe: Sdi12Probe, count: int) -> list[float]:
        found: list[float] = []
        for number in range(_MOST_DATA):
            part = values(await self._ask(probe, f"D{number}"))
            if not part:
                raise ProbeFault(f"Address {probe.address} has no data: its measurement was broken off.")
            found += part
            if len(found) >= count:
                break
        if len(found) != count:
            raise BadAnswer(f"Address {probe.address} gave {len(found)} values instead of {count}.")
        return found

    async def _ask(self, probe: Sdi12Probe, command: str) -> str:
        """A command whose answer carries the data, and a CRC where one is wanted."""
        if command[0] == "R":
            command = command_of(command, crc=probe.crc)
        return await self._line.ask(probe.address, command, crc=probe.crc)

    def _drop(self, address: str) -> None:
        """Another measurement of the same probe is over when a new one begins."""
        for name in [one for one in self._measuring if self._probes[one].address == address]:
            del self._measuring[name]
