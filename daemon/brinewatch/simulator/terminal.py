"""The device's end of a serial line: a pseudo-terminal under a name that stays, served by the event loop."""

from __future__ import annotations

import asyncio
import contextlib
import os
import pty
import tty
from collections.abc import Callable
from pathlib import Path

_READ_AT_ONCE = 4096


class PtyEnd:
    """One pseudo-terminal held as the device holds its end of the cable.

    link: the name the other end opens (a symlink, as /dev/serial/by-id is), the same after unplug and replug;
    on_bytes: called in the event loop with what the other end wrote; backlog: bytes kept while nobody reads,
    0 to lose them as a device that talks unasked does. The parent directory of the link must exist.
    """

    def __init__(self, link: Path, on_bytes: Callable[[bytes], None], *, backlog: int = 65536) -> None:
        self.port = str(link)
        self._link = link
        self._on_bytes = on_bytes
        self._backlog = backlog
        self._waiting = bytearray()
        self._device = -1
        # held open, or the device's end reads EIO before the first client comes and after each one leaves
        self._kept = -1

    @property
    def plugged(self) -> bool:
        return self._device >= 0

    def plug(self) -> None:
        """Make the terminal and its name. Does nothing when plugged already."""
        if self.plugged:
            return
        self._device, self._kept = pty.openpty()
        tty.setraw(self._kept)
        os.set_blocking(self._device, False)
        fresh = self._link.with_name(f".{self._link.name}.{os.getpid()}")
        fresh.unlink(missing_ok=True)
        fresh.symlink_to(os.ttyname(self._kept))
        fresh.replace(self._link)
        asyncio.get_running_loop().add_reader(self._device, self._on_readable)

    def unplug(self) -> None:
        """Pull the cable: the other end's reads and writes fail from now on, and the name is gone."""
        if not self.plugged:
            return
        loop = asyncio.get_running_loop()
        loop.remove_reader(self._device)
        loop.remove_writer(self._device)
        self._waiting.clear()
        self._link.unlink(missing_ok=True)
        for end in (self._device, self._kept):
            os.close(end)
        self._device = self._kept = -1

    def write(self, data: bytes) -> None:
        """Say something to the other end. Nothing happens while unplugged."""
        if not self.plugged:
            return
        self._waiting += data
        self._flush()

    def _flush(self) -> None:
        with contextlib.suppress(BlockingIOError):
            while self._waiting:
                del self._waiting[: os.write(self._device, self._waiting)]
        del self._waiting[: max(0, len(self._waiting) - self._backlog)]
        loop = asyncio.get_running_loop()
        if self._waiting:
            loop.add_writer(self._device, self._flush)
        else:
            loop.remove_writer(self._device)

    def _on_readable(self) -> None:
        try:
            data = os.read(self._device, _READ_AT_ONCE)
        except OSError:
            return
        if data:
            self._on_bytes(data)
