"""The daemon's end of what happens without air: how long is left, and the attended test that measures it.

Every saved test is a remark in the journal, which is only ever added to; the newest of each tank counts, and is
kept beside the alarms' memories.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from brinewatch.airtest import AirTest, Phase, begin, give_back
from brinewatch.alarms.events import Command
from brinewatch.alarms.rules import Alarm
from brinewatch.errors import BrinewatchError
from brinewatch.forecast.air_off import AirOffTest
from brinewatch.forecast.oxygen_budget import planned_demand
from brinewatch.moment import Moment
from brinewatch.ports import Clock
from brinewatch.readings import Reading
from brinewatch.store.journal import Journal
from brinewatch.timeleft import TimeLeft
from brinewatch.watchkeeper import Watchkeeper

log = logging.getLogger(__name__)

MARK = "airoff:"  # memories of tests lie beside those of alarms, whose names have no colon
_BY = "the watch"


class AirTests:
    """Takes readings for the forecasts, and keeps the one test that may run. obey: one step of the watch with
    orders; note: one line for people."""

    def __init__(
        self, left: TimeLeft, keeper: Watchkeeper, alarms: Sequence[Alarm], journal: Journal, clock: Clock,
        obey: Callable[[Sequence[Command]], object], note: Callable[[str], None],
    ) -> None:  # fmt: skip
        self._left = left
        self._keeper = keeper
        self._alarms = alarms
        self._journal = journal
        self._clock = clock
        self._obey = obey
        self._note = note
        self._test: AirTest | None = None
        self._closed = False

    def recall(self, memories: Mapping[str, Mapping[str, Any]]) -> list[str]:
        """The tests of before. Returns what cannot be used, for people; the tank's figures count then."""
        lost = []
        for key, body in memories.items():
            if not key.startswith(MARK):
                continue
            try:
                self._left.tested(AirOffTest.from_dict(body))
            except (TypeError, ValueError) as error:
                lost.append(f"The air-off test of {key.removeprefix(MARK)} cannot be read ({error}).")
        return lost

    def take(self, readings: Sequence[Reading], now: Moment) -> list[Command]:
        """New readings, or time alone: tells the rules the forecasts, moves the test on, and gives the orders that
        end it."""
        keeper = self._keeper
        keeper.note(self._left.take(readings, keeper.latest, now))
        test = self._test
        if test is not None and not test.over:
            self._move(test, readings, now)
            if not test.over:
                return []
        if self._closed:
            return []
        self._closed = True
        if test is None:  # one that was under way when the watch stopped is over
            return give_back(keeper.memory, [alarm.id for alarm in self._alarms], _BY, now)
        return test.closing(keeper.memory, now)

    def _move(self, test: AirTest, readings: Sequence[Reading], now: Moment) -> None:
        before = test.phase
        try:
            test.step(readings, self._keeper.latest, self._left, self._keeper.memory, now)
        except Exception as error:
            log.exception("The air-off test failed")
            test.end(f"it went wrong ({type(error).__name__}: {error})", now)
        if test.phase is not before:
            self._note(f"{test.reason}: {test.phase}{f' ({test.why})' if test.why else ''}")

    # -- requests -----------------------------------------------------------------------------------------------

    async def answer(self, request: Mapping[str, Any]) -> Mapping[str, Any]:
        """One request of the command line. Raises BrinewatchError for what cannot be done."""
        match request["do"]:
            case "air-off begin":
                return self._begin(request)
            case "air-off look":
                return self._look(self._running())
            case "air-off stop":
                test = self._running()
                test.give_up(self._clock.now())
                self._obey(())
                return self._look(test)
            case "air-off save":
                return {"line": await self._save(self._running())}
        raise BrinewatchError(f"The daemon does not know how to do {request['do']!r}.", "See: brinewatch --help")

    def _running(self) -> AirTest:
        if self._test is None:
            raise BrinewatchError("No air-off test is under way.", "Begin one: brinewatch air-off-test TANK")
        return self._test

    def _begin(self, request: Mapping[str, Any]) -> Mapping[str, Any]:
        if self._test is not None and not self._test.over:
            raise BrinewatchError(
                f"An {self._test.reason} by {self._test.by} is under way.", "One at a time: the air is off for all."
            )
        minutes = request.get("minutes")
        if isinstance(minutes, bool) or not isinstance(minutes, int | float):
            raise BrinewatchError(f"{minutes!r} is no number of minutes.", "Give one from 10 to 15.")
        now, keeper = self._clock.now(), self._keeper
        test = begin(
            self._left, self._alarms, keeper.latest, keeper.memory, str(request.get("tank")),
            str(request.get("by") or "the command line"), now, minutes=float(minutes),
            stirred=bool(request.get("stirred")),
        )  # fmt: skip
        self._obey(test.opening(keeper.memory, now))
        self._test, self._closed = test, False
        self._note(f"{test.reason} begun by {test.by}: {len(test.held)} alarms wait, emergencies do not")
        titles = [alarm.rule.title for alarm in self._alarms if alarm.id in test.held]
        return {"tank": test.plan.name or test.plan.stage, "held": list(dict.fromkeys(titles))}

    def _look(self, test: AirTest) -> Mapping[str, Any]:
        now = self._clock.now()
        if not test.over:
            test.asked = now.mono
        oxygen = self._left.percent(test.plan.stage, self._keeper.latest, now)
        off = now.mono - test.stopped if test.phase in (Phase.OFF, Phase.BACK) else None
        return {
            "phase": test.phase.value, "why": test.why, "off_s": off, "for_s": now.mono - test.since,
            "oxygen": oxygen, "lowest": test.lowest, "trouble": test.trouble,
            "result": test.result.to_dict() if test.result is not None else None,
            "assumed_mg_h": _assumed_mg_h(test),
        }  # fmt: skip

    async def _save(self, test: AirTest) -> str:
        if not test.over or test.result is None:
            raise BrinewatchError("There is nothing to save.", test.trouble or "The test is not over.")
        result, now = test.result, self._clock.now()
        body = result.to_dict()
        text = f"{test.reason} by {result.by}: {json.dumps(body, separators=(',', ':'))}"
        written = await self._journal.note("air-off test", text, now)
        written = await self._journal.keep({f"{MARK}{result.stage}": body}, now) and written
        self._left.tested(result)
        self._test = None
        where = "" if written else " It waits in memory for the disk."
        return f"Saved: it counts from the next stop of the air on.{where}"


def _assumed_mg_h(test: AirTest) -> float | None:
    """What the tank's figures say of its whole demand in the water of the test."""
    if test.result is None:
        return None
    tank = test.plan.tank
    return planned_demand(tank, test.plan.feeding).at(tank, test.result.temperature_C).whole * tank.volume_L
