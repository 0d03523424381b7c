"""What is said of the watch's parts: what is wrong is marked and says why, what is well is plain."""

from __future__ import annotations

import json
import sqlite3
from datetime import UTC
from pathlib import Path

import pytest

from brinewatch.condition.disks import BackupFacts, StoreFacts, backup_facts, size_text, store_facts
from brinewatch.condition.words import (
    backup_line,
    certificate_line,
    clock_line,
    due_lines,
    part_lines,
    probe_lines,
    store_line,
    way_notes,
)
from brinewatch.config import read_shed
from brinewatch.messages import Delivery
from brinewatch.moment import Moment
from brinewatch.page.tls import Certificate
from brinewatch.readings import Flag, Reading
from brinewatch.signals.status import Wire, probe_views
from brinewatch.store.backup import back_up_store
from brinewatch.store.rows import Fate
from brinewatch.supervising import PartTold
from test_journal_command import T0, a_night

DAY_S = 86400.0
NOW = Moment(50_000.0, T0.utc + 30 * DAY_S, True, UTC)  # 2026-12-25 02:13:50
GB = 1_000_000_000


def store(**changes: object) -> StoreFacts:
    given: dict[str, object] = {
        "journal": 2_000_000, "history": 30_000_000, "others": 500, "free": 20 * GB, "total": 32 * GB,
        "days": 10.0, "fates": (), **changes,
    }  # fmt: skip
    return StoreFacts(**given)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("size", "text"),
    [(0, "0 B"), (999, "999 B"), (1000, "1.0 kB"), (15_300, "15 kB"), (2_400_000, "2.4 MB"), (3.21e9, "3.2 GB")],
)
def test_sizes(size: float, text: str) -> None:
    assert size_text(size) == text


def test_room_is_reckoned_from_what_the_history_took() -> None:
    """30 MB in 10 days are 3 MB a day; 20 GB are room for 6667 days, 18 years."""
    line = store_line(store())
    assert line.text == "20.0 GB free of 32.0 GB (62 %)"
    assert line.notes[1] == "The history grows by 3.0 MB a day: room for more than ten years at that pace."
    assert line.mark == ""
    assert "room for about 667 days" in store_line(store(free=2 * GB)).notes[1]


@pytest.mark.parametrize(
    ("changes", "mark", "said"),
    [
        ({"free": 1 * GB}, "warning", "1.0 GB free of 32.0 GB (3 %)"),
        ({"history": 10 * GB}, "warning", "room for about 20 days at that pace"),
        ({"days": 0.4}, "", "How fast it grows is known after a day."),
        ({"fault": "The card is gone."}, "warning", "The card is gone."),
        ({"free": None, "total": None}, "", "the disk does not say how full it is"),
    ],
)
def test_a_store_that_fills_or_fails_is_marked(changes: dict[str, object], mark: str, said: str) -> None:
    line = store_line(store(**changes))
    assert line.mark == mark
    assert said in " ".join([line.text, *line.notes])


async def test_the_newest_whole_copy_counts_and_what_broke_off_is_named(tmp_path: Path) -> None:
    shed = read_shed(await a_night(tmp_path))
    to = tmp_path / "disk"
    assert "cannot be looked at" in backup_facts(shed, to).fault
    to.mkdir()
    assert backup_facts(shed, to) == BackupFacts()
    for hours in (48.0, 24.0):
        back_up_store(shed.data, to, NOW.later(-hours * 3600))
    (to / "brinewatch-20261225T000000Z.unfinished").mkdir()
    found = backup_facts(shed, to)
    assert found.made_utc == pytest.approx(NOW.utc - DAY_S, abs=1e-3)
    assert (found.kept, found.broken, found.elsewhere) == (2, 1, False)
    with sqlite3.connect(shed.data / "journal.sqlite") as db:
        assert found.records == db.execute("SELECT count(*) FROM chain").fetchone()[0]
    db.close()
    line = backup_line(found, NOW)
    assert (line.mark, line.text) == ("person", "last Thu 24 Dec 02:13, on the disk of the store itself")
    assert "1 of them came to no end." in line.notes
    (to / "brinewatch-20261224T021350Z" / "backup.json").write_text(json.dumps([1]), encoding="utf-8")
    assert "cannot be read" in backup_facts(shed, to).fault


def test_a_night_without_a_copy_is_marked() -> None:
    fresh, old = (BackupFacts(NOW.utc - age, 5, 7, 3, 0, True) for age in (DAY_S, 3 * DAY_S))
    assert backup_line(fresh, NOW).mark == ""
    assert backup_line(old, NOW).mark == "warning"


async def test_the_data_folder_as_it_is(tmp_path: Path) -> None:
    shed = read_shed(await a_night(tmp_path))
    facts = store_facts(shed, NOW)
    assert facts.journal >= (shed.data / "journal.sqlite").stat().st_size
    assert (facts.history, facts.days, facts.fault) == (0, None, "")
    assert facts.free is not None
    assert {(one.way, one.state) for one in facts.fates} == {
        ("sms", Delivery.DELIVERED), ("sms", Delivery.SENT), ("sms", Delivery.FAILED),
    }  # fmt: skip
    [delivered] = [one for one in facts.fates if one.state is Delivery.DELIVERED]
    assert (delivered.sent_utc, delivered.changed_utc) == (T0.utc + 19, T0.utc + 22)


def test_a_clock_nobody_set_is_marked_and_one_that_follows_says_what() -> None:
    line = clock_line("", None, False, Moment(1.0, 1000.0, False, UTC))
    assert (line.mark, line.word) == ("warning", "Warning")
    assert "times may be wrong" in line.text
    good = clock_line("the time service of the system", NOW.utc - 600, True, NOW)
    assert (good.mark, good.text) == ("", "follows the time service of the system, last set 02:03")
    assert good.notes == ("A battery clock bridges power cuts.",)


@pytest.mark.parametrize(
    ("found", "fault", "mark", "said"),
    [
        (None, "", "", "served without a certificate of its own"),
        (None, "The key cannot be read.", "warning", "The key cannot be read."),
        (Certificate(NOW.utc + 60 * DAY_S, ("shed.example",)), "", "", "good until 2027-02-23, 60 d"),
        (Certificate(NOW.utc + 5 * DAY_S, ()), "", "warning", "the page's certificate ends in 5 days"),
        (Certificate(NOW.utc - 1, ()), "", "warning", "has ended"),
        (Certificate(None, (), "does not count yet"), "", "warning", "does not count yet"),
    ],
)
def test_the_certificate(found: Certificate | None, fault: str, mark: str, said: str) -> None:
    line = certificate_line(found, fault, NOW)
    assert line.mark == mark
    assert said in line.text


def test_parts_that_were_started_again_say_why_and_how_often() -> None:
    lines = part_lines([
        PartTold("recorder", False, False, 0, "", None), PartTold("bus w1", False, True, 4, "it hung", 30.0),
        PartTold("page", True, False, 1, "no port", 4000.0), PartTold("a piece of work", False, False, 0, "x", 5.0),
    ])  # fmt: skip
    assert [(one.name, one.text, one.mark) for one in lines] == [
        ("bus w1", "keeps failing; started again 4 times, last 30 s ago", "warning"),
        ("page", "hangs; started again once, last 67 min ago", "warning"),
        ("a piece of work", "failed, last 5 s ago", ""),
        ("Parts", "1 of 4 never had to be started again since the watch began", ""),
    ]
    assert lines[0].notes == ("it hung",)


def test_ways_tell_when_anything_last_went_out_and_arrived() -> None:
    gone = "no such number"
    fates = [
        Fate("sms", "a", Delivery.DELIVERED, "", NOW.utc - 3000, NOW.utc - 3600),
        Fate("sms", "b", Delivery.SENT, "", NOW.utc - 600, NOW.utc - 600),
        Fate("sms", "c", Delivery.FAILED, gone, NOW.utc - 60, None),
        Fate("mail", "d", Delivery.SENT, "", NOW.utc - 30, None),
    ]
    assert way_notes("sms", fates, True, NOW) == [
        f"Last sent 02:03. Last arrived 01:23. Last one that did not arrive, or may not have: 02:12 ({gone})."
    ]
    assert way_notes("mail", fates, False, NOW) == ["Last sent 02:13."]
    assert way_notes("webhook", fates, False, NOW) == ["Nothing sent yet."]


# -- probes, by NAMUR NE 107 --------------------------------------------------------------------------------------

WIRES = (
    Wire("rs485", "sonde", "tank.oxygen", 5.0), Wire("rs485", "sonde", "tank.temperature", 5.0),
    Wire("line", "flow", "tank.water_flow", 5.0),
)  # fmt: skip
NAMES = {"tank": "Tank"}


def reading(point: str, value: float | None, flag: Flag, reason: str = "") -> Reading:
    quantity = point.partition(".")[2]
    return Reading(point, quantity, value, value, flag, reason, NOW.later(-2.0), "sonde")


def told(*readings: Reading, due: dict[str, float | None] | None = None) -> dict[str, tuple[str, str, str]]:
    views = probe_views(WIRES, {one.point: one for one in readings}, due or {}, {}, NOW)
    good = {one.point: one.at.mono for one in readings if one.usable}
    lines = probe_lines(views, good, NAMES, NOW, NOW.later(-7200))
    return {line.name: (line.word or line.text, line.mark, " ".join(line.notes)) for _, line in lines}


def test_a_probe_that_is_well_is_plain_and_one_channel_that_fails_is_named() -> None:
    found = told(
        reading("tank.oxygen", None, Flag.MISSING, "no answer"), reading("tank.temperature", 12.0, Flag.PASS),
        reading("tank.water_flow", 40.0, Flag.PASS),
    )  # fmt: skip
    assert found["sonde"] == (
        "Failure", "warning",
        "Tank, dissolved oxygen: failure. No answer. No usable answer since 00:13. On bus rs485.",
    )  # fmt: skip
    assert found["flow"] == ("good", "", "Tank, water flow. Last usable answer 2 s ago.")


def test_each_status_has_its_word_and_a_mark() -> None:
    well = reading("tank.temperature", 12.0, Flag.PASS)
    doubt = told(reading("tank.oxygen", 8.0, Flag.SUSPECT, "has not moved"), well)["sonde"]
    assert doubt[:2] == ("Out of specification", "warning")
    assert "Last usable answer 2 s ago." in doubt[2]
    late = told(reading("tank.oxygen", 8.0, Flag.PASS), well, due={"tank.oxygen": NOW.utc - DAY_S})["sonde"]
    assert late[:2] == ("Maintenance required", "person")
    assert told(well)["sonde"][:2] == ("Function check", "unknown")


def test_calibrations_of_the_next_weeks_are_listed_the_soonest_first() -> None:
    due = {"tank.oxygen": NOW.utc + 20 * DAY_S, "tank.temperature": NOW.utc + 4 * DAY_S, "tank.water_flow": None}
    lines = due_lines(probe_views(WIRES, {}, due, {}, NOW), NAMES, NOW)
    assert [(one.name, one.text) for one in lines] == [
        ("Tank, temperature", "calibration due by 2026-12-29, in 4 d"),
        ("Tank, dissolved oxygen", "calibration due by 2027-01-14, in 20 d"),
    ]
    far = due_lines(probe_views(WIRES, {}, {"tank.oxygen": NOW.utc + 90 * DAY_S}, {}, NOW), NAMES, NOW)
    assert [one.text for one in far] == ["the next is due in 90 d"]
