"""A night told from readings and events: the same numbers as counted by hand."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import UTC, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alarms.english import ENGLISH
from brinewatch.alarms.events import AlarmEvent, Happening, Priority, State
from brinewatch.alarms.septets import septets
from brinewatch.moment import Moment
from brinewatch.nights.night import Called, Night, Span, calls_of, share_above, span_of, watched
from brinewatch.nights.read import worst_air
from brinewatch.nights.words import as_json, call_words, long_text, short_text
from brinewatch.readings import Flag, Reading, quantity_of
from brinewatch.signals.display import DisplayUnits

BEGIN = datetime(2026, 9, 23, 22, tzinfo=UTC).timestamp()
END = BEGIN + 9 * 3600.0
UNITS = DisplayUnits()
H, S = Happening, State


def at(hours: float) -> Moment:
    utc = BEGIN + hours * 3600.0
    return Moment(utc, utc, True, UTC)


def reading(
    value: float | None, hours: float, flag: Flag = Flag.PASS, point: str = "tank.oxygen_saturation"
) -> Reading:
    return Reading(point, quantity_of(point), value, value, flag, "", at(hours), "probe")


def event(
    happening: Happening, state: State, hours: float, number: int = 1, priority: Priority = Priority.CRITICAL,
    by: str = "", title: str = "Air supply stopped",
) -> AlarmEvent:  # fmt: skip
    return AlarmEvent(
        happening, f"rule-{number}@manifold.air_pressure", number, priority, title, "manifold.air_pressure",
        "air_pressure", state, 0.1, 8.0, at(hours), at(hours), by,
    )  # fmt: skip


def test_a_range_is_of_good_readings_and_what_is_missing_is_said() -> None:
    readings = [reading(90.0, 0.0), reading(88.0, 1.0), reading(None, 1.5, Flag.MISSING),
                reading(20.0, 2.0, Flag.FAIL),
                reading(30.0, 2.5, Flag.SUSPECT), reading(94.0, 3.0, Flag.NOT_EVALUATED)]  # fmt: skip
    found = span_of("tank.oxygen_saturation", readings, BEGIN, END, 1800.0)
    assert (found.low, found.high, found.doubtful, found.failed) == (88.0, 94.0, 1, 1)
    assert found.mean == pytest.approx((90 + 88 + 94) / 3)
    assert found.missing == pytest.approx(1 - 3 * 0.5 / 9)  # each good one speaks for half an hour


def test_readings_close_together_do_not_speak_twice_for_the_same_time() -> None:
    readings = [reading(90.0, 0.1 * step) for step in range(90)]
    assert span_of("tank.oxygen_saturation", readings, BEGIN, END, 1800.0).missing == pytest.approx(0.0, abs=1e-9)


def test_a_night_without_a_reading_has_no_range() -> None:
    found = span_of("tank.ph", [], BEGIN, END, 60.0)
    assert (found.low, found.high, found.mean, found.missing) == (None, None, None, 1.0)


@settings(max_examples=25, deadline=None)
@given(
    st.lists(
        st.tuples(st.floats(0, 9, exclude_max=True), st.floats(0, 20)), max_size=30, unique_by=lambda one: one[0]
    )
)
def test_the_share_of_air_is_that_of_a_clock_looked_at_every_second(steps: list[tuple[float, float]]) -> None:
    readings = [
        reading(value, math.floor(hours * 3600) / 3600, point="m.air_pressure") for hours, value in sorted(steps)
    ]
    readings = list({one.at.utc: one for one in readings}.values())
    age = 1200.0
    seconds, known, place, last = 0, 0, 0, None
    for second in range(9 * 3600):
        while place < len(readings) and readings[place].at.utc <= BEGIN + second:
            last, place = readings[place], place + 1
        on = last is not None and last.value is not None and last.value >= 8.0
        fresh = last is not None and BEGIN + second < last.at.utc + age
        seconds, known = seconds + (on and fresh), known + fresh
    share, spoken = share_above(readings, 8.0, BEGIN, END, age)
    within = 1.5 * (len(readings) + 1) / (9 * 3600)
    assert share == pytest.approx(seconds / (9 * 3600), abs=within)
    assert spoken == pytest.approx(known / (9 * 3600), abs=within)


def coverage(minutes: Sequence[tuple[int, float, str]]) -> list[Reading]:
    return [
        Reading("alarms.coverage", "coverage", value, None, Flag.PASS, why, at(minute / 60), "brinewatch")
        for minute, value, why in minutes
    ]


def test_the_watch_is_the_covered_share_of_the_whole_night_silence_counting_as_none() -> None:
    whole = [(minute, 100.0, "") for minute in range(1, 541)]
    assert watched(coverage(whole), BEGIN, END) == (1.0, [])
    lost = [(minute, 50.0, "x: shelved") if 60 < minute <= 120 else (minute, 100.0, "") for minute in range(1, 541)]
    share, gaps = watched(coverage(lost), BEGIN, END)
    assert share == pytest.approx(1 - 30 / 540)
    assert gaps == [("x: shelved", pytest.approx(1800.0))]
    stopped = [one for one in whole if not 100 < one[0] <= 200]
    share, gaps = watched(coverage(stopped), BEGIN, END)
    assert share == pytest.approx(1 - 99.5 / 540)  # the reading after the stop speaks for a minute and a half
    assert gaps[0][0] == "nothing ran"
    assert watched([], BEGIN, END) == (None, [])


def test_calls_are_told_with_their_answer_and_their_end() -> None:
    calls = calls_of(
        [
            event(H.RAISED, S.UNACKNOWLEDGED, -3), event(H.ACKNOWLEDGED, S.ACKNOWLEDGED, -2.9, by="Teal"),
            event(H.CLEARED, S.NORMAL, -2),  # over before the night
            event(H.RAISED, S.UNACKNOWLEDGED, -1, 2, title="pH low"),  # stood when it began
            event(H.RAISED, S.UNACKNOWLEDGED, 4, 3), event(H.REPEATED, S.UNACKNOWLEDGED, 4.2, 3),
            event(H.ACKNOWLEDGED, S.ACKNOWLEDGED, 4.25, 3, by="Wren"), event(H.CLEARED, S.NORMAL, 4.5, 3),
            event(H.JOINED, S.SUPPRESSED, 5, 4), event(H.RAISED, S.UNACKNOWLEDGED, 9.5, 5),
        ],
        BEGIN, END,
    )  # fmt: skip
    assert [(one.number, one.times, one.by, one.over) for one in calls] == [
        (2, 1, "", None), (3, 2, "Wren", at(4.5)),
    ]  # fmt: skip
    assert call_words(calls[1]) == (
        "24 Sep 02:00 Air supply stopped (critical), called 2 times, answered 02:15 by Wren, over 02:30"
    )


def spans() -> tuple[Span, ...]:
    return (
        Span("raceway.oxygen_saturation", 87.6, 93.9, 91.0, 0.0, 0, 0),
        Span("raceway.temperature", 11.8, 12.3, 12.0, 0.0, 0, 0),
        Span("raceway.ph", 7.98, 8.04, 8.0, 0.0, 0, 0),
        Span("manifold.air_pressure", 11.9, 11.9, 11.9, 0.0, 0, 0),
    )


def night(**changes: object) -> Night:
    given: dict[str, object] = {
        "shed": "Gannet Quay nursery", "short": "GANNET QUAY", "begin": at(0), "end": at(9), "told": END,
        "spans": spans(), "air": (1.0, 1.0), "calls": (), "quiet": (), "watch": 1.0, "gaps": (), **changes,
    }  # fmt: skip
    return Night(**given)  # type: ignore[arg-type]


def called(**changes: object) -> Called:
    given: dict[str, object] = {
        "number": 3, "alarm": "air-stopped@manifold.air_pressure", "title": "Air supply stopped",
        "point": "manifold.air_pressure", "priority": Priority.CRITICAL, "called": at(4), "over": at(4.5),
        "times": 1,
        "answered": None, "by": "", "value": 0.1, **changes,
    }  # fmt: skip
    return Called(**given)  # type: ignore[arg-type]


def test_a_quiet_night_in_one_text() -> None:
    assert short_text(ENGLISH, night(), UNITS) == (
        "GANNET QUAY all well 22:00-07:00. O2 88-94 %, T 11.8-12.3, pH 7.98-8.04, air 11.9 kPa, air on 100 %, "
        "0 calls, watch 100 %"
    )


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"calls": (called(),)}, ["NOT ALL WELL", "1 call,"]),
        ({"calls": (called(over=None),)}, ["NOT ALL WELL", "STANDS: Air supply stopped"]),
        ({"watch": 0.9}, ["NOT ALL WELL", "watch 90 %"]),
        ({"watch": None}, ["NOT ALL WELL", "watch unknown"]),
        ({"watch": 0.9999}, ["all well", "watch 99.9 %"]),
        ({"spans": (Span("raceway.ph", None, None, None, 1.0, 0, 0),)}, ["NOT ALL WELL", "NO DATA pH"]),
        ({"quiet": (called(priority=Priority.LOW),)}, ["all well", "1 waited"]),
    ],
)
def test_a_night_that_was_not_says_so(changes: dict[str, object], words: list[str]) -> None:
    text = short_text(ENGLISH, night(**changes), UNITS)
    for word in words:
        assert word in text, text


@given(st.integers(0, 9), st.integers(0, 5), st.booleans())
def test_it_is_always_one_part_whatever_the_night(tanks: int, calls: int, stands: bool) -> None:
    many = tuple(Span(f"t{n}.{q}", 1.0 + n, 22.0 + n, 3.0, 0.0, 0, 0) for n in range(tanks)
                 for q in ("oxygen_saturation", "temperature"))  # fmt: skip
    some = tuple(
        called(number=n, over=None if stands else at(5), title="Oxygen saturation far too low in it")
        for n in range(calls)
    )
    text = short_text(ENGLISH, night(spans=many, calls=some), UNITS)
    length = septets(text)
    assert length is not None
    assert length <= 160  # one part of GSM 7-bit text: 3GPP TS 23.038
    assert f"{calls} call" in text
    assert "watch 100 %" in text


def test_the_long_report_and_the_one_for_programs_say_the_same() -> None:
    one = night(calls=(called(answered=at(4.1), by="Wren"),), watch=0.95, gaps=(("nothing ran", 1620.0),))
    text = long_text(one)
    for said in (
        "Gannet Quay nursery, night of 2026-09-23 22:00 to 2026-09-24 07:00: not all well.",
        "raceway, oxygen saturation: 87.6 to 93.9 %, mean 91.0",
        "Air on 100 %.",
        "Called for: 1.",
        "answered 02:06 by Wren, over 02:30",
        "Every critical alarm was able to call for 95 % of the night.",
        "27 min: nothing ran",
    ):
        assert said in text, text
    told = as_json(one)
    assert told["well"] is False
    assert told["calls"][0]["answered"] == "2026-09-24T02:06:00.000Z"
    assert told["ranges"][0]["low"] == 87.6
    assert told["watch"] == 0.95


def test_of_several_gauges_of_the_air_the_one_that_saw_least_counts_and_a_dead_one_does_not() -> None:
    assert worst_air([(0.9, 0.9), (0.5, 1.0), (0.0, 0.0)]) == (0.5, 1.0)
    assert worst_air([(0.0, 0.0)]) == (0.0, 0.0)
    assert worst_air([]) is None
