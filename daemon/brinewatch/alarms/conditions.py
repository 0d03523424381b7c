"""What a rule can ask of a reading as it stands: a limit, a state, its data, and how far it is from another."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any, ClassVar

from brinewatch.alarms.condition import HAIR_S, Binding, Condition, Show, Where, plain
from brinewatch.alarms.summary import Hours, HourSummary
from brinewatch.alarms.view import View
from brinewatch.moment import span_text
from brinewatch.quantities import QUANTITIES
from brinewatch.readings import Flag


@dataclass(frozen=True, slots=True)
class Below(Condition):
    """The value is under the limit; once so, until it is the deadband above it again."""

    limit: float
    head: ClassVar[str] = "below"
    banded: ClassVar[bool] = True

    @property
    def grade(self) -> tuple[tuple[object, ...], float]:
        return (self.head,), -self.limit

    def judge(self, view: View, holding: bool) -> bool | None:
        value = view.own
        if value is None:
            return None
        return value < self.limit + (view.band if holding else 0.0)

    def proves(self, hours: Hours, holding: bool | None = None) -> bool | None:
        hour = hours.own
        if hour is None or hour.low is None or hour.high is None:
            return None
        if hour.low >= self.limit + (0.0 if holding is False else hours.band):
            return False
        return True if hour.high < self.limit + (hours.band if holding else 0.0) else None

    def words(self, quantity: str, show: Show = plain) -> str:
        return f"below {show(quantity, self.limit, False)}"

    def spelled(self, quantity: str) -> dict[str, Any]:
        return {self.head: self.limit}


@dataclass(frozen=True, slots=True)
class Above(Condition):
    """The value is over the limit; once so, until it is the deadband below it again."""

    limit: float
    head: ClassVar[str] = "above"
    banded: ClassVar[bool] = True

    @property
    def grade(self) -> tuple[tuple[object, ...], float]:
        return (self.head,), self.limit

    def judge(self, view: View, holding: bool) -> bool | None:
        value = view.own
        if value is None:
            return None
        return value > self.limit - (view.band if holding else 0.0)

    def proves(self, hours: Hours, holding: bool | None = None) -> bool | None:
        hour = hours.own
        if hour is None or hour.low is None or hour.high is None:
            return None
        if hour.high <= self.limit - (0.0 if holding is False else hours.band):
            return False
        return True if hour.low > self.limit - (hours.band if holding else 0.0) else None

    def words(self, quantity: str, show: Show = plain) -> str:
        return f"above {show(quantity, self.limit, False)}"

    def spelled(self, quantity: str) -> dict[str, Any]:
        return {self.head: self.limit}


@dataclass(frozen=True, slots=True)
class Is(Condition):
    """A quantity of several states is in this one (0, 1 ...)."""

    state: int
    head: ClassVar[str] = "state"

    def judge(self, view: View, holding: bool) -> bool | None:
        value = view.own
        return None if value is None else round(value) == self.state

    def proves(self, hours: Hours, holding: bool | None = None) -> bool | None:
        hour = hours.own
        if hour is None or hour.low is None or hour.high is None:
            return None
        low, high = round(hour.low), round(hour.high)
        if not low <= self.state <= high:
            return False
        return True if low == high == self.state else None

    def words(self, quantity: str, show: Show = plain) -> str:
        states = QUANTITIES[quantity].states if quantity in QUANTITIES else None
        return states[self.state] if states else f"in state {self.state}"

    def told(self, view: View, quantity: str, show: Show = plain) -> str:
        # a part of the watch says beside its state why it is in it
        reading = view.reading
        return "" if reading is None or reading.flag is not Flag.PASS else reading.reason.rstrip(".")

    def spelled(self, quantity: str) -> dict[str, Any]:
        return {self.head: self.words(quantity)}


@dataclass(frozen=True, slots=True)
class Stale(Condition):
    """There is no trustworthy value: missing, failed, not evaluated, or older than so many seconds.

    The age that counts is the alarm's: the shed's own sampling may call for another than the rule says.
    """

    seconds: float
    head: ClassVar[str] = "stale_s"
    about_data: ClassVar[bool] = True

    @property
    def wait_s(self) -> float:
        return self.seconds

    def judge(self, view: View, holding: bool) -> bool | None:
        return view.own is None

    def proves(self, hours: Hours, holding: bool | None = None) -> bool | None:
        hour = hours.own
        if hour is None:
            return None
        if hour.unbroken and hour.oldest_s <= hours.max_age_s:
            return False
        return True if hour.low is None else None

    def unread_s(self, view: View) -> float:
        # a point never read yet is not older than the watch itself
        return view.max_age_s if view.reading is None else 0.0

    def words(self, quantity: str, show: Show = plain) -> str:
        return f"no trustworthy value, or older than {span_text(self.seconds)}"

    def spelled(self, quantity: str) -> dict[str, Any]:
        return {self.head: self.seconds}


@dataclass(frozen=True, slots=True)
class Failed(Condition):
    """The reading itself says that it is wrong (QARTOD flag 4)."""

    head: ClassVar[str] = "failed"
    about_data: ClassVar[bool] = True

    def judge(self, view: View, holding: bool) -> bool | None:
        reading = view.reading
        if reading is None:
            return None
        if reading.flag is Flag.FAIL:
            return True
        return None if view.own is None else False

    def proves(self, hours: Hours, holding: bool | None = None) -> bool | None:
        hour = hours.own
        if hour is None:
            return None
        before = hour.before.flag if hour.before is not None else Flag.MISSING
        if not hour.counts.get(Flag.FAIL, 0) and before is not Flag.FAIL:
            return False
        return True if hour.low is None else None

    def words(self, quantity: str, show: Show = plain) -> str:
        return "the reading says it is wrong"

    def spelled(self, quantity: str) -> dict[str, Any]:
        return {self.head: True}


@dataclass(frozen=True, slots=True)
class Broken(Condition):
    """A rule of this point could not be judged. Built in, and the engine's to say; no rule file can ask for it."""

    head: ClassVar[str] = "broken"
    about_data: ClassVar[bool] = True

    def words(self, quantity: str, show: Show = plain) -> str:
        return "a rule cannot be judged"


@dataclass(frozen=True, slots=True)
class Differs(Condition):
    """Two readings lie further apart than `by`; way: "either", or "higher" or "lower" when only that counts."""

    other: Where
    by: float
    way: str = "either"
    head: ClassVar[str] = "by"
    banded: ClassVar[bool] = True
    HEADS: ClassVar[Mapping[str, str]] = {
        "differs_from": "either", "higher_than": "higher", "lower_than": "lower",
    }  # fmt: skip

    @property
    def name(self) -> str:
        return next(key for key, way in self.HEADS.items() if way == self.way)

    @property
    def like(self) -> tuple[object, ...]:
        return self.name, self.other.asked

    @property
    def grade(self) -> tuple[tuple[object, ...], float]:
        return self.like, self.by

    def judge(self, view: View, holding: bool) -> bool | None:
        own, other = view.own, view.value(self.other.point, self.other.max_age_s)
        if own is None or other is None:
            return None
        return self._apart(own - other) > self.by - (view.band if holding else 0.0)

    def _apart(self, difference: float) -> float:
        return {"either": abs(difference), "higher": difference, "lower": -difference}[self.way]

    def proves(self, hours: Hours, holding: bool | None = None) -> bool | None:
        own, other = hours.own, hours.of(self.other.point)
        if own is None or other is None:
            return None
        ends = _difference(own, other)
        if ends is None:
            return None
        apart = sorted(self._apart(one) for one in ends)
        least = 0.0 if self.way == "either" and ends[0] <= 0.0 <= ends[1] else apart[0]
        if apart[1] <= self.by - (0.0 if holding is False else hours.band):
            return False
        return True if least > self.by - (hours.band if holding else 0.0) else None

    def inputs(self) -> tuple[Where, ...]:
        return (self.other,)

    def bound(self, binding: Binding) -> Condition | None:
        other = binding.find(self.other.asked)
        return None if other is None else replace(self, other=other)

    def dues(self, view: View) -> Iterator[float]:
        reading = view.readings.get(self.other.point)
        if reading is not None and reading.usable:
            yield reading.at.mono - reading.age_s + self.other.max_age_s + HAIR_S

    def words(self, quantity: str, show: Show = plain) -> str:
        by, asked = show(quantity, self.by, True), self.other.asked
        if self.way == "either":
            return f"differs from {asked} by more than {by}"
        return f"more than {by} {self.way} than {asked}"

    def told(self, view: View, quantity: str, show: Show = plain) -> str:
        own, other = view.own, view.value(self.other.point, self.other.max_age_s)
        if own is None or other is None:
            return ""
        way = "higher" if own >= other else "lower"
        return f"{show(quantity, abs(own - other), True)} {way} than {self.other.asked}"

    def spelled(self, quantity: str) -> dict[str, Any]:
        return {self.name: self.other.asked, "by": self.by}


def _difference(own: HourSummary, other: HourSummary) -> tuple[float, float] | None:
    """Between what the first less the second lay."""
    if own.low is None or own.high is None or other.low is None or other.high is None:
        return None
    return own.low - other.high, own.high - other.low
