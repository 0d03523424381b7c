"""What came, or would come, of an import: counted as it goes, told at the end."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, tzinfo
from pathlib import Path
from typing import Any

from brinewatch.importing.mapping import ImportSettings, Mapped
from brinewatch.importing.rows import CELL, ROW, TWICE, Problem, Problems, Survey
from brinewatch.importing.there import State
from brinewatch.moment import span_text, utc_text
from brinewatch.quantities import QUANTITIES
from brinewatch.readings import Flag, Reading, quantity_of

_LISTED = 1000
_FLAGS = (Flag.PASS, Flag.NOT_EVALUATED, Flag.SUSPECT, Flag.FAIL, Flag.MISSING)


@dataclass
class PointTally:
    """One point. low, high: of its usable readings, in the quantity's own unit."""

    flags: Counter[Flag] = field(default_factory=Counter)
    states: Counter[State] = field(default_factory=Counter)
    low: float | None = None
    high: float | None = None

    def add(self, one: Reading, state: State) -> None:
        self.flags[one.flag] += 1
        self.states[state] += 1
        if one.usable and one.value is not None:
            self.low = one.value if self.low is None else min(self.low, one.value)
            self.high = one.value if self.high is None else max(self.high, one.value)


@dataclass
class Tally:
    """One import. written: readings the store took; written is None in a dry run."""

    file: Path
    sha256: str
    settings: ImportSettings
    columns: Sequence[Mapped]
    survey: Survey
    problems: Problems
    zone: tzinfo
    points: dict[str, PointTally] = field(default_factory=dict)
    conflicts: list[Reading] = field(default_factory=list)
    without: Mapping[str, int] = field(default_factory=dict)
    repeated: int = 0
    handed: int = 0
    written: int | None = None
    stopped: bool = False

    def add(self, one: Reading, state: State) -> None:
        self.points.setdefault(one.point, PointTally()).add(one, state)
        if state is State.OTHER and self._measured(one.point) and len(self.conflicts) < _LISTED:
            self.conflicts.append(one)

    def _measured(self, point: str) -> bool:
        return any(column.point == point for column in self.columns)

    def count(self, state: State, *, measured: bool | None = None) -> int:
        """Readings in a state; measured: only those that stand in the file, or only those worked out."""
        return sum(
            one.states[state]
            for point, one in self.points.items()
            if measured is None or measured == self._measured(point)
        )

    @property
    def left_out(self) -> int:
        """Rows, cells and readings of the file that are not in the history as the file has them."""
        return sum(self.problems.counts.values()) + self.count(State.OTHER, measured=True)

    # -- for people ---------------------------------------------------------------------------------------------

    def head(self) -> list[str]:
        """The file in some lines."""
        one = self.survey
        lines = [
            f"{self.file.name}: {one.rows} rows with a time, from {self._when(one.first)} to {self._when(one.last)}"
            + (f", mostly every {span_text(one.every_s)}" if one.every_s else "")
            + ("." if one.ordered else "; not in order of time, and put in order."),
        ]
        if one.gap_count:
            longest = ", ".join(f"{self._when(a)} to {self._when(b)} ({span_text(b - a)})" for a, b in one.gaps)
            more = " the longest" if one.gap_count > len(one.gaps) else ""
            lines.append(f"{one.gap_count} gaps;{more} {longest}." if more else f"{one.gap_count} gaps: {longest}.")
        if self.repeated:
            lines.append(f"{self.repeated} cells say what another row of the same instant says.")
        for kind, count in self.problems.counts.items():
            lines.append(f"{count} {kind}.")
        return lines

    def rows(self) -> list[dict[str, Any]]:
        """A row for each point."""
        headings = {column.point: column.settings.column for column in self.columns}
        found = []
        for point, one in self.points.items():
            quantity = QUANTITIES[quantity_of(point)]
            found.append(
                {
                    "point": point, "column": headings.get(point, "(worked out)"), "unit": quantity.unit,
                    "lowest": "" if one.low is None else f"{one.low:.{quantity.decimals}f}",
                    "highest": "" if one.high is None else f"{one.high:.{quantity.decimals}f}",
                    **{f"flag {int(flag)}": one.flags[flag] for flag in _FLAGS},
                    **{state.value: one.states[state] for state in State},
                }
            )  # fmt: skip
        return found

    def foot(self, most: int) -> list[str]:
        """What was not taken, and why."""
        lines = [f"{point}: {count} not worked out, for what it needs is neither in the file nor in the history "
                 "before. Import that first, and it will be." for point, count in self.without.items()]  # fmt: skip
        if worked := self.count(State.OTHER, measured=False):
            lines.append(f"{worked} readings were worked out otherwise before; those stand.")
        problems = self.problems.first(most)
        if problems:
            lines.append("What cannot be used:" if len(problems) == sum(self.problems.counts.values())
                         else f"What cannot be used, the first {len(problems)}:")  # fmt: skip
        lines += [f"  line {_place(one)}: {one.reason}" for one in problems]
        conflicts = self.count(State.OTHER, measured=True)
        if conflicts:
            lines.append(f"{conflicts} readings of the file say otherwise than the history, which stands:")
            for one in self.conflicts[:most]:
                value = "no value" if one.value is None else f"{one.value:g} {QUANTITIES[one.quantity].unit}"
                lines.append(f"  {one.point}, {self._when(one.at.utc)}: {value} in the file")
        return lines

    def _when(self, utc: float) -> str:
        return f"{datetime.fromtimestamp(utc, self.zone):%Y-%m-%d %H:%M:%S}"

    # -- for programs -------------------------------------------------------------------------------------------

    def as_json(self) -> dict[str, Any]:
        """All of it, times in UTC."""
        one = self.survey
        return {
            "file": self.file.name, "sha256": self.sha256, "name": self.settings.name,
            "written": self.written, "stopped": self.stopped,
            "rows": one.rows, "first": utc_text(one.first), "last": utc_text(one.last), "every_s": one.every_s,
            "ordered": one.ordered, "gaps": one.gap_count,
            "longest_gaps": [[utc_text(a), utc_text(b)] for a, b in one.gaps], "repeated_cells": self.repeated,
            "rows_refused": self.problems.counts[ROW], "cells_bad": self.problems.counts[CELL],
            "rows_otherwise": self.problems.counts[TWICE],
            "new": self.count(State.NEW), "there": self.count(State.SAME),
            "conflicts": self.count(State.OTHER, measured=True),
            "worked_out_otherwise": self.count(State.OTHER, measured=False),
            "not_worked_out": dict(self.without),
            "points": {
                point: {
                    "flags": {str(int(flag)): tally.flags[flag] for flag in _FLAGS},
                    "low": tally.low, "high": tally.high,
                    "new": tally.states[State.NEW], "there": tally.states[State.SAME],
                    "conflicts": tally.states[State.OTHER],
                }
                for point, tally in self.points.items()
            },
            "problems": [problem_row(problem) for problem in self.problems.first(_LISTED)],
        }  # fmt: skip


def problem_row(one: Problem) -> dict[str, Any]:
    """A problem for programs."""
    return {"line": one.line, "column": one.column, "reason": one.reason}


def _place(one: Problem) -> str:
    return f"{one.line}, {one.column}" if one.column else str(one.line)
