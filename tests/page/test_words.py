"""What the page says, state by state."""

from __future__ import annotations

from dataclasses import replace

import pytest

from brinewatch.alarms.events import Priority, State
from brinewatch.page.path import row_of
from brinewatch.page.words import shown, tell, when
from brinewatch.readings import Flag
from page.sheds import (
    AIR_STOPPED,
    ALL_WELL,
    BLIND,
    FOLLOWED,
    LEVEL,
    MAINS_BACK,
    NOTHING_YET,
    NOW,
    OXYGEN_LOW,
    SET_ASIDE,
    SILENT,
    STOPPED,
    point,
    with_alarms,
    with_points,
)


def plain(text: str) -> str:
    return text.replace("\N{NO-BREAK SPACE}", " ")


def test_all_is_well_is_said_with_the_values_that_matter() -> None:
    page = tell(ALL_WELL)
    assert (page.mark, page.headline) == ("", "All is well.")
    assert plain(page.values) == "air 11.9 kPa, oxygen at least 90.8 %, 12.1 °C"
    assert (plain(page.checked), page.at) == ("checked 3 s ago", "02:26:07")
    assert page.act is None
    assert all(
        not stop.mark for stop in (*page.air, *page.water, *(stop for _, stops, _ in page.beside for stop in stops))
    )


def test_the_run_keeps_the_order_of_the_water_and_the_air_stands_beside() -> None:
    page = tell(ALL_WELL)
    assert [stop.name for stop in page.air] == ["Blower", "Manifold"]
    assert [stop.name for stop in page.water] == [
        "Sump",
        "Airlift",
        "Nursery tank A",
        "Nursery tank B",
        "Biofilter",
    ]
    assert [stop.last for stop in page.water] == [False] * 4 + [True]
    assert [(heading, [stop.name for stop in stops]) for heading, stops, _ in page.beside] == [
        ("The room", []), ("The watch itself", ["Modem", "Journal"]),
    ]  # fmt: skip


def test_an_alarm_says_what_since_when_what_to_do_who_was_told_and_how_to_answer() -> None:
    page = tell(STOPPED)
    first = page.alarms[0]
    assert (page.mark, page.word, page.headline) == ("danger", "Danger", "Air supply stopped")
    assert plain(first.value) == "0.3 kPa (min 8.0 kPa)"
    assert plain(first.since) == "since 02:14, 12 min"
    assert first.state == "Nobody has taken it over yet."
    assert first.todo == AIR_STOPPED.todo
    assert first.told == (
        ("Aoife: arrived", False),
        ("Bram: handed to the network, not confirmed yet", False),
        ("Ciara: did not arrive", True),
    )
    assert (first.answer, first.command) == ("OK 12", "brinewatch ack 12")
    assert page.act == first
    assert [one.full for one in page.alarms] == [True, False, False]


def test_alarms_stand_by_urgency_and_a_taken_one_asks_for_no_answer() -> None:
    page = tell(with_alarms(LEVEL, OXYGEN_LOW, AIR_STOPPED))
    assert [(one.number, one.mark) for one in page.alarms] == [(12, "danger"), (13, "danger"), (9, "warning")]
    assert (page.alarms[1].state, page.alarms[1].answer) == ("Taken over by Aoife.", "")
    taken = tell(with_alarms(OXYGEN_LOW))
    assert taken.act is None


def test_what_is_over_by_itself_is_no_danger_but_needs_a_person() -> None:
    page = tell(with_alarms(MAINS_BACK, LEVEL))
    assert [(one.number, one.mark) for one in page.alarms] == [(9, "warning"), (11, "person")]
    assert (page.alarms[1].title, page.alarms[1].value) == ("Over: Mains power off", "Now on")
    assert page.alarms[1].since == "began Mon 13 Jul 01:26"
    latched = tell(with_alarms(replace(MAINS_BACK, state=State.LATCHED))).alarms[0]
    assert (latched.verb, latched.answer, latched.command) == ("reset it", "RESET 11", "brinewatch reset 11")


@pytest.mark.parametrize(
    ("priority", "mark"),
    [
        (Priority.CRITICAL, "danger"),
        (Priority.HIGH, "danger"),
        (Priority.MEDIUM, "warning"),
        (Priority.LOW, "person"),
    ],
)
def test_each_priority_has_its_shape(priority: Priority, mark: str) -> None:
    assert tell(with_alarms(replace(LEVEL, priority=priority))).mark == mark


def test_the_air_line_is_cut_from_its_alarm_on() -> None:
    page = tell(STOPPED)
    assert all(stop.cut for stop in (*page.air, *page.water))
    lower = replace(AIR_STOPPED, stage="manifold", point="manifold.air_rise")
    page = tell(with_alarms(lower))
    assert [stop.cut for stop in page.air] == [False, True]
    assert not any(stop.cut for stop in tell(with_alarms(replace(AIR_STOPPED, state=State.RETURNED))).water)


def test_blind_points_are_named_with_the_reason_and_never_called_well() -> None:
    page = tell(BLIND)
    assert (page.mark, page.headline) == (
        "unknown",
        "No alarm, but nothing is known now of: pH, oxygen saturation.",
    )
    assert tuple((name, plain(reason)) for name, reason in page.blind) == (
        ("Sump, pH", "no answer within 0.5 s"),
        ("Nursery tank A, oxygen saturation", "13 min old"),
        ("Nursery tank B, oxygen saturation", "not to be trusted: outside what is physically possible"),
    )
    # a value nobody can judge is not among those a watchkeeper would name
    assert plain(page.values) == "air 11.9 kPa, oxygen unknown, 12.1 °C"
    suspect = page.water[-1].rows[0]
    assert (suspect.mark, suspect.note) == ("suspect", "suspect: has not moved for 40 min")


@pytest.mark.parametrize("flag", [Flag.NOT_EVALUATED, Flag.FAIL, Flag.MISSING])
def test_no_unusable_flag_passes_for_normal(flag: Flag) -> None:
    page = tell(with_points(ALL_WELL, point("sump.ph", 8.05, "pH 8.05", flag)))
    assert page.mark == "unknown"
    assert page.water[0].rows[1].mark == "unknown"


def test_silence_is_not_called_well() -> None:
    page = tell(SILENT)
    assert (page.mark, plain(page.headline)) == ("unknown", "No usable reading for 13 min.")
    page = tell(NOTHING_YET)
    assert (page.mark, page.headline, page.checked) == ("unknown", "Not one reading yet.", "not checked yet")


def test_a_clock_that_was_never_set_is_said() -> None:
    assert not any("clock" in note for note in tell(ALL_WELL).notes)
    unsure = replace(ALL_WELL, at=replace(NOW, trusted=False))
    assert any("times may be wrong" in note for note in tell(unsure).notes)


def test_an_alarm_that_outlived_a_restart_keeps_its_age() -> None:
    other_boot = replace(AIR_STOPPED, since=replace(AIR_STOPPED.since, mono=9e6))
    assert plain(tell(with_alarms(other_boot)).alarms[0].since) == "since 02:14, 12 min"


@pytest.mark.parametrize(
    ("text", "name", "said"),
    [
        ("12.1 C", "temperature", "12.1_°C"),
        ("53.8 F", "temperature", "53.8_°F"),
        ("pH 8.05", "pH", "8.05"),
        ("pH 8.05", "", "pH_8.05"),
        ("0.004 mg/L N", "", "0.004_mg/L N"),
        ("33.4 PSS-78", "", "33.4_PSS-78"),
        ("min 8.0 kPa", "", "min 8.0_kPa"),
        ("no answer within 0.5 s", "", "no answer within 0.5_s"),
        ("off", "", "off"),
    ],
)
def test_values_are_written_for_people(text: str, name: str, said: str) -> None:
    assert shown(text, name).replace("\N{NO-BREAK SPACE}", "_") == said


def test_times_are_the_sheds_own_and_name_the_day_when_it_is_another() -> None:
    # 01:26 UTC is 02:26 in Irish summer time (IANA tz Europe/Dublin)
    assert when(NOW, NOW) == "02:26"
    assert when(NOW.later(-9000), NOW) == "Mon 13 Jul 23:56"


def test_events_are_newest_first() -> None:
    assert tell(STOPPED).events[:2] == (
        ("02:14", "Air supply stopped, began (12)"),
        ("Mon 13 Jul 01:26", "Air supply stopped, back to normal (12)"),
    )
    assert tell(STOPPED).events[2][1] == "Air supply stopped, taken over by Aoife (12)"


def test_what_is_set_aside_is_said_with_why_and_until_when_and_is_not_called_well() -> None:
    page = tell(SET_ASIDE)
    assert page.headline == "2 alarms hold but may not call."
    assert page.mark == "person"
    assert page.attended.startswith("Somebody works in the shed")
    assert dict(page.aside) == {
        "No trustworthy oxygen saturation": "out of service until Fri 17 Jul 02:26: membrane ordered. "
        "It holds now.",
        "Water level low": "held back: somebody works in the shed. It holds now.",
        "pH rather low": "shelved until 02:56. It does not hold now.",
    }
    assert not SET_ASIDE.well
    quiet = replace(SET_ASIDE, aside=SET_ASIDE.aside[2:])
    assert (tell(quiet).headline, quiet.well) == ("All is well.", True)


def test_a_value_says_its_limit_its_trend_and_what_it_may_be_off_by() -> None:
    tank = tell(ALL_WELL).water[2]
    assert [(row.name, plain(row.way)) for row in tank.rows] == [
        ("oxygen saturation", "falling 1.2 % in an hour, 23.2 % above the lower limit"),
        ("temperature", "5.8 °C below the upper limit"),
    ]
    assert [plain(text) for text in tank.rows[1].more] == [
        "5.8 °C below the upper limit of 18.0 °C.", "It may be off by 0.2 °C either way (95 %).", "Read every 5 s."
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("age", "every", "said"),
    [(9.0, 5.0, ""), (11.0, 5.0, "11 s old"), (200.0, None, ""), (400.0, None, "7 min old")],
)
def test_an_age_is_told_of_what_is_older_than_two_scans(age: float, every: float | None, said: str) -> None:
    one = replace(point("sump.temperature", 12.1, "12.1 C"), age_s=age, every_s=every, old=False)
    row = row_of(one)
    assert (row.mark, plain(row.note)) == ("", said)


def test_a_cause_points_at_its_consequences_and_they_at_it() -> None:
    page = tell(FOLLOWED)
    blower, airlift, tank_b = page.air[0], page.water[1], page.water[3]
    assert blower.to == (
        ("#s-airlift", "Airlift: Water flow low"), ("#s-nursery-b", "Nursery tank B: Oxygen low"),
        ("#s-biofilter", "Biofilter: No water in the biofilter"),
    )  # fmt: skip
    assert (airlift.mark, airlift.word) == ("danger", "Consequence")
    assert airlift.from_ == (("#a12", "Water flow low: because of Air supply stopped, Blower"),)
    assert tank_b.from_ == (("#a12", "Oxygen low: because of Air supply stopped, Blower"),)
    assert tank_b.word == "Danger"
    assert not blower.from_
    assert not airlift.to


def test_parts_of_the_watch_that_are_well_need_one_line() -> None:
    assert [short for _, _, short in tell(ALL_WELL).beside] == ["", "its 2 parts are well"]
    ill = with_points(ALL_WELL, point("modem.health", 0, "failing", Flag.SUSPECT, "no network"))
    assert [short for _, _, short in tell(ill).beside] == ["", ""]
