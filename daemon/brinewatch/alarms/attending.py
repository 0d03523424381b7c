"""A switch on the wall that says somebody works in the shed. Its edges are orders; how it rests is none.

A switch left on ends by itself after the longest time that may be asked for, and is an alarm by its own rule then.
"""

from __future__ import annotations

from collections.abc import Iterable

from brinewatch.alarms.events import Command, Order
from brinewatch.alarms.memory import Memory
from brinewatch.alarms.orders import LONGEST_ATTENDED_S
from brinewatch.moment import Moment
from brinewatch.readings import Flag, Reading

QUANTITY = "attended_switch"
BY = "the switch"
_NOBODY = 0


class AttendedSwitches:
    """Remembers how each switch last stood. What stood while nobody looked, before a start, is no edge: a switch
    found on orders nothing (a call too many rather than none), one found off ends what a switch had begun."""

    def __init__(self) -> None:
        self._stood: dict[str, int] = {}

    def orders(self, readings: Iterable[Reading], memory: Memory, now: Moment) -> list[Command]:
        """What these readings order. A doubtful or missing reading is passed over."""
        made = []
        for reading in readings:
            if reading.quantity != QUANTITY or reading.flag is not Flag.PASS or reading.value is None:
                continue
            stands, stood = round(reading.value), self._stood.get(reading.point)
            self._stood[reading.point] = stands
            if stands != _NOBODY and stood == _NOBODY:
                made.append(Command(Order.ATTEND, None, BY, now, for_s=LONGEST_ATTENDED_S))
            elif stands == _NOBODY and self._ends(stood, memory):
                made.append(Command(Order.LEAVE, None, BY, now))
        return made

    def _ends(self, stood: int | None, memory: Memory) -> bool:
        if memory.attended is None or stood == _NOBODY:
            return False
        return stood is not None or memory.attended.by == BY
