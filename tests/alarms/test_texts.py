"""Messages in another language: nothing a person is sent stands anywhere but in the texts, and those are checked.

The second language is an invented one, so that a word of English left over anywhere shows.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from functools import partial
from typing import Any

import pytest

from alarms.english import ENGLISH
from alarms.languages import WORDS, invented, written
from alarms.nights import at, bound
from brinewatch.alarms.events import AlarmEvent, Happening, Priority, State
from brinewatch.alarms.septets import septets
from brinewatch.alarms.texts import Texts, load_texts, places_of
from brinewatch.alarms.wording import Left, call_text, help_text, reply_text, spared_text, who_text
from brinewatch.errors import ConfigurationError


def load(table: Mapping[str, Any]) -> Texts:
    return load_texts(written(table), "texts_qaa.toml", "qaa", ENGLISH)


OTHER = load(invented())
AIR = next(one.rule for one in bound("air.toml", points=["manifold.air_pressure"]) if one.rule.key == "air-stopped")
# what stands in a message and is no word of a language: the shed, its people, numbers, units, what is written back
ORDERS = ("OK", "ALL", "RESET", "SHELVE", "UNSHELVE", "HERE", "LEFT", "STATE", "WHO")
GIVEN = {"QQ", "Vv", "Ww", "kPa", "O", "h", "Tt", *ORDERS}
FOREIGN = {
    word
    for said in [*OTHER.texts.values(), OTHER.months, tuple(WORDS.values())]
    for line in said
    for word in re.findall(r"[A-Za-z]+", re.sub(r"\{[a-z_]+\}", " ", line))
}  # fmt: skip


def event(happening: Happening, **more: Any) -> AlarmEvent:
    plain = AlarmEvent(
        happening, "air-stopped@manifold.air_pressure", 12, Priority.CRITICAL, AIR.title, "manifold.air_pressure",
        "air_pressure", State.UNACKNOWLEDGED, 0.3, 8.0, at(-7200), at(8040, trusted=False), by="Vv",
        detail="no answer", also=("OXYGEN LOW",), until=at(90000),
    )  # fmt: skip
    return replace(plain, **more)


def english_left(text: str) -> set[str]:
    return set(re.findall(r"[A-Za-z]+", text)) - FOREIGN - {word.upper() for word in FOREIGN} - GIVEN


LEFT = Left("about", "Tt", {"what": "O 65", "middle": "3h10", "earliest": ""})
CALL = partial(call_text, OTHER, "QQ")
REPLY = partial(reply_text, OTHER, "QQ")


@pytest.mark.parametrize("happening", Happening)
@pytest.mark.parametrize(
    "more", [{}, {"by": ""}, {"state": State.NORMAL}, {"until": None}], ids=["plain", "nobody", "over", "endless"]
)
def test_every_call_is_wholly_in_the_other_language(happening: Happening, more: dict[str, Any]) -> None:
    said = event(happening, **more)
    for rule in (AIR, None):
        for left in (LEFT, None):
            text = CALL(said, rule, "0.3 kPa", "8.0 kPa", stage="Ww", left=left)
            assert english_left(text) == set()
            assert (septets(text) or 999) <= 160
            english = call_text(ENGLISH, "QQ", said, rule, "0.3 kPa", "8.0 kPa", stage="Ww", left=left)
            assert text != english
            assert re.findall(r"[0-9:.]+[0-9]", text) == re.findall(r"[0-9:.]+[0-9]", english)


def test_one_call_as_it_is_read() -> None:
    said = event(Happening.RAISED, began=at(7980), at=at(8040), also=(), detail="")
    assert CALL(said, AIR, "0.3 kPa", "8.0 kPa") == (
        "QQ 02:14 EOS TVURRIF 0.3 kPa (nop 8.0) topdi 02:13. Cmuxis? Csielis? Sirmb OK 12"
    )


@pytest.mark.parametrize("how", ["about", "unmeasured", "near", "perhaps", "passed", "never"])
def test_how_long_is_left_is_told_in_the_other_language(how: str) -> None:
    numbers = {"what": "O 65", "middle": "3h10", "earliest": "2h20"}
    assert english_left(Left(how, "Tt", numbers).said(OTHER)) == set()


@pytest.mark.parametrize("happening", [*Happening, None])
@pytest.mark.parametrize("count", [1, 5])
def test_every_reply_is_wholly_in_the_other_language(happening: Happening | None, count: int) -> None:
    events = [event(happening, number=20 + one, also=()) for one in range(count)] if happening else []
    texts = [
        REPLY(events, waiting=[12, 13]),
        REPLY(events, understood=False, waiting=range(1, 40)),
        REPLY([replace(one, state=State.NORMAL, number=0) for one in events]),
    ]
    for text in texts:
        assert english_left(text) == set()
        assert (septets(text) or 999) <= 160


def test_the_other_texts_are_in_the_other_language_too() -> None:
    for text in (
        help_text(OTHER, "QQ"), who_text(OTHER, "QQ", ["Vv", "Ww"], ["Tt"]), who_text(OTHER, "QQ", [], ["Tt"]),
        spared_text(OTHER, "QQ", [4]), spared_text(OTHER, "QQ", [4, 5, *range(20, 60)]),
    ):  # fmt: skip
        assert english_left(text) == set()


def test_the_invented_language_is_another_one() -> None:
    for key, said in ENGLISH.texts.items():
        places = dict.fromkeys(places_of(said), "7")
        english = ENGLISH.say(key, **places)
        assert OTHER.say(key, **places) != english or not re.search("[a-z]", english), key


# -- what is refused -------------------------------------------------------------------------------------------


def faults(change: Mapping[tuple[str, str], Any]) -> list[str]:
    table = invented()
    for (part, key), value in change.items():
        if value is None:
            del table[part][key]
        else:
            table[part][key] = value
    with pytest.raises(ConfigurationError) as found:
        load(table)
    return [str(one) for one in found.value.faults]


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        ({("call", "raised"): None}, "call.raised = None: expected a text, in English: {place} {what}"),
        ({("call", "extra"): "x"}, "call.extra = 'x': expected no such text"),
        ({("part", "since"): "topdi"}, "part.since = 'topdi': expected these places, each as often: {time}"),
        ({("part", "since"): "topdi {time:>9}"}, "places such as {number}"),
        ({("part", "since"): "topdi {time"}, "places such as {number}"),
        ({("part", "over"): "ça est fini à 3°"}, "letters of the GSM 7-bit alphabet; not ç °"),
        ({("call", "returned_state"): ["{place} {what} {now}", "Sirmb {number}"]}, "what people write back: OK"),
        ({("call", "acknowledged"): ["{place} {by} " + "x" * 40 + " {number} {what}{now}", "{over}"]},
         "characters less, to be one text message"),
        ({("words", "AIR STOPPED"): "X" * 41}, "1 to 40 characters"),
        ({("part", "over"): ["a", "b"]}, "part.over = ['a', 'b']: expected a text"),
    ],
)  # fmt: skip
def test_a_language_file_that_would_fail_at_night_is_refused_by_day(
    change: Mapping[tuple[str, str], Any], expected: str
) -> None:
    assert any(expected in one for one in faults(change)), faults(change)


def test_every_fault_is_told_at_once() -> None:
    found = faults({("call", "raised"): None, ("part", "since"): "topdi", ("night", "well"): None})
    assert len(found) == 3


def test_a_file_that_is_no_toml_and_months_that_are_no_year_are_refused() -> None:
    with pytest.raises(ConfigurationError, match="TOML"):
        load_texts("months = [", "texts_qaa.toml", "qaa", ENGLISH)
    with pytest.raises(ConfigurationError, match="twelve months"):
        load({**invented(), "months": ["a"]})
    with pytest.raises(ConfigurationError, match="twelve months"):
        load_texts("months = 5", "texts_qaa.toml", "qaa", ENGLISH)
    with pytest.raises(ConfigurationError, match="TOML; lists or tables stand too deep"):
        load_texts("months = " + "[" * 5000, "texts_qaa.toml", "qaa", ENGLISH)
