"""Who is told, who may answer, and what an answer means."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from alarms.nights import at
from brinewatch.alarms.events import Command, Order, Priority
from brinewatch.alarms.replying import Asked, order_of, understand, without_pin
from brinewatch.alarms.roster import DAYS, Contact, Day, Duty, contact_of, idle_hours, in_order, normalised
from brinewatch.moment import Moment

ANN = Contact(name="Ann", phone="+447700900101", from_priority=Priority.HIGH)
BEN = Contact(name="Ben", phone="+447700900102", from_priority=Priority.LOW)
CLEO = Contact(name="Cleo", phone="+447700900103", from_priority=Priority.CRITICAL)
ALL = [ANN, BEN, CLEO]


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
        "shelve 12 " + "9" * 400,
        "here 9999999",
        "ok " + "0" * 5000 + "12",
    ],
)
def test_what_is_not_clear_is_not_guessed_at(text: str) -> None:
    assert understand(text) is None


def test_being_there_needs_no_number_however_many_alarms_wait() -> None:
    command = order_of(Asked(Order.ATTEND, for_s=600.0), "Ann", at(0), [1, 2, 3])
    assert command == Command(Order.ATTEND, None, "Ann", at(0), for_s=600.0)
    assert order_of(Asked(Order.UNSHELVE), "Ann", at(0), [1, 2]) is None


# who is on duty


def on(day: str, hour: float, *, trusted: bool = True) -> Moment:
    """A time in the week of Monday 2026-09-21, in a zone that is not UTC."""
    zone = ZoneInfo("Europe/Athens")
    date = datetime(2026, 9, 21, tzinfo=zone) + timedelta(days=DAYS.index(day), hours=hour)  # type: ignore[arg-type]
    return Moment(0.0, date.timestamp(), trusted, zone)


WEEKDAYS = Duty(days=["Mon", "Tue", "Wed", "Thu", "Fri"], hours="18:00-08:00")


@pytest.mark.parametrize(
    ("day", "hour", "holds"),
    [
        ("Mon", 17.98, False), ("Mon", 18, True), ("Tue", 7.98, True), ("Tue", 8, False),
        ("Sat", 7.5, True),  # the night that began on Friday
        ("Sat", 18.5, False), ("Mon", 7.5, False),  # the night that began on Sunday
    ],
)  # fmt: skip
def test_hours_over_midnight_belong_to_the_day_on_which_they_begin(day: str, hour: float, holds: bool) -> None:
    assert WEEKDAYS.holds(on(day, hour)) is holds


def test_with_a_clock_nobody_trusts_everybody_is_on_duty() -> None:
    wren = Contact(name="Wren", phone="+447700900101", duty=[WEEKDAYS])
    assert not wren.on_duty(on("Sat", 18.5))
    assert wren.on_duty(on("Sat", 18.5, trusted=False))


def test_who_is_on_duty_comes_first_in_the_order_of_the_roster() -> None:
    night = Duty(hours="18:00-08:00")
    wren = Contact(name="Wren", phone="+447700900101", duty=[Duty(hours="08:00-18:00")])
    teal = Contact(name="Teal", phone="+447700900102", duty=[night])
    knot = Contact(name="Knot", phone="+447700900103", from_priority=Priority.LOW)
    found = in_order([wren, teal, knot], Priority.HIGH, on("Wed", 23))
    assert [[one.name for one in group] for group in found] == [["Teal", "Knot"], ["Wren"]]
    assert [[one.name for one in group] for group in in_order([wren, knot], Priority.LOW, on("Wed", 23))] == [
        ["Knot"], [],
    ]  # fmt: skip


@pytest.mark.parametrize("hours", ["18-8", "24:00-01:00", "10:00-10:00", "18:00-24:30", "18:00 - 08:00", ""])
def test_hours_that_are_none_are_refused(hours: str) -> None:
    with pytest.raises(ValidationError, match="times of the day"):
        Duty(hours=hours)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"ways": ["mail"]}, "mail address"),
        ({"ways": ["mail"], "mail": "wren at example"}, "one mail address"),
        ({"ways": ["sms", "sms"]}, "each way once"),
        ({"pin": "12"}, "pattern"),
        ({"pin": "12345a"}, "pattern"),
    ],
)
def test_faults_of_ways_and_pin(changes: dict[str, object], message: str) -> None:
    with pytest.raises(ValidationError, match=message):
        Contact.model_validate({"name": "Ann", "phone": "+447700900101", **changes})


@pytest.mark.parametrize(
    ("text", "left"),
    [
        ("OK 12 4711", "OK 12 "), ("ok 4711.", "ok "), ("OK 12", None), ("OK 12 4712", None), ("4711 OK 12", None),
        ("OK 124711", None), ("SHELVE 12 30 4711", "SHELVE 12 30 "), ("4711", ""), ("", None),
    ],
)  # fmt: skip
def test_a_pin_must_end_the_text(text: str, left: str | None) -> None:
    assert without_pin(text, "4711") == left
    assert without_pin(text, None) == text


def test_a_pin_is_not_shown_when_settings_are_printed() -> None:
    assert "4711" not in repr(Contact(name="Ann", phone="+447700900101", pin="4711"))


# hours in which nobody is on duty


@pytest.mark.parametrize(
    ("duties", "idle"),
    [
        ([[]], []),
        ([[Duty(hours="08:00-18:00")]], [f"{day} 18:00 to {after} 08:00" for day, after in
                                         zip(DAYS, (*DAYS[1:], DAYS[0]), strict=True)]),
        ([[Duty(hours="18:00-08:00")], [Duty(hours="08:00-18:00")]], []),
        ([[WEEKDAYS], [Duty(days=["Mon", "Tue", "Wed", "Thu", "Fri"], hours="08:00-18:00")]],
         ["Sat 08:00 to Mon 08:00"]),
        ([[Duty(days=["Mon"], hours="00:00-24:00")]], ["Tue 00:00 to Mon 00:00"]),
        ([], ["all week"]),
    ],
)  # fmt: skip
def test_hours_in_which_nobody_is_on_duty_are_named(duties: list[list[Duty]], idle: list[str]) -> None:
    people = [Contact(name=f"P{at}", phone=f"+44770090010{at}", duty=duty) for at, duty in enumerate(duties)]
    found = idle_hours(people)
    assert sorted(found) == sorted(idle)


@given(
    st.lists(
        st.tuples(st.lists(st.sampled_from(DAYS), min_size=1, max_size=7, unique=True), st.integers(0, 1439),
                  st.integers(0, 1440)).filter(lambda one: one[1] != one[2]), min_size=1, max_size=4,
    ),
    st.integers(0, 7 * 1440 - 1),
)  # fmt: skip
@settings(max_examples=60, deadline=None)
def test_a_minute_is_idle_just_when_nobody_is_on_duty(
    duties: list[tuple[list[Day], int, int]], minute: int
) -> None:
    people = [
        Contact(
            name=f"P{at}", phone=f"+44770090010{at}",
            duty=[Duty(days=days, hours=f"{a // 60:02d}:{a % 60:02d}-{b // 60:02d}:{b % 60:02d}")],
        )
        for at, (days, a, b) in enumerate(duties)
    ]  # fmt: skip
    monday = datetime(2026, 9, 21, tzinfo=UTC).timestamp()
    anybody = any(one.on_duty(Moment(0.0, monday + 60 * minute, True, UTC)) for one in people)
    idle = False
    for stretch in idle_hours(people):
        begin, end = (DAYS.index(text[:3]) * 1440 + int(text[4:6]) * 60 + int(text[7:9]) for text in  # type: ignore[arg-type]
                      stretch.split(" to "))  # fmt: skip
        idle |= begin <= minute < end if begin < end else minute >= begin or minute < end
    assert idle is not anybody
