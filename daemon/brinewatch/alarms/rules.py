"""What a rule is, and what its condition says of a reading: true, false, or that it cannot be told.

Limits are in the quantity's own unit. A condition that cannot be told holds the alarm as it is; the data alarm of
the same point is what calls then.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from brinewatch.alarms.events import Priority
from brinewatch.moment import Moment
from brinewatch.readings import Flag, Reading

ANY = "any"  # a rule about data, for every quantity


@dataclass(frozen=True, slots=True)
class Below:
    """The value is under the limit; once so, until it is the deadband above it again."""

    limit: float


@dataclass(frozen=True, slots=True)
class Above:
    """The value is over the limit; once so, until it is the deadband below it again."""

    limit: float


@dataclass(frozen=True, slots=True)
class Is:
    """A quantity of several states is in this one (0, 1, 2 ...)."""

    state: int


@dataclass(frozen=True, slots=True)
class Stale:
    """There is no trustworthy value: missing, failed, not evaluated, or older than so many seconds."""

    seconds: float


@dataclass(frozen=True, slots=True)
class Failed:
    """The reading itself says that it is wrong (QARTOD flag 4)."""


@dataclass(frozen=True, slots=True)
class Broken:
    """A rule of this point could not be judged. Built in; no rule file can ask for it."""


Condition = Below | Above | Is | Stale | Failed | Broken

# how often an unacknowledged alarm calls again when its rule does not say
REPEAT_S: dict[Priority, float | None] = {
    Priority.CRITICAL: 600.0,
    Priority.HIGH: 1800.0,
    Priority.MEDIUM: None,
    Priority.LOW: None,
}


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule as the person who keeps the animals reads it.

    quantity: key of the table of quantities, or "any" for a rule about data; unit: the quantity's own, which limit
    and deadband are in; short: at most 20 characters of the GSM alphabet; repeat_s: None never calls again;
    ack_expires_s: an acknowledged alarm whose cause still holds calls again after this; time_available: until harm,
    in words; source: key in the list of sources; standing: "published", "derived" or "judgement";
    stages: the only stages the rule is for, () for all.
    """

    key: str
    title: str
    short: str
    quantity: str
    condition: Condition
    priority: Priority
    why: str
    consequence: str
    todo: tuple[str, ...]
    time_available: str
    source: str
    standing: str
    unit: str = ""
    deadband: float = 0.0
    on_delay_s: float = 0.0
    off_delay_s: float = 0.0
    repeat_s: float | None = None
    ack_expires_s: float | None = None
    latching: bool = False
    caution: str = ""
    stages: tuple[str, ...] = ()

    @property
    def limit(self) -> float | None:
        return self.condition.limit if isinstance(self.condition, (Below, Above)) else None

    @property
    def about_data(self) -> bool:
        """Whether the rule judges the data and not the water."""
        return isinstance(self.condition, (Stale, Failed, Broken))


@dataclass(frozen=True, slots=True)
class Alarm:
    """A rule bound to one measuring point.

    max_age_s: a reading older than this is not judged; note: why the shed file changed the rule here.
    """

    rule: Rule
    point: str
    quantity: str
    max_age_s: float
    note: str = ""
    id: str = field(init=False)  # "rule@point"

    def __post_init__(self) -> None:
        object.__setattr__(self, "id", f"{self.rule.key}@{self.point}")

    @property
    def limit(self) -> float | None:
        return self.rule.limit


def age_s(reading: Reading, now: Moment) -> float:
    """How old the value is: since its stamp, and its oldest input before that."""
    return max(0.0, now.mono - reading.at.mono) + reading.age_s


def trusted(reading: Reading | None, max_age_s: float, now: Moment) -> bool:
    """Whether a limit may be judged by it (QARTOD flag 1 or 3, a number, and not too old)."""
    return (
        reading is not None
        and reading.usable
        and reading.value is not None
        and math.isfinite(reading.value)
        and age_s(reading, now) <= max_age_s
    )


def judge(alarm: Alarm, reading: Reading | None, holding: bool, now: Moment) -> bool | None:
    """What the condition says now; None when it cannot be told. `holding`: whether it held before (deadband)."""
    condition, band = alarm.rule.condition, alarm.rule.deadband if holding else 0.0
    known = trusted(reading, alarm.max_age_s, now)
    if isinstance(condition, Stale):
        return not known
    if reading is None:
        return None
    if isinstance(condition, Failed):
        return True if reading.flag is Flag.FAIL else False if known else None
    if not known or reading.value is None:
        return None
    match condition:
        case Below(limit):
            return reading.value < limit + band
        case Above(limit):
            return reading.value > limit - band
        case Is(state):
            return round(reading.value) == state
    raise TypeError(f"{type(condition).__name__} is no condition of a reading")
