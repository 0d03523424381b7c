"""Several conditions as one: all, any, not, each part with its own point and delay.

Three-valued (Kleene): what cannot be told stays so unless the other parts decide without it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any, ClassVar

from brinewatch.alarms.condition import HAIR_S, Binding, Condition, Show, Where, plain
from brinewatch.alarms.conditions import Stale
from brinewatch.alarms.features import Feature
from brinewatch.alarms.summary import Hours
from brinewatch.alarms.view import View
from brinewatch.moment import span_text
from brinewatch.quantities import QUANTITIES


@dataclass(frozen=True, slots=True)
class Part:
    """One condition of several.

    path: its place in the rule, "2" or "2.1", which its memory is kept under; where: another point than the rule's,
    None for that; quantity: of that point; band: its deadband; for_s: how long it must hold before it counts.
    """

    condition: Condition
    path: str
    where: Where | None = None
    quantity: str = ""
    band: float = 0.0
    for_s: float = 0.0

    @property
    def remembers(self) -> bool:
        return self.for_s > 0 or self.band > 0 or self.condition.wait_s > 0

    def judge(self, view: View) -> bool | None:
        with _Turned(view, self):
            said = self.condition.judge(view, self.path in view.parts)
            if said is None or not self.remembers:
                return said
            if not said:
                view.ends(self.path)
                return False
            return view.now.mono >= view.begins(self.path).mono + self.for_s + self.condition.unread_s(view)

    def proves(self, hours: Hours) -> bool | None:
        here = self._hours(hours)
        said = self.condition.proves(here, self.path in hours.parts if self.remembers else None)
        delay = self.for_s + self.condition.wait_s
        if said and delay > 0:
            since = hours.parts.get(self.path)
            counts = since is not None and since.mono + hours.offset_s + delay <= hours.start
            return True if counts else None
        return said

    def settled(self, hours: Hours) -> bool:
        here = self._hours(hours)
        if not self.condition.settled(here):
            return False
        if not self.remembers:
            return True
        holds = self.path in hours.parts
        return self.condition.proves(here, holds) is holds

    def dues(self, view: View) -> list[float]:
        """Monotonic seconds at which time alone may change what it says."""
        with _Turned(view, self):
            found = list(self.condition.dues(view))
            reading, since = view.reading, view.parts.get(self.path)
            if reading is not None and reading.usable:
                found.append(reading.at.mono - reading.age_s + view.max_age_s + HAIR_S)
            if since is not None:
                found.append(since.mono + self.for_s + self.condition.unread_s(view))
        return found

    def _hours(self, hours: Hours) -> Hours:
        if self.where is None:
            return replace(hours, band=self.band)
        return replace(hours, point=self.where.point, max_age_s=self.where.max_age_s, band=self.band)

    def bound(self, binding: Binding) -> Part | None:
        """The same at its place in a shed; None when the shed lacks what it needs."""
        there, where = binding, self.where
        if where is not None:
            where = binding.find(where.asked)
            if where is None:
                return None
            there = binding.at(where)
        if isinstance(self.condition, Stale):
            # a part says itself how old is too old
            where = Where(where.asked if where else "", there.point, self.condition.seconds)
        condition = self.condition.bound(there)
        return None if condition is None else replace(self, condition=condition, where=where)

    def words(self, quantity: str, show: Show = plain) -> str:
        said = self.condition.words(self.quantity or quantity, show)
        asked = self.where.asked if self.where else ""
        if asked:
            said = f"{QUANTITIES[asked].name if asked in QUANTITIES else asked} {said}"
        return f"{said} for {span_text(self.for_s)}" if self.for_s else said

    def spelled(self, quantity: str) -> dict[str, Any]:
        made = self.condition.spelled(self.quantity or quantity)
        asked = self.where.asked if self.where else ""
        if asked:
            made["quantity" if asked in QUANTITIES else "point"] = asked
        if self.band:
            made["deadband"] = self.band
        if self.for_s:
            made["for_s"] = self.for_s
        if not isinstance(self.condition, Combined):
            made["unit"] = QUANTITIES[self.quantity or quantity].unit
        return made


class _Turned:
    """A view turned to the point of a part, and back again."""

    __slots__ = ("_before", "_part", "_view")

    def __init__(self, view: View, part: Part) -> None:
        self._view, self._part = view, part
        self._before = (view.point, view.max_age_s, view.band)

    def __enter__(self) -> None:
        view, where = self._view, self._part.where
        view.band = self._part.band
        if where is not None:
            view.point, view.max_age_s = where.point, where.max_age_s

    def __exit__(self, *_: object) -> None:
        self._view.point, self._view.max_age_s, self._view.band = self._before


@dataclass(frozen=True, slots=True)
class Combined(Condition):
    """Several parts. Every part is judged at every scan, so that its delay runs whatever the others say."""

    parts: tuple[Part, ...]
    joint: ClassVar[str] = ""

    @property
    def like(self) -> tuple[object, ...]:
        return self.head, self.parts

    def settled(self, hours: Hours) -> bool:
        return all(part.settled(hours) for part in self.parts)

    def inputs(self) -> tuple[Where, ...]:
        own = [part.where for part in self.parts if part.where is not None]
        return (*own, *(one for part in self.parts for one in part.condition.inputs()))

    def features(self) -> tuple[Feature, ...]:
        return tuple(one for part in self.parts for one in part.condition.features())

    def reach_s(self) -> float:
        return max(part.condition.reach_s() for part in self.parts)

    def dues(self, view: View) -> Iterator[float]:
        for part in self.parts:
            yield from part.dues(view)

    def words(self, quantity: str, show: Show = plain) -> str:
        return f" {self.joint} ".join(
            f"({part.words(quantity, show)})"
            if isinstance(part.condition, Combined)
            else part.words(quantity, show)
            for part in self.parts
        )

    def told(self, view: View, quantity: str, show: Show = plain) -> str:
        said = []
        for part in self.parts:
            with _Turned(view, part):
                said.append(part.condition.told(view, part.quantity or quantity, show))
        return ", ".join(one for one in said if one)

    def spelled(self, quantity: str) -> dict[str, Any]:
        return {self.head: [part.spelled(quantity) for part in self.parts]}


@dataclass(frozen=True, slots=True)
class All(Combined):
    """Every part holds."""

    head: ClassVar[str] = "all"
    joint: ClassVar[str] = "and"

    def judge(self, view: View, holding: bool) -> bool | None:
        return every([part.judge(view) for part in self.parts])

    def proves(self, hours: Hours, holding: bool | None = None) -> bool | None:
        return every([part.proves(hours) for part in self.parts])

    def bound(self, binding: Binding) -> Condition | None:
        parts = [part.bound(binding) for part in self.parts]
        found = tuple(part for part in parts if part is not None)
        # what needs all cannot do without one
        return replace(self, parts=found) if len(found) == len(parts) else None


@dataclass(frozen=True, slots=True)
class Either(Combined):
    """At least one part holds. Parts for probes the shed does not have are left out."""

    head: ClassVar[str] = "any"
    joint: ClassVar[str] = "or"

    def judge(self, view: View, holding: bool) -> bool | None:
        return some([part.judge(view) for part in self.parts])

    def proves(self, hours: Hours, holding: bool | None = None) -> bool | None:
        return some([part.proves(hours) for part in self.parts])

    def bound(self, binding: Binding) -> Condition | None:
        found = [bound for part in self.parts if (bound := part.bound(binding)) is not None]
        return replace(self, parts=tuple(found)) if found else None


@dataclass(frozen=True, slots=True)
class Not(Combined):
    """Its one part does not hold."""

    head: ClassVar[str] = "not"

    def judge(self, view: View, holding: bool) -> bool | None:
        said = self.parts[0].judge(view)
        return None if said is None else not said

    def proves(self, hours: Hours, holding: bool | None = None) -> bool | None:
        said = self.parts[0].proves(hours)
        return None if said is None else not said

    def bound(self, binding: Binding) -> Condition | None:
        found = self.parts[0].bound(binding)
        return None if found is None else replace(self, parts=(found,))

    def words(self, quantity: str, show: Show = plain) -> str:
        return f"not ({self.parts[0].words(quantity, show)})"

    def spelled(self, quantity: str) -> dict[str, Any]:
        return {self.head: self.parts[0].spelled(quantity)}


def every(said: Sequence[bool | None]) -> bool | None:
    """Kleene's and."""
    if any(one is False for one in said):
        return False
    return None if any(one is None for one in said) else True


def some(said: Sequence[bool | None]) -> bool | None:
    """Kleene's or."""
    if any(one for one in said):
        return True
    return None if any(one is None for one in said) else False
