"""What every condition is: it says of the readings that it holds, that it does not, or that it cannot be told.

Each condition is a small value with everything there is to know about it: how it is judged, what it looks up, when
time alone can change it, what an hour's summary proves about it, and how it is said and written. Limits are in the
quantity's own unit. What cannot be told holds the alarm as it is; the data alarm of the same point calls then.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any, ClassVar, Protocol

from brinewatch.alarms.features import Feature
from brinewatch.alarms.summary import Hours
from brinewatch.alarms.view import View
from brinewatch.quantities import QUANTITIES

# a hair past the instant: at its very age limit a reading is still judged
HAIR_S = 1e-3

# a value of a quantity as people are shown it; amount: a difference, which has no zero point
Show = Callable[[str, float, bool], str]


def plain(quantity: str, value: float, amount: bool = False) -> str:
    """The value in the quantity's own unit."""
    return f"{value:.6g} {QUANTITIES[quantity].unit}"


@dataclass(frozen=True, slots=True)
class Where:
    """Another point. asked: as the rule says it, a point or a quantity of the nearest stage; point: which that is
    in this shed, "" before a rule is bound; max_age_s: a reading older than this is not judged."""

    asked: str
    point: str = ""
    max_age_s: float = 0.0


class Binding(Protocol):
    """Where a rule is bound: its point, and what else there is in the shed."""

    @property
    def point(self) -> str: ...

    @property
    def max_age_s(self) -> float: ...

    @property
    def every_s(self) -> float | None:
        """How often the point is read, None when that is not fixed (entered by hand)."""
        ...

    def find(self, asked: str) -> Where | None:
        """The point meant; None when the shed has none."""
        ...

    def at(self, where: Where) -> Binding: ...

    def fault(self, key: str, value: object, expected: str) -> None: ...


class Condition:
    """The base of all conditions. A subclass need only say how it differs."""

    __slots__ = ()
    head: ClassVar[str]  # its key in a rule file, and of the number a shed may change as `limit`
    about_data: ClassVar[bool] = False
    banded: ClassVar[bool] = False  # whether a deadband means something

    @property
    def name(self) -> str:
        """Its key in a rule file."""
        return self.head

    @property
    def like(self) -> tuple[object, ...]:
        """Rules alike in this stand in for one another: the more specific is bound."""
        return (self.name,)

    @property
    def grade(self) -> tuple[tuple[object, ...], float] | None:
        """What it can be compared with, and how far gone things are when it holds: more is worse."""
        return None

    @property
    def wait_s(self) -> float:
        """What `unread_s` may come to."""
        return 0.0

    def judge(self, view: View, holding: bool) -> bool | None:
        """What it says now; None when it cannot be told. holding: whether it held before (deadband)."""
        raise NotImplementedError

    def proves(self, hours: Hours, holding: bool | None = None) -> bool | None:
        """What is certain of a whole hour: False that it is at no instant true, True that it is at none false.

        It may be impossible to tell at any instant all the same. None when the summaries prove nothing. holding:
        whether it held when the hour began, None when either is possible.
        """
        return None

    def settled(self, hours: Hours) -> bool:
        """Whether nothing it remembers between two scans can change in the hour."""
        return True

    def inputs(self) -> tuple[Where, ...]:
        """The points it reads besides that of its alarm, with the age to trust."""
        return ()

    def features(self) -> tuple[Feature, ...]:
        """What it looks up besides readings."""
        return ()

    def reach_s(self) -> float:
        """How far back the readings reach that it depends on."""
        return 0.0

    def bound(self, binding: Binding) -> Condition | None:
        """The same at its place in a shed; None when the shed lacks what it needs."""
        return self

    def dues(self, view: View) -> Iterable[float]:
        """Monotonic seconds at which time alone may change what it says, besides its own reading's age."""
        return ()

    def unread_s(self, view: View) -> float:
        """How much longer than its delay it must hold when there has never been a reading."""
        return 0.0

    def words(self, quantity: str, show: Show = plain) -> str:
        """What it asks, in plain words."""
        raise NotImplementedError

    def told(self, view: View, quantity: str, show: Show = plain) -> str:
        """What it found, in a few words; "" when the value itself says it."""
        return ""

    def spelled(self, quantity: str) -> dict[str, Any]:
        """Its table in a rule file, in the quantity's own unit."""
        raise NotImplementedError
