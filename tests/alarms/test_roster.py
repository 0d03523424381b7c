"""Who is told, who may answer, and what an answer means."""

from __future__ import annotations

import pytest
from pydantic import ValidationError

from alarms.nights import at
from brinewatch.alarms.events import AlarmEvent, Command, Happening, Order, Priority, State
from brinewatch.alarms.roster import Asked, Contact, contact_of, normalised, order_of, understand, who

ANN = Contact(name="Ann", phone="+447700900101", from_priority=Priority.HIGH)
BEN = Contact(name="Ben", phone="+447700900102", from_priority=Priority.LOW)
CLEO = Contact(name="Cleo", phone="+447700900103", from_priority=Priority.CRITICAL)
ALL = [ANN, BEN, CLEO]


def event(happening: Happening, priority: Priority) -> AlarmEvent:
    return AlarmEvent(
        happening, "low@a.oxygen_saturation", 12, priority, "Oxygen too low", "a.oxygen_saturation",
        "oxygen_saturation", State.UNACKNOWLEDGED, 60.0, 65.0, at(0), at(180),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("priority", "expected"),
    [
        (Priority.CRITICAL, ["Ann", "Ben", "Cleo"]),
        (Priority.HIGH, ["Ann", "Ben"]),
        (Priority.MEDIUM, ["Ben"]),
        (Priority.LOW, ["Ben"]),
    ],
)
def test_people_are_called_from_their_priority_up(priority: Priority, expected: list[str]) -> None:
    for happening in (Happening.RAISED, Happening.REPEATED):
        assert [(one.name, way) for one, way in who(event(happening, priority), ALL)] == [
            (name, "sms") for name in expected
        ]


def test_whoever_was_called_hears_how_it_went_on() -> None:
    for happening in (
        Happening.ACKNOWLEDGED,
        Happening.RETURNED,
        Happening.CLEARED,
        Happening.LATCHED,
        Happening.RESET,
    ):
        told = who(event(happening, Priority.HIGH), ALL, called=["+447700900102", "+447700900103"])
        assert [one.name for one, _ in told] == ["Ben", "Cleo"]
        # after a restart nobody knows who was called: the priority decides
        assert [one.name for one, _ in who(event(happening, Priority.HIGH), ALL)] == ["Ann", "Ben"]


def test_a_repeated_call_goes_to_all_of_its_priority_whoever_was_called_before() -> None:
    told = who(event(Happening.REPEATED, Priority.HIGH), ALL, called=["+447700900102"])
    assert [one.name for one, _ in told] == ["Ann", "Ben"]


def test_a_refusal_is_nobody_elses_business() -> None:
    assert who(event(Happening.REFUSED, Priority.CRITICAL), ALL) == []


# numbers: ITU-T E.164 (at most 15 digits, + before the country code); +44 7700 900000 to 900999 is Ofcom's range
# for drama


@pytest.mark.parametrize(
    ("given", "kept"),
    [
        ("+447700900123", "+447700900123"),
        ("+44 7700 900-123", "+447700900123"),
        ("0044 (7700) 900.123", "+447700900123"),
    ],
)
def test_a_number_with_country_code_is_taken_in_any_dress(given: str, kept: str) -> None:
    assert Contact(name="Ann", phone=given).phone == kept


@pytest.mark.parametrize(
    "given", ["07700900123", "447700900123", "+0447700900", "+4477", "+4477009001234567", "+44x", ""]
)
def test_a_number_nobody_can_be_sure_of_is_refused(given: str) -> None:
    with pytest.raises(ValidationError, match="country code"):
        Contact(name="Ann", phone=given)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"name": ""}, "1 to 20 characters"),
        ({"name": "x" * 21}, "1 to 20 characters"),
        ({"name": "Аня"}, "GSM"),
        ({"ways": []}, "at least 1"),
        ({"ways": ["pigeon"]}, "sms"),
        ({"from_priority": "urgent"}, "critical"),
        ({"nick": "A"}, "Extra inputs"),
    ],
)
def test_other_faults_of_a_contact(changes: dict[str, object], message: str) -> None:
    with pytest.raises(ValidationError, match=message):
        Contact.model_validate({"name": "Ann", "phone": "+447700900101", **changes})


def test_from_priority_is_read_from_text() -> None:
    read = Contact.model_validate({"name": "Ann", "phone": "+447700900101", "from_priority": "low"})
    assert read.from_priority is Priority.LOW


@pytest.mark.parametrize("sender", ["+447700900101", "00447700900101", "+44 7700 900101"])
def test_a_contact_is_known_by_the_number(sender: str) -> None:
    assert contact_of(sender, ALL) is ANN


@pytest.mark.parametrize("sender", ["07700900101", "447700900101", "+447700900199", "BANK", ""])
def test_a_stranger_is_a_stranger_and_a_national_number_is_not_guessed(sender: str) -> None:
    assert contact_of(sender, ALL) is None


def test_normalising_twice_is_normalising_once() -> None:
    assert normalised(normalised("00 44 7700 900101")) == "+447700900101"


# answers

ACK = Order.ACKNOWLEDGE


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("OK 12", Asked(ACK, 12)),
        ("ok12", Asked(ACK, 12)),
        ("12 ok", Asked(ACK, 12)),
        (" Ok,  12. ", Asked(ACK, 12)),
        ("OK #12!", Asked(ACK, 12)),
        ("okay 7", Asked(ACK, 7)),
        ("OK 012", Asked(ACK, 12)),
        ("OK", Asked(ACK)),
        ("ok.", Asked(ACK)),
        ("OK ALL", Asked(ACK, every=True)),
        ("all ok", Asked(ACK, every=True)),
        ("RESET 12", Asked(Order.RESET, 12)),
        ("reset", Asked(Order.RESET)),
        ("STATE", Asked(None, what="state")),
        ("state?", Asked(None, what="state")),
        ("Help", Asked(None, what="help")),
    ],
)
def test_what_people_write_is_understood(text: str, expected: Asked) -> None:
    assert understand(text) == expected


@pytest.mark.parametrize(
    "text",
    [
        "", "12", "all", "not ok 12", "OK 12 13", "OK 0", "OK 1000", "ok ok then 12 maybe", "OK ALL 12",
        "is 12 ok?",
        "reset all of it", "state 12", "STOP", "хорошо 12", "ок 12", "OK 1 2", "Ann has taken 12",
    ],
)  # fmt: skip
def test_what_is_not_clear_is_not_guessed(text: str) -> None:
    assert understand(text) is None


def test_an_answer_without_a_number_is_taken_only_when_it_means_one_thing() -> None:
    ok = Asked(ACK)
    assert order_of(ok, "Ann", at(0), [12]) == Command(ACK, None, "Ann", at(0))
    assert order_of(ok, "Ann", at(0), [12, 13]) is None
    assert order_of(ok, "Ann", at(0), []) == Command(
        ACK, None, "Ann", at(0)
    )  # the engine refuses it, with its reason
    assert order_of(Asked(ACK, every=True), "Ann", at(0), [12, 13]) == Command(ACK, None, "Ann", at(0))
    assert order_of(Asked(ACK, 13), "Ann", at(0), [12, 13]) == Command(ACK, 13, "Ann", at(0))
    assert order_of(Asked(None, what="state"), "Ann", at(0), [12]) is None


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("shelve 12", Asked(Order.SHELVE, 12, for_s=3600.0)),
        ("Shelve 12, 30", Asked(Order.SHELVE, 12, for_s=1800.0)),
        ("SHELVE 12 2H", Asked(Order.SHELVE, 12, for_s=7200.0)),
        ("shelve 12 90 min", Asked(Order.SHELVE, 12, for_s=5400.0)),
        ("unshelve 12", Asked(Order.UNSHELVE, 12)),
        ("UNSHELVE", Asked(Order.UNSHELVE)),
        ("here", Asked(Order.ATTEND, for_s=3600.0)),
        ("Here 45", Asked(Order.ATTEND, for_s=2700.0)),
        ("here 3 hours", Asked(Order.ATTEND, for_s=10800.0)),
        ("left", Asked(Order.LEAVE)),
    ],
)
def test_orders_that_end_by_themselves(text: str, expected: Asked) -> None:
    assert understand(text) == expected


@pytest.mark.parametrize(
    "text",
    [
        "shelve",
        "shelve all",
        "shelve 0",
        "shelve 12 soon",
        "here we go",
        "here 2 days",
        "left 12",
        "I left",
        "shelve 1 2 3 4",
    ],
)
def test_what_is_not_clear_is_not_guessed_at(text: str) -> None:
    assert understand(text) is None


def test_being_there_needs_no_number_however_many_alarms_wait() -> None:
    command = order_of(Asked(Order.ATTEND, for_s=600.0), "Ann", at(0), [1, 2, 3])
    assert command == Command(Order.ATTEND, None, "Ann", at(0), for_s=600.0)
    assert order_of(Asked(Order.UNSHELVE), "Ann", at(0), [1, 2]) is None


def test_news_of_an_alarm_set_aside_goes_to_those_who_were_called_and_to_nobody_else() -> None:
    shelved = event(Happening.SHELVED, Priority.CRITICAL)
    assert who(shelved, ALL) == []
    assert [one.name for one, _ in who(shelved, ALL, called=[ANN.phone])] == ["Ann"]
    for happening in (Happening.JOINED, Happening.RELEASED, Happening.ATTENDED, Happening.LEFT):
        assert who(event(happening, Priority.CRITICAL), ALL, called=[ANN.phone]) == []
