"""Calls, from what alarms said: when people would have been called, for how long, and what differs from before."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from brinewatch.alarms.events import AlarmEvent, Happening, Priority
from brinewatch.alarms.scan import CAME_BACK
from brinewatch.moment import Moment

# what ends a call: the condition is gone, or what was set aside no longer counts
_ENDS = (
    Happening.RETURNED,
    Happening.CLEARED,
    Happening.LATCHED,
    Happening.RESET,
    Happening.SHELVED,
    Happening.REMOVED,
)
# calls of one alarm that lie no further apart than this are the same one, sooner or later (judgement)
NEAR_S = 60.0


@dataclass(frozen=True, slots=True)
class Call:
    """One call for one alarm, from when it called until its condition was gone.

    began: when the condition began; over: None while it stands; again: how often it called again unanswered.
    """

    alarm: str
    title: str
    priority: Priority
    number: int
    began: Moment
    at: Moment
    over: Moment | None
    value: float | None
    limit: float | None
    again: int = 0

    def lasted_s(self, end: float) -> float:
        """How long, up to an instant while it still stands."""
        return (end if self.over is None else self.over.utc) - self.at.utc


def calls_of(events: Iterable[AlarmEvent]) -> list[Call]:
    """Every call in these events, in the order they were made. An alarm that came back calls anew."""
    made: list[Call] = []
    standing: dict[str, int] = {}
    for event in events:
        place = standing.get(event.alarm)
        came = event.happening is Happening.RAISED or (
            event.happening is Happening.REPEATED and (event.detail == CAME_BACK or place is None)
        )
        if came:
            standing[event.alarm] = len(made)
            made.append(
                Call(
                    event.alarm, event.title, event.priority, event.number, event.began, event.at, None,
                    event.value, event.limit,
                )
            )  # fmt: skip
        elif place is None:
            continue
        elif event.happening is Happening.REPEATED:
            made[place] = replace(made[place], again=made[place].again + 1)
        elif event.happening in _ENDS:
            del standing[event.alarm]
            made[place] = replace(made[place], over=event.at)
    return made


@dataclass(frozen=True, slots=True)
class Compared:
    """Calls held against those of before. moved: before and now, when either end lies elsewhere."""

    added: Sequence[Call]
    removed: Sequence[Call]
    moved: Sequence[tuple[Call, Call]]
    same: int


def compare(before: Sequence[Call], now: Sequence[Call], within_s: float) -> Compared:
    """What is new, what is gone, what has moved. within_s: ends no further apart than this have not moved."""
    earlier: dict[str, list[Call]] = {}
    for call in before:
        earlier.setdefault(call.alarm, []).append(call)
    added, moved, same, met = [], [], 0, set()
    for call in now:
        found = next((one for one in earlier.get(call.alarm, ()) if id(one) not in met and _meet(one, call)), None)
        if found is None:
            added.append(call)
            continue
        met.add(id(found))
        if _apart(found.at, call.at) <= within_s and _apart(found.over, call.over) <= within_s:
            same += 1
        else:
            moved.append((found, call))
    return Compared(added, [call for call in before if id(call) not in met], moved, same)


def _meet(one: Call, other: Call) -> bool:
    """Whether both stood at some instant, or nearly."""
    return one.at.utc <= _end(other) + NEAR_S and other.at.utc <= _end(one) + NEAR_S


def _end(call: Call) -> float:
    return float("inf") if call.over is None else call.over.utc


def _apart(one: Moment | None, other: Moment | None) -> float:
    if one is None or other is None:
        return 0.0 if one is other else float("inf")
    return abs(one.utc - other.utc)
