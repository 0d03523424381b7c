"""Digital inputs: float switches, a mains relay, a flow meter's pulses."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Literal

from pydantic import Field, model_validator

from brinewatch.errors import PortLost, ProbeError
from brinewatch.ports import Clock
from brinewatch.probes.common import ChannelSettings, ProbeSettings, no_sample, sample_of
from brinewatch.probes.gpio_chips import Bias, FilesChip, Gpio, GpiodChip, InputLine
from brinewatch.readings import Flag, Sample
from brinewatch.settings import Settings


class GpioChannel(ChannelSettings):
    """One input: its level as a state, or its pulses as a flow."""

    line: int = Field(ge=0, le=1023, description="the input's number on the chip")
    pulses_per_litre: float | None = Field(
        None, gt=0, description="pulses of a flow meter for one litre; left out for a level"
    )
    active_low: bool = Field(False, description="true when the input is pulled to ground for state 1")
    debounce_ms: float = Field(0.0, ge=0, le=5000, description="changes shorter than this are not seen, ms")
    bias: Bias = Field("as-is", description="the chip's own pull resistor")

    @model_validator(mode="after")
    def _sort_fits(self) -> GpioChannel:
        if self.pulses_per_litre is None and self.quantity.states is None:
            raise ValueError(f"a quantity of two states for a level (or pulses_per_litre), not {self.quantity.key}")
        if self.pulses_per_litre is not None and self.quantity.key != "water_flow":
            raise ValueError(f"water_flow for pulses, not {self.quantity.key}")
        if self.unit not in (None, self.quantity.unit):
            raise ValueError(f"no unit, or {self.quantity.unit}: pulses_per_litre says it all")
        return self

    @property
    def input(self) -> InputLine:
        counts = self.pulses_per_litre is not None
        return InputLine(self.line, counts, self.active_low, self.debounce_ms / 1000, self.bias)


class GpioProbe(ProbeSettings):
    """Inputs read together."""

    channel: list[GpioChannel] = Field(description="the inputs")


class GpioSettings(Settings):
    """One chip with digital inputs."""

    kind: Literal["gpio"]
    chip: Literal["gpiod", "files"] = Field("gpiod", description="a real chip, or a tree of files")
    device: str = Field("/dev/gpiochip0", description="the chip's device, or the root of the tree")
    probe: list[GpioProbe] = Field(min_length=1, description="groups of inputs")

    @model_validator(mode="after")
    def _once(self) -> GpioSettings:
        lines = [channel.line for probe in self.probe for channel in probe.channel]
        twice = sorted({line for line in lines if lines.count(line) > 1})
        if twice:
            raise ValueError(f"each line once; {', '.join(map(str, twice))} stands twice")
        return self


class GpioBus:
    """The inputs of one chip. Levels are read at once; edges count from opening on."""

    at_once = True

    def __init__(self, name: str, settings: GpioSettings, clock: Clock, device: Path) -> None:
        self.name = name
        self._settings = settings
        self._clock = clock
        self._probes = {probe.name: probe for probe in settings.probe}
        self._chip: Gpio = FilesChip(device) if settings.chip == "files" else GpiodChip(device)
        # by line: monotonic time and running total at the last reading
        self._counted: dict[int, tuple[float, int]] = {}

    async def open(self) -> None:
        self._counted.clear()
        self._chip.open([channel.input for probe in self._settings.probe for channel in probe.channel])

    async def close(self) -> None:
        self._chip.close()

    async def read(self, probe: str) -> Sequence[Sample]:
        samples = []
        failed: ProbeError | None = None
        for channel in self._probes[probe].channel:
            try:
                samples.append(self._read(channel, probe))
            except PortLost:
                raise
            except ProbeError as error:
                failed = error
                samples.append(no_sample(channel, probe, self._clock.now(), error))
        if failed is not None and len(samples) == 1:
            raise failed
        return samples

    def _read(self, channel: GpioChannel, probe: str) -> Sample:
        at = self._clock.now()
        if channel.pulses_per_litre is None:
            return sample_of(channel, probe, float(self._chip.level(channel.line)), at)
        total = self._chip.edges(channel.line)
        before = self._counted.get(channel.line)
        self._counted[channel.line] = (at.mono, total)
        if before is None or at.mono <= before[0]:
            return Sample(channel.point, None, None, at, probe, Flag.MISSING, "Counting began with this reading.")
        if total < before[1]:
            return Sample(channel.point, None, None, at, probe, Flag.MISSING, "The counter began anew.")
        pulses = total - before[1]
        per_minute = pulses / channel.pulses_per_litre / (at.mono - before[0]) * 60.0
        return sample_of(channel, probe, float(pulses), at, physical=per_minute)
