"""Values people measure and enter by hand: each keeps the instant it was taken, so that its age is always known."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Literal, Protocol

from pydantic import Field

from brinewatch.errors import BrinewatchError
from brinewatch.moment import Moment
from brinewatch.ports import Clock
from brinewatch.probes.common import ChannelSettings, ProbeSettings
from brinewatch.readings import Flag, Sample
from brinewatch.settings import Settings

# a wall clock that is a little ahead of the shed's is no reason to refuse a test just made
_AHEAD_S = 60.0


class ManualProbe(ProbeSettings):
    """A test kit, a hand meter, a refractometer."""

    channel: list[ChannelSettings] = Field(description="the values entered")


class ManualSettings(Settings):
    """Values entered by hand."""

    kind: Literal["manual"]
    probe: list[ManualProbe] = Field(min_length=1, description="what they are measured with")


class Entry(Protocol):
    """An entry as it was kept: value in the quantity's own unit, and when it was measured."""

    @property
    def point(self) -> str: ...

    @property
    def value(self) -> float: ...

    @property
    def measured(self) -> Moment: ...


class ManualBus:
    """The last value entered for each point. Entries outlive a restart when the store hands them to `restore`."""

    at_once = True

    def __init__(self, name: str, settings: ManualSettings, clock: Clock) -> None:
        self.name = name
        self._clock = clock
        self._probes = {probe.name: probe for probe in settings.probe}
        self._home = {channel.point: (probe.name, channel) for probe in settings.probe for channel in probe.channel}
        self._entries: dict[str, Sample] = {}

    @property
    def points(self) -> Sequence[str]:
        """The points that take entries here."""
        return tuple(self._home)

    async def open(self) -> None:
        """There is no wire."""

    async def close(self) -> None:
        """There is no wire."""

    def probe(self, point: str) -> str:
        """The name of what a point is measured with. KeyError for one that takes no entries here."""
        return self._home[point][0]

    def unit(self, point: str) -> str:
        """The unit the shed file says its kit speaks. KeyError as above."""
        return self._home[point][1].spoken_unit

    def enter(self, point: str, value: float, unit: str | None, at: Moment) -> Sample:
        """Take a value measured at `at`, and return it as the Sample to keep and to judge. Raises as `sample`."""
        sample = self.sample(point, value, unit, at)
        self.take(sample)
        return sample

    def sample(self, point: str, value: float, unit: str | None, at: Moment) -> Sample:
        """A value measured at `at` as a Sample, not taken yet.

        unit: None for the one the shed file says the kit speaks. Raises BrinewatchError for a point that takes no
        entries, an unknown unit, a number outside the quantity's physical span, or a time to come.
        """
        if point not in self._home:
            known = ", ".join(sorted(self._home)) or "none"
            raise BrinewatchError(f"{point} takes no values entered by hand.", f"These do: {known}.")
        probe, channel = self._home[point]
        quantity = channel.quantity
        spoken = unit or channel.spoken_unit
        if not quantity.accepts(spoken):
            units = ", ".join([quantity.unit, *quantity.units])
            raise BrinewatchError(f"{quantity.name} is not measured in {spoken}.", f"Use one of: {units}.")
        number = value * channel.scale + channel.offset if unit is None else value
        canonical = quantity.to_canonical(number, spoken)
        # `not (low <= x)` refuses NaN too
        if not quantity.low <= canonical <= quantity.high:
            low, high = (quantity.from_canonical(one, spoken) for one in (quantity.low, quantity.high))
            raise BrinewatchError(
                f"{value:g} {spoken} cannot be {quantity.name} at {point}.",
                f"Between {low:g} and {high:g} {spoken} was expected; check the number and the unit.",
            )
        if at.utc > self._clock.now().utc + _AHEAD_S:
            raise BrinewatchError("The time of the test lies in the future.", "Give the time it was taken.")
        if quantity.states is not None and canonical not in range(len(quantity.states)):
            words = ", ".join(f"{place} ({name})" for place, name in enumerate(quantity.states))
            raise BrinewatchError(f"{value:g} is no state of {quantity.name} at {point}.", f"Expected: {words}.")
        return Sample(point, canonical, value, at, probe)

    def restore(self, entries: Iterable[Entry]) -> None:
        """Take back entries kept from before a restart; the newest of each point counts, others are passed over.

        Their monotonic stamps may be of another boot: the age is taken from UTC.
        """
        now = self._clock.now()
        for entry in entries:
            if entry.point in self._home:
                measured = entry.measured
                age = max(0.0, now.utc - measured.utc)
                at = Moment(now.mono - age, measured.utc, measured.trusted, now.zone)
                self.take(Sample(entry.point, entry.value, None, at, self._home[entry.point][0]))

    def forget(self, point: str) -> None:
        """As if nothing had been entered for a point: what was is wrong."""
        self._entries.pop(point, None)

    def newest(self, point: str) -> Sample | None:
        """What is taken for a point now."""
        return self._entries.get(point)

    def take(self, sample: Sample) -> None:
        """Take in a value, unless a newer one of its point is there."""
        held = self._entries.get(sample.point)
        if held is None or sample.at.utc >= held.at.utc:
            self._entries[sample.point] = sample

    async def read(self, probe: str) -> Sequence[Sample]:
        now = self._clock.now()
        return [
            self._entries.get(channel.point)
            or Sample(channel.point, None, None, now, probe, Flag.MISSING, "Not entered yet.")
            for channel in self._probes[probe].channel
        ]
