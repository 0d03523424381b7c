"""How urgent an alarm is: what is lost if nobody acts, against how long there is to act.

After the manner of IEC 60601-1-8 table 1 (result of no response against onset of harm) with a fourth column, since
a shed has things that take weeks. The time is that of the fullest and warmest tank the rule can be about.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

from brinewatch.alarms.events import Priority

Harm = Literal["stock", "part", "slow"]
HarmWithin = Literal["hour", "hours", "days", "weeks"]

HARMS: Mapping[str, str] = {
    "stock": "all animals of a tank or of the shed, or the call that would save them",
    "part": "some of the animals, or something they live by: a filter, a blower, the water on the floor",
    "slow": "growth, condition, comfort, a record: what can be made good",
}
WITHIN: Mapping[str, str] = {
    "hour": "an hour or less",
    "hours": "within a day",
    "days": "within a week or so",
    "weeks": "later",
}

_C, _H, _M, _L = Priority.CRITICAL, Priority.HIGH, Priority.MEDIUM, Priority.LOW
MATRIX: Mapping[str, Mapping[str, Priority]] = {
    "stock": {"hour": _C, "hours": _H, "days": _M, "weeks": _L},
    "part": {"hour": _H, "hours": _M, "days": _M, "weeks": _L},
    "slow": {"hour": _M, "hours": _L, "days": _L, "weeks": _L},
}


def priority_of(harm: str, within: str) -> Priority:
    """The priority of a rule that keeps off this harm. KeyError for an unknown harm or time."""
    return MATRIX[harm][within]
