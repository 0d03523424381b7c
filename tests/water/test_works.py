"""The table of works: limits that hold, uncertainties by an outside package, nothing without a source."""

from __future__ import annotations

import math
from itertools import product

import pytest
import uncertainties
from hypothesis import given, settings
from hypothesis import strategies as st

from brinewatch.water.commands import COMMANDS
from brinewatch.water.given import INPUTS
from brinewatch.water.reckon import chain, plan, reckon, roots, with_defaults
from brinewatch.water.work import Command, Work


def choices_of(command: Command) -> list[dict[str, str]]:
    names = list(command.choices)
    return [
        dict(zip(names, picked, strict=True))
        for picked in product(*(command.choices[name].names for name in names))
    ]


def chains(command: Command, choices: dict[str, str]) -> list[tuple[list[Work], dict[str, float]]]:
    """Every work with what it stands on, each from its own inputs' examples."""
    found = []
    works = command.works(choices)
    for work in works:
        needed = set(work.inputs)
        while makers := [
            w for w in works if w.output in needed and w.output not in INPUTS and not set(w.inputs) <= needed
        ]:
            for maker in makers:
                needed |= set(maker.inputs)
        values = {key: INPUTS[key].example for key in needed if key in INPUTS and INPUTS[key].default is None}
        for group in command.either:  # alkalinity by one of its names is enough
            given = [key for key in group if key in values]
            for key in given[1:]:
                values.pop(key)
        todo = plan(works, values)
        if work in todo:
            found.append((chain(todo, work), values))
    return found


def uncertain(value: float, uncertainty: float | None) -> object:
    return uncertainties.ufloat(value, uncertainty) if uncertainty else value


def refusal(work: Work, values: dict[str, float]) -> str:
    """What the function says against these values, "" when it takes them."""
    try:
        work.function(values)
    except ValueError as error:
        return str(error)
    return ""


EVERY = [
    pytest.param(works, values, id=f"{command.name} {' '.join(choices.values())} {works[-1].output} {number}")
    for command in COMMANDS.values()
    for choices in choices_of(command)
    for number, (works, values) in enumerate(chains(command, choices))
]


def test_every_work_is_among_those_tried() -> None:
    tried = {(param.values[0][-1].output, param.values[0][-1].words) for param in EVERY}
    every = {(w.output, w.words) for c in COMMANDS.values() for ch in choices_of(c) for w in c.works(ch)}
    assert tried == every


@pytest.mark.parametrize(("works", "values"), EVERY)
def test_uncertainty_by_an_outside_package(works: list[Work], values: dict[str, float]) -> None:
    # E. Lebigot, uncertainties: correlations by automatic differentiation, step by step along the chain
    start, spread = with_defaults(
        works, values, {key: INPUTS[key].accuracy(value) for key, value in values.items()}
    )
    result = reckon(works, start, spread)
    assert result.value is not None, result.reason
    assert result.uncertainty is not None
    known = {key: uncertain(value, spread.get(key)) for key, value in start.items()}
    for work in works:
        names = [key for key in (*work.inputs, *work.optional) if key in known]

        def plain(*numbers: float, work: Work = work, names: list[str] = names) -> float:
            return work.function(dict(zip(names, numbers, strict=True)))

        made = uncertainties.wrap(plain)(*(known[name] for name in names))
        nominal = {key: uncertainties.nominal_value(value) for key, value in known.items()}
        own = work.own(nominal, uncertainties.nominal_value(made))
        known[work.output] = made + uncertain(0.0, own)
    expected = uncertainties.std_dev(known[works[-1].output])
    assert result.value == pytest.approx(uncertainties.nominal_value(known[works[-1].output]), rel=1e-12)
    assert result.uncertainty == pytest.approx(expected, rel=0.01, abs=1e-12)


@pytest.mark.parametrize(("works", "values"), EVERY)
def test_limits_are_those_of_the_function(works: list[Work], values: dict[str, float]) -> None:
    work = works[-1]
    start, _ = with_defaults(works, values, {})
    for one in works[:-1]:
        start[one.output] = one.function(start)
    for key, ends in work.limits.items():
        if key not in work.inputs and key not in work.optional:
            continue
        for end, beyond in ((ends[0], -1.0), (ends[1], 1.0)):
            assert reckon([work], {**start, key: end + beyond * 1e-3 * max(1.0, abs(end))}, {}).reason.startswith(
                key
            )
            # the function takes the end itself, or refuses another thing: an example is not water of every kind
            problem = refusal(work, {**start, key: end})
            assert "nothing to add" in problem or not problem.startswith(f"{key} = "), work.output


@pytest.mark.parametrize(("works", "values"), EVERY)
def test_no_number_is_never_passed_on(works: list[Work], values: dict[str, float]) -> None:
    start, _ = with_defaults(works, values, {})
    for one in works[:-1]:
        start[one.output] = one.function(start)
    for key in works[-1].inputs:
        assert reckon(works[-1:], {**start, key: math.nan}, {}).value is None, key


def test_every_input_and_result_says_what_it_is() -> None:
    for one in INPUTS.values():
        assert one.words
        assert one.ground
        assert one.key.replace("_", "-") == one.option.removeprefix("--")
        assert one.absolute >= 0.0
        assert one.relative >= 0.0
        assert one.absolute or one.relative or one.ground.startswith(("exact", "within"))
    for command in COMMANDS.values():
        for choices in choices_of(command):
            for work in command.works(choices):
                assert len(work.source) > 8, work.output
                assert set(work.limits) <= set(work.inputs) | set(work.optional) | {"salinity"}, work.output
                for key, (low, high) in work.stated.items():
                    assert low < high, key


def test_every_given_thing_is_used_somewhere() -> None:
    used = {key for command in COMMANDS.values() for key in command.inputs()}
    assert used == set(INPUTS)


@settings(max_examples=40, deadline=None)
@given(t=st.floats(0, 35), s=st.floats(0, 40), told=st.floats(0, 40), shown=st.floats(0.1, 20))
def test_a_chain_keeps_its_correlations(t: float, s: float, told: float, shown: float) -> None:
    # a probe told a salinity: its percent does not depend on the true one, so nor does the percent's uncertainty
    works = COMMANDS["oxygen"].works({"formulation": "benson-krause"})
    values = {"temperature_C": t, "salinity": s, "told_salinity": told, "oxygen_mg_per_L": shown,
              "station_pressure_hPa": 1013.25}  # fmt: skip
    todo = plan(works, values)
    percent = chain(todo, next(w for w in todo if w.output == "oxygen_percent"))
    exact = dict.fromkeys(values, 0.0)
    without = reckon(percent, values, exact).uncertainty
    with_salinity = reckon(percent, values, {**exact, "salinity": 1.0}).uncertainty
    assert without is not None
    assert with_salinity == pytest.approx(without, rel=1e-3)
    assert set(roots(percent, values)) == set(values)
