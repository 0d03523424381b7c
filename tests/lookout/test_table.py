"""How a shed is told from its broker and from the lookout's own line: every cell, by what it must be."""

from __future__ import annotations

from itertools import product

import pytest

from brinewatch.sentry.table import CELLS, Heard, Leave, Road, Sight, Texts, road_of, sight_of

EVERY = list(product(Road, Heard, Leave, (False, True), Texts))


def expected(road: Road, heard: Heard, leave: Leave, broke: bool, texts: Texts) -> Sight:
    """The same said in sentences, by a way of its own."""
    if leave is not Leave.NO:
        return Sight.STOPPED if leave is Leave.AWAY else Sight.OVERDUE
    if road is not Road.OPEN:
        # nothing of the broker counts: texts alone can tell, and where none are sent they are missed only where
        # they are all there is
        if texts is Texts.FRESH:
            return Sight.THERE
        if texts is Texts.OLD or (texts is Texts.NONE and road is Road.NONE):
            return Sight.SILENT
        return Sight.UNTOLD
    if heard is Heard.AWAITED:
        return Sight.UNTOLD
    if heard is Heard.FRESH:
        return Sight.BROKE if broke else Sight.THERE
    if texts is Texts.FRESH:
        return Sight.CUT
    return Sight.BROKE if broke else Sight.SILENT


def test_the_table_has_every_cell_and_none_twice_otherwise() -> None:
    assert len(EVERY) == 5 * 3 * 3 * 2 * 4
    assert set(CELLS) == set(EVERY)


@pytest.mark.parametrize("cell", EVERY, ids=lambda cell: "-".join(str(part) for part in cell))
def test_every_cell(cell: tuple[Road, Heard, Leave, bool, Texts]) -> None:
    assert sight_of(*cell) is expected(*cell)


def test_the_brokers_word_never_makes_anything_better() -> None:
    worse = [Sight.THERE, Sight.STOPPED, Sight.UNTOLD, Sight.CUT, Sight.SILENT, Sight.BROKE, Sight.OVERDUE]
    for road, heard, leave, texts in product(Road, Heard, Leave, Texts):
        without = sight_of(road, heard, leave, False, texts)
        broke = sight_of(road, heard, leave, True, texts)
        assert worse.index(broke) >= worse.index(without)


def test_no_shed_is_off_that_cannot_be_told() -> None:
    for road, heard, broke in product((Road.BROKER_OFF, Road.LINE_OFF, Road.CLOSED), Heard, (False, True)):
        for texts in (Texts.NONE, Texts.UNTOLD):
            assert sight_of(road, heard, Leave.NO, broke, texts) is Sight.UNTOLD


@pytest.mark.parametrize(
    ("connected", "other_host", "road"),
    [
        (True, True, Road.OPEN), (True, False, Road.OPEN), (True, None, Road.OPEN),
        (False, True, Road.BROKER_OFF), (False, False, Road.LINE_OFF), (False, None, Road.CLOSED),
    ],
)  # fmt: skip
def test_the_broker_is_told_from_the_own_line(connected: bool, other_host: bool | None, road: Road) -> None:
    assert road_of(connected, other_host) is road
