"""The SDI-12 line: waking the probes, one question and its answer, the service request.

An answer that came late must never be taken for that of the next question: after a silence no question goes out
before the late one can no longer come.
"""

from __future__ import annotations

import asyncio
from typing import Literal

from pydantic import Field, model_validator

from brinewatch.errors import BadAnswer, NoAnswer, ProbeError
from brinewatch.ports import Clock
from brinewatch.probes.sdi12_text import END, LONGEST, body
from brinewatch.settings import Settings
from brinewatch.wire import LineSettings, SerialStream

_PARITY = {"none": "N", "even": "E", "odd": "O"}
_MARKING_S = 0.010  # at least 8.33 ms between break and command
_AWAKE_S = 0.080  # a probe falls asleep after 100 ms of quiet; up to 87 ms no break is needed
_QUIET_S = 0.02
_QUIET_TRIES = 10
_REQUEST_SLACK_S = 0.1
_NOISE = 8  # bytes of a line driver turning round that may stand before an answer


class Sdi12Wire(Settings):
    """How the line is reached."""

    port: str = Field(description="the adapter; a name under /dev/serial/by-id stays the same after re-plugging")
    baud: int = Field(
        1200, ge=300, le=1_000_000, description="bits per second between this computer and the adapter"
    )
    data_bits: Literal[7, 8] = Field(7, description="bits in a character; 8 where the adapter says so")
    parity: Literal["none", "even", "odd"] = Field("even", description="parity; none where the adapter says so")
    break_ms: float = Field(
        15.0, ge=0, le=90,
        description="length of the break that wakes the probes, at least 12 by the standard; 0 where the adapter "
        "makes it by itself; ms",
    )  # fmt: skip
    echo: bool = Field(False, description="whether the adapter sends back what it is told")
    timeout_s: float = Field(1.0, gt=0, le=10, description="wait for one whole answer, s")
    late_answer_s: float = Field(
        1.5, ge=0, le=60, description="an answer may come as late as this after its question, s: no other before"
    )
    tries: int = Field(3, ge=1, le=9, description="how often a question is put before the probe counts as silent")

    @model_validator(mode="after")
    def _fits(self) -> Sdi12Wire:
        if 0 < self.break_ms < 12:
            raise ValueError("break_ms of at least 12, or 0 where the adapter makes the break by itself")
        if self.late_answer_s < self.timeout_s:
            raise ValueError(f"late_answer_s of at least timeout_s, which is {self.timeout_s:g}")
        return self


class Sdi12Line:
    """One line with at most one question on it."""

    def __init__(self, settings: Sdi12Wire, clock: Clock, port: str) -> None:
        self._settings = settings
        self._clock = clock
        self._stream = SerialStream(
            LineSettings(port, settings.baud, settings.data_bits, _PARITY[settings.parity], 1)
        )
        self._late_until = 0.0
        self._heard = float("-inf")  # monotonic time of the last bytes, either way
        self._awake = ""  # the address last spoken to

    def open(self) -> None:
        self._stream.open()
        self._late_until, self._awake = 0.0, ""

    def close(self) -> None:
        self._stream.close()

    async def ask(self, address: str, command: str, *, crc: bool = False, tries: int | None = None) -> str:
        """Put `address command !` and return what the answer says after the address, without its CRC.

        crc: whether the answer carries one; tries: as set when left out. Raises ProbeError.
        """
        last: ProbeError | None = None
        for _ in range(tries or self._settings.tries):
            try:
                return await self._once(address, command, crc)
            except (NoAnswer, BadAnswer) as error:
                last = error
        assert last is not None
        raise last

    async def _once(self, address: str, command: str, crc: bool) -> str:
        question = f"{address}{command}!".encode("ascii")
        await self._clock.sleep_until(self._late_until)
        await self._fall_quiet()
        await self._wake(address)
        self._late_until = self._clock.now().mono + self._settings.late_answer_s
        try:
            with self._clock.hold():
                async with self._clock.deadline(self._settings.timeout_s):
                    await self._stream.write(question)
                    if self._settings.echo:
                        await self._own_voice(question)
                    line = await self._stream.read_until(END, LONGEST + _NOISE)
        except TimeoutError as error:
            left = self._stream.discard()
            if left:
                raise BadAnswer(f"The answer broke off after {len(left)} bytes: {left[:40]!r}.") from error
            raise NoAnswer(
                f"Address {address} gave no answer to {command} within {self._settings.timeout_s:g} s.",
                "Check its 12 V supply, the data line, its address and the adapter; a probe older than version 1.3 "
                "wants crc = false.",
            ) from error
        finally:
            self._heard = self._clock.now().mono
        self._late_until = 0.0
        if not self._settings.echo and line.lstrip(b"\x00\xff").startswith(question):
            raise BadAnswer("The adapter sends back what it is told.", "Set echo = true for this bus.")
        return body(line, address, crc=crc)

    async def _own_voice(self, question: bytes) -> None:
        heard = (await self._stream.read_until(b"!", LONGEST + _NOISE)).lstrip(b"\x00\xff")
        if heard != question:
            raise BadAnswer(
                f"The adapter should have sent back {question!r} and sent {heard[:40]!r}.",
                "Set echo = false for this bus if it does not; else look for a second master on the line.",
            )

    async def _wake(self, address: str) -> None:
        """A break, unless this probe has been spoken to just now: all others have gone to sleep again."""
        asleep = self._awake != address or self._clock.now().mono - self._heard > _AWAKE_S
        self._awake = address
        if not asleep or not self._settings.break_ms:
            return
        self._stream.hold_break(True)
        try:
            await self._clock.sleep(self._settings.break_ms / 1000.0)
        finally:
            if self._stream.is_open:
                self._stream.hold_break(False)
        await self._clock.sleep(_MARKING_S)
        self._stream.discard()  # a break reads as a byte 00 where the adapter listens to itself

    async def service_request(self, address: str, seconds: float) -> None:
        """Wait until the probe says that its data is there, at most the time it named. Raises PortLost.

        Anything else on the line meanwhile is passed over: the data itself is checked.
        """
        over = asyncio.ensure_future(self._clock.sleep(seconds + _REQUEST_SLACK_S))
        try:
            while not over.done():
                reading = asyncio.ensure_future(self._stream.read_until(END, LONGEST + _NOISE))
                try:
                    await asyncio.wait([over, reading], return_when=asyncio.FIRST_COMPLETED)
                    if reading.done() and reading.result().lstrip(b"\x00\xff") == address.encode("ascii") + END:
                        break
                finally:
                    reading.cancel()
                    await asyncio.gather(reading, return_exceptions=True)
        finally:
            over.cancel()
            await asyncio.gather(over, return_exceptions=True)
        self._heard = self._clock.now().mono

    async def _fall_quiet(self) -> None:
        """Throw away what came unasked, until nothing comes."""
        for _ in range(_QUIET_TRIES):
            await self._clock.sleep(0)  # two turns of the loop: what has come in is seen
            await self._clock.sleep(0)
            if not self._stream.discard():
                return
            await self._clock.sleep(_QUIET_S)
        raise BadAnswer(
            "The line never falls quiet: something talks without being asked.",
            "Look for a second master, or two probes of one address.",
        )
