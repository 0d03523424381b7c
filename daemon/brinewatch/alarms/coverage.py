"""How much of the time each critical alarm was provably able to call: the watch's own honesty. Pure.

A critical alarm is covered while its reading can be judged (there, trustworthy, not older than allowed), nobody has
set it aside, and some way to people works. Time between two looks counts as the look before it was, and as not
covered when it is longer than the watch ever sleeps. While nothing runs nothing is said: that is not covered.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field

from brinewatch.alarms.events import Priority, State
from brinewatch.alarms.memory import AlarmMemory
from brinewatch.alarms.rules import Alarm
from brinewatch.alarms.view import trusted
from brinewatch.moment import Moment
from brinewatch.readings import Flag, Reading

POINT = "alarms.coverage"
EVERY_S = 60.0
# the watch looks at least twice a minute; a longer sleep was none of its own
_LONGEST_S = 90.0
_NAMED = 3


@dataclass(slots=True)
class _Minute:
    """What has gathered since the last reading: seconds, and those covered, by alarm; why the first was not."""

    begun: float
    seconds: float = 0.0
    covered: dict[str, float] = field(default_factory=dict)
    why: dict[str, str] = field(default_factory=dict)


class Coverage:
    """alarms: all of the shed; those that are critical and judge readings are looked at."""

    def __init__(self, alarms: Sequence[Alarm]) -> None:
        self._alarms = [
            alarm for alarm in alarms if alarm.rule.priority is Priority.CRITICAL and not alarm.rule.about_data
        ]
        self._now: _Minute | None = None
        self._last: tuple[float, Mapping[str, str]] | None = None

    def take(
        self, readings: Mapping[str, Reading], memory: Mapping[str, AlarmMemory], held: Collection[str], ways: str,
        now: Moment,
    ) -> Reading | None:  # fmt: skip
        """One look of the watch; a reading once a minute: per cent of the time the worst of them was covered.

        readings: the newest of each point; held: points being calibrated; ways: why no way to people works, "" when
        one does.
        """
        if self._now is None:
            self._now = _Minute(now.mono)
        minute = self._now
        if self._last is not None:
            since, why = self._last
            step = now.mono - since
            awake = step <= _LONGEST_S
            minute.seconds += step
            for alarm in self._alarms:
                reason = why.get(alarm.id, "") if awake else "the watch slept"
                if reason:
                    minute.why.setdefault(alarm.id, reason)
                else:
                    minute.covered[alarm.id] = minute.covered.get(alarm.id, 0.0) + step
        self._last = (now.mono, self._uncovered(readings, memory, held, ways, now))
        if now.mono - minute.begun < EVERY_S or not minute.seconds:
            return None
        self._now = _Minute(now.mono)
        return self._reading(minute, now)

    def _uncovered(
        self, readings: Mapping[str, Reading], memory: Mapping[str, AlarmMemory], held: Collection[str], ways: str,
        now: Moment,
    ) -> dict[str, str]:  # fmt: skip
        if ways:
            return {alarm.id: ways for alarm in self._alarms}
        found = {}
        for alarm in self._alarms:
            one, reading = memory.get(alarm.id), readings.get(alarm.point)
            if one is not None and one.state in (State.SHELVED, State.OUT_OF_SERVICE):
                found[alarm.id] = str(one.state)
            elif alarm.point in held:
                found[alarm.id] = "being calibrated"
            elif reading is None or not trusted(reading, alarm.max_age_s, now):
                found[alarm.id] = "no trustworthy reading"
        return found

    def _reading(self, minute: _Minute, now: Moment) -> Reading | None:
        if not self._alarms:
            return None
        shares = {alarm.id: minute.covered.get(alarm.id, 0.0) / minute.seconds for alarm in self._alarms}
        low = min(shares.values())
        worst = [key for key, share in shares.items() if share == low and low < 1.0]
        more = f" and {len(worst) - _NAMED} more" if len(worst) > _NAMED else ""
        reasons = sorted({minute.why[key] for key in worst if key in minute.why})
        reason = f"{', '.join(worst[:_NAMED])}{more}: {', '.join(reasons)}" if worst else ""
        percent = min(100.0, max(0.0, 100.0 * low))
        return Reading(POINT, "coverage", percent, None, Flag.PASS, reason, now, "brinewatch")
