"""What stands between the truth and a number on a wire: offset, noise, resolution, and the ways a probe fails."""

from __future__ import annotations

import random
import zlib
from collections.abc import Callable
from dataclasses import dataclass, field

from brinewatch.moment import Moment

_PER_S = 5.0  # noise changes so many times a second, for all who look


@dataclass(slots=True)
class Sensor:
    """One measuring point. Noise depends on seed, name and time alone, so two runs alike read alike.

    noise: one standard deviation; resolution: the step its numbers come in, 0 for none.
    Faults: unplugged gives None, frozen the last value, noisy thirty times the noise with spikes; a digital one
    (0 or 1) chatters when noisy.
    """

    name: str
    truth: Callable[[Moment], float]
    seed: int
    noise: float = 0.0
    resolution: float = 0.0
    offset: float = 0.0
    digital: bool = False
    unplugged: bool = False
    noisy: bool = False
    _frozen: float | None = None
    _key: int = field(init=False)

    def __post_init__(self) -> None:
        self._key = zlib.crc32(f"{self.seed} {self.name}".encode())

    def freeze(self, now: Moment) -> None:
        """From now on the same number, whatever happens."""
        self._frozen = self._alive(now)

    def thaw(self) -> None:
        self._frozen = None

    @property
    def frozen(self) -> bool:
        return self._frozen is not None

    def read(self, now: Moment) -> float | None:
        """The number at this moment; None while unplugged."""
        if self.unplugged:
            return None
        return self._alive(now) if self._frozen is None else self._frozen

    def _alive(self, now: Moment) -> float:
        value = self.truth(now) + self.offset
        if self.digital:
            if self.noisy and self._chance(now).random() < 0.5:
                value = 1.0 - value
            return value
        if self.noise:
            chance = self._chance(now)
            value += chance.gauss(0.0, self.noise * (30.0 if self.noisy else 1.0))
            if self.noisy and chance.random() < 0.1:
                value += chance.choice((-300.0, 300.0)) * self.noise
        return round(value / self.resolution) * self.resolution if self.resolution else value

    def _chance(self, now: Moment) -> random.Random:
        return random.Random(self._key << 40 ^ int(now.mono * _PER_S))  # noqa: S311
