"""The far end of a serial line: a pseudo-terminal whose answers a script gives, byte by byte and when it likes."""

from __future__ import annotations

import asyncio
import os
import pty
import tty
from collections.abc import Callable, Sequence
from pathlib import Path

# what a device does with the bytes of a question: (seconds later, bytes) pairs
Script = Callable[[bytes], Sequence[tuple[float, bytes]]]


class Device:
    """A device behind a symbolic link, as an adapter is behind /dev/serial/by-id; it can be unplugged."""

    def __init__(self, link: Path, script: Script, question: Callable[[bytes], int]) -> None:
        """question: how many of the bytes at hand make one whole question, 0 for not yet."""
        self.link = link
        self.script = script
        self.asked: list[bytes] = []
        self._question = question
        self._inbox = b""
        self._ends: tuple[int, int] | None = None
        self._later: list[asyncio.TimerHandle] = []

    @property
    def port(self) -> str:
        return str(self.link)

    def plug(self) -> None:
        device, kept = pty.openpty()  # the kept end keeps the line up while nobody has it open
        tty.setraw(kept)
        os.set_blocking(device, False)
        self._ends = device, kept
        self.link.symlink_to(os.ttyname(kept))
        asyncio.get_running_loop().add_reader(device, self._readable)

    def unplug(self) -> None:
        for handle in self._later:
            handle.cancel()
        if self._ends is not None:
            asyncio.get_running_loop().remove_reader(self._ends[0])
            for end in self._ends:
                os.close(end)
            self.link.unlink()
        self._ends = None

    def say(self, data: bytes) -> None:
        if self._ends is not None:
            os.write(self._ends[0], data)

    def _readable(self) -> None:
        assert self._ends is not None
        try:
            self._inbox += os.read(self._ends[0], 4096)
        except OSError:
            return
        while length := self._question(self._inbox):
            asked, self._inbox = self._inbox[:length], self._inbox[length:]
            self.asked.append(asked)
            for delay, data in self.script(asked):
                if delay:
                    self._later.append(asyncio.get_running_loop().call_later(delay, self.say, data))
                else:
                    self.say(data)
