"""Orders of the lookout to a shed: signed, of now, never twice, and answered.

Topics below `<base>/<shed>/`, JSON signed with the secret shared with the lookout: `order` (`id`, `do`:
"acknowledge", `number`, `by`, and the lookout's rising `start` and `n`); `done` (`id`, `done`, `words`): the shed's
own word on it. What is not signed, old, or seen before does nothing but leave a line in the journal.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from brinewatch.alarms.events import AlarmEvent, Command, Happening, Order
from brinewatch.moment import Moment, span_text
from brinewatch.signing import BadSignature, opened, sealed

_LATE_S = 120.0
_BY = 40

Obey = Callable[[Command], Sequence[AlarmEvent]]
Number = tuple[int, int]


class Remote:
    """Takes the lookout's orders.

    obey: one step of the watch with the order, giving its events; note(kind, text): a line for the journal; last:
    the number of the newest order obeyed, over restarts; keep(number): written down before an order is obeyed, so
    that it is not obeyed again.
    """

    def __init__(
        self, root: str, secret: str, obey: Obey, note: Callable[[str, str], None], last: Number,
        keep: Callable[[Number], None], *, allowed: bool,
    ) -> None:  # fmt: skip
        self._root, self._secret, self._obey, self._note = root, secret, obey, note
        self._last, self._keep, self._allowed = last, keep, allowed

    @property
    def topic(self) -> str:
        return f"{self._root}/order"

    @property
    def answers(self) -> str:
        return f"{self._root}/done"

    def hear(self, payload: bytes, retained: bool, now: Moment) -> str | None:
        """Obey an order, or not. The answer to be published on `answers`, None for what deserves none."""
        try:
            fields = opened(self.topic, payload, self._secret)
            number = (_whole(fields, "start"), _whole(fields, "n"))
            key, alarm, by = str(fields["id"]), _whole(fields, "number"), str(fields.get("by", ""))
        except (BadSignature, KeyError, ValueError) as error:
            self._note("forged", f"{self.topic}: an order that is not the lookout's is not obeyed: {error}")
            return None
        if retained or number <= self._last:
            self._note("old", f"{self.topic}: an old order (number {alarm}) came again and is not obeyed")
            return None
        late = now.utc - float(fields.get("utc", now.utc)) if now.trusted and fields.get("trusted") is True else 0.0
        self._last = number
        self._keep(number)
        if late > _LATE_S:
            return self._answer(key, False, f"The order came {span_text(late)} late.")
        if not self._allowed:
            self._note(
                "forbidden", f"{self.topic}: the lookout may not take alarms over here (acknowledge = false)"
            )
            return self._answer(key, False, "This shed's file does not let its lookout take alarms over.")
        if fields.get("do") != "acknowledge":
            return self._answer(key, False, "Only taking an alarm over can be done from a lookout.")
        who = f"{by[:_BY].strip() or 'somebody'} (lookout)"
        events = [one for one in self._obey(Command(Order.ACKNOWLEDGE, alarm, who, now)) if one.by == who]
        return self._told(key, events)

    def _told(self, key: str, events: Sequence[AlarmEvent]) -> str:
        taken = [one for one in events if one.happening is Happening.ACKNOWLEDGED]
        if taken:
            return self._answer(key, True, f"Taken over: {taken[0].title}.")
        why = events[0].detail if events else "there was nothing to take over"
        return self._answer(key, False, f"Not done: {why}.")

    def _answer(self, key: str, done: bool, words: str) -> str:
        return sealed(self.answers, {"id": key, "done": done, "words": words}, self._secret)


def _whole(fields: Mapping[str, Any], key: str) -> int:
    value = fields[key]
    if isinstance(value, bool) or not isinstance(value, int):
        raise ValueError(f"{key} is {value!r}")
    return value
