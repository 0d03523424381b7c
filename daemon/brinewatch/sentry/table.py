"""What a lookout makes of what it hears: one table, the first row that fits decides.

Only a signed beat can say that a shed is there or that it stopped on purpose. The broker's word that a connection
broke (its last will) is not signed: it can make the lookout sooner alarmed, never calmer.
"""

from __future__ import annotations

from enum import StrEnum
from itertools import product


class Road(StrEnum):
    """How the lookout stands with the broker the shed's beats come over."""

    OPEN = "open"
    BROKER_OFF = "broker off"  # not connected, though the own line reaches another host
    LINE_OFF = "own line off"  # not connected, and the own line reaches nobody
    CLOSED = "broker or own line off"  # not connected, and no other host is asked
    NONE = "none"  # this shed's beats come by SMS alone


class Heard(StrEnum):
    """Its signed beats over the broker."""

    FRESH = "fresh"
    AWAITED = "awaited"  # none since the road opened, and it has not been open for long enough to say
    OLD = "old"


class Leave(StrEnum):
    """Whether the newest signed word was that it stops on purpose."""

    NO = "no"
    AWAY = "away"
    OVERDUE = "overdue"


class Texts(StrEnum):
    """Its signed beats by SMS."""

    NONE = "none"  # there are none for this shed
    FRESH = "fresh"
    OLD = "old"
    UNTOLD = "untold"  # the lookout's own modem fails, or has not been up for long enough to say


class Sight(StrEnum):
    """What the lookout says of a shed."""

    THERE = "there"  # what it says of itself counts
    STOPPED = "stopped on purpose"
    OVERDUE = "stopped on purpose and not back in time"
    BROKE = "its connection to the broker broke"
    SILENT = "nothing is heard"
    CUT = "only its SMS beats arrive"
    UNTOLD = "cannot be told"

    @property
    def off(self) -> bool:
        """Whether somebody must go and see whether the shed is watched at all."""
        return self in (Sight.OVERDUE, Sight.BROKE, Sight.SILENT)


_ANY_ROAD, _ANY_HEARD, _ANY_LEAVE, _ANY_TEXTS = tuple(Road), tuple(Heard), tuple(Leave), tuple(Texts)
_SHUT = (Road.BROKER_OFF, Road.LINE_OFF, Road.CLOSED)
_UNHELPFUL = (Texts.NONE, Texts.OLD, Texts.UNTOLD)
_BOTH = (False, True)

# road, heard, leave, broke, texts: sight. broke: the broker's last will is newer than the newest beat
ROWS: tuple[
    tuple[tuple[Road, ...], tuple[Heard, ...], tuple[Leave, ...], tuple[bool, ...], tuple[Texts, ...], Sight], ...
] = (
    # a word of leave stands until its time, whatever else is heard or not
    (_ANY_ROAD, _ANY_HEARD, (Leave.AWAY,), _BOTH, _ANY_TEXTS, Sight.STOPPED),
    (_ANY_ROAD, _ANY_HEARD, (Leave.OVERDUE,), _BOTH, _ANY_TEXTS, Sight.OVERDUE),
    # the road is open
    ((Road.OPEN,), (Heard.FRESH,), (Leave.NO,), (False,), _ANY_TEXTS, Sight.THERE),
    ((Road.OPEN,), (Heard.FRESH,), (Leave.NO,), (True,), _ANY_TEXTS, Sight.BROKE),
    ((Road.OPEN,), (Heard.OLD,), (Leave.NO,), _BOTH, (Texts.FRESH,), Sight.CUT),
    ((Road.OPEN,), (Heard.OLD,), (Leave.NO,), (True,), _UNHELPFUL, Sight.BROKE),
    ((Road.OPEN,), (Heard.OLD,), (Leave.NO,), (False,), _UNHELPFUL, Sight.SILENT),
    ((Road.OPEN,), (Heard.AWAITED,), (Leave.NO,), _BOTH, _ANY_TEXTS, Sight.UNTOLD),
    # it is not: only texts can tell, and their silence is a silence of its own
    (_SHUT, _ANY_HEARD, (Leave.NO,), _BOTH, (Texts.FRESH,), Sight.THERE),
    (_SHUT, _ANY_HEARD, (Leave.NO,), _BOTH, (Texts.OLD,), Sight.SILENT),
    (_SHUT, _ANY_HEARD, (Leave.NO,), _BOTH, (Texts.NONE, Texts.UNTOLD), Sight.UNTOLD),
    # there is none
    ((Road.NONE,), _ANY_HEARD, (Leave.NO,), _BOTH, (Texts.FRESH,), Sight.THERE),
    ((Road.NONE,), _ANY_HEARD, (Leave.NO,), _BOTH, (Texts.OLD, Texts.NONE), Sight.SILENT),
    ((Road.NONE,), _ANY_HEARD, (Leave.NO,), _BOTH, (Texts.UNTOLD,), Sight.UNTOLD),
)

Cell = tuple[Road, Heard, Leave, bool, Texts]


def _spread() -> dict[Cell, Sight]:
    found: dict[Cell, Sight] = {}
    for roads, heards, leaves, brokes, texts, sight in ROWS:
        for cell in product(roads, heards, leaves, brokes, texts):
            found.setdefault(cell, sight)
    return found


CELLS = _spread()


def road_of(connected: bool, other_host: bool | None) -> Road:
    """How the lookout stands with a broker. other_host: whether its own line reaches another host, None when no
    other is asked."""
    if connected:
        return Road.OPEN
    if other_host is None:
        return Road.CLOSED
    return Road.BROKER_OFF if other_host else Road.LINE_OFF


def sight_of(road: Road, heard: Heard, leave: Leave, broke: bool, texts: Texts) -> Sight:
    """What is to be said of a shed."""
    return CELLS[road, heard, leave, broke, texts]
