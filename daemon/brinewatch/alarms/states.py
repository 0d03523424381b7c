"""The alarm states of ISA-18.2 / IEC 62682 as one table: state x cue -> state and what is said about it.

The engine works out the cues (delays, deadbands, expiry); this table alone says where they lead. Its letters in the
standard's figure: A normal, B unacknowledged, C acknowledged, D returned to normal unacknowledged.
Shelving, suppression by design and removal from service are rows and cues yet to come; nothing leads to them now.
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
    """

    HOLDS = "condition holds"
    GONE = "condition gone"
    GONE_LATCHING = "condition gone (latching rule)"
    ACKNOWLEDGE = "acknowledge"
    RESET = "reset"
    REPEAT = "time to call again"
    RETIRED = "taken out of the settings"


@dataclass(frozen=True, slots=True)
class Move:
    """One cell: the state after, what is said (None: nothing), and why when it is refused."""

    to: State
    happening: Happening | None = None
    reason: str = ""


_A, _B, _C, _D, _L = State.NORMAL, State.UNACKNOWLEDGED, State.ACKNOWLEDGED, State.RETURNED, State.LATCHED
_H = Happening


def _refused(state: State, reason: str) -> Move:
    return Move(state, _H.REFUSED, reason)


TABLE: Mapping[tuple[State, Cue], Move] = {
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

REACHABLE = tuple(dict.fromkeys(state for state, _ in TABLE))


def move(state: State, cue: Cue) -> Move:
    """The cell of the table. KeyError for a state nothing leads to yet."""
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
