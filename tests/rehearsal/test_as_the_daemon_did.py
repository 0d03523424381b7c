"""The store of a daemon that lived through a real record, rehearsed: the same events as its journal holds.

The record is the estuary sonde's of tests/checkvalues (NOAA NERRS, see the README there), with hours in which the
daemon was stopped.
"""

from __future__ import annotations

import asyncio
import csv
import gzip
import json
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from brinewatch.cli import main
from brinewatch.clock import SteppingClock
from brinewatch.config import read_shed
from brinewatch.probes.recorded import RecordedSettings, survey
from brinewatch.service import Daemon
from brinewatch.store.reader import StoreReader

CHECKVALUES = Path(__file__).parents[1] / "checkvalues"
SHED = (Path(__file__).parents[2] / "deploy" / "examples" / "estuary.toml").read_text(encoding="utf-8")
DAY_ROWS = 96
# rates over windows that hold ten rows of a quarter of an hour, and limits that a tidal creek crosses
MORE = """
[[rules]]
file = "moving.toml"
"""
MOVING = """
title = "What moves in a creek"
""" + "".join(
    f"""
[[rule]]
key = "{key}"
title = "{key}"
short = "MOVES"
quantity = "{quantity}"
when = {when}
unit = "{unit}"
deadband = {band}
on_delay_s = 1800
off_delay_s = 900
priority = "medium"
why = "-"
consequence = "-"
todo = ["Look."]
time_available = "-"
source = "judgement"
standing = "judgement"
"""
    for key, quantity, unit, band, when in (
        ("temperature-moves", "temperature", "degC", 0.1, "{ rises = 0.4, per = 'h', over_s = 10800 }"),
        ("oxygen-sinks", "oxygen", "mg/L", 0.1, "{ falls = 0.6, per = 'h', over_s = 10800 }"),
        (
            "salt-comes",
            "salinity",
            "PSS-78",
            0.0,
            "{ all = [{ changes = 2.0, per = 'h', over_s = 10800 },"  # noqa: ISC004 - one condition
            " { quantity = 'temperature', above = 28.5, unit = 'degC' }] }",
        ),
        ("oxygen-low-here", "oxygen_saturation", "%", 2.0, "{ below = 70 }"),
    )
)


def rows() -> tuple[list[str], list[list[str]]]:
    with gzip.open(CHECKVALUES / "estuary-sonde-gndbl-2021.csv.gz", "rt", encoding="utf-8", newline="") as file:
        header, *found = list(csv.reader(file))
    return header, found


async def live(folder: Path, header: Sequence[str], played: Sequence[Sequence[str]]) -> Path:
    """Let the daemon live through these rows; returns its shed file."""
    with (folder / "record.csv").open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows([header, *played])
    (folder / "moving.toml").write_text(MOVING, encoding="utf-8")
    path = folder / "shed.toml"
    text = SHED.replace("../../tests/checkvalues/estuary-sonde-gndbl-2021.csv.gz", "record.csv")
    path.write_text(text + MORE, encoding="utf-8")
    shed = read_shed(path)
    settings = shed.buses["sonde"]
    assert isinstance(settings, RecordedSettings)
    clock = SteppingClock(survey(settings, folder).first, shed.zone)
    daemon = Daemon(shed, clock, lambda line: None)
    driver = asyncio.create_task(clock.drive())
    await daemon.run()
    driver.cancel()
    await asyncio.gather(driver, return_exceptions=True)
    return path


def run(capsys: pytest.CaptureFixture[str], *words: str) -> dict[str, Any]:
    assert main(["rehearse", *words, "--json"]) == 0
    return json.loads(capsys.readouterr().out)


async def test_the_rehearsal_of_a_store_is_what_its_journal_holds(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    header, record = rows()
    first = record[: 9 * DAY_ROWS]
    await live(tmp_path, header, first)
    # the daemon is stopped for seventeen hours and a half
    path = await live(tmp_path, header, record[len(first) + 70 : len(first) + 70 + 3 * DAY_ROWS])
    shed = read_shed(path)
    with StoreReader(shed.data, shed.zone) as store:
        journal = [event for event in store.events(0, 4e9) if event.alarm]
        hours = sum(1 for _ in store.hours("creek.oxygen", 0, 4e9))
    assert len(journal) > 10
    assert hours > 250
    found = run(capsys, "--shed", str(path), "--since", "2021-06-30", "--until", "2021-08-01")
    left_out = {one["alarm"] for one in found["left_out"]}
    # the daemon waits a little for a row after the last
    end = datetime.fromisoformat(found["until"]).timestamp()
    journal = [event for event in journal if event.alarm not in left_out and event.at.utc <= end]
    said = [
        (
            event.alarm,
            event.happening.value,
            event.state.value,
            event.value,
            event.limit,
            event.detail,
            event.number,
        )
        for event in journal
    ]
    assert [
        (one["alarm"], one["event"], one["state"], one["value"], one["limit"], one["detail"], one["number"])
        for one in found["events"]
    ] == said
    for one, event in zip(found["events"], journal, strict=True):
        assert one["t"] == pytest.approx(event.at.utc, abs=0.01)
    assert found["compared"]["with"] == "what was called"
    assert found["compared"]["added"] == found["compared"]["removed"] == found["compared"]["moved"] == []
    assert found["compared"]["same"] == len(found["calls"])
    assert found["watched_days"] == pytest.approx(12.0, abs=0.1)
