"""A file taken in is what the daemon would have kept, had it lived through it: reading by reading, flag by flag.

The record is the estuary sonde's of tests/checkvalues (NOAA NERRS, see the README there), with faults put into it.
"""

from __future__ import annotations

import asyncio
from collections import Counter
from dataclasses import replace
from pathlib import Path

import pytest

from brinewatch.clock import SteppingClock
from brinewatch.config import read_shed
from brinewatch.moment import Moment
from brinewatch.probes.recorded import RecordedSettings, survey
from brinewatch.readings import Flag
from brinewatch.service import Daemon
from brinewatch.signals.records import CalibrationRecord, Visit
from brinewatch.store.journal import Journal
from importing.files import DERIVED, MAPPED, MEASURED, ask, estuary, kept, rows, write

FIRST = 1_625_205_600.0  # 2021-07-02 00:00 in the record's own time, six hours behind UTC
DAY = 86400.0
MADE = Moment(5000.0, FIRST + 10 * DAY, True)


def calibrated(key: str, point: str, days: float, offset: float, **more: object) -> CalibrationRecord:
    base = CalibrationRecord(
        key, point, "sonde", Visit.CALIBRATION, FIRST + days * DAY, FIRST + days * DAY, "Wren", offset=offset,
        slope=1.02, uncertainty=0.05,
    )  # fmt: skip
    return replace(base, **more)  # type: ignore[arg-type]


# one in the middle of the record, one before it and one that replaces a wrong one
CALIBRATIONS = (
    calibrated("o1", "creek.oxygen", -3.0, 0.2), calibrated("o2", "creek.oxygen", 1.3, -0.1),
    calibrated("p1", "creek.ph", 0.6, 1.0), calibrated("p2", "creek.ph", 0.6, 0.05, replaces="p1"),
)  # fmt: skip


async def with_records(shed: Path) -> Path:
    journal = Journal(read_shed(shed).data / "journal.sqlite", SteppingClock(MADE.utc, mono=MADE.mono))
    await journal.open()
    for one in CALIBRATIONS:
        assert await journal.calibrate(one, MADE)
    await journal.close()
    return shed


def spoilt() -> tuple[list[str], list[list[str]]]:
    """Four days with empty cells, words, spikes, a value that cannot be, stillness, and a hole."""
    header, body = rows(4 * 96)
    place = {name: header.index(name) for name in MEASURED}
    for row in range(20, 30):
        body[row][place["DO_mgl"]] = ""
    body[40][place["pH"]] = "error"
    body[41][place["Turb"]] = "NA"
    for row, name, value in ((60, "Temp", "33.9"), (75, "pH", "9.9"), (90, "Turb", "900"), (100, "Temp", "77")):
        body[row][place[name]] = value
    for row in range(120, 160):
        body[row][place["Temp"]] = "30.1"
    return header, body[:200] + body[230:]


async def live(shed: Path) -> None:
    settings = read_shed(shed).buses["sonde"]
    assert isinstance(settings, RecordedSettings)
    first = survey(settings, shed.parent).first
    clock = SteppingClock(first, read_shed(shed).zone)
    daemon = Daemon(read_shed(shed), clock, lambda line: None)
    driver = asyncio.create_task(clock.drive())
    await daemon.run()
    driver.cancel()
    await asyncio.gather(driver, return_exceptions=True)


async def test_what_is_taken_in_equals_what_the_daemon_keeps(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    header, body = spoilt()
    alive = await with_records(estuary(tmp_path / "alive", quality=True))
    write(tmp_path / "alive" / "record.csv", header, body)
    alive.write_text(alive.read_text() + '\n[replay]\nbus = "sonde"\n', encoding="utf-8")
    await live(alive)

    past = await with_records(estuary(tmp_path / "past", quality=True))
    file = write(tmp_path / "notebook.csv", header, body)
    code, said = ask(capsys, past, file, *MAPPED, "--write")
    assert code == 3  # one word that is no number
    assert said["cells_bad"] == 1

    daemon, taken = kept(alive), kept(past)
    instants = {at for _, at in taken}
    assert len(instants) == len(body)
    # while the record has a hole the daemon says at each scan that it has none
    lived = {key: one for key, one in daemon.items() if key[1] in instants}
    assert lived.keys() == taken.keys()
    for key, one in taken.items():
        other = lived[key]
        assert one.probe == "import notebook"
        assert replace(one, at=other.at, probe=other.probe) == other, key
        assert (one.at.utc, one.at.trusted) == (other.at.utc, True)
    # and it was worth comparing
    flags = Counter(one.flag for one in taken.values())
    assert flags[Flag.SUSPECT] > 20
    assert flags[Flag.FAIL] > 20
    assert flags[Flag.MISSING] >= 20
    reasons = " ".join(one.reason for one in taken.values())
    for words in ("A spike", "faster than", "unusual here", "cannot be true", "no value here", "no number"):
        assert words in reasons, words
    assert {one.calibration for key, one in taken.items() if key[0] == "creek.oxygen"} == {"", "o1", "o2"} - {""}
    assert {one.calibration for key, one in taken.items() if key[0] == "creek.ph"} == {"", "p2"}
    assert all(any(key[0] == point for key in taken) for point in DERIVED)
