"""A hundred thousand inputs, the same at every run. Ten million: `bash deploy/bench --only fuzz`.

What is right: the documented refusal and nothing else, and no value that an independent way does not give.
"""

from __future__ import annotations

import json
import random
import tomllib

import pytest

from .every import TARGETS, Target, count_of, run
from .mutate import chance_of, file_of, spoiled, spoiled_tree
from .target import Wrong

INPUTS = 100_000


@pytest.mark.parametrize("target", TARGETS, ids=lambda target: target.name.replace(" ", "-"))
def test_no_input_breaks_a_parser_or_becomes_a_wrong_value(target: Target) -> None:
    tally = run(target, range(count_of(target, INPUTS)))
    assert not tally.bad, "\n".join(
        f"input {number}, {kind}: {what}\n  {given}" for number, kind, given, what in tally.bad
    )
    # a parser that refuses everything would pass too
    assert 0 < tally.accepted < tally.inputs


def test_there_are_so_many_inputs_in_all() -> None:
    assert sum(count_of(target, INPUTS) for target in TARGETS) == pytest.approx(INPUTS, rel=0.001)


def test_the_same_number_is_the_same_input() -> None:
    for target in TARGETS:
        assert target.make(chance_of(target.name, 7)) == target.make(chance_of(target.name, 7)), target.name


def test_a_crash_and_a_wrong_value_are_counted_and_told() -> None:
    def check(given: int) -> bool:
        if given == 3:
            raise Wrong("5 instead of 3")
        return 10 // (given - 4) > 0

    tally = run(Target("made up", lambda chance: chance.randrange(8), check, 1), range(200))
    assert tally.inputs == 200
    assert tally.crashes > 0
    assert tally.wrong > 0
    assert {kind for _, kind, _, _ in tally.bad} == {"crash", "wrong value"}
    number, _, given, what = next(one for one in tally.bad if one[1] == "crash")
    assert chance_of("made up", number).randrange(8) == int(given) == 4
    assert "ZeroDivisionError" in what


def test_spoiling_changes_what_it_is_given_and_leaves_the_original() -> None:
    chance, tree = random.Random(1), {"a": [1, {"b": "x"}], "c": {"d": 1.5}}
    changed = sum(spoiled(chance, b"0+3.14OqZ\r\n") != b"0+3.14OqZ\r\n" for _ in range(1000))
    assert changed > 950
    trees = [spoiled_tree(chance, tree) for _ in range(300)]
    assert tree == {"a": [1, {"b": "x"}], "c": {"d": 1.5}}
    assert len({json.dumps(one, default=str) for one in trees}) > 30
    for one in trees:
        again = tomllib.loads(file_of(one))
        assert str(again) == str(one)
