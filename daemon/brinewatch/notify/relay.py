"""Outputs that drive relays: a line of a real chip by gpiod, or a file.

A relay coil wants more than a pin gives and throws back a spike: use a board made for it, with its own supply.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from brinewatch.alarms.relays import RelaySettings
from brinewatch.errors import PortLost

if TYPE_CHECKING:
    import gpiod


class Output(Protocol):
    """One output. Every method raises PortLost when the chip does not do it."""

    def drive(self, energised: bool) -> None:
        """Set it; opens the line when it is not open."""
        ...

    def close(self) -> None: ...


class FileOutput:
    """`<root>/<line>/drive` holds 0 or 1."""

    def __init__(self, root: Path, line: int) -> None:
        self._root, self._line = root, line

    def drive(self, energised: bool) -> None:
        if not self._root.is_dir():
            raise PortLost(f"There are no outputs at {self._root}.", "Check the name of the folder.")
        folder = self._root / str(self._line)
        try:
            folder.mkdir(exist_ok=True)
            (folder / "drive").write_text(f"{int(energised)}\n", encoding="ascii")
        except OSError as error:
            raise PortLost(f"Output {self._line} of {self._root} cannot be set: {error.strerror}.") from error

    def close(self) -> None:
        """Nothing is kept open; it stays as it is."""


class GpiodOutput:
    """A line of the kernel's GPIO character device. What becomes of it after close is the chip's own affair."""

    def __init__(self, device: Path, line: int) -> None:
        self._device, self._line = device, line
        self._request: gpiod.LineRequest | None = None

    def drive(self, energised: bool) -> None:
        try:
            import gpiod
            from gpiod.line import Direction, Value
        except ImportError as error:
            raise PortLost(
                "Driving a relay needs gpiod 2, which is not installed.", "Run: pip install 'brinewatch[gpio]'"
            ) from error
        value = Value.ACTIVE if energised else Value.INACTIVE
        try:
            if self._request is None:
                settings = gpiod.LineSettings(direction=Direction.OUTPUT, output_value=value)
                self._request = gpiod.request_lines(
                    str(self._device), consumer="brinewatch", config={self._line: settings}
                )
            else:
                self._request.set_value(self._line, value)
        except (OSError, ValueError) as error:
            self.close()
            raise PortLost(
                f"Output {self._line} of {self._device} cannot be set: {error}.",
                "Check the chip's name, that this user may use it, and that no other program holds the line.",
            ) from error

    def close(self) -> None:
        request, self._request = self._request, None
        if request is not None:
            request.release()


def output_of(settings: RelaySettings, folder: Path) -> Output:
    """The output of one relay. folder: that names of files start from."""
    device = folder / settings.device
    return FileOutput(device, settings.line) if settings.chip == "files" else GpiodOutput(device, settings.line)
