"""Texts lying in the modem, put together again: the parts of a long one become one text. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from brinewatch.notify.pdu import Deliver

_GAP = "[...]"


@dataclass(frozen=True, slots=True)
class Stored:
    """One PDU as the modem keeps it. index: its place, None for one that was never stored; length as announced."""

    index: int | None
    pdu: str
    length: int


@dataclass(frozen=True, slots=True)
class Letter:
    """One text of one sender with all stored PDUs it is made of. key: the same while its parts come in."""

    sender: str
    text: str
    parts: tuple[Stored, ...]
    complete: bool
    key: tuple[str, int, int] | None = None


@dataclass(slots=True)
class _Pile:
    """The parts of one long text found so far, by their number. The same part may lie there twice."""

    total: int
    found: dict[int, tuple[str, list[Stored]]]

    def takes(self, number: int, text: str) -> bool:
        return number not in self.found or self.found[number][0] == text


def letters(lying: Sequence[tuple[Stored, Deliver]]) -> list[Letter]:
    """What lies in the modem as texts, in the order they were found; a missing part is marked in the text."""
    made: list[Letter] = []
    piles: dict[tuple[str, int, int], list[_Pile]] = {}
    for stored, got in lying:
        if got.concat is None:
            made.append(Letter(got.sender, got.text, (stored,), complete=True))
            continue
        concat = got.concat
        heap = piles.setdefault((got.sender, concat.reference, concat.total), [])
        # references come round again after 256: another text in the same place belongs to another pile
        pile = next((one for one in heap if one.takes(concat.number, got.text)), None)
        if pile is None:
            pile = _Pile(concat.total, {})
            heap.append(pile)
        pile.found.setdefault(concat.number, (got.text, []))[1].append(stored)
    for key, heap in piles.items():
        made += [_letter(key, pile) for pile in heap]
    return made


def _letter(key: tuple[str, int, int], pile: _Pile) -> Letter:
    numbers = range(1, pile.total + 1)
    text = "".join(pile.found[number][0] if number in pile.found else _GAP for number in numbers)
    parts = tuple(stored for number in numbers if number in pile.found for stored in pile.found[number][1])
    return Letter(key[0], text, parts, len(pile.found) == pile.total, key)
