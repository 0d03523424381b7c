"""Instruments that speak in lines of text: asked for each one, or talking by themselves.

A line counts only when it is whole and new: what lies in the buffer when a question goes out is thrown away, the
first line after opening may have begun before us, and after a silence no question goes out before its late answer
can no longer be taken for the next one's.
"""

from __future__ import annotations

import asyncio
import re
from collections.abc import Sequence
from functools import cached_property
from typing import Literal

from pydantic import Field, field_validator, model_validator

from brinewatch.errors import BadAnswer, NoAnswer, PortLost, ProbeError
from brinewatch.moment import Moment
from brinewatch.ports import Clock
from brinewatch.probes.common import ChannelSettings, ProbeSettings, no_sample, sample_of
from brinewatch.probes.line_text import checked, match_groups, plain, split_fields, to_number, unescape
from brinewatch.readings import Sample
from brinewatch.settings import Settings
from brinewatch.wire import LineSettings, SerialStream

_PARITY = {"none": "N", "even": "E", "odd": "O"}
_QUIET_S = 0.02
_QUIET_TRIES = 10


class LineChannel(ChannelSettings):
    """One number in the line: by its field, or by a named group of the probe's pattern."""

    field: int | None = Field(None, ge=1, le=200, description="which field, the first is 1")
    group: str | None = Field(None, description="named group of the probe's pattern")


class LineProbe(ProbeSettings):
    """One instrument. Without `ask` it talks by itself and must be alone on the line."""

    ask: str | None = Field(
        None, min_length=1, description='what to send, like "R\\r"; left out: it talks by itself'
    )
    terminator: str = Field("\\r\\n", min_length=1, max_length=8, description="what ends its line")
    longest: int = Field(256, ge=1, le=4096, description="longest line, bytes")
    separator: str = Field(",", max_length=4, description="between fields; empty means any white space")
    fields: int | None = Field(
        None, ge=1, le=200, description="how many fields a whole line has; checked when given"
    )
    pattern: str | None = Field(None, description="regular expression with named groups, for the whole line")
    checksum: Literal["none", "nmea"] = Field("none", description="nmea: *HH at the end as in NMEA 0183")
    max_age_s: float = Field(5.0, gt=0, le=3600, description="oldest line used when it talks by itself, s")
    channel: list[LineChannel] = Field(description="the numbers in the line")

    @field_validator("ask", "terminator")
    @classmethod
    def _bytes(cls, value: str | None) -> str | None:
        if value is not None:
            try:
                unescape(value)
            except UnicodeEncodeError as error:
                raise ValueError("ASCII signs and escapes only") from error
        return value

    @field_validator("pattern")
    @classmethod
    def _compiles(cls, value: str | None) -> str | None:
        if value is not None:
            try:
                re.compile(value)
            except re.error as error:
                raise ValueError(f"a regular expression; {error}") from error
        return value

    @model_validator(mode="after")
    def _channels_fit(self) -> LineProbe:
        groups = set(re.compile(self.pattern).groupindex) if self.pattern is not None else set()
        for place, channel in enumerate(self.channel, 1):
            if self.pattern is None and (channel.field is None or channel.group is not None):
                raise ValueError(f"field in channel {place} (or a pattern here and group there)")
            if self.pattern is not None and (channel.group not in groups or channel.field is not None):
                raise ValueError(
                    f"group in channel {place} to be one of the pattern's: {', '.join(sorted(groups))}"
                )
            if self.fields is not None and channel.field is not None and channel.field > self.fields:
                raise ValueError(f"field in channel {place} to be at most fields, which is {self.fields}")
        return self

    @property
    def oldest(self) -> float:
        return self.max_age_s if self.ask is None else 0.0

    @cached_property
    def ask_bytes(self) -> bytes | None:
        return unescape(self.ask) if self.ask is not None else None

    @cached_property
    def end_bytes(self) -> bytes:
        return unescape(self.terminator)

    @cached_property
    def compiled(self) -> re.Pattern[str] | None:
        return re.compile(self.pattern) if self.pattern is not None else None

    def numbers(self, line: bytes) -> list[float | ProbeError]:
        """One number a channel, or why that one cannot be had. BadAnswer when the line as a whole is no good."""
        if len(line) > self.longest + len(self.end_bytes):
            raise BadAnswer(f"A line of {len(line)} bytes came; the longest is {self.longest}.")
        text = plain(line, self.end_bytes)
        if self.checksum == "nmea":
            text = checked(text)
        named = {} if self.compiled is None else match_groups(text, self.compiled)
        needed = max((channel.field or 0) for channel in self.channel)
        fields = () if needed == 0 else split_fields(text, self.separator, self.fields, needed)
        found: list[float | ProbeError] = []
        for channel in self.channel:
            try:
                if channel.field is not None:
                    found.append(to_number(fields[channel.field - 1], f"Field {channel.field}"))
                else:
                    found.append(to_number(named[channel.group or ""], f"{channel.group}"))
            except BadAnswer as error:
                found.append(error)
        return found


class LineBusSettings(Settings):
    """One serial line."""

    kind: Literal["line_serial"]
    port: str = Field(description="the adapter; a name under /dev/serial/by-id stays the same after re-plugging")
    baud: int = Field(9600, ge=300, le=1_000_000, description="bits per second")
    data_bits: Literal[7, 8] = Field(8, description="bits in a character")
    parity: Literal["none", "even", "odd"] = Field("none", description="parity")
    stop_bits: Literal[1, 2] = Field(1, description="stop bits")
    timeout_s: float = Field(1.0, gt=0, le=30, description="wait for an answer to a question, s")
    late_answer_s: float = Field(
        2.0, ge=0, le=60, description="an answer may come as late as this after its question, s: no other before"
    )
    probe: list[LineProbe] = Field(min_length=1, description="the instruments on the line")

    @model_validator(mode="after")
    def _alone(self) -> LineBusSettings:
        if len(self.probe) > 1 and any(probe.ask is None for probe in self.probe):
            raise ValueError("ask for every probe: one that talks by itself must be alone on its line")
        if self.late_answer_s < self.timeout_s:
            raise ValueError(f"late_answer_s of at least timeout_s, which is {self.timeout_s:g}")
        return self


class LineBus:
    """One serial line and the instruments on it."""

    def __init__(self, name: str, settings: LineBusSettings, clock: Clock, port: str) -> None:
        self.name = name
        self._settings = settings
        self._clock = clock
        self._probes = {probe.name: probe for probe in settings.probe}
        self._stream = SerialStream(
            LineSettings(port, settings.baud, settings.data_bits, _PARITY[settings.parity], settings.stop_bits)
        )
        self._late_until = 0.0
        self._heard = float("-inf")  # monotonic time of the last bytes known of
        self._listening: asyncio.Task[None] | None = None
        self._newest: tuple[Moment, bytes] | None = None
        self._news = asyncio.Event()
        self._lost: PortLost | None = None

    async def open(self) -> None:
        await self.close()
        self._stream.open()
        self._newest, self._lost = None, None
        self._news.clear()
        if self._settings.probe[0].ask is None:
            self._listening = asyncio.create_task(self._listen(self._settings.probe[0]), name=f"listen {self.name}")

    async def close(self) -> None:
        task, self._listening = self._listening, None
        if task is not None:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)
        self._stream.close()

    async def read(self, probe: str) -> Sequence[Sample]:
        settings = self._probes[probe]
        at, line = await (self._newest_line(settings) if settings.ask is None else self._answer(settings))
        found = settings.numbers(line)
        if all(isinstance(one, ProbeError) for one in found):
            assert isinstance(found[0], ProbeError)
            raise found[0]
        return [
            no_sample(channel, probe, at, one)
            if isinstance(one, ProbeError)
            else sample_of(channel, probe, one, at)
            for channel, one in zip(settings.channel, found, strict=True)
        ]

    # -- asked --------------------------------------------------------------------------------------------------

    async def _answer(self, probe: LineProbe) -> tuple[Moment, bytes]:
        assert probe.ask_bytes is not None
        await self._clock.sleep_until(self._late_until)
        await self._fall_quiet()
        self._late_until = self._clock.now().mono + self._settings.late_answer_s
        try:
            with self._clock.hold():
                async with self._clock.deadline(self._settings.timeout_s):
                    await self._stream.write(probe.ask_bytes)
                    line = await self._stream.read_until(probe.end_bytes, probe.longest + len(probe.end_bytes))
        except TimeoutError as error:
            left = self._stream.discard()
            if left:
                raise BadAnswer(f"The answer broke off after {len(left)} bytes: {left[:60]!r}.") from error
            raise NoAnswer(
                f"No answer within {self._settings.timeout_s:g} s.", "Check supply, cable, speed and the question."
            ) from error
        self._late_until = 0.0
        at = self._clock.now()
        self._heard = at.mono
        return at, line

    async def _fall_quiet(self) -> None:
        """Throw away what came unasked, until nothing comes."""
        for _ in range(_QUIET_TRIES):
            await self._clock.sleep(0)  # two turns of the loop: what has come in is seen
            await self._clock.sleep(0)
            now = self._clock.now().mono
            if self._stream.discard():
                self._heard = now
            if now - self._heard >= _QUIET_S:
                return
            await self._clock.sleep(_QUIET_S)
        raise BadAnswer("The line never falls quiet: the instrument talks without being asked.", "Leave `ask` out.")

    # -- talking by itself --------------------------------------------------------------------------------------

    async def _listen(self, probe: LineProbe) -> None:
        """Keep the newest whole line with the instant it came."""
        whole = False  # the first line may have begun before the port was open
        try:
            while True:
                line = await self._stream.read_until(probe.end_bytes, probe.longest + len(probe.end_bytes))
                if whole:
                    self._newest = (self._clock.now(), line)
                    self._news.set()
                whole = line.endswith(probe.end_bytes)
        except PortLost as error:
            self._lost = error
            self._news.set()

    async def _newest_line(self, probe: LineProbe) -> tuple[Moment, bytes]:
        while True:
            if self._lost is not None:
                raise self._lost
            if self._listening is None:
                raise PortLost(f"{self._stream.line.port} is not open.")
            if self._newest is not None and self._clock.now().mono - self._newest[0].mono <= probe.max_age_s:
                return self._newest
            self._news.clear()
            await self._news.wait()
