"""What a rule is, bound to a point or not, and what it says of the readings: true, false, or nothing certain.

A condition that cannot be told holds the alarm as it is; the data alarm of the same point is what calls then.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from brinewatch.alarms.combined import All, Either, Not, Part
from brinewatch.alarms.condition import Condition, Show, Where, plain
from brinewatch.alarms.conditions import Above, Below, Broken, Differs, Failed, Is, Stale
from brinewatch.alarms.events import Priority
from brinewatch.alarms.only import Only
from brinewatch.alarms.stretches import Flat, Foreseen, Often, Overdue, Rate
from brinewatch.alarms.summary import Hours
from brinewatch.alarms.view import View, age_s, trusted
from brinewatch.moment import span_text

__all__ = [
    "ANY", "REPEAT_S", "Above", "Alarm", "All", "Below", "Broken", "Condition", "Differs", "Either", "Failed",
    "Flat", "Foreseen", "Is", "Not", "Often", "Only", "Overdue", "Part", "Rate", "Rule", "Stale", "View", "Where",
    "age_s", "dues", "judge", "look", "proves", "told", "trusted", "words",
]  # fmt: skip

ANY = "any"  # a rule about data, for every quantity

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
    stages: the only stages the rule is for, () for all; takes: what is lost while it holds ("power", "air"); needs:
    what its quantity hangs on, so that losing that explains it; emergency: calls even when its cause has called;
    attended: "hold" when it is not to call while somebody works in the shed, else "call"; only: when it counts,
    None for always.
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
    takes: str = ""
    needs: tuple[str, ...] = ()
    emergency: bool = False
    attended: str = "call"
    only: Only | None = None

    @property
    def limit(self) -> float | None:
        """The value that is not to be crossed, None where there is no such one."""
        return self.condition.limit if isinstance(self.condition, (Below, Above, Foreseen)) else None

    @property
    def side(self) -> str:
        """min or max, as the limit is one or the other; "" without a limit."""
        match self.condition:
            case Below() | Foreseen(side="below"):
                return "min"
            case Above() | Foreseen(side="above"):
                return "max"
        return ""

    @property
    def about_data(self) -> bool:
        """Whether the rule judges the data and not the water."""
        return self.condition.about_data


@dataclass(frozen=True, slots=True)
class Alarm:
    """A rule bound to one measuring point.

    max_age_s: a reading older than this is not judged; note: why the shed file changed the rule here; causes: ids
    of the alarms that explain it while they hold, the one furthest up first.
    """

    rule: Rule
    point: str
    quantity: str
    max_age_s: float
    note: str = ""
    causes: tuple[str, ...] = ()
    id: str = field(init=False)  # "rule@point"

    def __post_init__(self) -> None:
        object.__setattr__(self, "id", f"{self.rule.key}@{self.point}")

    @property
    def limit(self) -> float | None:
        return self.rule.limit


def judge(alarm: Alarm, view: View, holding: bool) -> bool | None:
    """What the alarm's condition says now; None when it cannot be told. Turns the view to the alarm's point.

    holding: whether it held before (deadband). Outside the rule's own hours it counts as gone, so a running alarm
    ends there as any does, after its off-delay; the parts of a combination are judged all the same.
    """
    rule = alarm.rule
    look(alarm, view)
    said = rule.condition.judge(view, holding)
    if rule.only is not None and not rule.only.inside(view):
        return False
    return said


def look(alarm: Alarm, view: View) -> None:
    """Turn the view to the alarm's point."""
    view.point, view.max_age_s, view.band = alarm.point, alarm.max_age_s, alarm.rule.deadband


def dues(alarm: Alarm, view: View) -> Iterator[float]:
    """Monotonic seconds at which time alone may change what `judge` says, besides its own reading's age.

    Turns the view to the alarm's point.
    """
    look(alarm, view)
    yield from alarm.rule.condition.dues(view)
    if alarm.rule.only is not None:
        yield from alarm.rule.only.dues(view)


def proves(alarm: Alarm, hours: Hours, holding: bool) -> bool | None:
    """What is certain of `judge` for a whole hour that begins with the alarm settled (no delay running).

    False: it is at no instant true; True: at none false; and nothing it remembers can change. None: step it.
    """
    rule = alarm.rule
    hours.point, hours.max_age_s, hours.band = alarm.point, alarm.max_age_s, rule.deadband
    if not rule.condition.settled(hours):
        return None
    inside = True if rule.only is None else rule.only.proves(hours)
    if inside is False:
        return False
    said = rule.condition.proves(hours, holding)
    return said if inside or said is False else None


def words(alarm: Alarm, show: Show = plain) -> str:
    """What the alarm's rule asks, in plain words, with the numbers in force here."""
    rule = alarm.rule
    if isinstance(rule.condition, Stale):
        said = f"no trustworthy value, or older than {span_text(alarm.max_age_s)}"
    else:
        said = rule.condition.words(alarm.quantity, show)
    return f"{said}; only {rule.only.words()}" if rule.only is not None else said


def told(alarm: Alarm, view: View, show: Show = plain) -> str:
    """What the alarm's condition found, in a few words; "" when the value itself says it."""
    look(alarm, view)
    return alarm.rule.condition.told(view, alarm.quantity, show)
