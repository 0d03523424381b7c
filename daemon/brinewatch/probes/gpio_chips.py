"""Digital inputs behind one small protocol: a real chip by gpiod, or a tree of files."""

from __future__ import annotations

import asyncio
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Literal, Protocol

from brinewatch.errors import BadAnswer, NoAnswer, PortLost
from brinewatch.probes.blocking import read_text

if TYPE_CHECKING:
    import gpiod

Bias = Literal["as-is", "pull-up", "pull-down", "off"]


@dataclass(frozen=True, slots=True)
class InputLine:
    """How one input is asked for. debounce_s: shorter changes are not seen (on real chips; files do not bounce)."""

    number: int
    counts: bool
    active_low: bool
    debounce_s: float
    bias: Bias


class Gpio(Protocol):
    """A chip with digital inputs."""

    def open(self, lines: Sequence[InputLine]) -> None:
        """Take the inputs; PortLost when that fails. Edges count from here."""
        ...

    def close(self) -> None: ...

    def level(self, number: int) -> bool:
        """Whether the input is active now."""
        ...

    def edges(self, number: int) -> int:
        """Changes to active, a running total."""
        ...


class FilesChip:
    """Inputs as files: `<root>/<line>/value` holds 0 or 1, `<root>/<line>/edges` a running total."""

    def __init__(self, root: Path) -> None:
        self._root = root
        self._low: set[int] = set()

    def open(self, lines: Sequence[InputLine]) -> None:
        if not self._root.is_dir():
            raise PortLost(f"There are no inputs at {self._root}.", "Check the name of the folder.")
        self._low = {line.number for line in lines if line.active_low}

    def close(self) -> None:
        """Nothing is kept open."""

    def level(self, number: int) -> bool:
        text = self._read(number, "value")
        if text not in ("0", "1"):
            raise BadAnswer(f"Input {number} reads {text[:40]!r}, neither 0 nor 1.")
        return (text == "1") != (number in self._low)

    def edges(self, number: int) -> int:
        text = self._read(number, "edges")
        if not (text.isascii() and text.isdigit() and len(text) <= 18):
            raise BadAnswer(f"The count of input {number} reads {text[:40]!r}, which is no whole number.")
        return int(text)

    def _read(self, number: int, what: str) -> str:
        try:
            text = read_text(str(self._root / str(number) / what), f"Input {number}").strip()
        except PortLost as error:
            raise NoAnswer(error.what, error.hint) from error
        if not text:
            raise NoAnswer(f"Input {number} gave nothing.")
        return text


class GpiodChip:
    """A chip of the kernel's GPIO character device. Edges are counted by the kernel's own sequence numbers,
    so that a burst which overflows its queue is still counted in full."""

    def __init__(self, device: Path) -> None:
        self._device = device
        self._request: gpiod.LineRequest | None = None
        self._counts: dict[int, int] = {}

    def open(self, lines: Sequence[InputLine]) -> None:
        self.close()
        try:
            import gpiod
            from gpiod.line import Bias as LineBias
            from gpiod.line import Direction, Edge
        except ImportError as error:
            raise PortLost(
                "Reading GPIO inputs needs gpiod 2, which is not installed.", "Run: pip install 'brinewatch[gpio]'"
            ) from error
        bias = {
            "as-is": LineBias.AS_IS, "pull-up": LineBias.PULL_UP, "pull-down": LineBias.PULL_DOWN,
            "off": LineBias.DISABLED,
        }  # fmt: skip
        config: dict[Iterable[int | str] | int | str, gpiod.LineSettings | None] = {
            line.number: gpiod.LineSettings(
                direction=Direction.INPUT,
                edge_detection=Edge.RISING if line.counts else Edge.NONE,
                bias=bias[line.bias],
                active_low=line.active_low,
                debounce_period=timedelta(seconds=line.debounce_s),
            )
            for line in lines
        }
        try:
            self._request = gpiod.request_lines(str(self._device), consumer="brinewatch", config=config)
        except (OSError, ValueError) as error:
            raise PortLost(
                f"Cannot take the inputs of {self._device}: {error}.",
                "Check the chip's name, that this user may use it, and that no other program holds a line.",
            ) from error
        self._counts = {line.number: 0 for line in lines if line.counts}
        if self._counts:
            asyncio.get_running_loop().add_reader(self._request.fd, self._drain)

    def close(self) -> None:
        request, self._request = self._request, None
        if request is not None:
            asyncio.get_running_loop().remove_reader(request.fd)
            request.release()

    def _drain(self) -> None:
        if self._request is not None and self._request.wait_edge_events(timedelta(0)):
            for event in self._request.read_edge_events():
                self._counts[event.line_offset] = event.line_seqno

    def level(self, number: int) -> bool:
        from gpiod.line import Value

        if self._request is None:
            raise PortLost(f"{self._device} is not open.")
        try:
            return self._request.get_value(number) is Value.ACTIVE
        except OSError as error:
            raise PortLost(f"{self._device} went away: {error}.", "It is tried again by itself.") from error

    def edges(self, number: int) -> int:
        if self._request is None:
            raise PortLost(f"{self._device} is not open.")
        self._drain()
        return self._counts[number]
