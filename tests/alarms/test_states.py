"""Every cell of the table of states, against the transitions as the standard's public texts describe them."""

from __future__ import annotations

import pytest

from brinewatch.alarms.events import Happening, State
from brinewatch.alarms.states import REACHABLE, TABLE, Cue, diagram, move, table_text

# ISA-18.2 / IEC 62682 transitions as public training texts give them; latching and calling again as OPC 10000-9
# (LatchedState, ReAlarmTime). A normal, B unacknowledged, C acknowledged, D returned unacknowledged, L latched.
# One row a state, one column a cue; "B!" refused; "+" an event is told, "." nothing is. E shelved, S suppressed by
# design, O out of service: leaving them leads to the state that fits the present (OPC 10000-9, 5.8.10, and common
# practice).
# columns: HOLDS GONE GONE_L ACK RESET REPEAT RETIRED | SUPPRESS RELEASE | SHELVE WAKE_HOLDS WAKE_GONE WAKE_HELD
#          | REMOVE RESTORE_HOLDS RESTORE_GONE RESTORE_HELD
EXPECTED = {
    "A": "B+ A. A. A! A! A. A.  S+ A.  E+ A! A! A!  O+ A! A! A!",
    "B": "B. D+ B. C+ B! B+ A+  B. B.  E+ B! B! B!  O+ B! B! B!",
    "C": "C. A+ L+ C! C! B+ A+  C. C.  E+ C! C! C!  O+ C! C! C!",
    "D": "B+ D. D. A+ D! D. A+  S+ D.  D! D! D! D!  O+ D! D! D!",
    "L": "B+ A+ L. L! A+ L. A+  S+ L.  L! L! L! L!  O+ L! L! L!",
    "E": "E. E. E. E! E! E. A+  E. E.  E+ B+ A+ S+  O+ E! E! E!",
    "S": "S. A+ A+ S! S! S. A+  S. A+  E+ S! S! S!  O+ S! S! S!",
    "O": "O. O. O. O! O! O. A+  O. O.  O! O! O! O!  O! B+ A+ S+",
}
STATES = {
    "A": State.NORMAL,
    "B": State.UNACKNOWLEDGED,
    "C": State.ACKNOWLEDGED,
    "D": State.RETURNED,
    "L": State.LATCHED,
    "E": State.SHELVED,
    "S": State.SUPPRESSED,
    "O": State.OUT_OF_SERVICE,
}
CELLS = [
    (letter, cue, cell) for letter, row in EXPECTED.items() for cue, cell in zip(Cue, row.split(), strict=True)
]


@pytest.mark.parametrize(("letter", "cue", "cell"), CELLS, ids=[f"{s}-{c.name}" for s, c, _ in CELLS])
def test_every_cell_leads_where_the_standard_says(letter: str, cue: Cue, cell: str) -> None:
    found = move(STATES[letter], cue)
    assert found.to is STATES[cell[0]]
    match cell[1]:
        case "!":
            assert found.happening is Happening.REFUSED
            assert found.reason
        case "+":
            assert found.happening not in (None, Happening.REFUSED)
        case ".":
            assert found.happening is None


def test_the_table_has_no_other_cell() -> None:
    assert len(TABLE) == len(CELLS)
    assert set(REACHABLE) == set(STATES.values())


def test_what_is_told_says_what_happened() -> None:
    told = {
        (state, cell.to): cell.happening
        for (state, _), cell in TABLE.items()
        if cell.to is not state and not state.aside and not cell.to.aside
    }
    assert told == {
        (State.NORMAL, State.UNACKNOWLEDGED): Happening.RAISED,
        (State.UNACKNOWLEDGED, State.RETURNED): Happening.RETURNED,
        (State.UNACKNOWLEDGED, State.ACKNOWLEDGED): Happening.ACKNOWLEDGED,
        (State.UNACKNOWLEDGED, State.NORMAL): Happening.CLEARED,
        (State.ACKNOWLEDGED, State.NORMAL): Happening.CLEARED,
        (State.ACKNOWLEDGED, State.LATCHED): Happening.LATCHED,
        (State.ACKNOWLEDGED, State.UNACKNOWLEDGED): Happening.REPEATED,
        (State.RETURNED, State.UNACKNOWLEDGED): Happening.REPEATED,
        (State.RETURNED, State.NORMAL): Happening.CLEARED,  # the last of two ways: retired; acknowledged is below
        (State.LATCHED, State.UNACKNOWLEDGED): Happening.REPEATED,
        (State.LATCHED, State.NORMAL): Happening.CLEARED,
    }
    assert move(State.RETURNED, Cue.ACKNOWLEDGE).happening is Happening.ACKNOWLEDGED
    assert move(State.LATCHED, Cue.RESET).happening is Happening.RESET


@pytest.mark.parametrize(
    ("way", "cues", "told"),
    [
        (State.SHELVED, (Cue.SHELVE,), {Happening.SHELVED}),
        (
            State.SUPPRESSED,
            (Cue.SUPPRESS, Cue.WAKE_HELD, Cue.RESTORE_HELD),
            {Happening.JOINED, Happening.UNSHELVED, Happening.RESTORED},
        ),
        (State.OUT_OF_SERVICE, (Cue.REMOVE,), {Happening.REMOVED}),
    ],
)
def test_only_its_own_word_sets_an_alarm_aside(way: State, cues: tuple[Cue, ...], told: set[Happening]) -> None:
    cells = {cue: cell.happening for (state, cue), cell in TABLE.items() if cell.to is way and state is not way}
    assert set(cells) == set(cues)
    assert set(cells.values()) == told


def test_what_held_when_it_was_set_aside_calls_when_it_comes_back() -> None:
    for state, cue in ((State.SHELVED, Cue.WAKE_HOLDS), (State.OUT_OF_SERVICE, Cue.RESTORE_HOLDS)):
        cell = move(state, cue)
        assert (cell.to, cell.happening) == (State.UNACKNOWLEDGED, Happening.REPEATED)


def test_nothing_but_retirement_leaves_a_standing_alarm_for_normal_without_a_person_or_the_condition() -> None:
    to_normal = {(state, cue) for (state, cue), cell in TABLE.items() if cell.to is State.NORMAL and state.standing}
    assert {cue for _, cue in to_normal} == {Cue.RETIRED, Cue.GONE, Cue.ACKNOWLEDGE, Cue.RESET}
    assert (State.UNACKNOWLEDGED, Cue.GONE) not in to_normal


def test_the_diagram_shows_every_change_and_no_refusal() -> None:
    text = diagram()
    assert text.startswith("stateDiagram-v2\n")
    shown = [line for line in text.splitlines() if "-->" in line]
    changes = [
        c for (s, _), c in TABLE.items() if c.happening is not Happening.REFUSED and (c.happening or c.to is not s)
    ]
    assert len(shown) == len(changes) + 1  # and the way in
    assert "unacknowledged --> acknowledged : acknowledge / acknowledged" in text
    assert "refused" not in text


def test_the_printed_table_has_a_row_a_state_and_the_refusals() -> None:
    lines = table_text().splitlines()
    assert len(lines) == 2 + len(REACHABLE)
    assert all(line.count("|") == len(Cue) + 2 for line in lines)
    assert "refused: its cause is still there" in lines[4]
