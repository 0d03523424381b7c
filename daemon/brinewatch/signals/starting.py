"""How far a new biofilter is, told from the ammonia and nitrite people have tested and entered."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from brinewatch.moment import Moment
from brinewatch.readings import Flag, Reading
from brinewatch.seawater.startup import StartUp, start_up_stage, water_tests

if TYPE_CHECKING:
    from brinewatch.signals.following import FollowPlan

START_UP = "start_up"
# it changes when somebody tests the water; between tests it is said again so often
SAID_EVERY_S = 600.0
_DAY = 86400.0


class StartUpFollower:
    """One filter's record of tests. The journal keeps them, and gives them back at a start by `entered`."""

    def __init__(self, plan: FollowPlan) -> None:
        self.plan = plan
        self._tests: dict[str, dict[float, float]] = {point: {} for point in plan.inputs.values()}
        self._said: float | None = None

    def entered(self, entries: Iterable[tuple[str, float, float]], anew: Collection[str] = ()) -> None:
        """Tests of the past: point, mg N/L, POSIX seconds when the water was tested, in any order. anew: points of
        which all are given, so that what is known of them besides is wrong."""
        for point in anew:
            self._tests.get(point, {}).clear()
        for point, value, utc in entries:
            if point in self._tests:
                self._tests[point][utc] = value
        self._said = None

    def saved(self) -> Mapping[str, Any]:
        return {}

    def restore(self, saved: Mapping[str, Any], same_boot: bool, now: Moment) -> None:
        """There is nothing: the tests come from the journal."""

    def follow(self, readings: Mapping[str, Reading], now: Moment) -> Sequence[Reading]:
        for point, tests in self._tests.items():
            reading = readings.get(point)
            if reading is not None and reading.usable and reading.value is not None and reading.at.utc not in tests:
                tests[reading.at.utc] = reading.value
                self._said = None
        if self._said is not None and now.mono - self._said < SAID_EVERY_S:
            return []
        self._said = now.mono
        return [self._reading(now)]

    def _reading(self, now: Moment) -> Reading:
        point = self.plan.points[0]
        tan, nitrite = (self._tests[self.plan.inputs[key]] for key in ("tan", "nitrite"))
        first = min((*tan, *nitrite), default=0.0)
        days = [[((utc - first) / _DAY, mgN_L) for utc, mgN_L in one.items()] for one in (tan, nitrite)]
        tests = water_tests(days[0], days[1])
        if not tests:
            reason = "Ammonia and nitrite have not been tested within half a day of each other yet."
            return Reading(point, START_UP, None, None, Flag.NOT_EVALUATED, reason, now, "derived")
        newest = Moment(now.mono, first + tests[-1].day * _DAY, now.trusted, now.zone)
        basis = f"from {len(tests)} tests of ammonia and nitrite, the newest of {newest.local:%Y-%m-%d}"
        stage = list(StartUp).index(start_up_stage(tests))
        return Reading(point, START_UP, float(stage), None, Flag.PASS, "", now, "derived", basis=basis)
