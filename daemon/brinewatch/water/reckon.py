"""From what is given to results: which works apply, their values, their standard uncertainties, what to say."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass

from brinewatch.signals.uncertainty import propagate
from brinewatch.water.given import INPUTS
from brinewatch.water.work import Choices, Command, Note, Values, Work

Uncertainties = Mapping[str, float | None]

Accuracies = Mapping[str, Callable[[float], float]]

_OWN = "own uncertainty of "  # a work's own error travels on to what stands on it, as an input of value 0


@dataclass(frozen=True, slots=True)
class Result:
    """One result; value None with a reason when it could not be worked out."""

    work: Work
    value: float | None
    uncertainty: float | None
    reason: str = ""


def uncertainties_of(values: Values, accuracies: Accuracies) -> dict[str, float]:
    """Standard uncertainty of each value given or taken by default, where it is said or known by itself."""
    said = {key: of(default) for key, of in accuracies.items() if (default := INPUTS[key].default) is not None}
    return said | {key: accuracies.get(key, INPUTS[key].accuracy)(value) for key, value in values.items()}


def plan(works: Sequence[Work], given: Collection[str]) -> list[Work]:
    """The works that can be done from what is given (and the defaults), each after those it stands on."""
    known = {*given, *(key for key, one in INPUTS.items() if one.default is not None)}
    made = set(given)
    todo = []
    for work in works:
        if known.issuperset(work.inputs) and (work.corrects or work.output not in made):
            todo.append(work)
            made.add(work.output)
            known.add(work.output)
    return todo


def chain(todo: Sequence[Work], target: Work) -> list[Work]:
    """Those of the planned works that the target stands on, the target last."""
    needed = {*target.inputs, *target.optional}
    found = [target]
    for work in reversed(todo[: todo.index(target)]):
        if work.output in needed and not work.second:
            found.append(work)
            needed |= {*work.inputs, *work.optional}
    return found[::-1]


def roots(works: Sequence[Work], given: Collection[str]) -> list[str]:
    """Keys of the inputs a chain starts from, given or by default."""
    made = {work.output for work in works if not work.corrects} - set(given)
    keys: dict[str, None] = {}
    for work in works:
        keys |= dict.fromkeys((*work.inputs, *(key for key in work.optional if key in given)))
    return [key for key in keys if key not in made]


def with_defaults(
    works: Sequence[Work], values: Values, uncertainties: Uncertainties
) -> tuple[dict[str, float], dict[str, float | None]]:
    """What the works start from: given values and the defaults that stand in for the rest."""
    all_values, all_uncertainties = dict(values), dict(uncertainties)
    for key in roots(works, values):
        one = INPUTS[key]
        if key not in values and one.default is not None:
            all_values[key] = one.default
            all_uncertainties.setdefault(key, one.default_uncertainty)
    return all_values, all_uncertainties


def reckon(works: Sequence[Work], values: Values, uncertainties: Uncertainties) -> Result:
    """The result of a chain's last work. values and uncertainties: those of its roots, defaults among them."""
    target = works[-1]
    for work in works:
        problem = _outside(work, values)
        if problem:
            return Result(target, None, None, problem)
    known = dict(values)
    spread: dict[str, float | None] = {key: uncertainties.get(key) for key in roots(works, values) if key in values}
    try:
        for work in works:
            known[work.output] = _finite(work, known)
            own = work.own(known, known[work.output])
            if own:
                spread[_OWN + work.output], known[_OWN + work.output] = own, 0.0
    except (ValueError, OverflowError, ZeroDivisionError) as error:
        return Result(target, None, None, str(error))
    start = {**values, **{key: 0.0 for key in spread if key.startswith(_OWN)}}
    return Result(target, known[target.output], propagate(_follow(works), start, spread))


def _follow(works: Sequence[Work]) -> Callable[[Values], float]:
    def value(start: Values) -> float:
        known = dict(start)
        for work in works:
            known[work.output] = work.function(known) + start.get(_OWN + work.output, 0.0)
        return known[works[-1].output]

    return value


def _finite(work: Work, known: Values) -> float:
    result = work.function(known)
    if not math.isfinite(result):
        raise ValueError(f"{work.output} is no finite number")
    return result


def _outside(work: Work, values: Values) -> str:
    """The first given value the work cannot take, in words; "" when it takes them all."""
    for key, (low, high) in work.limits.items():
        value = values.get(key)
        if value is not None and not low <= value <= high:
            unit = f" {INPUTS[key].unit}".rstrip()
            return f"{key} = {value:g}{unit} is outside {low:g} to {high:g}{unit}"
    return ""


def reckon_all(
    works: Sequence[Work], values: Values, uncertainties: Uncertainties
) -> tuple[list[Result], dict[str, float], dict[str, float | None]]:
    """Every result that can be had from what is given, and what was started from, defaults included."""
    todo = plan(works, values)
    start, spread = with_defaults(todo, values, uncertainties)
    results = [reckon(chain(todo, work), start, spread) for work in todo]
    return results, start, spread


def unused(command: Command, works: Sequence[Work], given: Iterable[str]) -> list[str]:
    """Keys given that no planned work takes in."""
    given = list(given)
    taken = {key for work in plan(works, given) for key in (*work.inputs, *work.optional)} | {*command.only_checked}
    return [key for key in given if key not in taken]


def notes(command: Command, works: Iterable[Work], values: Values, choices: Choices) -> list[Note]:
    """What people must know beside the results: carried beyond what the source states, and the command's own."""
    found: dict[str, Note] = {}
    for work in works:
        if work.second:
            continue
        for key, (low, high) in work.stated.items():
            value = values.get(key)
            if value is not None and not low <= value <= high:
                kind = f"is outside the {low:g} to {high:g} its source states: carried on beyond."
                found.setdefault(key + kind, Note(key + kind, f"{key} = {value:g} {kind}"))
    return [*found.values(), *command.notes(values, choices)]
