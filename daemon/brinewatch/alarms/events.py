"""What the alarm engine says and what it is told: plain values, kept in the journal word for word."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from brinewatch.moment import Moment


class Priority(StrEnum):
    """How soon a person must act, by consequence and time to respond (IEC 62682 / ISA-18.2 practice)."""

    CRITICAL = "critical"
    HIGH = "high"
    MEDIUM = "medium"
    LOW = "low"

    @property
    def rank(self) -> int:
        """0 is the most urgent."""
        return list(Priority).index(self)


class State(StrEnum):
    """Alarm states by ISA-18.2 / IEC 62682."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned to normal unacknowledged"
    LATCHED = "latched"
    SHELVED = "shelved"
    SUPPRESSED = "suppressed by design"
    OUT_OF_SERVICE = "out of service"

    @property
    def standing(self) -> bool:
        """Whether people still have to look at it."""
        return self in (State.UNACKNOWLEDGED, State.ACKNOWLEDGED, State.RETURNED, State.LATCHED)

    @property
    def aside(self) -> bool:
        """Whether it is still judged but does not call: by a person's word, or by design."""
        return self in (State.SHELVED, State.SUPPRESSED, State.OUT_OF_SERVICE)


class Happening(StrEnum):
    """The kinds of alarm event."""

    RAISED = "raised"
    REPEATED = "repeated"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned"  # the condition went away before anyone acknowledged
    LATCHED = "latched"  # the condition went away, a person must still reset
    CLEARED = "cleared"  # back to normal
    RESET = "reset"
    JOINED = "joined"  # its cause is known and has called: it does not call by itself
    RELEASED = "released"  # its cause is over, or it is over itself
    SHELVED = "shelved"
    UNSHELVED = "unshelved"
    REMOVED = "taken out of service"
    RESTORED = "put back into service"
    ATTENDED = "attended"  # somebody works in the shed: alarms of that work are held back
    LEFT = "left"
    REFUSED = "refused"  # a command that the present state does not allow

    @property
    def calls(self) -> bool:
        """Whether people are called for it."""
        return self in (Happening.RAISED, Happening.REPEATED)


@dataclass(frozen=True, slots=True)
class AlarmEvent:
    """One step of one alarm.

    alarm: "rule@point"; number: the short number people answer with, the same from raised to cleared;
    value: the reading that decided, None for a digital or missing one; limit: the limit in force in the
    quantity's unit; began: when the condition began (occurred); at: when the engine saw it (detected);
    by: who acknowledged, "" otherwise; detail: reason of a failed reading, or why a command was refused;
    incident: the same for a cause and all that followed from it, 0 for what belongs to none; also: short texts of
    the consequences known when a cause calls; until: when it wakes by itself (shelved) or must be back in service;
    version: of the rule as it was (see alarms/version.py), "" when it is no longer in the settings.
    """

    happening: Happening
    alarm: str
    number: int
    priority: Priority
    title: str
    point: str
    quantity: str
    state: State
    value: float | None
    limit: float | None
    began: Moment
    at: Moment
    by: str = ""
    detail: str = ""
    incident: int = 0
    also: tuple[str, ...] = ()
    until: Moment | None = None
    version: str = ""


class Order(StrEnum):
    """What a person may tell an alarm, or (the last two) the whole watch."""

    ACKNOWLEDGE = "acknowledge"
    RESET = "reset"
    SHELVE = "shelve"
    UNSHELVE = "unshelve"
    REMOVE = "take out of service"
    RESTORE = "put back into service"
    ATTEND = "attend"
    LEAVE = "leave"


@dataclass(frozen=True, slots=True)
class Command:
    """A person's order. It acts on activations before `at`.

    number: of the alarm, None for every alarm the order fits; alarm: its id instead, for one that has no number
    yet; for_s: how long (shelve, take out of service, attend); one_shot: shelved only until its condition goes;
    reason: why, in the person's words (asked for when an alarm is taken out of service).
    """

    order: Order
    number: int | None
    by: str
    at: Moment
    alarm: str = ""
    for_s: float | None = None
    one_shot: bool = False
    reason: str = ""
