"""A plain terminal: lines out, lines in, and one line that is written over while a signal is watched."""

from __future__ import annotations

import asyncio
import os
import shutil
import sys
import textwrap
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol, TextIO

from brinewatch.errors import BrinewatchError

_WIDEST = 100


class GaveUp(Exception):
    """The person gave up, or has gone. The message says why."""


@dataclass(frozen=True, slots=True)
class Asked:
    """A question for those who do not type at a terminal. words: without what a terminal adds; options: what may be
    answered, and what that means, none for a text; default: what an empty answer stands for, in words."""

    words: str
    options: Sequence[tuple[str, str]] = ()
    default: str = ""


class Console(Protocol):
    """Where a person is spoken to."""

    def say(self, text: str = "") -> None:
        """A paragraph."""
        ...

    def show(self, text: str) -> None:
        """What is so just now; the next one takes its place."""
        ...

    async def ask(self, question: str, asked: Asked | None = None) -> str:
        """A line typed in answer, without the blanks around it. GaveUp when the input has ended. asked: the same
        question, for those who answer otherwise."""
        ...

    def typed(self) -> str | None:
        """A line typed meanwhile; None when there is none. GaveUp when the input has ended."""
        ...


class Terminal:
    """Standard input and output. `open` before use and `close` after it, both in the running event loop."""

    def __init__(self, out: TextIO | None = None, source: int = 0) -> None:
        self._out = out or sys.stdout
        self._source = source
        self._lines: deque[str] = deque()
        self._rest = b""
        self._ended = False
        self._arrived = asyncio.Event()
        self._shown = ""
        self._overwrites = self._out.isatty() and os.environ.get("TERM", "dumb") != "dumb"

    def open(self) -> None:
        """BrinewatchError when nobody can answer here."""
        try:
            asyncio.get_running_loop().add_reader(self._source, self._readable)
        except (OSError, ValueError) as error:
            raise BrinewatchError(
                "This asks questions, and nobody can answer here.", "Run it at a terminal."
            ) from error

    def close(self) -> None:
        asyncio.get_running_loop().remove_reader(self._source)
        self._end_line()

    def _readable(self) -> None:
        try:
            data = os.read(self._source, 4096)
        except OSError:
            data = b""  # the terminal has gone
        if not data:
            self._ended = True
            asyncio.get_running_loop().remove_reader(self._source)
        *lines, self._rest = (self._rest + data).split(b"\n")
        self._lines.extend(line.decode(errors="replace").strip() for line in lines)
        self._arrived.set()

    def say(self, text: str = "") -> None:
        self._end_line()
        width = min(_WIDEST, shutil.get_terminal_size().columns)
        for line in text.split("\n"):
            indent = " " * (len(line) - len(line.lstrip()))
            wrapped = textwrap.wrap(line, width, subsequent_indent=indent + "   " if indent else "")
            self._out.write("\n".join(wrapped or [""]) + "\n")
        self._out.flush()

    def show(self, text: str) -> None:
        if self._overwrites:
            width = shutil.get_terminal_size().columns - 1
            self._out.write("\r" + text[:width].ljust(min(width, len(self._shown))))
            self._shown = text[:width]
        elif text != self._shown:
            self._out.write(text + "\n")
            self._shown = text
        self._out.flush()

    def _end_line(self) -> None:
        if self._overwrites and self._shown:
            self._out.write("\n")
        self._shown = ""

    async def ask(self, question: str, asked: Asked | None = None) -> str:
        self._end_line()
        if os.isatty(self._source):
            self._lines.clear()  # a key pressed too often must not answer the next question
        self._out.write(f"{question} ")
        self._out.flush()
        while (line := self.typed()) is None:
            self._arrived.clear()
            await self._arrived.wait()
        return line

    def typed(self) -> str | None:
        if self._lines:
            return self._lines.popleft()
        if self._ended:
            raise GaveUp("The input has ended.")
        return None
