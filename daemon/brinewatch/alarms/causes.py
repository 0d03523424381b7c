"""Which alarm explains which: one failure makes one call, and what follows from it joins.

A cause counts from its raw condition, before its own delay, so that a slow one (mains) still heads a fast one
(air). It counts only while it is seen to hold: a cause nobody can judge, or one a person has set aside, explains
nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from brinewatch.alarms.events import Priority, State
from brinewatch.alarms.memory import AlarmMemory, Attended
from brinewatch.alarms.rules import Alarm
from brinewatch.moment import Moment

# A consequence may be seen before its cause by so much: probes are read at different times and values smooth out
TOGETHER_S = 60.0

_SUPPRESSED = State.SUPPRESSED  # looked up once: this is asked of every alarm at every scan

ATTENDED_REASON = "somebody works in the shed"


@dataclass(frozen=True, slots=True)
class Seen:
    """One alarm in this scan: its memory after the delays, and what its condition said of the reading just now."""

    alarm: Alarm
    memory: AlarmMemory
    verdict: bool | None

    @property
    def holds(self) -> bool:
        """Whether it can explain others: seen to hold now, delayed or not, and not set aside by a person."""
        counted = self.memory.active or self.memory.pending is not None
        return bool(self.verdict) and counted and self.memory.state not in (State.SHELVED, State.OUT_OF_SERVICE)

    @property
    def since(self) -> Moment | None:
        """When the condition began, its delay not counted."""
        if self.memory.active:
            return self.memory.began
        return self.memory.pending

    @property
    def untold(self) -> bool:
        """Whether it stands and was not judged this time, so that it may hold or not."""
        return (
            self.verdict is None
            and self.memory.active
            and self.memory.state not in (State.SHELVED, State.OUT_OF_SERVICE)
        )

    @property
    def new(self) -> bool:
        """Whether it is about to call anew unless something explains it."""
        return self.memory.active and self.memory.state in (State.NORMAL, State.RETURNED, State.LATCHED)


def cause_of(one: Seen, seen: Mapping[str, Seen], *, confirmed: bool = False) -> Seen | None:
    """The alarm furthest up that explains this one now; None when none does. confirmed: its own delay is over."""
    for key in one.alarm.causes:
        other = seen.get(key)
        if other is not None and explains(other, one) and (other.memory.active or not confirmed):
            return other
    return None


def explains(cause: Seen, one: Seen) -> bool:
    """Whether a loss that is seen to hold is why another condition does: it began no later, or hardly."""
    if cause.alarm.id not in one.alarm.causes or not cause.holds or cause.since is None or one.since is None:
        return False
    return cause.since.mono <= one.since.mono + TOGETHER_S


def held_back(alarm: Alarm, attended: Attended | None) -> bool:
    """Whether the attended mode holds this alarm back. What takes the air, or is an emergency, always calls."""
    rule = alarm.rule
    return (
        attended is not None
        and rule.attended == "hold"
        and not rule.emergency
        and not rule.takes
        and rule.priority is not Priority.CRITICAL
    )


def breaks_through(alarm: Alarm, said: Priority) -> bool:
    """Whether a consequence calls although its cause has called: an emergency, or worse than what was said."""
    return alarm.rule.emergency or alarm.rule.priority.rank < said.rank


def consequences(memory: Mapping[str, AlarmMemory], known: Mapping[str, Alarm]) -> dict[str, list[Alarm]]:
    """By id of the cause: the alarms it holds back now, the most urgent first."""
    found: dict[str, list[Alarm]] = {}
    for key, one in memory.items():
        if one.state is _SUPPRESSED and one.active and one.reason in known and key in known:
            found.setdefault(one.reason, []).append(known[key])
    for held in found.values():
        held.sort(key=lambda alarm: alarm.rule.priority.rank)
    return found


def repeat_s(alarm: Alarm, held: Sequence[Alarm]) -> float | None:
    """How often an unanswered alarm calls again: as often as the most pressing of all it stands for."""
    return min((one.rule.repeat_s for one in (alarm, *held) if one.rule.repeat_s is not None), default=None)


def ack_expires_s(alarm: Alarm, held: Sequence[Alarm]) -> float | None:
    """How long an answer holds while the cause does: as short as for the most pressing of all it stands for."""
    own = (one.rule.ack_expires_s for one in (alarm, *held))
    return min((one for one in own if one is not None), default=None)
