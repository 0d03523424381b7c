"""`brinewatch journal`: the journal for people and programs, with the daemon or without it."""

from __future__ import annotations

import csv
import json
import os
import re
import sqlite3
from contextlib import closing
from dataclasses import replace
from hashlib import sha256
from pathlib import Path

import pytest

from brinewatch.alarms.events import AlarmEvent, Happening, Priority, State
from brinewatch.cli import main
from brinewatch.clock import SteppingClock
from brinewatch.messages import Delivery, DeliveryReport, Message
from brinewatch.moment import Moment
from brinewatch.signals.records import CalibrationRecord, Visit
from brinewatch.store.chain import Head
from brinewatch.store.journal import Journal
from config.sheds import SMALL, write

WREN, TEAL, STRANGER = "+447700900101", "+447700900102", "+447700900103"
PEOPLE = f"""
[modem]
port = "ports/modem"

[[contact]]
name = "Wren"
phone = "{WREN}"

[[contact]]
name = "Teal"
phone = "{TEAL}"
"""
# 2026-11-25 02:13:50 UTC
T0 = Moment(5000.0, 1_795_572_830.0, True)
AIR, OXYGEN = "air-stopped@manifold.air_pressure", "oxygen-low@tank.oxygen"


def air(happening: Happening, second: float, state: State, value: float, **more: object) -> AlarmEvent:
    base = AlarmEvent(
        happening, AIR, 12, Priority.CRITICAL, "Air supply stopped", "manifold.air_pressure", "air_pressure", state,
        value, 8.0, T0, T0.later(second), incident=12, version="abc",
    )  # fmt: skip
    return replace(base, **more)  # type: ignore[arg-type]


def oxygen(happening: Happening, second: float, state: State, value: float, **more: object) -> AlarmEvent:
    base = AlarmEvent(
        happening, OXYGEN, 0, Priority.HIGH, "Oxygen low", "tank.oxygen", "oxygen", state, value, 6.0,
        T0.later(500), T0.later(second), incident=12, version="def",
    )  # fmt: skip
    return replace(base, **more)  # type: ignore[arg-type]


def sms(to: str, number: int, second: float) -> Message:
    return Message(f"memory-{to}", "sms", to, f"AIR STOPPED. Reply OK {number}", number, T0.utc + second)


def reported(to: str, reference: int, state: Delivery, second: float, detail: str = "") -> DeliveryReport:
    return DeliveryReport("sms", to, reference, state, detail, T0.later(second))


async def a_night(folder: Path, *, over: bool = True) -> Path:
    """A shed file and the journal of a night in which the air stopped; over: it came back, and more was done."""
    clock = SteppingClock(T0.utc, mono=T0.mono)
    journal = Journal(folder / "data" / "journal.sqlite", clock, boot="one boot")
    await journal.open()
    await journal.begin({AIR: "{}", OXYGEN: "[]"}, T0)
    wren, teal, stranger = await journal.commit(
        [air(Happening.RAISED, 15, State.UNACKNOWLEDGED, 0.3, also=("NO FLOW",))], {},
        [sms(WREN, 12, 15), sms(TEAL, 12, 15), sms(STRANGER, 12, 15)], T0.later(15),
    )  # fmt: skip
    await journal.settle(wren, Delivery.SENT, T0.later(19), references=[1])
    await journal.report(reported(WREN, 1, Delivery.DELIVERED, 22))
    await journal.settle(teal, Delivery.WAITING, T0.later(20), detail="no network", retry_at_utc=T0.utc + 30)
    await journal.settle(teal, Delivery.SENT, T0.later(50), references=[2])
    await journal.settle(stranger, Delivery.FAILED, T0.later(21), detail="number not obtainable")
    joined = oxygen(Happening.JOINED, 600, State.SUPPRESSED, 5.4, detail="because of: Air supply stopped")
    await journal.commit([joined], {}, [], T0.later(600))
    if over:
        await journal.note("text in", "Wren wrote 'OK 12'", T0.later(130))
        taken = air(Happening.ACKNOWLEDGED, 130, State.ACKNOWLEDGED, 0.3, by="Wren")
        await journal.commit([taken], {}, [], T0.later(130))
        released = oxygen(Happening.RELEASED, 1640, State.NORMAL, 7.9)
        cleared = air(Happening.CLEARED, 1640, State.NORMAL, 12.1)
        await journal.commit([cleared, released], {}, [], T0.later(1640))
        shelved = oxygen(
            Happening.SHELVED, 3000, State.SHELVED, 7.9, by="Teal", incident=0, until=T0.later(6600),
            detail="probe\nwashed",
        )  # fmt: skip
        await journal.commit([shelved], {}, [], T0.later(3000))
        await journal.enter("tank.tan", 0.25, "Teal", T0.later(3100))
        record = CalibrationRecord(
            "tank.oxygen@1", "tank.oxygen", "sonde", Visit.CALIBRATION, T0.utc, T0.utc, "Wren"
        )
        await journal.calibrate(record, T0.later(3200))
    await journal.close()
    return write(folder, SMALL + PEOPLE)


def ask(shed: Path, *words: str) -> int:
    return main(["journal", *words, "--shed", str(shed)])


ALL = ("--since", "2026-11-24")


def rows(text: str) -> list[list[str]]:
    """The cells of a table as wide as a file takes, heads first; empty cells are lost."""
    return [re.split(r" {2,}", line.strip()) for line in text.splitlines() if line.strip() and "──" not in line]


async def test_a_list_of_all_that_happened_in_the_order_it_was_written(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shed = await a_night(tmp_path)
    assert ask(shed, *ALL) == 0
    found = [row[:2] for row in rows(capsys.readouterr().out)[1:]]
    assert [(when[11:], what) for when, what in found] == [
        ("02:13:50", "chain begins"), ("02:13:50", "settings"), ("02:14:05", "raised"), ("02:23:50", "joined"),
        ("02:16:00", "text in"), ("02:16:00", "acknowledged"), ("02:41:10", "cleared"), ("02:41:10", "released"),
        ("03:03:50", "shelved"), ("03:05:30", "value entered"), ("03:07:10", "calibration"),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("words", "kinds"),
    [
        (("--alarm", AIR), ["raised", "acknowledged", "cleared"]),
        (("--alarm", "oxygen-low"), ["joined", "released", "shelved"]),
        (("--alarm", "12"), ["raised", "acknowledged", "cleared"]),
        (("--stage", "tank"), ["joined", "released", "shelved", "value entered", "calibration"]),
        (("--person", "wren"), ["text in", "acknowledged", "calibration"]),
        (("--person", "Teal"), ["shelved", "value entered"]),
        (("--since", "2026-11-25T02:41", "--until", "2026-11-25T03:04"), ["cleared", "released", "shelved"]),
        (("--stage", "manifold", "--person", "Wren"), ["acknowledged"]),
    ],
)
async def test_filters(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], kinds: list[str]
) -> None:
    shed = await a_night(tmp_path)
    assert ask(shed, *words, *(ALL if "--since" not in words else ())) == 0
    assert [row[1] for row in rows(capsys.readouterr().out)[1:]] == kinds


async def test_what_others_wrote_stays_text_on_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shed = await a_night(tmp_path)
    journal = Journal(tmp_path / "data" / "journal.sqlite", SteppingClock(T0.utc, mono=T0.mono), boot="one boot")
    await journal.open()
    await journal.note("text in", "[bold]\x1b[2JAll\nis :warning: well\ud800", T0.later(9))
    await journal.close()
    assert ask(shed, *ALL) == 0
    out = capsys.readouterr().out
    assert "[bold] [2JAll is :warning: well?" in out
    assert "\x1b" not in out
    assert f"Air supply stopped [{AIR}]" in out


async def test_nothing_of_that_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shed = await a_night(tmp_path)
    assert ask(shed, *ALL, "--person", "Nobody") == 0
    assert capsys.readouterr().out == "The journal holds nothing of that.\n"


TOLD = """\
Incident 12: Air supply stopped (Manifold)
It began 2026-11-25 02:13:50, was over 02:41:10, and lasted 27 min.
02:14:05  Air supply stopped (Manifold): air supply pressure 0.3 kPa (limit 8.0 kPa). Called as number 12, \
critical. It had held for 15 s. With it: NO FLOW.
          To Wren by SMS: sent 02:14:09, arrived 02:14:12.
          To Teal by SMS: sent 02:14:40 at try 2; nothing says that it arrived.
          To +447700900103 by SMS: did not go out (number not obtainable).
02:23:50  Then followed Oxygen low (Tank): dissolved oxygen 5.40 mg/L (limit 6.00 mg/L); not called, \
because of: Air supply stopped.
02:16:00  Wren took number 12, 2 min after the first call: air supply pressure 0.3 kPa (limit 8.0 kPa).
02:41:10  Air supply stopped (Manifold) is over: air supply pressure 12.1 kPa (limit 8.0 kPa).
02:41:10  Oxygen low (Tank) is no longer held back: dissolved oxygen 7.90 mg/L.
What followed: Oxygen low (Tank).
Taken first by Wren, 2 min after the call.
"""


async def test_an_incident_is_told_from_its_cause_to_its_end(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shed = await a_night(tmp_path)
    assert ask(shed, "--incident", "12") == 0
    assert capsys.readouterr().out == TOLD


async def test_an_incident_that_is_not_over_says_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shed = await a_night(tmp_path, over=False)
    assert ask(shed, "--incident", "12") == 0
    told = capsys.readouterr().out.splitlines()
    assert told[1] == "It began 2026-11-25 02:13:50 and is not over."
    assert told[-1] == "Nobody has taken it yet."


async def test_an_incident_nobody_knows(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shed = await a_night(tmp_path)
    assert ask(shed, "--incident", "13") == 1
    said = capsys.readouterr().err
    assert "There is no incident 13." in said
    assert "brinewatch journal --since 30d" in said


# -- the chain --


async def test_chain_that_holds_says_its_head_and_takes_it_back(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shed = await a_night(tmp_path)
    assert ask(shed, "--verify") == 0
    out = capsys.readouterr().out
    assert out.startswith("The chain holds: 16 records, none changed, none missing.\n")
    head = re.search(r"Its head: (16:[0-9a-f]{64})\n", out)
    assert head is not None
    assert ask(shed, "--verify", "--head", head[1], "--head", head[1]) == 0
    assert "What was given out before stands in it (2 of 2)." in capsys.readouterr().out


async def test_chain_that_is_broken_says_where_and_fails(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shed = await a_night(tmp_path)
    with closing(sqlite3.connect(tmp_path / "data" / "journal.sqlite", isolation_level=None)) as db:
        db.execute("DROP TRIGGER event_unchanged")
        db.execute("UPDATE event SET by_whom = 'Teal' WHERE happening = 'acknowledged'")
    assert ask(shed, "--verify") == 1
    out = capsys.readouterr().out.splitlines()
    assert out[0] == "The chain is broken: 1 thing is wrong among 16 records."
    assert re.match(
        rf"  link \d+: event \d+ \(acknowledged {AIR} manifold.air_pressure, 2026-11-25T02:16:00.000Z\) "
        "is not what was written: it, or its link, was changed.",
        out[1],
    )
    # what stands there can still be read
    assert ask(shed, "--incident", "12") == 0
    assert "Teal took number 12" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ("happening = 'sung'", ("--incident", "12")),
        ("also = '[1'", ("--incident", "12")),
        ("state = 'bored'", ("--incident", "12")),
    ],
)
async def test_event_that_cannot_be_read_is_one_clear_error(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], change: str, words: tuple[str, ...]
) -> None:
    shed = await a_night(tmp_path)
    with closing(sqlite3.connect(tmp_path / "data" / "journal.sqlite", isolation_level=None)) as db:
        db.execute("DROP TRIGGER event_unchanged")
        db.execute(f"UPDATE event SET {change}, at_utc = 'noon' WHERE happening = 'acknowledged'")
    assert ask(shed, *words) == 1
    said = capsys.readouterr().err
    assert "Incident 12 cannot be read" in said
    assert "See: brinewatch journal --verify" in said
    assert ask(shed, "--verify") == 1
    capsys.readouterr()
    assert ask(shed, *ALL) == 0  # a list shows the rest


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--head", "1:0"), "--head goes with --verify."),
        (("--verify", "--head", "1:0"), "expected a number, a colon and 64 hexadecimal digits"),
        (("--verify", "--incident", "12"), "--verify stands alone."),
        (("--since", "soon"), "--since 'soon' is no time."),
        (("--since", "1h", "--until", "2h"), "--since is not before --until."),
    ],
)
async def test_what_cannot_be_asked(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], said: str
) -> None:
    shed = await a_night(tmp_path, over=False)
    assert ask(shed, *words) == 1
    assert said in capsys.readouterr().err


def test_shed_nobody_has_watched_yet(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert ask(write(tmp_path, SMALL), "--verify") == 1
    assert "There is no" in capsys.readouterr().err


# -- for programs --


async def test_export_as_lines_can_be_followed_by_anybody(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """SHA-256 (FIPS 180-4) over the hash before and the sealed text: nothing else is needed."""
    shed, file = await a_night(tmp_path), tmp_path / "journal.jsonl"
    assert ask(shed, "--export", str(file)) == 0
    assert capsys.readouterr().out == f"16 records in {file}.\n"
    lines = [json.loads(line) for line in file.read_text(encoding="utf-8").splitlines()]
    before = "0" * 64
    for number, line in enumerate(lines, 1):
        assert (line["link"], line["before"]) == (number, before)
        before = sha256((before + line["sealed"]).encode()).hexdigest()
        assert line["hash"] == before
        kept = json.loads(line["sealed"])
        assert {name: line[name] for name in kept} == kept
    raised = next(line for line in lines if line.get("happening") == "raised")
    assert (raised["value"], raised["limit_value"], raised["rule_version"]) == (0.3, 8.0, "abc")
    times = [raised[f"{name}_utc"] - T0.utc for name in ("began", "at", "committed", "sent")]
    assert times == [0.0, 15.0, 0.0, 19.0]  # committed by the journal's own clock, which stands still here
    assert not list(tmp_path.glob("*.part"))


async def test_export_as_csv_has_every_field_and_the_filters_hold(tmp_path: Path) -> None:
    shed, file = await a_night(tmp_path), tmp_path / "journal.csv"
    assert ask(shed, "--export", str(file), "--alarm", "oxygen-low") == 0
    with file.open(encoding="utf-8", newline="") as opened:
        found = list(csv.DictReader(opened))
    assert [one["happening"] for one in found[-3:]] == ["joined", "released", "shelved"]
    assert found[-1]["detail"] == "probe\nwashed"
    assert found[-1]["until_utc"] == str(T0.utc + 6600)
    assert {"link", "record", "hash", "before", "sealed", "also", "way", "recipient", "by_whom"} <= set(found[0])


async def test_export_to_the_terminal_and_to_a_file_that_is_there(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shed = await a_night(tmp_path)
    assert ask(shed, "--export", "-", "--incident", "12") == 0
    assert len(capsys.readouterr().out.splitlines()) == 5
    (tmp_path / "old.csv").write_text("mine")
    assert ask(shed, "--export", str(tmp_path / "old.csv")) == 1
    assert "There is a file" in capsys.readouterr().err
    assert (tmp_path / "old.csv").read_text() == "mine"
    assert ask(shed, "--export", str(tmp_path / "nowhere" / "new.csv")) == 1
    assert "cannot be written" in capsys.readouterr().err


async def test_beside_a_running_daemon_and_after_it_nothing_is_left_behind(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shed = await a_night(tmp_path)
    before = sorted(os.listdir(tmp_path / "data"))
    journal = Journal(tmp_path / "data" / "journal.sqlite", SteppingClock(T0.utc, mono=T0.mono), boot="one boot")
    await journal.open()
    await journal.note("text in", "written just now", T0.later(5000))
    assert ask(shed, *ALL) == 0
    assert "written just now" in capsys.readouterr().out
    assert journal.head is not None
    assert ask(shed, "--verify", "--head", str(journal.head)) == 0
    await journal.close()
    assert Head.of(str(journal.head)) == journal.head
    assert ask(shed, "--verify") == 0
    assert sorted(os.listdir(tmp_path / "data")) == before
