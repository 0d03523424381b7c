"""What a rule can ask of a stretch of time: how fast, how still, how often, how long ago, and how long until."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, ClassVar

from brinewatch.alarms.condition import HAIR_S, Binding, Condition, Show, plain
from brinewatch.alarms.conditions import Above, Below, Is
from brinewatch.alarms.features import FORECAST_MAX_AGE_S, Feature, ForecastOf, SlopeOf, SpanOf, StartsOf, done_key
from brinewatch.alarms.slopes import never_steeper
from brinewatch.alarms.summary import FIVE_S, HOUR_S, Hours, HourSummary
from brinewatch.alarms.view import View, age_s
from brinewatch.alarms.windows import FEWEST, REACH, STRETCHES
from brinewatch.moment import span_text

PER_S: Mapping[str, float] = {"min": 60.0, "h": 3600.0, "d": 86400.0}
# a window takes at least so many readings, or nothing is ever told from it
READINGS = 9
# two decimal numbers a tenth apart may differ by a little more than a tenth
_DUST = 1e-9


def _reach_s(window_s: float, source: SlopeOf | SpanOf | StartsOf | None) -> float:
    """How far back a window may reach: it begins somewhere in a stretch and is judged by until the next reading."""
    return window_s * (1 + 2 / STRETCHES) + (source.max_age_s if source else 0.0)


def _roomy(binding: Binding, key: str, seconds: float) -> None:
    """A fault when the window is too short for how often the point is read."""
    every = binding.every_s
    if every is not None and seconds < READINGS * every:
        least = READINGS * every
        binding.fault(key, seconds, f"{least:g} or more: the point is read every {span_text(every)}")


@dataclass(frozen=True, slots=True)
class Rate(Condition):
    """The value moves faster than so much, by a robust slope over a window. way: falls, rises or changes; per: the
    unit of time of `speed`, and of the deadband: min, h or d."""

    speed: float
    way: str
    per: str
    over_s: float
    source: SlopeOf | None = None
    head: ClassVar[str] = "rate"
    banded: ClassVar[bool] = True

    @property
    def name(self) -> str:
        return self.way

    @property
    def grade(self) -> tuple[tuple[object, ...], float]:
        return (self.way, self.over_s), self.speed / PER_S[self.per]

    def _found(self, view: View) -> float | None:
        assert self.source is not None
        if view.own is None:
            return None
        return view.feature(self.source.key, self.over_s / STRETCHES + view.max_age_s)

    def judge(self, view: View, holding: bool) -> bool | None:
        slope = self._found(view)
        if slope is None:
            return None
        return self._speed(slope) > self.speed - (view.band if holding else 0.0)

    def _speed(self, slope: float) -> float:
        """By how much it moves the way that counts, in the quantity's unit per `per`."""
        speed = slope * PER_S[self.per]
        return {"falls": -speed, "rises": speed, "changes": abs(speed)}[self.way]

    def proves(self, hours: Hours, holding: bool | None = None) -> bool | None:
        rows = hours.back(self.reach_s())
        if rows is None:
            return None
        low, high = _ends(rows)
        if low is None or high is None:
            return None
        speed = self.speed - (0.0 if holding is False else hours.band)
        if (high - low) / self._shortest_s(max(row.oldest_s for row in rows)) * PER_S[self.per] <= speed:
            return False
        if hours.offset_s % (self.over_s / STRETCHES):
            return None
        since = hours.start - self.reach_s()
        return False if never_steeper(rows, since, self.over_s, speed / PER_S[self.per], self.way) else None

    def _shortest_s(self, gap_s: float) -> float:
        """More than half of all pairs of stretches lie at least so far apart, so the median slope is no steeper
        than the span of the values over it. gap_s: the longest time without a reading."""
        each = self.over_s / STRETCHES
        # from one filled stretch to the next, in stretches; and so many are filled in what must be covered
        stride = max(1.0, math.ceil(gap_s / each) if gap_s < self.over_s else STRETCHES)
        count = max(FEWEST, math.floor(1 + (REACH * STRETCHES - 1) / stride))
        apart = 1
        # of count stretches in a row (count - k)(count - k + 1) / 2 pairs lie k or more places apart
        while 2 * (count - apart - 1) * (count - apart) > count * (count - 1):
            apart += 1
        # the stamps of neighbouring stretches may nearly touch
        return max(apart - 1, 0) * each or HAIR_S

    def dues(self, view: View) -> Iterator[float]:
        reading = view.readings.get(self.source.key) if self.source else None
        if reading is not None:
            yield reading.at.mono + self.over_s / STRETCHES + view.max_age_s + HAIR_S

    def features(self) -> tuple[Feature, ...]:
        return (self.source,) if self.source else ()

    def reach_s(self) -> float:
        return _reach_s(self.over_s, self.source)

    def bound(self, binding: Binding) -> Condition | None:
        _roomy(binding, "over_s", self.over_s)
        return replace(self, source=SlopeOf(binding.point, self.over_s, binding.max_age_s))

    def words(self, quantity: str, show: Show = plain) -> str:
        speed = f"{show(quantity, self.speed, True)} per {self.per}"
        return f"{self.way} by more than {speed}, over {span_text(self.over_s)}"

    def told(self, view: View, quantity: str, show: Show = plain) -> str:
        slope = self._found(view)
        if slope is None:
            return ""
        way = "falls" if slope < 0 else "rises"
        return f"{way} {show(quantity, abs(slope) * PER_S[self.per], True)} per {self.per}"

    def spelled(self, quantity: str) -> dict[str, Any]:
        return {self.way: self.speed, "per": self.per, "over_s": self.over_s}


@dataclass(frozen=True, slots=True)
class Flat(Condition):
    """The value has not moved by more than `within` for so long, with readings all that time."""

    seconds: float
    within: float
    source: SpanOf | None = None
    head: ClassVar[str] = "flat_s"

    @property
    def grade(self) -> tuple[tuple[object, ...], float]:
        return (self.head, self.within), self.seconds

    def judge(self, view: View, holding: bool) -> bool | None:
        assert self.source is not None
        if view.own is None:
            return None
        span = view.feature(self.source.key, view.max_age_s)
        if span is not None:
            return span <= self.within + _DUST
        # what has moved further in less time is not flat
        reading = view.found(self.source.key)
        moved = reading is not None and reading.value is not None and reading.value > self.within + _DUST
        return False if moved else None

    def proves(self, hours: Hours, holding: bool | None = None) -> bool | None:
        rows = hours.back(self.reach_s())
        if rows is None:
            return None
        low, high = _ends(rows)
        if low is not None and high is not None and high - low <= self.within + _DUST:
            return True
        # every window that ends in this hour holds the whole hour before it, or some whole five minutes of these
        if self.seconds >= 2 * HOUR_S and rows[-2].min is not None and rows[-2].max is not None:
            return False if rows[-2].max - rows[-2].min > self.within + _DUST else None
        still = self.within + _DUST
        fives = [five for row in rows for five in row.fives or (None,)]
        moved = all(five is not None and five.high - five.low > still for five in fives)
        return False if moved and self.seconds >= 2 * FIVE_S else None

    def features(self) -> tuple[Feature, ...]:
        return (self.source,) if self.source else ()

    def reach_s(self) -> float:
        return _reach_s(self.seconds, self.source)

    def bound(self, binding: Binding) -> Condition | None:
        _roomy(binding, "flat_s", self.seconds)
        return replace(self, source=SpanOf(binding.point, self.seconds, binding.max_age_s))

    def words(self, quantity: str, show: Show = plain) -> str:
        return f"moves by no more than {show(quantity, self.within, True)} in {span_text(self.seconds)}"

    def spelled(self, quantity: str) -> dict[str, Any]:
        return {"flat_s": self.seconds, "within": self.within}


@dataclass(frozen=True, slots=True)
class Often(Condition):
    """A condition of the same point began to hold more than so many times within a window (starts of a blower)."""

    what: Below | Above | Is
    more_than: int
    over_s: float
    band: float = 0.0
    source: StartsOf | None = None
    head: ClassVar[str] = "starts_more_than"

    @property
    def like(self) -> tuple[object, ...]:
        return self.head, self.what.name

    @property
    def grade(self) -> tuple[tuple[object, ...], float]:
        return (self.head, self.what, self.over_s), float(self.more_than)

    def judge(self, view: View, holding: bool) -> bool | None:
        assert self.source is not None
        reading = view.found(self.source.key)
        if reading is None or reading.value is None:
            return None
        if reading.value > self.more_than:
            return True  # no reading that was missed can make it less
        return False if reading.flag.usable and view.own is not None else None

    def proves(self, hours: Hours, holding: bool | None = None) -> bool | None:
        rows = hours.back(self.reach_s())
        if rows is None:
            return None
        said = {
            self.what.proves(Hours({row.point: (row,)}, row.start, point=row.point, band=self.band)) for row in rows
        }
        # steady all that time: it never began
        return False if said in ({True}, {False}) else None

    def features(self) -> tuple[Feature, ...]:
        return (self.source,) if self.source else ()

    def reach_s(self) -> float:
        return _reach_s(self.over_s, self.source)

    def bound(self, binding: Binding) -> Condition | None:
        _roomy(binding, "over_s", self.over_s)
        source = StartsOf(binding.point, self.what, self.band, self.over_s, binding.max_age_s)
        return replace(self, source=source)

    def words(self, quantity: str, show: Show = plain) -> str:
        what = self.what.words(quantity, show)
        return f"{what} more than {self.more_than} times in {span_text(self.over_s)}"

    def told(self, view: View, quantity: str, show: Show = plain) -> str:
        reading = view.readings.get(self.source.key) if self.source else None
        if reading is None or reading.value is None:
            return ""
        return f"{reading.value:.0f} times in {span_text(self.over_s)}"

    def spelled(self, quantity: str) -> dict[str, Any]:
        what = self.what.spelled(quantity)
        counted = what if isinstance(self.what, Is) else {"of": what}
        return {self.head: self.more_than, "over_s": self.over_s, **counted}


@dataclass(frozen=True, slots=True)
class Overdue(Condition):
    """Nobody has done it for so long. since: "entry" of a value of the point by hand, or what else is noted of the
    point when it is done (calibration, round)."""

    seconds: float
    since: str = "entry"
    head: ClassVar[str] = "overdue_s"

    @property
    def grade(self) -> tuple[tuple[object, ...], float]:
        return (self.head, self.since), self.seconds

    @property
    def like(self) -> tuple[object, ...]:
        return self.head, self.since

    @property
    def wait_s(self) -> float:
        return self.seconds

    def _age_s(self, view: View) -> float | None:
        key = view.point if self.since == "entry" else done_key(view.point, self.since)
        reading = view.readings.get(key)
        return None if reading is None or reading.value is None else age_s(reading, view.now)

    def judge(self, view: View, holding: bool) -> bool | None:
        age = self._age_s(view)
        return age is None or age > self.seconds

    def proves(self, hours: Hours, holding: bool | None = None) -> bool | None:
        hour = hours.own if self.since == "entry" else hours.of(done_key(hours.point, self.since))
        if hour is None or hour.total:
            return None
        if hour.before is None or hour.before.value is None:
            return True
        done = hour.before.at.utc - hour.before.age_s
        if hour.end - done <= self.seconds:
            return False
        return True if hour.start - done > self.seconds else None

    def dues(self, view: View) -> Iterator[float]:
        age = self._age_s(view)
        if age is not None:
            yield view.now.mono - age + self.seconds + HAIR_S

    def unread_s(self, view: View) -> float:
        # what was never done is not overdue before it could have been
        return self.seconds if self._age_s(view) is None else 0.0

    def words(self, quantity: str, show: Show = plain) -> str:
        return f"last {'entered' if self.since == 'entry' else self.since} more than {span_text(self.seconds)} ago"

    def told(self, view: View, quantity: str, show: Show = plain) -> str:
        age = self._age_s(view)
        return f"never {self._done}" if age is None else f"{self._done} {span_text(age)} ago"

    @property
    def _done(self) -> str:
        return "entered" if self.since == "entry" else f"{self.since} done"

    def spelled(self, quantity: str) -> dict[str, Any]:
        return {self.head: self.seconds, **({} if self.since == "entry" else {"since": self.since})}


@dataclass(frozen=True, slots=True)
class Foreseen(Condition):
    """A limit will be crossed within so many seconds. side: below or above; time: judged by the earliest time at
    which that may be, or by the middle one."""

    side: str
    limit: float
    within_s: float
    time: str = "earliest"
    source: ForecastOf | None = None
    head: ClassVar[str] = "forecast"

    @property
    def name(self) -> str:
        return f"forecast_{self.side}"

    @property
    def grade(self) -> tuple[tuple[object, ...], float]:
        return (self.name, self.limit, self.time), -self.within_s

    def _left_s(self, view: View) -> float | None:
        assert self.source is not None
        left = view.feature(self.source.key, FORECAST_MAX_AGE_S)
        return None if left is None else left - age_s(view.readings[self.source.key], view.now)

    def judge(self, view: View, holding: bool) -> bool | None:
        left = self._left_s(view)
        return None if left is None else left <= self.within_s

    def proves(self, hours: Hours, holding: bool | None = None) -> bool | None:
        hour = hours.of(self.source.key) if self.source is not None else None
        if hour is None or hour.low is None or hour.high is None:
            return None
        if hour.low - FORECAST_MAX_AGE_S > self.within_s:
            return False
        return True if hour.high <= self.within_s else None

    def features(self) -> tuple[Feature, ...]:
        return (self.source,) if self.source else ()

    def bound(self, binding: Binding) -> Condition | None:
        return replace(self, source=ForecastOf(binding.point, self.side, self.limit, self.time))

    def dues(self, view: View) -> Iterator[float]:
        left = self._left_s(view)
        if left is not None and self.source is not None:
            at = view.readings[self.source.key].at.mono
            yield at + FORECAST_MAX_AGE_S + HAIR_S
            if left < math.inf:
                yield view.now.mono + left - self.within_s + HAIR_S

    def words(self, quantity: str, show: Show = plain) -> str:
        when = "at the earliest" if self.time == "earliest" else "as likely sooner as later"
        return f"{self.side} {show(quantity, self.limit, False)} within {span_text(self.within_s)}, {when}"

    def told(self, view: View, quantity: str, show: Show = plain) -> str:
        left = self._left_s(view)
        if left is None or left == math.inf:
            return ""
        when = " at the earliest" if self.time == "earliest" else ""
        return f"{span_text(left)} to {show(quantity, self.limit, False)}{when}"

    def spelled(self, quantity: str) -> dict[str, Any]:
        return {self.name: self.limit, "within_s": self.within_s, "time": self.time}


def _ends(rows: Sequence[HourSummary]) -> tuple[float | None, float | None]:
    """Between what all these hours lay."""
    lows = [row.low for row in rows if row.low is not None]
    highs = [row.high for row in rows if row.high is not None]
    return min(lows, default=None), max(highs, default=None)
