"""The computer itself, as its kernel sees it: supply, temperature, and whether it runs slower than it could.

Supply: the hwmon device rpi_volt has in0_lcrit_alarm, 1 where the supply fell below what the board needs since it
was last looked at (kernel drivers/hwmon/raspberrypi-hwmon.c). Temperature: a thermal zone by its type
(Documentation/ABI/testing/sysfs-class-thermal). Slowing: bits 1 to 3 of the firmware's get_throttled, hexadecimal
(Raspberry Pi documentation, vcgencmd get_throttled; the file is of Raspberry Pi's own kernel), or on other kernels
a cooling device of the processor that is not at rest. All from memory; none was tried on a board.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Literal

from pydantic import Field, model_validator

from brinewatch.errors import BadAnswer, NoAnswer, PortLost, ProbeError
from brinewatch.ports import Clock
from brinewatch.probes.blocking import TreeBus, read_text
from brinewatch.probes.common import ChannelSettings, ProbeSettings, no_sample, sample_of
from brinewatch.readings import Sample
from brinewatch.settings import Settings

# capped, throttled, soft temperature limit, now; bit 0 is the supply and 16 to 19 are of the past
_SLOWED = 0b1110
_THROTTLED = ("devices/platform/soc/soc:firmware/get_throttled", "devices/platform/soc:firmware/get_throttled")
_READ = ("board_supply", "board_temperature", "board_speed")


class BoardChannel(ChannelSettings):
    """One thing the kernel says: the point's quantity tells which."""

    zone: str = Field("cpu-thermal", min_length=1, description="type of the thermal zone, for board_temperature")

    @model_validator(mode="after")
    def _of_the_board(self) -> BoardChannel:
        if self.quantity.key not in _READ:
            raise ValueError(f"a point of one of: {', '.join(_READ)}")
        return self


class BoardProbe(ProbeSettings):
    """The board."""

    channel: list[BoardChannel] = Field(description="what is read of it")


class BoardSettings(Settings):
    """The computer the watch runs on."""

    kind: Literal["board"]
    root: str = Field("/sys", description="where the kernel shows its devices")
    probe: list[BoardProbe] = Field(min_length=1, description="the board, once")


class BoardBus(TreeBus):
    """The kernel's files, read in a thread: one that hangs holds up nothing else."""

    missing = ("The kernel shows no devices at {root}.", "Leave out root, or correct it.")

    def __init__(self, name: str, settings: BoardSettings, clock: Clock, root: Path) -> None:
        super().__init__(name, clock, root)
        self._probes = {probe.name: probe for probe in settings.probe}

    async def read(self, probe: str) -> Sequence[Sample]:
        settings = self._probes[probe]
        found = await self._reader.call(probe, lambda: [self._one(channel) for channel in settings.channel])
        errors = [one for one in found if isinstance(one, ProbeError)]
        if len(errors) == len(found):
            raise errors[0]
        at = self._clock.now()
        return [
            no_sample(channel, probe, at, one)
            if isinstance(one, ProbeError)
            else sample_of(channel, probe, one, at, unit=channel.quantity.unit)
            for channel, one in zip(settings.channel, found, strict=True)
        ]

    def _one(self, channel: BoardChannel) -> float | ProbeError:
        try:
            match channel.quantity.key:
                case "board_supply":
                    return supply(self._root)
                case "board_temperature":
                    return temperature(self._root, channel.zone)
                case _:
                    return speed(self._root)
        except PortLost as error:
            return NoAnswer(error.what, error.hint)
        except ProbeError as error:
            return error


def supply(root: Path) -> float:
    """1: in order; 0: it was too low since the kernel last looked."""
    for folder in _named(root / "class" / "hwmon", "name", "rpi_volt"):
        alarm = _whole(folder / "in0_lcrit_alarm", 10)
        if alarm not in (0, 1):
            raise BadAnswer(f"The alarm of the board's supply reads {alarm}, neither 0 nor 1.")
        return 1.0 - alarm
    raise NoAnswer(
        f"The kernel watches no supply: no rpi_volt in {root / 'class' / 'hwmon'}.",
        "Leave out board_supply on a computer that is no Raspberry Pi.",
    )


def temperature(root: Path, zone: str) -> float:
    """degC of the zone of this type."""
    kinds = []
    for folder in _folders(root / "class" / "thermal", "thermal_zone"):
        kind = _text(folder / "type")
        if kind == zone:
            return _whole(folder / "temp", 10) / 1000.0
        kinds.append(kind)
    there = f"there are: {', '.join(kinds)}" if kinds else "there is none at all"
    raise NoAnswer(f"There is no thermal zone of type {zone}; {there}.", "Name one of them as zone.")


def speed(root: Path) -> float:
    """1: as fast as it can; 0: slowed by heat or a low supply."""
    for name in _THROTTLED:
        if (root / name).exists():
            return 0.0 if _whole(root / name, 16) & _SLOWED else 1.0
    states = [
        _whole(folder / "cur_state", 10)
        for folder in _folders(root / "class" / "thermal", "cooling_device")
        if re.search("cpufreq|processor", _text(folder / "type"), re.IGNORECASE)
    ]
    if not states:
        raise NoAnswer(
            "The kernel does not say whether the processor is slowed.", "Leave out board_speed on this computer."
        )
    return 0.0 if any(states) else 1.0


def _folders(where: Path, begin: str) -> Iterator[Path]:
    try:
        yield from sorted(folder for folder in where.iterdir() if folder.name.startswith(begin))
    except OSError as error:
        raise NoAnswer(f"{where} cannot be read: {error.strerror}.", "Is this the kernel's /sys?") from error


def _named(where: Path, file: str, wanted: str) -> Iterator[Path]:
    for folder in _folders(where, "hwmon"):
        if _text(folder / file) == wanted:
            yield folder


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8", errors="replace").strip()
    except OSError:
        return ""


def _whole(path: Path, base: int) -> int:
    text = read_text(str(path), f"{path.parent.name}/{path.name}").strip()
    if not re.fullmatch("-?[0-9]{1,10}" if base == 10 else "(0x)?[0-9a-fA-F]{1,8}", text):
        raise BadAnswer(f"{path} reads {text[:40]!r}, which is no whole number.")
    return int(text, base)
