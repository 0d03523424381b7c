"""What is done with the options of `brinewatch water` once they are understood."""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Callable, Mapping, Sequence

from brinewatch.errors import BrinewatchError
from brinewatch.water import grid, show
from brinewatch.water.columns import Job
from brinewatch.water.commands import COMMANDS
from brinewatch.water.files import work_on
from brinewatch.water.given import INPUTS
from brinewatch.water.reckon import uncertainties_of
from brinewatch.water.work import MOST_POINTS, Axis, Command


def _accuracies(options: argparse.Namespace, command: Command) -> dict[str, Callable[[float], float]]:
    found: dict[str, Callable[[float], float]] = {}
    for name, number, percent in options.uncertainty:
        if name not in command.inputs():
            raise BrinewatchError(f"--uncertainty {name}: nothing of that name is given to {command.name}.",
                                  f"It can be one of: {', '.join(command.inputs())}.")  # fmt: skip
        found[name] = _share_of(number / 100.0) if percent else _always(number)
    return found


def _share_of(share: float) -> Callable[[float], float]:
    return lambda value: share * abs(value)


def _always(number: float) -> Callable[[float], float]:
    return lambda value: number


def answer(options: argparse.Namespace) -> int:
    """Do what was asked; returns the exit code."""
    command = COMMANDS[options.of]
    values = {key: getattr(options, key) for key in command.inputs() if getattr(options, key) is not None}
    choices = {name: getattr(options, name) for name in command.choices}
    accuracies = _accuracies(options, command)
    if getattr(options, "csv", None):
        return _on_file(options, Job(command, choices, values, accuracies))
    if getattr(options, "output", None):
        raise BrinewatchError("--output goes with --csv.", "Without a file the result is on the terminal.")
    _one_way(command, [*values, *(key for key, _ in options.table)])
    for key in accuracies:
        if key not in values and key not in dict(options.table) and INPUTS[key].default is None:
            raise BrinewatchError(f"--uncertainty {key}: there is no {INPUTS[key].option}.", "Give that as well.")
    if options.source and not values and not options.table:
        _say(show.source_lines(command.works(choices)))
        return 0
    uncertainties = uncertainties_of(values, accuracies)
    if options.table:
        return _table(options, command, choices, values, accuracies)
    if options.show:
        raise BrinewatchError("--show goes with --table.", "Without a table every result is shown.")
    if options.json:
        _say([show.as_json(command, choices, values, uncertainties)])
        return 0
    lines, complete = show.text(command, choices, values, uncertainties, sources=options.source)
    _say(lines)
    return 0 if complete else 1


def _one_way(command: Command, given: Sequence[str]) -> None:
    for group in command.either:
        both = [key for key in group if key in given]
        if len(both) > 1:
            raise BrinewatchError(
                f"{' and '.join(INPUTS[key].option for key in both)} say the same thing twice.", "Give one of them."
            )


def _table(options: argparse.Namespace, command: Command, choices: Mapping[str, str], values: Mapping[str, float],
           accuracies: Mapping[str, Callable[[float], float]]) -> int:  # fmt: skip
    axes: list[Axis] = options.table
    names = [key for key, _ in axes]
    if len(axes) > 2 or len(set(names)) < len(names):
        raise BrinewatchError("--table can be given twice at most, over two different things.")
    for key in names:
        if key not in command.inputs():
            raise BrinewatchError(f"--table {key}: {command.name} takes nothing of that name.",
                                  f"It can be one of: {', '.join(command.inputs())}.")  # fmt: skip
        if key in values:
            raise BrinewatchError(f"{INPUTS[key].option} is given and the table runs over it.", "Leave one out.")
    if math.prod(len(numbers) for _, numbers in axes) > MOST_POINTS:
        raise BrinewatchError(f"The table has more than {MOST_POINTS} points.", "Take larger steps.")
    if options.json:
        _say([grid.grid_json(command, choices, values, accuracies, axes, options.show)])
    else:
        grid.print_grid(command, choices, values, accuracies, axes, options.show)
    if options.source:
        _say(show.source_lines(grid.grid_outputs(command, choices, [*values, *names], options.show).values()))
    return 0


def _on_file(options: argparse.Namespace, job: Job) -> int:
    for name in ("table", "json", "show"):
        if getattr(options, name):
            raise BrinewatchError(f"--{name} does not go with --csv.", "Results are appended to the file's rows.")
    for line in work_on(job, options.csv, options.output):
        sys.stderr.write(f"{line}\n")
    if options.source:
        for line in show.source_lines(job.command.works(job.choices)):
            sys.stderr.write(f"{line}\n")
    return 0


def _say(lines: Sequence[str]) -> None:
    sys.stdout.write("\n".join(lines) + "\n")
    sys.stdout.flush()
