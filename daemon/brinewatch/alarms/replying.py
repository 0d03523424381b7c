"""What a person's text message means."""

from __future__ import annotations

import hmac
import re
from collections.abc import Sequence
from dataclasses import dataclass

from brinewatch.alarms.events import Command, Order
from brinewatch.moment import Moment


@dataclass(frozen=True, slots=True)
class Asked:
    """What an incoming text asks for.

    order: None when it is a question; number: the alarm meant, None when it named none; every: it said ALL;
    what: "state", "who" or "help" for a question; for_s: how long, for an order that ends by itself.
    """

    order: Order | None
    number: int | None = None
    every: bool = False
    what: str = ""
    for_s: float | None = None


_QUESTIONS = {"state": "state", "status": "state", "who": "who", "help": "help"}
_OK = frozenset({"ok", "okay", "ack"})
_ALL = frozenset({"all", "every"})
_WORD = re.compile(r"[a-z]+|[0-9]+")
_TIMED = {"shelve": Order.SHELVE, "here": Order.ATTEND}
_PLAIN = {"reset": Order.RESET, "unshelve": Order.UNSHELVE, "left": Order.LEAVE}
_MINUTES = {"": 60.0, "m": 60.0, "min": 60.0, "minutes": 60.0, "h": 3600.0, "hours": 3600.0, "hour": 3600.0}
_MOST_DIGITS = 6  # of a number anybody means
# a person on the way out of bed writes no times: an hour is bounded enough to be safe
_USUAL_S = 3600.0


def understand(text: str) -> Asked | None:
    """The meaning of an incoming text; None when it has none.

    OK 12, 12 ok, OK, OK ALL, RESET 12, SHELVE 12 30 (minutes, or 2H; an hour when left out), UNSHELVE 12, HERE 90
    (somebody works in the shed), LEFT, STATE, WHO (is on duty), HELP. Case, spaces and punctuation do not matter; a
    text with words to spare is not guessed at.
    """
    words = _WORD.findall(text.lower())
    if re.search(r"[^\W_]", re.sub(r"[a-z0-9]", "", text.lower())):
        return None  # letters of another alphabet: not ours to read
    if any(len(word) > _MOST_DIGITS for word in words if word.isdigit()):
        return None
    if words and words[0] in _TIMED:
        return _timed(_TIMED[words[0]], words[1:])
    numbers = [int(word) for word in words if word.isdigit()]
    rest = [word for word in words if not word.isdigit()]
    if len(rest) == 1 and rest[0] in _QUESTIONS and not numbers:
        return Asked(None, what=_QUESTIONS[rest[0]])
    if not rest or len(numbers) > 1 or (numbers and not 1 <= numbers[0] <= 999):
        return None
    order = _PLAIN.get(rest[0], Order.ACKNOWLEDGE)
    if order is not Order.ACKNOWLEDGE:
        rest = rest[1:]
    elif rest[0] in _OK or rest[-1] in _OK:
        rest = [word for word in rest if word not in _OK]
    else:
        return None
    every = len(rest) == 1 and rest[0] in _ALL
    if (rest and not every) or (every and numbers) or (order is Order.LEAVE and (numbers or every)):
        return None
    return Asked(order, numbers[0] if numbers else None, every)


def _timed(order: Order, words: Sequence[str]) -> Asked | None:
    """SHELVE 12, SHELVE 12 30, SHELVE 12 2 H, HERE, HERE 45, HERE 2 H."""
    left = list(words)
    number = None
    if order is Order.SHELVE:
        if not left or not left[0].isdigit() or not 1 <= int(left[0]) <= 999:
            return None  # what is shelved is named: nobody shelves the whole shed by a slip
        number = int(left.pop(0))
    for_s = _USUAL_S
    if left:
        if not left[0].isdigit():
            return None
        unit = left[1] if len(left) == 2 else ""
        if len(left) > 2 or unit not in _MINUTES:
            return None
        for_s = int(left[0]) * _MINUTES[unit]
    return Asked(order, number, for_s=for_s)


def order_of(asked: Asked, by: str, at: Moment, fitting: Sequence[int]) -> Command | None:
    """The order for the engine; None for a question, or when no number was named and several alarms fit.

    fitting: the numbers waiting for such an order; an answer without a number must mean one thing.
    """
    if asked.order is None:
        return None
    whole_shed = asked.order in (Order.ATTEND, Order.LEAVE)
    if asked.number is None and not asked.every and not whole_shed and len(fitting) > 1:
        return None
    return Command(asked.order, asked.number, by, at, for_s=asked.for_s)


def without_pin(text: str, pin: str | None) -> str | None:
    """The text without the PIN that must end it; None when that is missing or another. Without a PIN, the text."""
    if pin is None:
        return text
    found = re.search(r"(?<![0-9])([0-9]+)[\s.!]*$", text)
    # compared in the same time however much of it is right
    if found is None or not hmac.compare_digest(found[1].encode(), pin.encode()):
        return None
    return text[: found.start()]
