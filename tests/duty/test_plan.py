"""The coming nights and what was not covered: worked out by hand from small rosters and a few minutes."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, cast
from zoneinfo import ZoneInfo

import pytest

from brinewatch.alarms.coverage import POINT
from brinewatch.alarms.roster import Contact
from brinewatch.alarms.roster import Duty as Hours
from brinewatch.clock import SteppingClock
from brinewatch.config import ShedFile, read_shed
from brinewatch.duty.fates import ways_of
from brinewatch.duty.plan import hours_text, nights_ahead, planned
from brinewatch.duty.showing import Duty, _nights
from brinewatch.duty.uncovered import Gap, gaps_of
from brinewatch.messages import Delivery
from brinewatch.moment import Moment
from brinewatch.nights.read import last_night
from brinewatch.readings import Flag, Reading
from brinewatch.store.rows import Fate
from config.sheds import SMALL, write
from test_journal_command import PEOPLE

# Wednesday 2026-09-23 15:00 UTC
NOW = Moment(0.0, datetime(2026, 9, 23, 15, tzinfo=UTC).timestamp(), True, UTC)
WREN, TEAL = "+447700900101", "+447700900102"


def shed(tmp_path: Path, *contacts: Contact, zone: str = "Etc/UTC") -> ShedFile:
    file = read_shed(write(tmp_path, SMALL.replace("Etc/UTC", zone) + PEOPLE))
    return replace(file, contacts=contacts or file.contacts)


def person(name: str, phone: str, *duty: Hours) -> Contact:
    return Contact(name=name, phone=phone, duty=list(duty))


def shown(file: ShedFile, now: Moment = NOW, count: int = 7) -> list[tuple[str, list[tuple[str, str, bool]]]]:
    return [(one.name, list(one.watches)) for one in _nights(nights_ahead(file, now, count))]


def test_nights_alike_are_told_as_one(tmp_path: Path) -> None:
    assert shown(shed(tmp_path)) == [
        ("Nights from Wed 23 Sep to Wed 30 Sep", [("22:00-07:00", "Wren, then Teal", False)])
    ]


def test_who_stands_which_part_of_the_night_and_when_nobody_does(tmp_path: Path) -> None:
    file = shed(
        tmp_path, person("Wren", WREN, Hours(days=["Mon", "Wed", "Fri"], hours="20:00-02:00")),
        person("Teal", TEAL, Hours(hours="01:00-05:00")),
    )  # fmt: skip
    assert shown(file, count=2) == [
        ("Wed 23 Sep to Thu 24 Sep", [
            ("22:00-01:00", "Wren", False), ("01:00-02:00", "Wren, then Teal", False),
            ("02:00-05:00", "Teal", False),
            ("05:00-07:00", "nobody on duty: everybody is called", True),
        ]),
        ("Thu 24 Sep to Fri 25 Sep", [
            ("22:00-01:00", "nobody on duty: everybody is called", True), ("01:00-05:00", "Teal", False),
            ("05:00-07:00", "nobody on duty: everybody is called", True),
        ]),
    ]  # fmt: skip


def test_the_night_that_is_now_is_the_first(tmp_path: Path) -> None:
    early = Moment(0.0, datetime(2026, 9, 24, 6, 59, tzinfo=UTC).timestamp(), True, UTC)
    [(day, _), *_] = nights_ahead(shed(tmp_path), early)
    assert day.isoformat() == "2026-09-24"
    [(day, _), *_] = nights_ahead(shed(tmp_path), early.later(60))
    assert day.isoformat() == "2026-09-25"


def test_a_night_in_which_the_clock_is_set_back_is_an_hour_longer(tmp_path: Path) -> None:
    """Europe/Dublin, 2026-10-25 02:00 summer time (IANA tz database): 22:00 to 07:00 lasts ten hours."""
    zone = ZoneInfo("Europe/Dublin")
    now = Moment(0.0, datetime(2026, 10, 24, 12, tzinfo=zone).timestamp(), True, zone)
    [(_, [watch]), *_] = nights_ahead(shed(tmp_path, zone="Europe/Dublin"), now)
    assert watch.end.utc - watch.begin.utc == 10 * 3600


def test_a_night_until_midnight_ends_at_midnight(tmp_path: Path) -> None:
    file = read_shed(write(tmp_path, SMALL + PEOPLE + '[calling]\nnight = "20:00-24:00"\n'))
    [(day, [watch]), *_] = nights_ahead(file, NOW)
    assert (day.isoformat(), watch.end.utc - watch.begin.utc) == ("2026-09-23", 4 * 3600)
    begin, end = last_night(file, NOW)
    assert (f"{begin.local:%d %H:%M}", f"{end.local:%d %H:%M}") == ("22 20:00", "23 00:00")


def test_the_plan_names_who_is_on_duty_first(tmp_path: Path) -> None:
    file = shed(tmp_path, person("Wren", WREN, Hours(hours="20:00-08:00")), person("Teal", TEAL))
    calls = [(one["after"], [who["name"] for who in one["who"]]) for one in planned(file, NOW)
             if one["priority"] == "critical"]  # fmt: skip
    assert calls == [("at once", ["Teal"]), ("5 min", ["Teal", "Wren"])]
    assert hours_text(file.contacts[0]) == "on duty every day 20:00-08:00"
    assert hours_text(file.contacts[1]) == "always on duty"


# -- what was not covered -----------------------------------------------------------------------------------------


def minute(at: float, percent: float, why: str = "") -> Reading:
    return Reading(POINT, "coverage", percent, None, Flag.PASS, why, Moment(at, at, True), "brinewatch")


def test_minutes_alike_are_one_gap_and_silence_is_one_too() -> None:
    readings = [
        minute(60, 100), minute(120, 50, "shelved"), minute(180, 0, "shelved"), minute(240, 0, "no way"),
        minute(300, 100), minute(900, 100),
    ]  # fmt: skip
    assert gaps_of(readings, 0, 1200) == [
        Gap(60, 180, "shelved"), Gap(180, 240, "no way"), Gap(300, 810, "nothing ran"),
        Gap(900, 1200, "nothing ran"),
    ]  # fmt: skip


def test_nothing_at_all_is_one_gap_and_the_minute_under_way_is_none() -> None:
    assert gaps_of([], 0, 600) == [Gap(0, 600, "nothing ran")]
    assert gaps_of([minute(60, 100)], 0, 120) == []


# -- ways ---------------------------------------------------------------------------------------------------------


def fate(state: Delivery, ago: float, detail: str = "", to: str = WREN) -> Fate:
    return Fate("sms", to, state, detail, NOW.utc - ago, NOW.utc - ago - 3)


@pytest.mark.parametrize(
    ("fates", "mark", "said"),
    [
        ([], "", "nothing sent yet"),
        ([fate(Delivery.WAITING, 5)], "", "waiting to go out"),
        ([fate(Delivery.DELIVERED, 600)], "", "arrived 14:50"),
        ([fate(Delivery.SENT, 60), fate(Delivery.DELIVERED, 86400)], "",
         "sent 14:59, nothing says yet that it arrived; last arrived 2026-09-22 15:00"),
        ([fate(Delivery.FAILED, 60, "no credit"), fate(Delivery.DELIVERED, 600)], "warning",
         "did not arrive 14:59 (no credit); last arrived 14:50"),
        ([fate(Delivery.UNKNOWN, 60)], "warning", "nobody knows whether it went out 14:59"),
        ([fate(Delivery.FAILED, 60, to=TEAL)], "", "nothing sent yet"),
    ],
)  # fmt: skip
def test_how_the_newest_message_fared(tmp_path: Path, fates: list[Fate], mark: str, said: str) -> None:
    file = shed(tmp_path)
    assert list(ways_of(file.contacts[0], file, fates, NOW)) == [("SMS", mark, said)]


def test_a_way_the_shed_has_not_reaches_nobody(tmp_path: Path) -> None:
    file = replace(shed(tmp_path), modem=None)
    assert list(ways_of(file.contacts[0], file, [], NOW)) == [("SMS", "warning", "the shed has no such way")]


def test_a_shed_with_nobody_to_call_and_no_store_says_both(tmp_path: Path) -> None:
    file = replace(shed(tmp_path), contacts=())
    view = Duty(file, SteppingClock(NOW.utc), cast(Any, None))._view(NOW, None, True)
    assert (view.mark, view.first) == (
        "danger", "Nobody would be called: there is nobody on the roster, or no way to them.",
    )  # fmt: skip
    assert [who for _, rows in view.calls for _, who in rows] == ["nobody"] * 4
    assert view.nights[0].watches == [("22:00-07:00", "nobody on duty: everybody is called", True)]
    assert "cannot be told: There is no" in view.note
    assert "nobody knows when the next is due" in view.due
