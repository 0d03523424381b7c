"""Who is told what, and what a person's answer means."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from typing import Annotated, Literal

from pydantic import Field, field_validator

from brinewatch.alarms.events import AlarmEvent, Command, Happening, Order, Priority
from brinewatch.alarms.septets import septets
from brinewatch.moment import Moment
from brinewatch.settings import Settings

# ITU-T E.164: a country code and at most fifteen digits in all; fewer than seven reaches nobody (common practice)
_E164 = re.compile(r"\+[1-9][0-9]{6,14}")
_DRESS = re.compile(r"[\s().\-/]")


class Contact(Settings):
    """A person who is called, and whose answers count."""

    name: str = Field(description="Short name, as others will read it in a message; at most 20 characters.")
    phone: str = Field(description="Number with country code: + and 7 to 15 digits.")
    from_priority: Annotated[Priority, Field(strict=False)] = Field(
        default=Priority.HIGH, description="Called for alarms of this priority and more urgent ones."
    )
    ways: list[Literal["sms"]] = Field(default=["sms"], min_length=1, description="How this person is reached.")

    @field_validator("name")
    @classmethod
    def _short_name(cls, value: str) -> str:
        length = septets(value)
        if length is None or not 1 <= length <= 20:
            raise ValueError("1 to 20 characters of the GSM 7-bit alphabet")
        return value

    @field_validator("phone")
    @classmethod
    def _international(cls, value: str) -> str:
        number = normalised(value)
        if not _E164.fullmatch(number):
            raise ValueError("a number with country code, such as +447700900123 (E.164)")
        return number


def normalised(number: str) -> str:
    """A phone number without its dress, and with + for a leading 00. A national number stays as it is."""
    bare = _DRESS.sub("", number)
    return "+" + bare[2:] if bare.startswith("00") else bare


def contact_of(sender: str, contacts: Iterable[Contact]) -> Contact | None:
    """The contact this number belongs to, None for a stranger."""
    number = normalised(sender)
    return next((contact for contact in contacts if contact.phone == number), None)


_TOLD = frozenset(
    {
        Happening.RAISED, Happening.REPEATED, Happening.RETURNED, Happening.LATCHED, Happening.CLEARED,
        Happening.ACKNOWLEDGED, Happening.RESET, Happening.SHELVED, Happening.UNSHELVED, Happening.REMOVED,
        Happening.RESTORED,
    }
)  # fmt: skip


_QUIET = frozenset({Happening.SHELVED, Happening.UNSHELVED, Happening.REMOVED, Happening.RESTORED})


def who(event: AlarmEvent, contacts: Iterable[Contact], called: Collection[str] = ()) -> list[tuple[Contact, str]]:
    """Everyone to be told of this event, and by which way.

    called: phone numbers called for this alarm so far, as far as known: whoever was called also hears how it went
    on. When nothing is known of earlier calls the priority decides. A refusal is answered to its sender alone.
    """
    if event.happening not in _TOLD:
        return []
    if event.happening in _QUIET and not called:
        return []  # set aside before anybody was called: nobody waits for news of it
    follows = called and not event.happening.calls
    return [
        (contact, way)
        for contact in contacts
        if (contact.phone in called if follows else event.priority.rank <= contact.from_priority.rank)
        for way in contact.ways
    ]


@dataclass(frozen=True, slots=True)
class Asked:
    """What an incoming text asks for.

    order: None when it is a question; number: the alarm meant, None when it named none; every: it said ALL;
    what: "state" or "help" for a question; for_s: how long, for an order that ends by itself.
    """

    order: Order | None
    number: int | None = None
    every: bool = False
    what: str = ""
    for_s: float | None = None


_OK = frozenset({"ok", "okay", "ack"})
_ALL = frozenset({"all", "every"})
_WORD = re.compile(r"[a-z]+|[0-9]+")
_TIMED = {"shelve": Order.SHELVE, "here": Order.ATTEND}
_PLAIN = {"reset": Order.RESET, "unshelve": Order.UNSHELVE, "left": Order.LEAVE}
_MINUTES = {"": 60.0, "m": 60.0, "min": 60.0, "minutes": 60.0, "h": 3600.0, "hours": 3600.0, "hour": 3600.0}
# a person on the way out of bed writes no times: an hour is bounded enough to be safe
_USUAL_S = 3600.0


def understand(text: str) -> Asked | None:
    """The meaning of an incoming text; None when it has none.

    OK 12, 12 ok, OK, OK ALL, RESET 12, SHELVE 12 30 (minutes, or 2H; an hour when left out), UNSHELVE 12, HERE 90
    (somebody works in the shed), LEFT, STATE, HELP. Case, spaces and punctuation do not matter; a text with words
    to spare is not guessed at.
    """
    words = _WORD.findall(text.lower())
    if re.search(r"[^\W_]", re.sub(r"[a-z0-9]", "", text.lower())):
        return None  # letters of another alphabet: not ours to read
    if words and words[0] in _TIMED:
        return _timed(_TIMED[words[0]], words[1:])
    numbers = [int(word) for word in words if word.isdigit()]
    rest = [word for word in words if not word.isdigit()]
    if rest in (["state"], ["status"], ["help"]) and not numbers:
        return Asked(None, what="help" if rest == ["help"] else "state")
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
