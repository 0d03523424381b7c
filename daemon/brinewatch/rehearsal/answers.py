"""People in a rehearsal: nobody answers, or everybody some time after every call."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from brinewatch.alarms.events import AlarmEvent, Command, Happening, Order, State
from brinewatch.alarms.memory import Memory
from brinewatch.moment import Moment

BY = "the rehearsal"
_ASKS = (Happening.RAISED, Happening.REPEATED, Happening.LATCHED)
_ORDERS: Mapping[State, Order] = {
    State.UNACKNOWLEDGED: Order.ACKNOWLEDGE, State.RETURNED: Order.ACKNOWLEDGE, State.LATCHED: Order.RESET,
}  # fmt: skip


class Answers:
    """Acknowledges every call, and resets what latched, so many seconds later. after_s: None when nobody does."""

    def __init__(self, after_s: float | None) -> None:
        self._after_s = after_s
        self._due: dict[str, float] = {}

    @property
    def due(self) -> float | None:
        """The monotonic second of the next answer."""
        return min(self._due.values(), default=None)

    def due_of(self, alarm: str) -> float | None:
        return self._due.get(alarm)

    def hear(self, events: Iterable[AlarmEvent]) -> None:
        if self._after_s is None:
            return
        for event in events:
            if event.happening in _ASKS:
                self._due.setdefault(event.alarm, event.at.mono + self._after_s)

    def orders(self, memory: Memory, now: Moment) -> list[Command]:
        """What is ordered now."""
        made = []
        for alarm in [alarm for alarm, due in self._due.items() if due <= now.mono]:
            del self._due[alarm]
            one = memory.alarms.get(alarm)
            order = _ORDERS.get(one.state) if one is not None else None
            if order is not None:
                made.append(Command(order, None, BY, now, alarm))
        return made
