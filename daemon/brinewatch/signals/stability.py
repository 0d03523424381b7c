"""Whether a signal has settled: told from the newest samples, by how much they scatter and how fast they creep.

A point taken before a probe has come to rest is wrong by what was still to come, and nothing shows it afterwards.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import isfinite, sqrt

from brinewatch.moment import span_text
from brinewatch.quantities import QUANTITIES

_LEAST_SAMPLES = 5
_MINUTE = 60.0


@dataclass(frozen=True, slots=True)
class Tolerance:
    """When a signal of one quantity counts as settled.

    spread: largest standard deviation, in the quantity's unit; creep: largest change a minute; window_s: over
    how long both are judged (longer when five samples take longer); least_s: never before, a probe may pause on its
    way; give_up_s: after this it will not settle by itself.
    """

    spread: float
    creep: float
    window_s: float = 60.0
    least_s: float = 60.0
    give_up_s: float = 900.0


# Judgement, no source: each about a third of what a careful person would see on a hand meter. Looser criteria for
# readings in the field (0.2 degC, 0.1 pH, 0.3 mg/L over five readings) stand in the USGS National Field Manual,
# chapter A6 (from memory); a calibration wants to be well inside them.
_TOLERANCES: Mapping[str, Tolerance] = {
    "temperature": Tolerance(0.05, 0.03, least_s=120.0),
    "air_temperature": Tolerance(0.1, 0.1, least_s=120.0),
    "oxygen": Tolerance(0.06, 0.03, window_s=120.0, least_s=120.0),
    "oxygen_saturation": Tolerance(0.6, 0.3, window_s=120.0, least_s=120.0),
    "ph": Tolerance(0.02, 0.01, window_s=90.0, least_s=90.0),
    "ph_potential": Tolerance(1.0, 0.5, window_s=90.0, least_s=90.0),
    "salinity": Tolerance(0.15, 0.1),
    "conductivity": Tolerance(0.2, 0.15),
    "specific_conductance": Tolerance(0.2, 0.15),
    "air_pressure": Tolerance(0.1, 0.1, window_s=30.0, least_s=20.0, give_up_s=300.0),
    "barometric_pressure": Tolerance(0.3, 0.3),
    "water_level": Tolerance(0.5, 0.5),
    "depth": Tolerance(0.01, 0.005),
    "turbidity": Tolerance(3.0, 2.0),
}  # fmt: skip

# for every other quantity: so many steps of the last decimal shown
_STEPS = 3.0


def tolerance_of(quantity: str) -> Tolerance:
    """What counts as settled for a quantity. KeyError for one that is not measured."""
    step = 10.0 ** -QUANTITIES[quantity].decimals
    return _TOLERANCES.get(quantity) or Tolerance(_STEPS * step, _STEPS * step)


@dataclass(frozen=True, slots=True)
class Steadiness:
    """A signal on its way to rest. `take` gives the next one; nothing here changes.

    samples: (seconds on a clock that never steps, value) of the window, oldest first; began: of the first sample.
    """

    tolerance: Tolerance
    samples: tuple[tuple[float, float], ...] = ()
    began: float | None = None

    def take(self, mono: float, value: float) -> Steadiness:
        """With one more sample. One that is no number, or no later than the newest, changes nothing."""
        if not isfinite(value) or not isfinite(mono) or (self.samples and mono <= self.samples[-1][0]):
            return self
        kept = (*self.samples, (mono, value))
        oldest = mono - self.tolerance.window_s
        # one sample before the window's edge is kept, so that the window is known to be filled
        while len(kept) > _LEAST_SAMPLES and kept[1][0] <= oldest:
            kept = kept[1:]
        return replace(self, samples=kept, began=mono if self.began is None else self.began)

    @property
    def latest(self) -> float | None:
        return self.samples[-1][1] if self.samples else None

    @property
    def span_s(self) -> float:
        """How much time the window covers."""
        return self.samples[-1][0] - self.samples[0][0] if self.samples else 0.0

    @property
    def mean(self) -> float:
        """Of the window. ValueError when nothing came yet."""
        if not self.samples:
            raise ValueError("no sample yet: expected at least one before a mean is asked for")
        return sum(value for _, value in self.samples) / len(self.samples)

    @property
    def spread(self) -> float:
        """Standard deviation of the window; 0 of fewer than two samples."""
        if len(self.samples) < 2:
            return 0.0
        mean = self.mean
        return sqrt(sum((value - mean) ** 2 for _, value in self.samples) / (len(self.samples) - 1))

    @property
    def creep(self) -> float:
        """Change a minute: the least-squares slope over the window; 0 of fewer than two samples."""
        if len(self.samples) < 2:
            return 0.0
        middle = sum(mono for mono, _ in self.samples) / len(self.samples)
        mean = self.mean
        below = sum((mono - middle) ** 2 for mono, _ in self.samples)
        return _MINUTE * sum((mono - middle) * (value - mean) for mono, value in self.samples) / below

    @property
    def creep_uncertainty(self) -> float:
        """One standard error of `creep`, by the scatter about the line; 0 of fewer than three samples."""
        count = len(self.samples)
        if count < 3:
            return 0.0
        middle, mean = sum(mono for mono, _ in self.samples) / count, self.mean
        below = sum((mono - middle) ** 2 for mono, _ in self.samples)
        slope = self.creep / _MINUTE
        left = sum((value - mean - slope * (mono - middle)) ** 2 for mono, value in self.samples)
        return _MINUTE * sqrt(left / (count - 2) / below)

    @property
    def wanting(self) -> str:
        """What is lacking for the signal to count as settled, for people; "" when it has."""
        tolerance = self.tolerance
        if self.began is None:
            return "nothing came yet"
        waited = self.samples[-1][0] - self.began
        if len(self.samples) < _LEAST_SAMPLES or waited < max(tolerance.least_s, tolerance.window_s):
            left = max(tolerance.least_s, tolerance.window_s) - waited
            return f"{span_text(left)} more at least" if left > 0 else "a few samples more"
        if self.spread > tolerance.spread:
            return "still moving" if abs(self.creep) > tolerance.creep else "too restless"
        # a slope that the noise alone may explain is no creep, so long as the noise itself is small
        if abs(self.creep) > tolerance.creep + self.creep_uncertainty:
            return "still rising" if self.creep > 0.0 else "still falling"
        return ""

    @property
    def settled(self) -> bool:
        return not self.wanting

    def late(self, mono: float) -> bool:
        """Whether, by this time, it should have settled long ago."""
        return self.began is not None and mono - self.began > self.tolerance.give_up_s and not self.settled

    @property
    def advice(self) -> str:
        """What to do about a signal that does not settle."""
        if self.began is None:
            return "Nothing comes from the probe: look at its cable, its supply and `brinewatch state`."
        if abs(self.creep) > self.tolerance.creep:
            return (
                "It still creeps: the probe and the liquid may not be at one temperature yet, the liquid may be "
                "changing, or the probe is worn. Wait, or start again with fresh liquid."
            )
        return (
            "It is restless: look for bubbles, a loose or wet plug, a pump or another electrode nearby, "
            "and keep the probe still."
        )
