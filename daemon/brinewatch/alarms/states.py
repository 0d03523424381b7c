"""The alarm states of ISA-18.2 / IEC 62682 as one table: state x cue -> state and what is said about it.

The engine works out the cues (delays, deadbands, expiry); this table alone says where they lead. Its letters in the
standard's figure: A normal, B unacknowledged, C acknowledged, D returned to normal unacknowledged.
Shelved, suppressed by design and out of service are states of their own here: the condition is judged all the same,
and leaving them leads to the state that fits the present.
"""

from __future__ import annotations

import sys
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from brinewatch.alarms.events import Happening, State


class Cue(StrEnum):
    """What can befall an alarm.

    HOLDS and GONE tell the condition as it stands after its delays, at every scan; GONE_LATCHING is GONE for a rule
    that latches. REPEAT: the time to call again has come. RETIRED: the settings no longer have this alarm.
    SUPPRESS: its condition holds and its cause is known to hold, or somebody works in the shed; RELEASE: no more.
    WAKE: a person or the clock ends the shelving; RESTORE: likewise for what was taken out of service.
    """

    HOLDS = "condition holds"
    GONE = "condition gone"
    GONE_LATCHING = "condition gone (latching rule)"
    ACKNOWLEDGE = "acknowledge"
    RESET = "reset"
    REPEAT = "time to call again"
    RETIRED = "taken out of the settings"
    SUPPRESS = "held back by design"
    RELEASE = "no longer held back"
    SHELVE = "shelve"
    WAKE_HOLDS = "unshelved, condition holds"
    WAKE_GONE = "unshelved, condition gone"
    WAKE_HELD = "unshelved, held back by design"
    REMOVE = "take out of service"
    RESTORE_HOLDS = "back in service, condition holds"
    RESTORE_GONE = "back in service, condition gone"
    RESTORE_HELD = "back in service, held back by design"


@dataclass(frozen=True, slots=True)
class Move:
    """One cell: the state after, what is said (None: nothing), and why when it is refused."""

    to: State
    happening: Happening | None = None
    reason: str = ""


_A, _B, _C, _D, _L = State.NORMAL, State.UNACKNOWLEDGED, State.ACKNOWLEDGED, State.RETURNED, State.LATCHED
_E, _S, _O = State.SHELVED, State.SUPPRESSED, State.OUT_OF_SERVICE
_H = Happening


def _refused(state: State, reason: str) -> Move:
    return Move(state, _H.REFUSED, reason)


_STANDING: dict[tuple[State, Cue], Move] = {
    (_A, Cue.HOLDS): Move(_B, _H.RAISED),
    (_A, Cue.GONE): Move(_A),
    (_A, Cue.GONE_LATCHING): Move(_A),
    (_A, Cue.ACKNOWLEDGE): _refused(_A, "it is over already"),
    (_A, Cue.RESET): _refused(_A, "it is over already"),
    (_A, Cue.REPEAT): Move(_A),
    (_A, Cue.RETIRED): Move(_A),
    (_B, Cue.HOLDS): Move(_B),
    (_B, Cue.GONE): Move(_D, _H.RETURNED),
    # a latched alarm stands as it was until it is acknowledged and reset (OPC 10000-9, LatchedState)
    (_B, Cue.GONE_LATCHING): Move(_B),
    (_B, Cue.ACKNOWLEDGE): Move(_C, _H.ACKNOWLEDGED),
    (_B, Cue.RESET): _refused(_B, "acknowledge it first"),
    (_B, Cue.REPEAT): Move(_B, _H.REPEATED),
    (_B, Cue.RETIRED): Move(_A, _H.CLEARED),
    (_C, Cue.HOLDS): Move(_C),
    (_C, Cue.GONE): Move(_A, _H.CLEARED),
    (_C, Cue.GONE_LATCHING): Move(_L, _H.LATCHED),
    (_C, Cue.ACKNOWLEDGE): _refused(_C, "it is acknowledged already"),
    (_C, Cue.RESET): _refused(_C, "its cause is still there"),
    (_C, Cue.REPEAT): Move(_B, _H.REPEATED),
    (_C, Cue.RETIRED): Move(_A, _H.CLEARED),
    (_D, Cue.HOLDS): Move(_B, _H.REPEATED),
    (_D, Cue.GONE): Move(_D),
    (_D, Cue.GONE_LATCHING): Move(_D),
    (_D, Cue.ACKNOWLEDGE): Move(_A, _H.ACKNOWLEDGED),
    (_D, Cue.RESET): _refused(_D, "acknowledge it first"),
    (_D, Cue.REPEAT): Move(_D),
    (_D, Cue.RETIRED): Move(_A, _H.CLEARED),
    # the standard leaves open whether a returning latched alarm calls again; harm that returns is worth a call
    (_L, Cue.HOLDS): Move(_B, _H.REPEATED),
    (_L, Cue.GONE): Move(_A, _H.CLEARED),
    (_L, Cue.GONE_LATCHING): Move(_L),
    (_L, Cue.ACKNOWLEDGE): _refused(_L, "it is acknowledged already; reset it"),
    (_L, Cue.RESET): Move(_A, _H.RESET),
    (_L, Cue.REPEAT): Move(_L),
    (_L, Cue.RETIRED): Move(_A, _H.CLEARED),
}


def _aside() -> dict[tuple[State, Cue], Move]:
    """The three states that do not call, and the ways into them from the others."""
    cells: dict[tuple[State, Cue], Move] = {}
    for state in (_A, _B, _C, _D, _L):
        cells[state, Cue.SUPPRESS] = Move(state)
        cells[state, Cue.RELEASE] = Move(state)
        cells[state, Cue.SHELVE] = Move(_E, _H.SHELVED)
        cells[state, Cue.REMOVE] = Move(_O, _H.REMOVED)
        for cue in (Cue.WAKE_HOLDS, Cue.WAKE_GONE, Cue.WAKE_HELD):
            cells[state, cue] = _refused(state, "it is not shelved")
        for cue in (Cue.RESTORE_HOLDS, Cue.RESTORE_GONE, Cue.RESTORE_HELD):
            cells[state, cue] = _refused(state, "it is in service")
    cells[_D, Cue.SHELVE] = _refused(_D, "it is over; acknowledge it")
    cells[_L, Cue.SHELVE] = _refused(_L, "it is over; reset it")
    # what has called already stands on; only what would call anew is held back
    for state in (_A, _D, _L):
        cells[state, Cue.SUPPRESS] = Move(_S, _H.JOINED)
    for state in (_E, _S, _O):
        for cue in (Cue.HOLDS, Cue.GONE, Cue.GONE_LATCHING, Cue.REPEAT, Cue.SUPPRESS, Cue.RELEASE):
            cells[state, cue] = Move(state)
        cells[state, Cue.RETIRED] = Move(_A, _H.CLEARED)
        cells[state, Cue.SHELVE] = Move(_E, _H.SHELVED)
        cells[state, Cue.REMOVE] = Move(_O, _H.REMOVED)
    for cue in (Cue.GONE, Cue.GONE_LATCHING, Cue.RELEASE):
        cells[_S, cue] = Move(_A, _H.RELEASED)
    cells[_O, Cue.SHELVE] = _refused(_O, "it is out of service")
    cells[_O, Cue.REMOVE] = _refused(_O, "it is out of service already")
    why = {_E: "it is shelved", _S: "it is held back; answer its cause", _O: "it is out of service"}
    for state, reason in why.items():
        cells[state, Cue.ACKNOWLEDGE] = _refused(state, reason)
        cells[state, Cue.RESET] = _refused(state, reason)
        for cue in (Cue.WAKE_HOLDS, Cue.WAKE_GONE, Cue.WAKE_HELD):
            cells[state, cue] = _refused(state, "it is not shelved")
        for cue in (Cue.RESTORE_HOLDS, Cue.RESTORE_GONE, Cue.RESTORE_HELD):
            cells[state, cue] = _refused(state, "it is in service" if state is not _O else reason)
    cells[_E, Cue.WAKE_HOLDS] = Move(_B, _H.REPEATED)
    cells[_E, Cue.WAKE_GONE] = Move(_A, _H.UNSHELVED)
    cells[_E, Cue.WAKE_HELD] = Move(_S, _H.UNSHELVED)
    cells[_O, Cue.RESTORE_HOLDS] = Move(_B, _H.REPEATED)
    cells[_O, Cue.RESTORE_GONE] = Move(_A, _H.RESTORED)
    cells[_O, Cue.RESTORE_HELD] = Move(_S, _H.RESTORED)
    return cells


TABLE: Mapping[tuple[State, Cue], Move] = {**_STANDING, **_aside()}

REACHABLE = tuple(dict.fromkeys(state for state, _ in TABLE))


def move(state: State, cue: Cue) -> Move:
    """The cell of the table: every state has one for every cue."""
    return TABLE[state, cue]


def diagram() -> str:
    """The table as a Mermaid state diagram: every cell that changes the state or says something."""
    names = {state: state.name.lower() for state in REACHABLE}
    lines = ["stateDiagram-v2", *(f'    state "{state}" as {name}' for state, name in names.items())]
    lines.append(f"    [*] --> {names[State.NORMAL]}")
    for (state, cue), cell in TABLE.items():
        if cell.happening is Happening.REFUSED or (cell.to is state and cell.happening is None):
            continue
        said = f" / {cell.happening}" if cell.happening else ""
        lines.append(f"    {names[state]} --> {names[cell.to]} : {cue}{said}")
    return "\n".join(lines) + "\n"


def table_text() -> str:
    """The whole table, refusals too, as a Markdown table: one line a state, one column a cue."""
    head = "| state | " + " | ".join(Cue) + " |"
    rule = "|---" * (len(Cue) + 1) + "|"
    return "\n".join([head, rule, *(_row(state) for state in REACHABLE)]) + "\n"


def _row(state: State) -> str:
    cells = [str(state)]
    for cue in Cue:
        cell = TABLE[state, cue]
        if cell.happening is Happening.REFUSED:
            cells.append(f"refused: {cell.reason}")
        elif cell.happening is None and cell.to is state:
            cells.append("stays")
        else:
            cells.append(f"{cell.to}" + (f" ({cell.happening})" if cell.happening else ""))
    return "| " + " | ".join(cells) + " |"


if __name__ == "__main__":
    sys.stdout.write(f"{table_text()}\n```mermaid\n{diagram()}```\n")
