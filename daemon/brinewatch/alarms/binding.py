"""Where a rule finds what it reads besides its own point: the same stage, or the nearest one along the path."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from brinewatch.alarms.condition import Where
from brinewatch.alarms.links import Place
from brinewatch.errors import Fault
from brinewatch.readings import quantity_of, stage_of

# a point is trusted until it has missed two scans of three
_SCANS = 3


@dataclass(frozen=True)
class Shed:
    """The points of a shed. max_ages: seconds until a reading of each is too old; fixed: those that are read by the
    clock and not by hand; stops: where each stage stands."""

    points: Mapping[str, str]
    max_ages: Mapping[str, float]
    fixed: frozenset[str]
    stops: Mapping[str, Place]

    def nearest(self, quantity: str, point: str) -> str | None:
        """The point of a quantity nearest to another: of its stage, else along its path, upstream first.

        Of several elsewhere the first in the order of the shed. Never the point itself.
        """
        found = [one for one, its in self.points.items() if its == quantity and one != point]
        here = self.stops.get(stage_of(point))
        order = {one: place for place, one in enumerate(self.points)}

        def distance(one: str) -> tuple[int, int, int]:
            there = self.stops.get(stage_of(one))
            if stage_of(one) == stage_of(point):
                return 0, 0, 0
            if here is None or there is None or here.path != there.path:
                return 2, 0, order[one]
            return 1, abs(there.number - here.number), there.number

        return min(found, key=distance, default=None)


@dataclass
class Bound:
    """One rule at one point. faults: what cannot be, found while its condition is bound."""

    shed: Shed
    point: str
    file: str
    rule: str
    faults: list[Fault]

    @property
    def max_age_s(self) -> float:
        return self.shed.max_ages[self.point]

    @property
    def every_s(self) -> float | None:
        return self.max_age_s / _SCANS if self.point in self.shed.fixed else None

    def find(self, asked: str) -> Where | None:
        if "." in asked:
            if asked not in self.shed.points:
                stages = ", ".join(one for one, its in self.shed.points.items() if its == quantity_of(asked))
                self.fault("when", asked, f"a point of the shed{f', such as {stages}' if stages else ''}")
                return None
            point: str | None = asked
        else:
            point = self.shed.nearest(asked, self.point)
        return None if point is None else Where(asked, point, self.shed.max_ages[point])

    def at(self, where: Where) -> Bound:
        return replace(self, point=where.point)

    def fault(self, key: str, value: object, expected: str) -> None:
        key = key if key == "when" else f"when.{key}"
        self.faults.append(Fault(self.file, f"{self.rule}.{key} at {self.point}", value, expected))
