"""The two ways into a store: through the daemon that keeps it, or, when none does, into its files."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any, Protocol

from brinewatch.config import ShedFile
from brinewatch.control import NoDaemon, ask
from brinewatch.errors import BrinewatchError, StoreBusy
from brinewatch.intake import MOST, packed
from brinewatch.ports import Clock
from brinewatch.readings import Reading
from brinewatch.store.lock import StoreLock
from brinewatch.store.past_writer import PastWriter

_TRIES, _PAUSE_S = 5, 3.0
_LINE = 60_000  # bytes of a request; the control socket takes 65536
_AT_ONCE = 5_000


class Way(Protocol):
    """Where readings go. at_once: how many are best handed over together."""

    at_once: int

    def write(self, readings: Sequence[Reading]) -> int:
        """Have them written, and say how many were new. BrinewatchError when they may not be."""
        ...

    def note(self, text: str) -> None:
        """A remark in the journal."""
        ...

    def pack(self) -> bool:
        """Some of the work behind, False when none is left."""
        ...


class ThroughDaemon:
    """Each few are written when the answer comes; only then the next are handed over."""

    at_once = MOST

    def __init__(self, path: Path, clock: Clock) -> None:
        self._path = path
        self._clock = clock

    def write(self, readings: Sequence[Reading]) -> int:
        request = {"do": "import readings", **packed(readings)}
        if len(readings) > 1 and len(str(request)) > _LINE:
            half = len(readings) // 2
            return self.write(readings[:half]) + self.write(readings[half:])
        return int(self._asked(request)["new"])

    def note(self, text: str) -> None:
        self._asked({"do": "import note", "text": text})

    def pack(self) -> bool:
        return False  # the daemon does it by itself

    def _asked(self, request: Mapping[str, Any]) -> Mapping[str, Any]:
        """Ask again when a slow disk keeps it: what is handed in twice is written once."""
        for left in reversed(range(_TRIES)):
            try:
                return ask(self._path, request)
            except NoDaemon:
                raise
            except BrinewatchError:
                if not left or request["do"] != "import readings":
                    raise
                asyncio.run(self._clock.sleep(_PAUSE_S))
        raise AssertionError


class IntoFiles:
    """The store's own files, under its lock."""

    at_once = _AT_ONCE

    def __init__(self, writer: PastWriter) -> None:
        self._writer = writer

    def write(self, readings: Sequence[Reading]) -> int:
        return self._writer.write(readings).new

    def note(self, text: str) -> None:
        self._writer.note("import", text)

    def pack(self) -> bool:
        return self._writer.pack()


@contextmanager
def way_into(shed: ShedFile, clock: Clock, say: Callable[[str], None]) -> Iterator[Way]:
    """The way into the store of a shed as things are now; it is held until the end."""
    socket = shed.data / "control.sock"
    with ExitStack() as held:
        try:
            held.enter_context(StoreLock(shed.data).take(shed.shed.name, clock.now()))
        except StoreBusy as error:
            try:
                ask(socket, {"do": "write"})
            except NoDaemon:
                raise error from None
            yield ThroughDaemon(socket, clock)
            return
        writer = held.enter_context(PastWriter(shed.data, clock))
        for note in writer.notes:
            say(note)
        yield IntoFiles(writer)
