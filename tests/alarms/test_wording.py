"""The texts people get: what they say, and that each fits one text message whatever it is made of."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alarms.english import call_text, clock_text, help_text, reply_text
from alarms.nights import RULES, at, bound, reading, rule, shipped
from brinewatch.alarms.engine import Memory, step
from brinewatch.alarms.events import AlarmEvent, Happening, Order, Priority, State
from brinewatch.alarms.replying import understand
from brinewatch.alarms.rules import Above, Alarm, Below, Failed, Foreseen, Rate, Rule
from brinewatch.alarms.ruleset import BROKEN, NO_AIR_DATA, NO_DATA
from brinewatch.alarms.septets import septets, shorten
from brinewatch.moment import Moment
from brinewatch.readings import Flag

FILES = sorted(path.name for path in RULES.glob("*.toml") if path.name != "sources.toml")
SHIPPED = [*(one for name in FILES for one in shipped(name).rules), NO_DATA, NO_AIR_DATA, BROKEN]
AIR = next(one for one in SHIPPED if one.key == "air-stopped")
CALLS = (Happening.RAISED, Happening.REPEATED, Happening.RETURNED)


def event(happening: Happening, **more: object) -> AlarmEvent:
    plain = AlarmEvent(
        happening, "air-stopped@manifold.air_pressure", 12, Priority.CRITICAL, AIR.title, "manifold.air_pressure",
        "air_pressure", State.UNACKNOWLEDGED, 0.3, 8.0, at(2 * 3600 + 13 * 60), at(2 * 3600 + 14 * 60),
    )  # fmt: skip
    return replace(plain, **more)  # type: ignore[arg-type]


def air(happening: Happening, value: str = "0.3 kPa", **more: object) -> str:
    return call_text("GANNET QUAY", event(happening, **more), AIR, value, "8.0 kPa")


def test_place_time_what_value_limit_since_action_answer_in_this_order() -> None:
    assert air(Happening.RAISED) == (
        "GANNET QUAY 02:14 AIR STOPPED 0.3 kPa (min 8.0) since 02:13. Blower? Breaker? Reply OK 12"
    )


@pytest.mark.parametrize(
    ("happening", "value", "more", "expected"),
    [
        (
            Happening.REPEATED, "0.3 kPa", {},
            "02:14 AGAIN AIR STOPPED 0.3 kPa (min 8.0) since 02:13. Blower? Breaker? Reply OK 12",
        ),
        (
            Happening.RETURNED, "11.9 kPa", {},
            "02:14 air IS BACK 11.9 kPa (min 8.0). AIR STOPPED since 02:13. Reply OK 12",
        ),
        (Happening.CLEARED, "11.9 kPa", {}, "02:14 ALL CLEAR 12: AIR STOPPED over, now 11.9 kPa (min 8.0)"),
        (Happening.ACKNOWLEDGED, "0.3 kPa", {"by": "Ann"}, "02:14 Ann has taken 12 AIR STOPPED, now 0.3 kPa"),
        (
            Happening.ACKNOWLEDGED, "11.9 kPa", {"by": "Ann", "state": State.NORMAL},
            "02:14 Ann has taken 12 AIR STOPPED, now 11.9 kPa. It is over",
        ),
        (
            Happening.LATCHED, "11.9 kPa", {},
            "02:14 AIR STOPPED is over but latched, now 11.9 kPa (min 8.0). Blower? Breaker? Then reply RESET 12",
        ),
        (Happening.RESET, "11.9 kPa", {"by": "Ann"}, "02:14 Ann has reset 12 AIR STOPPED"),
        (
            Happening.REFUSED, "", {"detail": "its cause is still there"},
            "02:14 12 AIR STOPPED. its cause is still there",
        ),
    ],
)  # fmt: skip
def test_every_happening_has_its_words(
    happening: Happening, value: str, more: dict[str, object], expected: str
) -> None:
    assert air(happening, value, **more) == f"GANNET QUAY {expected}"


def test_the_stage_tells_tanks_apart() -> None:
    text = call_text("GANNET QUAY", event(Happening.RAISED), AIR, "0.3 kPa", "8.0 kPa", stage="Nursery tank 2")
    assert text.startswith("GANNET QUAY Nursery tank 2 02:14 AIR STOPPED")


def test_an_unset_clock_is_owned_up_to() -> None:
    late = event(Happening.RAISED, at=at(2 * 3600 + 14 * 60, trusted=False))
    assert " about 02:14 AIR STOPPED" in call_text("GANNET QUAY", late, AIR, "0.3 kPa", "8.0 kPa")


def test_another_day_is_named() -> None:
    yesterday = event(Happening.REPEATED, began=at(-3600))
    assert "since 14 Jan 23:00." in call_text("GANNET QUAY", yesterday, AIR, "0.3 kPa", "8.0 kPa")


def test_times_are_the_sheds_own() -> None:
    # 1 July 2026 12:00 UTC is 09:00 in Halifax (IANA tz database: ADT, 3 h behind) and 22:00 in Hobart (AEST)
    utc = datetime(2026, 7, 1, 12, tzinfo=UTC).timestamp()
    assert clock_text(Moment(0.0, utc, True, ZoneInfo("America/Halifax"))) == "09:00"
    assert clock_text(Moment(0.0, utc, True, ZoneInfo("Australia/Hobart"))) == "22:00"


def test_missing_data_says_why() -> None:
    [alarm] = [
        one for one in bound("watch.toml", points=["manifold.air_pressure"]) if one.rule.key == "no-air-data"
    ]
    silent = event(Happening.RAISED, value=None, limit=None, detail="no answer within 0.5 s")
    assert call_text("GANNET QUAY", silent, alarm.rule, "", "") == (
        "GANNET QUAY 02:14 NO AIR DATA (no answer within 0.5 s) since 02:13. Is the blower running? Reply OK 12"
    )
    back = event(Happening.RETURNED, value=None, limit=None)
    assert "air data IS BACK" in call_text("GANNET QUAY", back, alarm.rule, "", "")


def test_a_state_says_itself_once() -> None:
    [alarm] = [one for one in bound("air.toml", points=["room.mains"]) if one.rule.key == "mains-off"]
    off = event(Happening.RAISED, quantity="mains")
    assert "MAINS OFF since 02:13." in call_text("GANNET QUAY", off, alarm.rule, "off", "")
    on = event(Happening.RETURNED, quantity="mains")
    assert "mains IS BACK on." in call_text("GANNET QUAY", on, alarm.rule, "on", "")


def test_one_of_several_wrong_states_is_over_without_all_being_well() -> None:
    [alarm] = [one for one in bound("air.toml", points=["line.air_state"]) if one.rule.key == "air-line-open"]
    over = event(
        Happening.RETURNED, alarm=alarm.id, point=alarm.point, quantity="air_state", value=3.0, limit=None
    )  # fmt: skip
    text = call_text("GANNET QUAY", over, alarm.rule, "relief open", "")
    assert text == "GANNET QUAY 02:14 AIR LINE OPEN is over, now relief open. Reply OK 12"


def test_an_alarm_gone_from_the_settings_still_has_words() -> None:
    gone = event(Happening.CLEARED, detail="no longer in the settings")
    assert call_text("GANNET QUAY", gone, None, "", "") == (
        "GANNET QUAY 02:14 ALL CLEAR 12: AIR SUPPLY STOPPED over no longer in the settings"
    )


# the length


@pytest.mark.parametrize("one", SHIPPED, ids=[f"{one.key}" for one in SHIPPED])
def test_every_shipped_rule_fits_one_message_at_its_worst(one: Rule) -> None:
    for happening in Happening:
        worst = event(
            happening, number=999, began=at(-86400 * 20, trusted=False), at=at(5 * 3600, trusted=False),
            by="Bartholomew Featherst", detail="no answer within 0.5 s after three tries on /dev/ttyUSB0",
            state=State.NORMAL, quantity="oxygen_saturation",
        )  # fmt: skip
        text = call_text(
            "GANNET QUAY W",
            worst,
            one,
            "-12345.678 mg/L NH3",
            "-12345.678 mg/L NH3",
            stage="Nursery tank 12 in the yard",
        )
        count = septets(text)
        assert count is not None
        assert count <= 160
        if happening in CALLS:
            assert text.endswith("Reply OK 999")
            assert understand(text.rpartition("Reply ")[2]) == understand("OK 999")
        if happening is Happening.LATCHED:
            asked = understand(text.rpartition("reply ")[2])
            assert asked is not None
            assert (asked.order, asked.number) == (Order.RESET, 999)


@pytest.mark.parametrize("one", SHIPPED, ids=[one.key for one in SHIPPED])
def test_every_shipped_rule_keeps_its_first_action_in_an_ordinary_message(one: Rule) -> None:
    for happening in (Happening.RAISED, Happening.REPEATED):
        text = call_text("GANNET QUAY", event(happening), one, "102.3 %", "110.0 %", stage="Nursery")
        assert one.todo[0] in text
        assert one.short in text


NUMBER = re.compile(r"[0-9]+(?:\.[0-9]+)?")
ANY_TEXT = st.text(max_size=60)
VALUES = st.builds(
    lambda v, u: f"{v:.2f} {u}", st.floats(-99999, 99999), st.sampled_from(["kPa", "mg/L NH3", "°C", "µS/cm"])
)


@settings(max_examples=300, deadline=None)
@given(
    shed=ANY_TEXT, stage=ANY_TEXT, detail=ANY_TEXT, by=ANY_TEXT, value=VALUES, limit=VALUES,
    number=st.integers(1, 999), happening=st.sampled_from(Happening), place=st.integers(0, len(SHIPPED) - 1),
    ago=st.floats(0, 4e6), trusted=st.booleans(),
)  # fmt: skip
def test_whatever_it_is_made_of_it_fits_and_its_numbers_are_whole(
    shed: str, stage: str, detail: str, by: str, value: str, limit: str, number: int, happening: Happening,
    place: int, ago: float, trusted: bool,
) -> None:  # fmt: skip
    one = SHIPPED[place]
    said = event(
        happening, number=number, detail=detail, by=by, began=at(-ago, trusted=trusted), at=at(0, trusted=trusted)
    )
    text = call_text(shed, said, one, value, limit, stage=stage)
    count = septets(text)
    assert count is not None
    assert count <= 160
    if happening in CALLS:
        assert text.endswith(f"Reply OK {number}")
    if happening in (Happening.RAISED, Happening.REPEATED) and isinstance(one.condition, (Below, Above)):
        # the value is there, whole, and so is the limit if it is there at all
        assert NUMBER.findall(value)[0] in NUMBER.findall(text)
        if "(min" in text or "(max" in text:
            assert NUMBER.findall(limit)[0] in NUMBER.findall(text)


@pytest.mark.parametrize(
    ("text", "room", "expected"),
    [
        ("Nursery tank 2", 14, "Nursery tank 2"),
        ("Nursery tank 2", 13, "Nursery tank"),
        ("Nursery tank 2", 11, "Nursery"),
        ("Nursery", 4, "Nurs"),
        ("Tank123", 5, "Tank"),
        ("1234", 3, ""),
        ("8.25", 3, ""),
    ],
)
def test_shortening_leaves_words_and_numbers_whole(text: str, room: int, expected: str) -> None:
    assert shorten(text, room) == expected


# replies


def test_replies_to_those_who_write_in() -> None:
    taken = event(Happening.ACKNOWLEDGED, by="Ann")
    other = replace(taken, number=13)
    assert reply_text("GANNET QUAY", [taken]) == "GANNET QUAY You have taken 12. Air supply stopped."
    assert reply_text("GANNET QUAY", [taken, other]) == "GANNET QUAY You have taken 12, 13."
    assert reply_text("GANNET QUAY", [replace(taken, state=State.NORMAL)]) == (
        "GANNET QUAY You have taken 12. Air supply stopped. It is over."
    )
    reset = replace(taken, happening=Happening.RESET, state=State.NORMAL)
    assert reply_text("GANNET QUAY", [reset]).startswith("GANNET QUAY You have reset 12.")
    refused = event(Happening.REFUSED, number=7, detail="no alarm has the number 7")
    assert reply_text("GANNET QUAY", [refused], waiting=[12]) == (
        "GANNET QUAY Not done 7: no alarm has the number 7. Waiting: 12."
    )
    assert reply_text("GANNET QUAY", sentence="All is well.") == "GANNET QUAY All is well."
    assert reply_text("GANNET QUAY", understood=False, waiting=[12, 13]).endswith("or STATE. Waiting: 12, 13.")
    assert reply_text("GANNET QUAY") == "GANNET QUAY Nothing to do."


@settings(max_examples=200, deadline=None)
@given(
    shed=ANY_TEXT, detail=ANY_TEXT, sentence=st.none() | st.text(max_size=400), understood=st.booleans(),
    waiting=st.lists(st.integers(1, 999), max_size=40), many=st.integers(0, 30),
    happening=st.sampled_from(Happening),
)  # fmt: skip
def test_every_reply_fits(
    shed: str,
    detail: str,
    sentence: str | None,
    understood: bool,
    waiting: list[int],
    many: int,
    happening: Happening,
) -> None:
    events = [event(happening, number=900 + place, detail=detail) for place in range(many)]
    text = reply_text(shed, events, sentence, understood=understood, waiting=waiting)
    count = septets(text)
    assert count is not None
    assert count <= 160


def test_the_help_teaches_what_is_understood() -> None:
    text = help_text("GANNET QUAY 123456789")
    assert (septets(text) or 999) <= 160
    for example in ("OK 12", "OK ALL", "RESET 12", "SHELVE 12 30", "UNSHELVE 12", "HERE 60", "LEFT", "STATE"):
        assert example in text
        assert understand(example) is not None


def test_a_flag_is_no_word_for_people() -> None:
    # a rule with no reason at hand still says something readable
    now = at(0)
    data = Alarm(rule(Failed(), key="failed"), "tank.oxygen_saturation", "oxygen_saturation", 30.0)
    [raised] = step([data], Memory(), {data.point: reading(data.point, 90.0, now, Flag.FAIL)}, now).events
    text = call_text("Q", raised, data.rule, "", "")
    assert text == "Q 00:00 OXYGEN TOO LOW (not to be trusted) since 00:00. Look at probe and cable. Reply OK 1"


def test_what_the_condition_found_stands_beside_the_value_when_it_calls() -> None:
    fast = event(Happening.RAISED, value=7.1, detail="falls 1.2 mg/L per h")
    text = call_text("Q", fast, rule(Rate(1.0, "falls", "h", 1800.0)), "7.10 mg/L", "")
    assert "7.10 mg/L (falls 1.2 mg/L per h) since" in text
    later = replace(fast, happening=Happening.REPEATED, detail="still not answered")
    assert "(" not in call_text("Q", later, rule(Rate(1.0, "falls", "h", 1800.0)), "7.10 mg/L", "")


def test_a_forecast_names_its_limit_by_the_side_it_is_on() -> None:
    soon = event(Happening.RAISED, value=61.0, detail="48 min to 45 % at the earliest")
    below = rule(Foreseen("below", 45.0, 3600.0))
    assert "61.0 % (min 45.0) (48 min to 45 % at the earliest)" in call_text("Q", soon, below, "61.0 %", "45.0 %")


def test_what_wakes_by_itself_names_nobody() -> None:
    over = event(Happening.UNSHELVED, state=State.NORMAL, by="")
    text = call_text("Q", over, rule(), "8.2 kPa", "")
    assert text == "Q 02:14 12 OXYGEN TOO LOW is not shelved any more, now 8.2 kPa. Its time is over"


def test_what_somebody_brings_back_and_still_holds_is_said_so() -> None:
    again = event(Happening.REPEATED, by="Ann")
    assert reply_text("Q", [again]) == "Q 12 calls again: Air supply stopped still holds."
    before = event(Happening.UNSHELVED, by="Ann", number=0, state=State.NORMAL)
    assert reply_text("Q", [before]).startswith("Q You have unshelved Air supply stopped.")
