"""What a person does at a probe to prove its wire, and what is made of what the channels show meanwhile. Pure."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum

from brinewatch.quantities import QUANTITIES
from brinewatch.readings import quantity_of

_BASE = 3  # looks that say how it was before


@dataclass(frozen=True, slots=True)
class Move:
    """do: what the person does; least: the change that counts, in its own unit (our judgement); way: 1 it
    must rise, -1 fall, 0 either. compare: nothing can be moved; it is held against an instrument."""

    do: str
    least: float
    way: int = 0
    compare: bool = False


_HAND = "Hold the probe in your warm hand, or in a cup of warm water, until it moves."
_LIFT = "Lift the probe out of the water into the air, wait until it moves, and put it back."
_TIP = "Rinse the probe and dip it into a pH buffer or tap water; rinse it again and put it back."
_FLOAT = "Push the float to its other end by hand, wait, and let it go."
_THROTTLE = (
    "With somebody at the tanks: open a spare outlet or a bleed valve for some seconds, and shut it "
    "again. Never shut "
    "the blower's only way out: it overheats."
)
_MAINS = "Pull the plug of what the sensing relay hangs on, never a wire; mains wiring is an electrician's."
MOVES: Mapping[str, Move] = {
    "temperature": Move(_HAND, 0.5, 1),
    "air_temperature": Move(_HAND, 0.5, 1),
    "oxygen": Move(_LIFT, 0.3),
    "oxygen_saturation": Move(_LIFT, 3.0),
    "ph": Move(_TIP, 0.3),
    "ph_total": Move(_TIP, 0.3),
    "ph_potential": Move(_TIP, 15.0),
    "salinity": Move(_LIFT, 3.0, -1),
    "conductivity": Move(_LIFT, 3.0, -1),
    "specific_conductance": Move(_LIFT, 3.0, -1),
    "air_pressure": Move(_THROTTLE, 0.3),
    "branch_pressure": Move(_THROTTLE, 0.3),
    "air_flow": Move(_THROTTLE, 5.0),
    "barometric_pressure": Move("Read a barometer in the shed, not a forecast, which is reduced to sea level.", 3.0,
                                compare=True),
    "motor_current": Move("With somebody at the tanks: switch the blower off at its own switch for five "
    "seconds, and "
                          "on again.", 0.3, -1),
    "water_flow": Move("Throttle the water with your hand or a valve for a moment, and let it run again.", 1.0),
    "water_level": Move("Pour a bucket of the shed's own water in, or lift the sensor by a hand's width.", 1.0),
    "mains": Move(_MAINS, 1.0, -1),
}  # fmt: skip


def move_for(point: str) -> Move:
    """What to do for a channel."""
    quantity = QUANTITIES[quantity_of(point)]
    if quantity.key in MOVES:
        return MOVES[quantity.key]
    if quantity.states is not None:
        return Move(_FLOAT if "level" in quantity.key else "Switch it to its other state by hand, and back.", 1.0)
    return Move("Change what it measures, by hand, so that it must move.", 5 * 10.0**-quantity.decimals)


class Seen(StrEnum):
    """What the channels showed."""

    WAITING = "waiting"
    MOVED = "moved"
    WRONG_WAY = "moved the wrong way"
    ANOTHER = "another one moved"
    NOISY = "never at rest"
    SILENT = "no value"
    STILL = "did not move"


@dataclass(slots=True)
class Watch:
    """The channel under test and all others, look by look. Values in their own units; None for no value."""

    point: str
    _before: dict[str, list[float]] = field(default_factory=dict)
    _now: dict[str, float] = field(default_factory=dict)
    _looks: int = 0
    _silent: int = 0
    reason: str = ""

    def take(
        self, values: Mapping[str, float | None], reason: str = "", fresh: Collection[str] | None = None
    ) -> None:
        """One look. reason: why the channel under test has no value; fresh: channels that were read since the last
        look, all when left out: a reading that is shown twice says nothing of how steady it is."""
        self._looks += 1
        if values.get(self.point) is None:
            self._silent += 1
            self.reason = reason
        for point, value in values.items():
            if value is None:
                self._now.pop(point, None)
                continue
            base = self._before.setdefault(point, [])
            if len(base) < _BASE and (fresh is None or point in fresh):
                base.append(value)
            self._now[point] = value

    @property
    def ready(self) -> bool:
        """Whether it is known how everything was before anybody touched anything."""
        return len(self._before.get(self.point, ())) == _BASE

    @property
    def before(self) -> float | None:
        base = self._before.get(self.point)
        return None if not base else sorted(base)[len(base) // 2]

    @property
    def now(self) -> float | None:
        return self._now.get(self.point)

    @property
    def noise(self) -> float:
        base = self._before.get(self.point, [0.0])
        return max(base) - min(base)

    def others(self) -> Sequence[str]:
        """Other channels of the same quantity that moved as the one under test should have."""
        return [
            one for one in self._now
            if one != self.point and quantity_of(one) == quantity_of(self.point) and self._by(one) is Seen.MOVED
        ]  # fmt: skip

    def seen(self, *, over: bool = False) -> Seen:
        """What is seen so far. over: nobody waits any longer."""
        if not self.ready:
            return Seen.SILENT if over else Seen.WAITING
        if self.noise >= move_for(self.point).least:
            return Seen.NOISY
        found = self._by(self.point)
        if found is Seen.MOVED:
            return found
        if self.others():
            return Seen.ANOTHER
        if not over:
            return Seen.WAITING
        if found is not Seen.WAITING:
            return found
        return Seen.SILENT if self.now is None else Seen.STILL

    def _by(self, point: str) -> Seen:
        base, now, move = self._before.get(point, []), self._now.get(point), move_for(point)
        if len(base) < _BASE or now is None:
            return Seen.WAITING
        change = now - sorted(base)[len(base) // 2]
        if abs(change) < move.least:
            return Seen.WAITING
        return Seen.MOVED if move.way == 0 or change * move.way > 0 else Seen.WRONG_WAY
