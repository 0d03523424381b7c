"""`brinewatch probes` on the simulated shed: asked of the daemon, and read from the wires without one."""

from __future__ import annotations

import argparse
import asyncio
import io
import json
from contextlib import redirect_stdout
from pathlib import Path
from typing import Any

import pytest

from brinewatch import cli
from brinewatch.config import read_shed
from brinewatch.control import ask
from brinewatch.errors import BrinewatchError
from brinewatch.probing import look_at, rows, sentence, value_text
from brinewatch.signals.display import DisplayUnits
from brinewatch.store.lock import kept_by
from scenarios.night import Night, night

UNITS = DisplayUnits()


async def seen(it: Night) -> tuple[str, list[dict[str, Any]]]:
    # time goes on meanwhile: the flow meter speaks once a second
    driver = asyncio.create_task(it.clock.drive(it.clock.now().mono + 3.0))
    try:
        told_by, probes = await look_at(read_shed(it.folder / "shed.toml"), it.clock)()
    finally:
        driver.cancel()
        await asyncio.gather(driver, return_exceptions=True)
    return told_by, [dict(one) for one in probes]


def by_name(probes: list[dict[str, Any]]) -> dict[str, dict[str, Any]]:
    return {one["probe"]: one for one in probes}


async def test_the_running_daemon_tells_what_is_on_its_wires(tmp_path: Path) -> None:
    async with night(tmp_path) as it:
        told_by, probes = await seen(it)
        assert told_by == "the running daemon"
        named = by_name(probes)
        assert set(named) == {
            "oxygen", "ph", "salinity", "motor", "flow", "raceway-thermometer", "bed-thermometer", "air-pressure",
            "barometer", "mains", "levels", "test-kit",
        }  # fmt: skip
        assert named["test-kit"]["status"] == "maintenance required"
        assert {one["status"] for name, one in named.items() if name != "test-kit"} == {"good"}
        assert sentence(probes) == "11 of 12 probes are good; maintenance required test-kit."
        oxygen = named["oxygen"]["channels"][0]
        assert oxygen["raw"] == oxygen["value"]
        assert (oxygen["flag"], oxygen["word"]) == (1, "pass")
        assert oxygen["age_s"] <= 5.0
        levels = [one["point"] for one in named["levels"]["channels"]]
        assert levels == ["header.level_switch", "bed.level_switch"]


async def test_a_broken_probe_is_a_failure_with_its_reason(tmp_path: Path) -> None:
    async with night(tmp_path) as it:
        await it.shed.faults.on("probe-unplugged", "oxygen")
        await it.shed.faults.on("probe-fails", "ph")
        await it.passes(20)
        _, probes = await seen(it)
        named = by_name(probes)
        for name, flag in (("oxygen", 9), ("ph", 4)):
            assert named[name]["status"] == "failure"
            assert named[name]["reason"]
            assert named[name]["channels"][0]["flag"] == flag
        assert sentence(probes).startswith("9 of 12 probes are good; failure oxygen, ph; maintenance required")


async def test_without_a_daemon_the_wires_are_read_and_say_the_same(tmp_path: Path) -> None:
    async with night(tmp_path, begin=False) as it:
        await it.shed.faults.on("probe-unplugged", "salinity")
        told_by, probes = await seen(it)
        assert told_by == "the wires, read here: no daemon is running"
        named = by_name(probes)
        assert named["salinity"]["status"] == "failure"
        assert named["salinity"]["channels"][0]["flag"] == 9
        assert {one["status"] for name, one in named.items() if name not in ("salinity", "test-kit")} == {"good"}
        assert named["raceway-thermometer"]["channels"][0]["uncertainty"] == 0.25
        # nothing was made and nothing is kept
        assert not (tmp_path / "data").exists()


async def test_a_daemon_that_comes_while_one_looks_is_asked_from_then_on(tmp_path: Path) -> None:
    async with night(tmp_path, begin=False) as it:
        look = look_at(read_shed(tmp_path / "shed.toml"), it.clock)
        assert (await look())[0].startswith("the wires")
        await it.begin()
        await it.passes(15)
        assert (await look())[0] == "the running daemon"
        assert kept_by(tmp_path / "data").startswith("the daemon of Gannet Quay nursery, process ")
        await it.end()
        assert kept_by(tmp_path / "data") == ""
        assert (await look())[0].startswith("the wires")


async def test_a_daemon_that_does_not_listen_is_named_and_its_wires_are_left_alone(tmp_path: Path) -> None:
    async with night(tmp_path) as it:
        (tmp_path / "data" / "control.sock").unlink()
        with pytest.raises(BrinewatchError, match=r"is kept by the daemon of Gannet Quay nursery.*does not listen"):
            await seen(it)


async def test_the_command_prints_a_sentence_and_a_table_or_json(tmp_path: Path) -> None:
    async with night(tmp_path) as it:
        text = await _run(it, "probes", "--shed", str(tmp_path / "shed.toml"))
        assert "11 of 12 probes are good" in text
        assert "raceway.oxygen" in text
        assert "± 0.1 mg/L" in text
        assert "1 pass" in text
        body = json.loads(await _run(it, "probes", "--json", "--shed", str(tmp_path / "shed.toml")))
        assert body["from"] == "the running daemon"
        assert len(body["probes"]) == 12


async def _run(it: Night, *words: str) -> str:
    """One command of the command line in a thread of its own, while the daemon goes on."""
    out = io.StringIO()

    def work() -> int:
        with redirect_stdout(out):
            return cli.main(words)

    with it.clock.hold():
        assert await asyncio.to_thread(work) == 0
    return out.getvalue()


def channel(**more: Any) -> dict[str, Any]:
    return {
        "point": "tank.oxygen", "quantity": "oxygen", "raw": 7.9, "value": 8.016, "uncertainty": 0.1, "flag": 1,
        "word": "pass", "status": "good", "reason": "", "age_s": 2.0, **more,
    }  # fmt: skip


def test_values_stand_with_their_uncertainty_in_the_sheds_units() -> None:
    assert value_text(channel(), UNITS) == "8.02 ± 0.1 mg/L"
    assert value_text(channel(uncertainty=None), UNITS) == "8.02 mg/L"
    assert value_text(channel(uncertainty=0.001), UNITS) == "8.02 ± 0.001 mg/L"
    assert value_text(channel(quantity="air_flow", value=1810.2, uncertainty=123.4), UNITS) == "1810 ± 123 L/min"
    assert value_text(channel(value=None), UNITS) == "no value"
    assert value_text(channel(quantity="ph", value=8.049, uncertainty=0.05), UNITS) == "pH 8.05 ± 0.05"
    assert value_text(channel(quantity="mains", value=1.0), UNITS) == "on"
    # 0.25 K is 0.45 degF
    assert value_text(
        channel(quantity="temperature", value=10.0, uncertainty=0.25), DisplayUnits(temperature="degF")
    ) == "50.0 ± 0.45 F"  # fmt: skip
    [row] = rows([{"probe": "sonde", "bus": "line", "status": "good", "channels": [channel()]}], UNITS)
    assert (row["raw"], row["flag"], row["age"]) == ("7.90 mg/L", "1 pass", "2 s")


def test_nobody_listening_is_told_apart_from_a_refusal(tmp_path: Path) -> None:
    from brinewatch.control import NoDaemon

    with pytest.raises(NoDaemon, match="No daemon is running"):
        ask(tmp_path / "control.sock", {"do": "probes"})


def test_follow_and_json_are_known_words() -> None:
    options = cli._parser().parse_args(["probes", "--follow", "--json", "--shed", "x.toml"])
    assert isinstance(options, argparse.Namespace)
    assert (options.follow, options.json, options.shed) == (True, True, Path("x.toml"))
