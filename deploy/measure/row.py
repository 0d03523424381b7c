"""One figure of the bench: a value beside its reference, measured in the same run, and the goal for their ratio."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass
from typing import Any


@dataclass(frozen=True)
class Row:
    """One measured figure.

    name: of the measurement it belongs to; what: what was measured; value, unit: the figure; reference: the figure
    it is held against, in the same unit, None when the goal is absolute; against: what that reference is; goal: the
    highest allowed ratio value / reference (or value itself when there is no reference); None when there is none.
    """

    name: str
    what: str
    value: float
    unit: str
    reference: float | None = None
    against: str = ""
    goal: float | None = None

    @property
    def ratio(self) -> float | None:
        return None if self.reference is None else self.value / self.reference

    @property
    def met(self) -> bool | None:
        """Whether the goal is reached; None when there is none."""
        if self.goal is None:
            return None
        measured = self.value if self.ratio is None else self.ratio
        return measured <= self.goal

    def as_json(self) -> dict[str, Any]:
        return {**asdict(self), "ratio": self.ratio, "met": self.met}


Measure = Callable[[bool], Iterable[Row]]
