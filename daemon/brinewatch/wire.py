"""A serial port as an asynchronous stream of bytes: what probes and the modem both stand on.

pyserial opens and sets the port; the event loop reads it, so that waiting can be cut off exactly and a silent
device never holds a thread. Every way a port can go away ends as PortLost.
"""

from __future__ import annotations

import asyncio
import os
import termios
from dataclasses import dataclass

import serial

from brinewatch.errors import PortLost

_READ_AT_ONCE = 4096
# a device that never stops talking must not fill the memory; the oldest bytes go first
_KEPT = 65536


@dataclass(frozen=True, slots=True)
class LineSettings:
    """How a serial line is set. parity: "N", "E" or "O"."""

    port: str
    baud: int = 9600
    data_bits: int = 8
    parity: str = "N"
    stop_bits: int = 1


class SerialStream:
    """One open serial port. All methods belong to the event loop's thread."""

    def __init__(self, line: LineSettings) -> None:
        self.line = line
        self._serial: serial.Serial | None = None
        self._buffer = bytearray()
        self._arrived = asyncio.Event()
        self._lost: str | None = None

    @property
    def is_open(self) -> bool:
        return self._serial is not None and self._lost is None

    def open(self) -> None:
        """Open the port for this process alone. Raises PortLost naming the port and the reason."""
        self.close()
        line = self.line
        try:
            port = serial.Serial(
                line.port, line.baud, bytesize=line.data_bits, parity=line.parity, stopbits=line.stop_bits,
                timeout=0, write_timeout=0, exclusive=True,
            )  # fmt: skip
        except (OSError, ValueError, termios.error) as error:
            # pyserial raises SerialException (an OSError); a pty without parity raises termios.error
            raise PortLost(
                f"Cannot open {line.port}: {_reason(error)}.",
                "Check that the adapter is plugged in, the name is right and this user may read it.",
            ) from error
        self._serial, self._lost = port, None
        self._buffer.clear()
        self._arrived.clear()
        asyncio.get_running_loop().add_reader(port.fileno(), self._on_readable)

    def close(self) -> None:
        port, self._serial = self._serial, None
        if port is None:
            return
        try:
            asyncio.get_running_loop().remove_reader(port.fileno())
            port.close()
        except (OSError, ValueError, termios.error, RuntimeError):
            # already gone with its adapter; there is nothing left to close
            self._lost = self._lost or "closed"

    def _on_readable(self) -> None:
        assert self._serial is not None
        try:
            data = os.read(self._serial.fileno(), _READ_AT_ONCE)
        except BlockingIOError:
            return
        except OSError as error:
            self._mark_lost(_reason(error))
            return
        if not data:
            self._mark_lost("the device hung up")
            return
        self._buffer += data
        if len(self._buffer) > _KEPT:
            del self._buffer[: len(self._buffer) - _KEPT]
        self._arrived.set()

    def _mark_lost(self, reason: str) -> None:
        self._lost = reason
        if self._serial is not None:
            asyncio.get_running_loop().remove_reader(self._serial.fileno())
        self._arrived.set()

    def _check(self) -> serial.Serial:
        if self._serial is None:
            raise PortLost(f"{self.line.port} is not open.")
        if self._lost is not None:
            raise PortLost(f"{self.line.port} went away: {self._lost}.", "It is tried again by itself.")
        return self._serial

    def discard(self) -> bytes:
        """Throw away and return what has come in unread (the rest of a late answer, noise)."""
        left = bytes(self._buffer)
        self._buffer.clear()
        self._arrived.clear()
        return left

    async def read(self) -> bytes:
        """Wait for at least one byte and return all there is. PortLost when the port went away."""
        while not self._buffer:
            self._check()
            self._arrived.clear()
            await self._arrived.wait()
        return self.discard()

    async def read_until(self, terminator: bytes, limit: int = 4096) -> bytes:
        """Bytes up to and with the terminator; what follows stays. At `limit` bytes without one, those bytes."""
        while True:
            at = self._buffer.find(terminator)
            end = at + len(terminator) if at >= 0 else limit if len(self._buffer) >= limit else 0
            if end:
                line = bytes(self._buffer[:end])
                del self._buffer[:end]
                return line
            self._check()
            self._arrived.clear()
            await self._arrived.wait()

    async def write(self, data: bytes) -> None:
        """Hand all bytes to the port. PortLost when it went away."""
        port = self._check()
        view = memoryview(data)
        loop = asyncio.get_running_loop()
        while view:
            try:
                view = view[os.write(port.fileno(), view) :]
            except BlockingIOError:
                ready = asyncio.Event()
                loop.add_writer(port.fileno(), ready.set)
                try:
                    await ready.wait()
                finally:
                    loop.remove_writer(port.fileno())
            except OSError as error:
                self._mark_lost(_reason(error))
                self._check()

    def hold_break(self, on: bool) -> None:
        """Hold the line at a break, or let go of it; the caller times it. PortLost when it went away."""
        port = self._check()
        try:
            port.break_condition = on
        except (OSError, termios.error) as error:
            self._mark_lost(_reason(error))
            self._check()


def _reason(error: BaseException) -> str:
    if isinstance(error, OSError) and error.errno:
        return os.strerror(error.errno)  # pyserial's own text repeats the port's name
    return str(error) or type(error).__name__
