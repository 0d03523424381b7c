"""Kernel IIO files: analogue converters, barometers, anything the kernel measures itself.

Names, order (offset before scale) and units are the kernel's ABI, Documentation/ABI/testing/sysfs-bus-iio. A 4 to
20 mA loop is judged by the current ranges of NAMUR NE 43 (from memory).
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path
from typing import Literal

from pydantic import Field, ValidationInfo, field_validator, model_validator

from brinewatch.errors import BadAnswer, NoAnswer, PortLost, ProbeError, ProbeFault
from brinewatch.ports import Clock
from brinewatch.probes.blocking import TreeBus, read_text
from brinewatch.probes.common import ChannelSettings, ProbeSettings, no_sample, sample_of
from brinewatch.readings import Sample
from brinewatch.settings import Settings

# what the ABI measures each kind in, as a unit the table of quantities knows
_ABI_UNIT = {"pressure": "kPa", "temp": "mdegC", "current": "mA"}
_NUMBER = re.compile(r"[+-]?[0-9]{1,20}(\.[0-9]{1,20})?")

# NAMUR NE 43, mA
FAILED_LOW_MA, SATURATED_LOW_MA, SATURATED_HIGH_MA, FAILED_HIGH_MA = 3.6, 3.8, 20.5, 21.0


class LoopSettings(Settings):
    """A 4 to 20 mA loop, seen as a voltage over a shunt or as a current."""

    shunt_ohm: float | None = Field(None, gt=0, le=10_000, description="the shunt; left out for a current input")
    low: float = Field(description="what 4 mA means, in the channel's unit")
    high: float = Field(description="what 20 mA means, in the channel's unit")

    @field_validator("high")
    @classmethod
    def _not_low(cls, value: float, info: ValidationInfo) -> float:
        if value == info.data.get("low"):
            raise ValueError("a number other than low")
        return value


class IioChannel(ChannelSettings):
    """One input of the device. Scale and offset here come after the kernel's own."""

    attribute: str = Field(
        pattern=r"^[a-z]+[0-9]*(-[a-z]+[0-9]+)?(_[a-z0-9]+)?$",
        description='the kernel\'s name without "in_": voltage0, pressure, temp, voltage0-voltage1',
    )
    loop: LoopSettings | None = Field(None, description="a 4 to 20 mA transmitter on this input")

    @model_validator(mode="after")
    def _loop_fits(self) -> IioChannel:
        if self.loop is not None and self.sort not in ("voltage", "current"):
            raise ValueError(f"a voltage or current input for a loop, not {self.sort}")
        if self.loop is not None and (self.loop.shunt_ohm is None) != (self.sort == "current"):
            raise ValueError("loop.shunt_ohm for a voltage input, and none for a current input")
        return self

    @property
    def sort(self) -> str:
        return re.split(r"[0-9_-]", self.attribute, maxsplit=1)[0]

    @property
    def implied_unit(self) -> str | None:
        """The ABI's unit where the quantity knows it; a loop or a voltage says nothing about the unit."""
        unit = _ABI_UNIT.get(self.sort)
        return unit if self.loop is None and unit is not None and self.quantity.accepts(unit) else None


class IioProbe(ProbeSettings):
    """One device."""

    device: str = Field(min_length=1, description="its name or label file, or its folder (iio:device0)")
    channel: list[IioChannel] = Field(description="its inputs")


class IioSettings(Settings):
    """The kernel's IIO devices."""

    kind: Literal["iio"]
    root: str = Field("/sys/bus/iio/devices", description="where the kernel shows the devices")
    probe: list[IioProbe] = Field(min_length=1, description="the devices read")


class IioBus(TreeBus):
    """IIO devices of one tree. Each probe is read in a thread of its own: a stuck converter holds only itself."""

    missing = ("There are no IIO devices at {root}.", "Check the overlay of the converter.")

    def __init__(self, name: str, settings: IioSettings, clock: Clock, root: Path) -> None:
        super().__init__(name, clock, root)
        self._probes = {probe.name: probe for probe in settings.probe}

    async def read(self, probe: str) -> Sequence[Sample]:
        settings = self._probes[probe]
        found = await self._reader.call(probe, lambda: self._measure(settings))
        at = self._clock.now()
        samples = []
        for channel, one in zip(settings.channel, found, strict=True):
            if isinstance(one, ProbeError):
                samples.append(no_sample(channel, probe, at, one))
                continue
            raw, measured = one
            try:
                physical, doubt = (measured, "") if channel.loop is None else from_loop(measured, channel.loop)
            except ProbeFault as error:
                samples.append(no_sample(channel, probe, at, error))
                continue
            samples.append(
                sample_of(channel, probe, raw, at, physical=physical, unit=channel.implied_unit, doubt=doubt)
            )
        return samples

    def _measure(self, probe: IioProbe) -> list[tuple[float, float] | ProbeError]:
        """Raw and physical number of each channel; runs in a thread."""
        folder = find_device(self._root, probe.device)
        found: list[tuple[float, float] | ProbeError] = []
        for channel in probe.channel:
            try:
                found.append(measure(folder, channel.attribute, channel.sort))
            except PortLost as error:
                found.append(NoAnswer(error.what, error.hint))
            except ProbeError as error:
                found.append(error)
        if all(isinstance(one, ProbeError) for one in found):
            assert isinstance(found[0], ProbeError)
            raise found[0]
        return found


def find_device(root: Path, wanted: str) -> Path:
    """The folder of the device of this name or label, or the folder itself. BadAnswer when a name is not unique."""
    if (root / wanted).is_dir():
        return root / wanted
    matches = []
    for folder in sorted(root.iterdir()):
        for file in ("label", "name"):
            try:
                text = (folder / file).read_text(encoding="utf-8", errors="replace").strip()
            except OSError:
                continue
            if text == wanted:
                matches.append(folder)
                break
    if not matches:
        raise NoAnswer(
            f"There is no IIO device {wanted} in {root}.", "Check its wiring; `cat` the name files there."
        )
    if len(matches) > 1:
        names = ", ".join(folder.name for folder in matches)
        raise BadAnswer(f"{len(matches)} IIO devices are named {wanted}: {names}.", "Name the folder instead.")
    return matches[0]


def measure(folder: Path, attribute: str, sort: str) -> tuple[float, float]:
    """(raw, (raw + offset) * scale) of one input in the ABI's unit, or its processed value when it has one."""
    processed = folder / f"in_{attribute}_input"
    if processed.exists():
        value = _number(processed)
        return value, value
    raw = _number(folder / f"in_{attribute}_raw")
    offset = _shared(folder, attribute, sort, "offset", 0.0)
    scale = _shared(folder, attribute, sort, "scale", None)
    return raw, (raw + offset) * scale


def _shared(folder: Path, attribute: str, sort: str, what: str, default: float | None) -> float:
    """offset or scale of one input, or the one all inputs of its sort share."""
    for name in (f"in_{attribute}_{what}", f"in_{sort}_{what}", f"in_{sort}-{sort}_{what}"):
        if (folder / name).exists():
            return _number(folder / name)
    if default is None:
        raise BadAnswer(f"{folder / f'in_{attribute}_{what}'} is missing: the raw number cannot be understood.")
    return default


def _number(path: Path) -> float:
    text = read_text(str(path), f"IIO input {path.name}").strip()
    if not text:
        raise NoAnswer(f"IIO input {path.name} gave nothing.")
    if not _NUMBER.fullmatch(text):
        raise BadAnswer(f"IIO input {path.name} reads {text[:40]!r}, which is no number.")
    return float(text)


def from_loop(measured: float, loop: LoopSettings) -> tuple[float, str]:
    """(what the loop's current means, doubt). measured: mV over the shunt, or mA. ProbeFault outside NE 43."""
    current = measured / loop.shunt_ohm if loop.shunt_ohm is not None else measured
    if current <= FAILED_LOW_MA:
        raise ProbeFault(
            f"The loop carries {current:.2f} mA: a broken wire, no supply or a failed transmitter (NAMUR NE 43).",
            "Check the loop's supply, its wires and the transmitter.",
        )
    if current >= FAILED_HIGH_MA:
        raise ProbeFault(
            f"The loop carries {current:.2f} mA: a short or a failed transmitter (NAMUR NE 43).",
            "Check the loop's wires and the transmitter.",
        )
    value = loop.low + (current - 4.0) / 16.0 * (loop.high - loop.low)
    if not SATURATED_LOW_MA <= current <= SATURATED_HIGH_MA:
        return value, f"The loop carries {current:.2f} mA: the transmitter is at the end of its span (NAMUR NE 43)."
    return value, ""
