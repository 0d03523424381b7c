"""Results over one or two ranges, as a table or as a list for programs."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from itertools import product
from typing import Any

from brinewatch.errors import BrinewatchError
from brinewatch.water.given import INPUTS
from brinewatch.water.reckon import Accuracies, Result, plan, reckon_all, uncertainties_of
from brinewatch.water.show import too_little
from brinewatch.water.words import measured
from brinewatch.water.work import Axis, Choices, Command, Values, Work


def grid(
    command: Command, choices: Choices, values: Values, accuracies: Accuracies, axes: Sequence[Axis]
) -> list[tuple[dict[str, float], dict[str, Result]]]:
    """Results by output at every point of one or two ranges; axes: input key and its values."""
    works = command.works(choices)
    points = []
    for place in product(*(numbers for _, numbers in axes)):
        here = dict(zip((key for key, _ in axes), place, strict=True))
        given = {**values, **here}
        results, _, _ = reckon_all(works, given, uncertainties_of(given, accuracies))
        points.append((here, {result.work.output: result for result in results}))
    return points


def grid_outputs(command: Command, choices: Choices, given: Iterable[str], show: str) -> dict[str, Work]:
    """What a table over such inputs can show, by key."""
    works = command.works(choices)
    planned = plan(works, list(given))
    if not planned:
        raise BrinewatchError(
            too_little(command, works, dict.fromkeys(given, 0.0)), f"See `brinewatch water {command.name} --help`."
        )
    found = {work.output: work for work in planned if not work.second and work.output != "station_pressure_hPa"}
    if show and show not in found:
        raise BrinewatchError(f"--show {show}: no such result here.", f"It can be one of: {', '.join(found)}.")
    return found


def cell(result: Result | None) -> str:
    """One cell of a table."""
    if result is None or result.value is None:
        return "-"
    return measured(result.value, result.uncertainty, "")


def _heading(words: str, unit: str) -> str:
    return f"{words}, {unit}" if unit else words


def print_grid(
    command: Command, choices: Choices, values: Values, accuracies: Accuracies, axes: Sequence[Axis], show: str
) -> None:
    """The table over one range, a column for each result, or over two, for one result."""
    from brinewatch.terminal import print_table

    outputs = grid_outputs(command, choices, [*values, *(key for key, _ in axes)], show)
    points = grid(command, choices, values, accuracies, axes)
    down = INPUTS[axes[0][0]]
    first = _heading(down.words, down.unit)
    fixed = ", ".join(f"{INPUTS[key].words} {value:g} {INPUTS[key].unit}".rstrip() for key, value in values.items())
    rows: list[Mapping[str, Any]]
    if len(axes) == 1:
        shown = [outputs[show]] if show else list(outputs.values())
        columns = [first, *(_heading(work.words, work.unit) for work in shown)]
        rows = [
            {first: f"{here[down.key]:g}",
             **{_heading(work.words, work.unit): cell(results.get(work.output)) for work in shown}}
            for here, results in points
        ]  # fmt: skip
        print_table(columns, rows, title=f"At {fixed}" if fixed else None)
        return
    across = INPUTS[axes[1][0]]
    work = outputs[show] if show else next(iter(outputs.values()))
    table: dict[float, dict[str, Any]] = {}
    for here, results in points:
        row = table.setdefault(here[down.key], {first: f"{here[down.key]:g}"})
        row[f"{here[across.key]:g}"] = cell(results.get(work.output))
    title = f"{_heading(work.words, work.unit)}, across by {_heading(across.words, across.unit)}"
    print_table([first, *(f"{number_:g}" for number_ in axes[1][1])], table.values(),
                title=f"{title}; at {fixed}" if fixed else title)  # fmt: skip


def grid_json(
    command: Command, choices: Choices, values: Values, accuracies: Accuracies, axes: Sequence[Axis], show: str
) -> str:
    """The table as a list of points, for programs."""
    outputs = grid_outputs(command, choices, [*values, *(key for key, _ in axes)], show)
    wanted = [show] if show in outputs else list(outputs)
    return json.dumps(
        [
            {**here, **{name: results[name].value for name in wanted if name in results},
             **{f"{name}_uncertainty": results[name].uncertainty for name in wanted if name in results}}
            for here, results in grid(command, choices, values, accuracies, axes)
        ],
        indent=2,
    )  # fmt: skip
