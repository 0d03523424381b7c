"""The texts people are sent, in one language: read from a file, checked as a whole, filled in. Pure.

The English file is the measure of every other: the same texts, the same places in each.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from string import Formatter
from typing import Any

from brinewatch.alarms.septets import ONE_PART, length, plain, septets
from brinewatch.errors import ConfigurationError, Fault
from brinewatch.settings import table_of

# what a person writes back is the same in every language
_ORDERS = re.compile(r"\b(?:OK|RESET|SHELVE|UNSHELVE|HERE|LEFT|STATE|WHO)\b")
_LISTS = ("call", "reply", "spared", "drill")
_MONTHS = 12
_WORD_MOST = 40
# the most each place can hold once everything that may give way has given way
_WIDEST: Mapping[str, int] = {
    "value": 24, "number": 3, "by": 20, "name": 24, "what": 42, "detail": 60, "shed": 20, "numbers": 48,
    "count": 3, "rest": 0, "on": 0, "off": 0, "title": 0, "waiting": 0, "limit": 0, "reason": 0, "also": 0,
    "since": 0, "left": 0, "action": 0, "began": 0, "others": 0, "mark": 30, "how": 30,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Texts:
    """One language. texts: sentences by "part.name"; words: what rules and states are called instead."""

    language: str
    texts: Mapping[str, tuple[str, ...]]
    months: tuple[str, ...]
    words: Mapping[str, str] = field(default_factory=dict)

    def say(self, key: str, **places: object) -> str:
        """A text with its places filled in; what has nothing to say is left out. Points stand between sentences."""
        said = [_tight(sentence.format(**places)) for sentence in self.texts[key]]
        said = [one for one in said if one]
        return " ".join(one if one is said[-1] else _ended(one) for one in said)

    def say_whole(self, key: str, **places: object) -> str:
        """The same, the last sentence ended with a point too."""
        return _ended(self.say(key, **places))

    def word(self, text: str) -> str:
        """What the text is called in this language, where it has a word for it."""
        return self.words.get(text, text)


def load_texts(text: str, file: str, language: str, like: Texts | None = None) -> Texts:
    """The texts of a file. like: those it must match, None for the English ones themselves.

    Raises ConfigurationError with every fault.
    """
    try:
        table = table_of(text)
    except ValueError as error:
        raise ConfigurationError([Fault(file, "(the file)", None, f"TOML; {error}")]) from error
    months = table.get("months")
    named = tuple(map(str, months)) if isinstance(months, list) else ()
    found = Texts(language, dict(_sentences(table)), named, _words(table))
    faults = [*_shape(table, file), *_alphabet(found, file)]
    if like is not None:
        faults += _unlike(found, like, file)
    if not faults:
        faults = list(_too_long(found, file))
    if faults:
        raise ConfigurationError(faults)
    return found


def places_of(sentences: Sequence[str]) -> list[str]:
    """The places of a text, sorted. ValueError when it is not written right."""
    found = []
    for sentence in sentences:
        for _, name, form, turn in Formatter().parse(sentence):
            if name is not None and (form or turn or not name.isidentifier()):
                raise ValueError(f"{{{name}}} is no plain place")
            if name:
                found.append(name)
    return sorted(found)


def _sentences(table: Mapping[str, Any]) -> Iterator[tuple[str, tuple[str, ...]]]:
    for part, rows in table.items():
        if part == "words" or not isinstance(rows, dict):
            continue
        for key, value in rows.items():
            if isinstance(value, str):
                yield f"{part}.{key}", (value,)
            elif isinstance(value, list) and all(isinstance(one, str) for one in value):
                yield f"{part}.{key}", tuple(value)


def _words(table: Mapping[str, Any]) -> dict[str, str]:
    words = table.get("words", {})
    return {key: str(value) for key, value in words.items()} if isinstance(words, dict) else {}


def _shape(table: Mapping[str, Any], file: str) -> Iterator[Fault]:
    months = table.get("months")
    if not (isinstance(months, list) and len(months) == _MONTHS and all(isinstance(one, str) for one in months)):
        yield Fault(file, "months", months, "the short names of twelve months")
    for part, rows in table.items():
        if part == "months":
            continue
        if not isinstance(rows, dict):
            yield Fault(file, part, rows, "a table of texts")
            continue
        for key, value in rows.items():
            right = isinstance(value, str) or (
                part in _LISTS and isinstance(value, list) and all(isinstance(one, str) for one in value)
            )
            if not right:
                yield Fault(file, f"{part}.{key}", value, "a text" + (" or a list of texts" * (part in _LISTS)))


def _alphabet(found: Texts, file: str) -> Iterator[Fault]:
    lines = [(key, one) for key, said in found.texts.items() for one in said]
    lines += [("months", one) for one in found.months] + [(f'words."{k}"', w) for k, w in found.words.items()]
    for key, one in lines:
        # the braces of a place are not sent
        bare = re.sub(r"\{[a-z_]*\}", "", one)
        wrong = [letter for letter in dict.fromkeys(bare) if septets(letter) is None]
        if wrong:
            near = plain("".join(wrong)).strip()
            instead = f" ({near} comes near)" if near and "?" not in near else ""
            yield Fault(file, key, one, f"letters of the GSM 7-bit alphabet; not {' '.join(wrong)}{instead}")
    for original, word in found.words.items():
        if not word.strip() or len(word) > max(_WORD_MOST, len(original)):
            yield Fault(file, f'words."{original}"', word, f"1 to {max(_WORD_MOST, len(original))} characters")


def _unlike(found: Texts, like: Texts, file: str) -> Iterator[Fault]:
    for key in like.texts:
        if key not in found.texts:
            yield Fault(file, key, None, f"a text, in English: {' / '.join(like.texts[key])}")
    for key, said in found.texts.items():
        if key not in like.texts:
            yield Fault(file, key, " / ".join(said), "no such text; see the English file")
            continue
        wanted = places_of(like.texts[key])
        try:
            there = places_of(said)
        except ValueError as error:
            yield Fault(file, key, " / ".join(said), f"places such as {{number}}; {error}")
            continue
        if there != wanted:
            names = " ".join(f"{{{name}}}" for name in wanted) or "none"
            yield Fault(file, key, " / ".join(said), f"these places, each as often: {names}")
        orders = set(_ORDERS.findall(" ".join(like.texts[key]))) - set(_ORDERS.findall(" ".join(said)))
        if orders:
            yield Fault(file, key, " / ".join(said), f"what people write back: {', '.join(sorted(orders))}")


def _too_long(found: Texts, file: str) -> Iterator[Fault]:
    """Calls and replies that would not be one text message though everything that may give way has."""
    month = max(found.months, key=len)
    time = found.say("part.about", time=f"30 {month} 00:00")
    filled: dict[str, object] = {name: "9" * most for name, most in _WIDEST.items()}
    filled |= {"place": f"{'9' * 8} {time}", "until": found.say("part.until", time=time)}
    filled |= {"over": found.say("part.over"), "gone": found.say("part.gone")}
    filled["now"] = found.say("part.now", value=filled["value"])
    for key, said in found.texts.items():
        if key.partition(".")[0] not in _LISTS or key in ("reply.waiting", "reply.more", "reply.then"):
            continue
        widest = length(found.say_whole(key, **{name: filled.get(name, "") for name in places_of(said)}))
        if widest > ONE_PART:
            yield Fault(file, key, " / ".join(said), f"{widest - ONE_PART} characters less, to be one text message")


def _tight(text: str) -> str:
    return re.sub(r" {2,}", " ", text).strip(" ") if "  " in text or text[:1] == " " or text[-1:] == " " else text


def _ended(sentence: str) -> str:
    return sentence if sentence[-1:] in (".", "?", "!", ":") else f"{sentence}."
