"""What is due on the round, and what is overdue."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from brinewatch.husbandry.settings import GRACE
from brinewatch.moment import span_text
from brinewatch.quantities import QUANTITIES
from brinewatch.readings import quantity_of, stage_of

# due a little before its time has passed: a round at eight is not put off to the day after by an entry at nine
_EARLY = 0.8
_NAMED = 6


@dataclass(frozen=True, slots=True)
class Asked:
    """One thing asked on the round. every_s: how often; last_utc: when it was last measured, None for never;
    owed: whether the shed file asks for it, so that people are told when it is overdue."""

    point: str
    every_s: float
    last_utc: float | None
    owed: bool

    def age_s(self, utc: float) -> float | None:
        return None if self.last_utc is None else max(0.0, utc - self.last_utc)

    def due(self, utc: float) -> bool:
        age = self.age_s(utc)
        return age is None or age >= _EARLY * self.every_s

    def overdue(self, utc: float) -> bool:
        age = self.age_s(utc)
        return self.owed and (age is None or age > GRACE * self.every_s)

    def rank(self, utc: float) -> tuple[int, float]:
        """For sorting: what is overdue first, then what is due, then the rest, the latest first."""
        age = self.age_s(utc)
        share = float("inf") if age is None else age / self.every_s
        return (0 if self.overdue(utc) else 1 if self.due(utc) else 2), -share


def overdue_words(asked: Iterable[Asked], utc: float, stage_name: Callable[[str], str]) -> str:
    """What nobody has entered in time, for people; "" when nothing is overdue."""
    late: Sequence[Asked] = sorted((one for one in asked if one.overdue(utc)), key=lambda one: one.rank(utc))
    parts = []
    for one in late[:_NAMED]:
        age = one.age_s(utc)
        since = "never yet" if age is None else f"last {span_text(age)} ago"
        parts.append(f"{QUANTITIES[quantity_of(one.point)].name} at {stage_name(stage_of(one.point))} ({since})")
    if len(late) > _NAMED:
        parts.append(f"and {len(late) - _NAMED} more")
    return f"not entered: {', '.join(parts)}" if parts else ""
