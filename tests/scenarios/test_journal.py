"""What the whole daemon leaves behind of a night: told afterwards, in order, and chained."""

from __future__ import annotations

import re
from datetime import UTC
from pathlib import Path

import pytest

from brinewatch.cli import main
from brinewatch.store.reader import StoreReader
from scenarios.night import WREN, night, shed_text

CHANGED = '\n[[override]]\nrule = "air-stopped"\non_delay_s = 20\nwhy = "a slow gauge"\n'


async def test_a_night_can_be_told_afterwards_from_the_journal_alone(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    async with night(tmp_path) as it:
        await it.shed.faults.on("blower-stop")
        await it.until(lambda: it.texts("AIR STOPPED"))
        number = int(re.findall(r"Reply OK (\d+)", it.texts("AIR STOPPED", to=WREN)[0])[0])
        await it.passes(200)
        it.modem.receive(WREN, f"OK {number}")
        await it.until(lambda: it.texts(f"taken {number}", to=WREN))
        await it.shed.faults.off("blower-stop")
        await it.until(lambda: it.texts("ALL CLEAR"), 600)
        await it.passes(600)
        head = it.daemon.journal.head
        assert head is not None
        await it.end()

        (it.folder / "shed.toml").write_text(shed_text() + CHANGED, encoding="utf-8")
        await it.begin()
        await it.passes(5)

        # the daemon is running: its journal is read beside it
        with StoreReader(it.folder / "data", UTC) as store:
            found = store.check_chain([head])
            events = [one.fields for one in store.records(["event"]) if one.fields["incident"] == 1]
            begun = [one.fields["body"] for one in store.records(["remark"]) if one.fields["kind"] == "settings"]
            rules = {one.fields["version"]: one.fields["alarm"] for one in store.records(["rule"])}
        shed = ["--shed", str(it.folder / "shed.toml")]
        assert main(["journal", "--incident", "1", *shed]) == 0
        told = capsys.readouterr().out.splitlines()
        assert main(["journal", "--verify", "--head", str(head), *shed]) == 0

    assert found.faults == []
    assert [one["happening"] for one in events][:2] == ["raised", "joined"]
    # every event has its four times in order, and the rule it was made by is kept
    for one in events:
        times = [one[f"{name}_utc"] for name in ("began", "at", "committed")]
        assert times == sorted(times)
        assert rules[one["rule_version"]] == one["alarm"]
    assert events[0]["sent_utc"] >= events[0]["committed_utc"]

    assert told[0] == "Incident 1: Blower motor draws no current (Blower)"
    assert re.search(r"To Wren by SMS: sent 22:\d\d:\d\d, arrived 22:\d\d:\d\d\.", told[3])
    assert any("Then followed Air supply stopped" in line for line in told)
    assert any(re.search(r"Wren took number 1, \d+ (s|min) after the first call", line) for line in told)
    assert "and lasted" in told[1]

    assert begun[0].startswith("The watch begins with")
    assert begun[1].endswith("(changed: air-stopped@manifold.air_pressure).")


async def test_orders_of_people_are_in_it_with_who_and_why(tmp_path: Path) -> None:
    async with night(tmp_path) as it:
        desk = it.daemon._desk
        alarm = "air-stopped@manifold.air_pressure"
        for request in (
            {"do": "take out of service", "what": alarm, "for_s": 3600.0, "why": "gauge mended", "by": "Teal"},
            {"do": "put back into service", "what": alarm, "by": "Teal"},
            {"do": "shelve", "what": alarm, "for_s": 600.0, "why": "washing down", "by": "Wren"},
            {"do": "attend", "for_s": 1800.0, "why": "filters", "by": "Wren"},
            {"do": "enter", "point": "raceway.tan", "value": 0.2, "by": "Wren"},
        ):
            await desk.answer(request)
            await it.passes(2)
        await it.daemon._recorder.commit()
        with StoreReader(it.folder / "data", UTC) as store:
            found = [one.fields for one in store.records(["event", "entry"])]
            assert store.check_chain().faults == []
    done = [(one.get("happening", "entered"), one["by_whom"], one.get("detail", "")) for one in found]
    assert done == [
        ("taken out of service", "Teal", "gauge mended"),
        ("put back into service", "Teal", ""),
        ("shelved", "Wren", "washing down"),
        ("attended", "Wren", "filters"),
        ("entered", "Wren", ""),
    ]
    until = [one["until_utc"] - one["at_utc"] for one in found[:4] if one["until_utc"]]
    assert until == [3600.0, 600.0, 1800.0]
