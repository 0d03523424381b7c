"""Modbus RTU over RS-485: pymodbus carries the requests, our own gate lets through only what answers them.

pymodbus passes replies on that are too short, of another function, or older than the request (tried with 3.16.1).
So every byte goes through `judge` first, nothing is taken while no request stands, and after a silence the same
device is not asked again before its late answer can no longer be taken for the new one.
"""

from __future__ import annotations

import gc
import logging
import os
import termios
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from pydantic import Field, ValidationInfo, field_validator, model_validator

from brinewatch.errors import BadAnswer, NoAnswer, PortLost, ProbeError, ProbeFault
from brinewatch.ports import Clock
from brinewatch.probes.common import ChannelSettings, ProbeSettings, no_sample, sample_of
from brinewatch.probes.registers import (
    FUNCTION,
    WORDS,
    NumberType,
    Order,
    Span,
    Table,
    frame_gap_s,
    judge,
    number,
    spans,
)
from brinewatch.readings import Sample
from brinewatch.settings import Settings

if TYPE_CHECKING:
    from pymodbus.client import AsyncModbusSerialClient

# a line that has not fallen quiet after so many turn gaps carries something that talks without being asked
_QUIET_TRIES = 10
_KEPT = 8192
_PARITY = {"none": "N", "even": "E", "odd": "O"}


class ModbusChannel(ChannelSettings):
    """One number in a device's register map."""

    table: Table = Field("holding", description='"holding" (4xxxx, function 3) or "input" (3xxxx, function 4)')
    register_: int = Field(
        alias="register", ge=0, le=65535,
        description="PDU address, counted from 0: 40001 and 30001 in a maker's table are 0, 40108 is 107",
    )  # fmt: skip
    type: NumberType = Field("uint16", description="how the number is stored")
    order: Order = Field("ABCD", description="order of its bytes on the wire; ABCD is biggest first")

    @field_validator("type")
    @classmethod
    def _fits(cls, value: NumberType, info: ValidationInfo) -> NumberType:
        if info.data.get("register_", 0) + WORDS[value] > 65536:
            raise ValueError("a number that ends at or before register 65535")
        return value

    @property
    def span(self) -> Span:
        return Span(self.table, self.register_, WORDS[self.type])


class ModbusProbe(ProbeSettings):
    """One device on the line."""

    address: int = Field(ge=1, le=247, description="the device's address on the line")
    channel: list[ModbusChannel] = Field(description="the numbers read from it")


class ModbusSettings(Settings):
    """One RS-485 line."""

    kind: Literal["modbus_rtu"]
    port: str = Field(description="the adapter; a name under /dev/serial/by-id stays the same after re-plugging")
    baud: int = Field(19200, ge=300, le=1_000_000, description="bits per second")
    parity: Literal["none", "even", "odd"] = Field("even", description="the standard's own default is even")
    stop_bits: Literal[1, 2] = Field(1, description="the standard asks for 2 when parity is none")
    timeout_s: float = Field(0.5, gt=0, le=10, description="wait for one answer, s")
    late_answer_s: float = Field(
        1.0, ge=0, le=60, description="an answer may come as late as this after its request, s: no repeat before"
    )
    turn_gap_s: float = Field(0.02, ge=0.002, le=1, description="quiet on the line before each request, s")
    probe: list[ModbusProbe] = Field(min_length=1, description="the devices on the line")

    @model_validator(mode="after")
    def _late_is_later(self) -> ModbusSettings:
        if self.late_answer_s < self.timeout_s:
            raise ValueError(f"late_answer_s of at least timeout_s, which is {self.timeout_s:g}")
        return self


class _Gate:
    """What stands between the wire and pymodbus: only the one right answer to the standing request passes."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self.heard = float("-inf")  # monotonic time of the last bytes
        self.wanted: tuple[int, int, int] | None = None
        self.received = b""
        self.verdict: ProbeError | None = None

    def ask(self, address: int, function: int, count: int) -> None:
        self.wanted, self.received, self.verdict = (address, function, count), b"", None

    def packet(self, sending: bool, data: bytes) -> bytes:
        """pymodbus shows every packet here; `data` is all that came since the request."""
        if sending:
            return data
        self.heard = self._clock.now().mono
        if self.wanted is None or isinstance(self.verdict, BadAnswer):
            return b""
        self.received = data
        try:
            frame = judge(data, *self.wanted)
        except BadAnswer as error:
            self.verdict = error
            return b""
        except ProbeFault as error:
            self.verdict = error
            frame = data.lstrip(b"\x00\xff")
        if frame is None:
            return b""
        self.wanted = None
        return frame


class ModbusBus:
    """One RS-485 line and the devices on it."""

    def __init__(self, name: str, settings: ModbusSettings, clock: Clock, port: str) -> None:
        self.name = name
        self._settings = settings
        self._clock = clock
        self._port = port
        self._probes = {probe.name: probe for probe in settings.probe}
        self._spans = {probe.name: spans([one.span for one in probe.channel]) for probe in settings.probe}
        self._gap = max(settings.turn_gap_s, frame_gap_s(settings.baud))
        self._client: AsyncModbusSerialClient | None = None
        self._gate = _Gate(clock)
        # monotonic time until which a device may still be answering an earlier request
        self._late_until: dict[int, float] = {}

    async def open(self) -> None:
        from pymodbus.client import AsyncModbusSerialClient

        logging.getLogger("pymodbus").setLevel(logging.CRITICAL)
        await self.close()
        settings = self._settings
        self._gate = _Gate(self._clock)
        client = AsyncModbusSerialClient(
            self._port, baudrate=settings.baud, parity=_PARITY[settings.parity], stopbits=settings.stop_bits,
            timeout=settings.timeout_s, retries=0, reconnect_delay=0, trace_packet=self._gate.packet,
        )  # fmt: skip
        # more than one frame is dropped unseen otherwise, and a babbling line would look silent
        client.ctx.max_buffer_size = _KEPT
        refused = False
        with self._clock.hold():
            try:
                made = await client.connect()
            except (OSError, ValueError, termios.error):
                refused = True
        if refused:
            gc.collect()  # the half-opened port hangs in the error's traceback, which is a cycle
            raise self._not_opened(f"it refuses {settings.baud} baud, parity {settings.parity}")
        if not made:
            raise self._not_opened(_why_not(self._port))
        self._client = client

    def _not_opened(self, reason: str) -> PortLost:
        return PortLost(
            f"Cannot open {self._port}: {reason}.",
            "Check that the adapter is plugged in, the name is right and this user may use it.",
        )

    async def close(self) -> None:
        client, self._client = self._client, None
        if client is not None:
            client.close()

    async def read(self, probe: str) -> Sequence[Sample]:
        settings = self._probes[probe]
        words: dict[Span, list[int] | ProbeError] = {}
        for span in self._spans[probe]:
            try:
                words[span] = await self.ask(settings.address, span)
            except PortLost:
                raise
            except ProbeError as error:
                words[span] = error
                if isinstance(error, NoAnswer):
                    break  # a silent device is not waited for once more per run of registers
        failed = [one for one in words.values() if isinstance(one, ProbeError)]
        if len(failed) == len(words):
            raise failed[-1]
        at = self._clock.now()
        samples = []
        for channel in settings.channel:
            span, found = self._found(channel.span, words, failed)
            if isinstance(found, ProbeError):
                samples.append(no_sample(channel, probe, at, found))
                continue
            start = channel.register_ - span.first
            raw = number(found[start : start + WORDS[channel.type]], channel.type, channel.order)
            samples.append(sample_of(channel, probe, raw, at))
        return samples

    @staticmethod
    def _found(
        wanted: Span, words: dict[Span, list[int] | ProbeError], failed: Sequence[ProbeError]
    ) -> tuple[Span, list[int] | ProbeError]:
        for span, found in words.items():
            whole = span.first <= wanted.first and wanted.first + wanted.count <= span.first + span.count
            if span.table == wanted.table and whole:
                return span, found
        return wanted, failed[-1]  # not asked for, because the device had fallen silent

    async def ask(self, address: int, span: Span) -> list[int]:
        """The words of one run of registers of the device at an address. Raises ProbeError."""
        client = self._client
        if client is None:
            raise PortLost(f"{self._port} is not open.")
        await self._clock.sleep_until(self._late_until.get(address, 0.0))
        await self._fall_quiet()
        ask = client.read_holding_registers if span.table == "holding" else client.read_input_registers
        from pymodbus.exceptions import ModbusException

        if not client.connected:
            raise PortLost(f"{self._port} went away.", "It is tried again by itself.")
        self._gate.ask(address, FUNCTION[span.table], span.count)
        self._late_until[address] = self._clock.now().mono + self._settings.late_answer_s
        try:
            with self._clock.hold():
                reply = await ask(span.first, count=span.count, device_id=address)
        except ModbusException as error:
            if not client.connected:
                raise PortLost(f"{self._port} went away.", "It is tried again by itself.") from error
            raise self._missing(address) from error
        finally:
            self._gate.wanted = None
        del self._late_until[address]
        if self._gate.verdict is not None:
            raise self._gate.verdict
        if reply.isError() or reply.dev_id != address or len(reply.registers) != span.count:
            raise BadAnswer(f"Address {address} sent {len(reply.registers)} registers instead of {span.count}.")
        return list(reply.registers)

    def _missing(self, address: int) -> ProbeError:
        if self._gate.verdict is not None:
            return self._gate.verdict
        if self._gate.received.lstrip(b"\x00\xff"):
            return BadAnswer(f"Address {address} broke off after {len(self._gate.received)} bytes.")
        return NoAnswer(
            f"Address {address} gave no answer within {self._settings.timeout_s:g} s.",
            "Check its supply, the two wires, its address and the line's speed and parity.",
        )

    async def _fall_quiet(self) -> None:
        """Wait until the line has carried nothing for a turn gap."""
        for _ in range(_QUIET_TRIES):
            await self._clock.sleep(0)  # two turns of the loop: what has come in is seen
            await self._clock.sleep(0)
            left = self._gate.heard + self._gap - self._clock.now().mono
            if left <= 0:
                return
            await self._clock.sleep(left)
        raise BadAnswer(
            f"{self._port} never falls quiet: something talks without being asked.",
            "Look for a second master, two devices of one address, or missing bias resistors.",
        )


def _why_not(port: str) -> str:
    path = Path(port)
    if not path.exists():
        return "there is no such device"
    if not os.access(path, os.R_OK | os.W_OK):
        return "this user may not use it"
    return "another program holds it, or it is no serial port"
