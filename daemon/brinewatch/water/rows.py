"""One row of a file after another: its cells read, its results appended, the reason why some are empty."""

from __future__ import annotations

import math
import os
import re
from collections.abc import Sequence
from dataclasses import dataclass, field

from brinewatch.water.columns import SUFFIX, Columns, Way
from brinewatch.water.reckon import notes, reckon, uncertainties_of, with_defaults
from brinewatch.water.records import Record, joined

_NUMBER = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?", re.ASCII)


@dataclass(slots=True)
class Tally:
    """What to say when all rows are done."""

    rows: int = 0
    with_reason: int = 0
    notes: dict[str, tuple[int, str]] = field(default_factory=dict)

    def note(self, kind: str, example: str) -> None:
        """Count one more row that this is to be said of."""
        count, first = self.notes.get(kind, (0, example))
        self.notes[kind] = (count + 1, first)


class Rows:
    """Works on the rows of one file."""

    def __init__(self, columns: Columns) -> None:
        self._job, self._columns = columns.job, columns
        self.tally = Tally()

    def row(self, record: Record) -> str:
        """The record with its results, as text."""
        self.tally.rows += 1
        cells = list(record.cells)
        kept, reasons = _squared(cells, len(self._columns.columns), record.text)
        if record.broken:
            reasons.insert(0, record.broken)
        results = [""] * (2 * len(self._columns.names))
        if not reasons:
            self._reckon(cells, results, reasons)
        unique = list(dict.fromkeys(reasons))
        self.tally.with_reason += bool(unique)
        return f"{kept},{joined([*results, '; '.join(unique)])}{record.end or os.linesep}"

    def _reckon(self, cells: Sequence[str], results: list[str], reasons: list[str]) -> None:
        said: set[str] = set()
        for place, (output, ways) in enumerate(self._columns.ways.items()):
            if not ways:
                reasons.append(self._columns.lacking[output])
                continue
            way = next((w for w in ways if all(cells[self._columns.inputs[k]].strip() for k in w.needed)), ways[0])
            values, uncertainties, problems = self._read(way, cells)
            if problems:
                reasons += problems
                continue
            start, spread = with_defaults(way.works, values, uncertainties)
            result = reckon(way.works, start, spread)
            if result.value is None:
                reasons.append(result.reason)
                continue
            results[2 * place] = repr(result.value)
            if result.uncertainty is None:
                reasons.append(f"uncertainty of {output} is unknown")
            else:
                results[2 * place + 1] = repr(result.uncertainty)
            for note in notes(self._job.command, way.works, start, self._job.choices):
                if note.kind not in said:
                    said.add(note.kind)
                    self.tally.note(note.kind, note.text)

    def _read(self, way: Way, cells: Sequence[str]) -> tuple[dict[str, float], dict[str, float | None], list[str]]:
        """Values and uncertainties a way starts from, and what is wrong with the cells."""
        values, problems = dict(self._job.constants), []
        for key in [*way.needed, *way.optional]:
            text = cells[self._columns.inputs[key]].strip()
            if not text and key in way.optional:
                continue
            problem = _problem(key, text)
            if problem:
                problems.append(problem)
            else:
                values[key] = float(text)
        uncertainties: dict[str, float | None] = dict(uncertainties_of(values, self._job.accuracies))
        for key in values.keys() & self._columns.spreads.keys():
            uncertainties[key] = self._spread(key, cells, problems, uncertainties[key])
        return values, uncertainties, problems

    def _spread(self, key: str, cells: Sequence[str], problems: list[str], otherwise: float | None) -> float | None:
        """The row's own uncertainty of an input, `otherwise` when that cell is empty."""
        text = cells[self._columns.spreads[key]].strip()
        if not text:
            return otherwise
        problem = _problem(key + SUFFIX, text) or ("" if float(text) >= 0.0 else f"{key}{SUFFIX} is negative")
        if problem:
            problems.append(problem)
            return None
        return float(text)


def _problem(key: str, text: str) -> str:
    """What is wrong with a cell, "" when it is a number."""
    if not text:
        return f"{key} is empty"
    if _NUMBER.fullmatch(text) is None:
        return f"{key} = {text[:40]!r} is not a number"
    return "" if math.isfinite(float(text)) else f"{key} = {text[:40]} is too large to be a number"


def _squared(cells: list[str], width: int, text: str) -> tuple[str, list[str]]:
    """The row's text brought to the header's width, and the reason why nothing is worked out from it, if any."""
    if len(cells) == width:
        return text, []
    found = f"the row has {len(cells)} cells, the header {width}"
    if len(cells) < width:
        return text + "," * (width - len(cells)), [found]
    surplus = cells[width:]
    kept = joined(cells[:width])
    if any(cell.strip() for cell in surplus):
        return kept, [f"{found}; beyond it: {joined(surplus)}"]
    return kept, []
