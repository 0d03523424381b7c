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


class Happening(StrEnum):
    """The kinds of alarm event."""

    RAISED = "raised"
    REPEATED = "repeated"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned"  # the condition went away before anyone acknowledged
    LATCHED = "latched"  # the condition went away, a person must still reset
    CLEARED = "cleared"  # back to normal
    RESET = "reset"
    REFUSED = "refused"  # a command that the present state does not allow


@dataclass(frozen=True, slots=True)
class AlarmEvent:
    """One step of one alarm.

    alarm: "rule@point"; number: the short number people answer with, the same from raised to cleared;
    value: the reading that decided, None for a digital or missing one; limit: the limit in force in the
    quantity's unit; began: when the condition began (occurred); at: when the engine saw it (detected);
    by: who acknowledged, "" otherwise; detail: reason of a failed reading, or why a command was refused.
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


class Order(StrEnum):
    """What a person may tell an alarm."""

    ACKNOWLEDGE = "acknowledge"
    RESET = "reset"


@dataclass(frozen=True, slots=True)
class Command:
    """A person's order. number None means every alarm the order fits. It acts on activations before `at`."""

    order: Order
    number: int | None
    by: str
    at: Moment
