"""Which results a file's columns allow, by what ways, and what is missing."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from brinewatch.errors import BrinewatchError
from brinewatch.water.given import INPUTS
from brinewatch.water.reckon import Accuracies, chain, plan, roots
from brinewatch.water.work import Choices, Command, Values, Work

SUFFIX = "_uncertainty"
REASON = "reason"


@dataclass(frozen=True, slots=True)
class Job:
    """What is asked of a file: the command, its choices, constants and accuracies given by option."""

    command: Command
    choices: Choices
    constants: Values
    accuracies: Accuracies


@dataclass(frozen=True, slots=True)
class Way:
    """One way to a result: its chain, the columns it reads, which of those may be empty."""

    works: list[Work]
    needed: list[str]
    optional: list[str]


class Columns:
    """One file's columns, and the results that can be appended to them."""

    def __init__(self, job: Job, name: str, columns: Sequence[str]) -> None:
        self.job = job
        self.columns = list(columns)
        self._works = list(job.command.works(job.choices))
        self.inputs = {key: self.columns.index(key) for key in job.command.columns if key in columns}
        self.spreads = {key: self.columns.index(key + SUFFIX) for key in self.inputs if key + SUFFIX in columns}
        self._known = {*self.inputs, *job.constants}
        self.ways: dict[str, list[Way]] = {}
        self.lacking: dict[str, str] = {}
        self.say: list[str] = []
        self._choose(name)
        self.names = self._free_names()
        self.new_columns = [c for name in self.names for c in (name, name + SUFFIX)] + [self._free(REASON)]
        self._say_assumptions()

    def _choose(self, name: str) -> None:
        """Which results are appended, and by what ways; a missing column that is needed is refused."""
        command = self.job.command
        wanted = [*command.appended, *(o for o, column in command.appended_if.items() if column in self._known)]
        wanted += [output for output in self._corrected() if output not in wanted]
        for output in wanted:
            ways = self._ways_to(output)
            if not ways and output == wanted[0]:
                raise BrinewatchError(self._missing_text(name, output), self._missing_hint(output))
            self.ways[output] = ways
            self.lacking[output] = f"no column {' or '.join(self._missing(output))}" if not ways else ""

    def _corrected(self) -> list[str]:
        """Columns that are put right by what is given, a probe's wrong salinity for example."""
        return [work.output for work in plan(self._works, self._known) if work.corrects]

    def _ways_to(self, output: str) -> list[Way]:
        """Every way from the columns there are, the preferred one first."""
        groups = [[key for key in group if key in self.inputs] for group in self.job.command.either]
        picks = [
            pick for group in groups if len(group) > 1 for pick in ([g for g in group if g != k] for k in group)
        ]
        found: list[Way] = []
        for left_out in picks or [[]]:
            given = self._known - set(left_out)
            if output not in self._corrected():
                given -= {output}
            todo = plan(self._works, given)
            target = next((work for work in reversed(todo) if work.output == output), None)
            if target is None:
                continue
            works = chain(todo, target)
            optional = [k for work in works for k in work.optional if k in self.inputs]
            needed = [key for key in roots(works, given) if key in self.inputs and key not in optional]
            if all(needed != way.needed for way in found):
                found.append(Way(works, needed, optional))
        return found

    def _missing(self, output: str) -> list[str]:
        """Columns whose lack stands in the way, one text for each way there could be."""
        defaults = {key for key, one in INPUTS.items() if one.default is not None}
        made = {work.output for work in self._works}
        ways = []
        for work in self._works:
            if work.output == output and not work.corrects:
                needs = _given_inputs(work, self._works)
                if all(key in self.job.command.columns or key in defaults or key in made for key in needs):
                    lack = [key for key in needs if key not in self._known | defaults]
                    ways.append(" and ".join(lack))
        return list(dict.fromkeys(way for way in ways if way))

    def _missing_text(self, name: str, output: str) -> str:
        columns = ", ".join(self.columns) or "none"
        return (
            f"{name} has no column {' or '.join(self._missing(output))}, which {output} needs. "
            f"Its columns are: {columns}."
        )

    def _missing_hint(self, output: str) -> str:
        lacking = {key for way in self._missing(output) for key in way.split(" and ")}
        for column in self.columns:
            for key in lacking:
                if column != key and _plain(column) == _plain(key):
                    return f"Write {key} where the file says {column!r}."
        options = " ".join(INPUTS[key].option for key in sorted(lacking))
        return f"Name the column exactly so, or give one value for all rows: {options}."

    def _free(self, name: str) -> str:
        number, taken = 2, set(self.columns)
        found = name
        while found in taken or found + SUFFIX in taken:
            found, number = f"{name}_{number}", number + 1
        return found

    def _free_names(self) -> list[str]:
        names = [self._free(output) for output in self.ways]
        for output, name in zip(self.ways, names, strict=True):
            if output != name:
                self.say.append(f"The file has a column {output} already: what is worked out here is in {name}.")
        return names

    def _say_assumptions(self) -> None:
        works = {work.output: work for ways in self.ways.values() for way in ways for work in way.works}
        used = {key: None for ways in self.ways.values() for way in ways for key in roots(way.works, self._known)}
        for key in self.job.constants:
            if key in self.inputs:
                self.say.append(f"{INPUTS[key].option} is not used: the file's own column {key} is.")
            elif key not in used and key not in self.job.command.only_checked:
                self.say.append(f"{INPUTS[key].option} is not used: what goes with it is missing.")
        for key in self.job.accuracies:
            if key not in self._known and INPUTS[key].default is None:
                self.say.append(f"--uncertainty {key} is not used: there is no {key}.")
        if "station_pressure_hPa" in works:
            altitude = self.job.constants["altitude_m"]
            mean = works["station_pressure_hPa"].function({"altitude_m": altitude})
            self.say.append(f"Station pressure is taken by altitude: {mean:.1f} hPa at {altitude:g} m.")
        for key in used:
            one = INPUTS[key]
            if key not in self._known and one.default is not None and one.said:
                better = f"{one.option} or a column {key}" if key in self.job.command.columns else one.option
                self.say.append(f"{key} is taken as {one.default:g} {one.unit}; {better} says better.")


def _given_inputs(work: Work, works: Sequence[Work]) -> list[str]:
    """The inputs a work comes down to, those of the works before it taken in."""
    makers = {one.output: one for one in reversed(works) if not one.corrects}
    keys: list[str] = []
    for key in work.inputs:
        keys += [key] if key in INPUTS else _given_inputs(makers[key], works)
    return list(dict.fromkeys(keys))


def _plain(name: str) -> str:
    return re.sub(r"[^a-z0-9]", "", name.lower())
