"""Siren, lamp and stand-by air with the whole daemon; the pump is the simulated shed's second blower."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Any

import pytest

from brinewatch.calibrate.held import over
from brinewatch.errors import BrinewatchError
from scenarios.night import WREN, Night, night
from scenarios.test_orders import with_wall

RELAYS = """
[[relay]]
key = "siren"
does = "siren"
chip = "files"
device = "outputs"
line = 1

[[relay]]
key = "lamp"
does = "lamp"
chip = "files"
device = "outputs"
line = 2
rests = "dropped"

[[relay]]
key = "pump"
does = "stand-by air"
chip = "files"
device = "outputs"
line = 3
proven_by = "manifold.standby_air"
prove_day = 24
prove_at = "10:30"

[page]
"""


def with_relays() -> str:
    return with_wall().replace("[page]\n", RELAYS, 1)


def works(it: Night, line: int, *, rests_energised: bool = True) -> bool:
    energised = (it.folder / "outputs" / str(line) / "drive").read_text() == "1\n"
    return energised is not rests_energised


async def wired(it: Night) -> None:
    """The pump's relay at the shed: the second blower stands ready just while its relay is dropped."""
    ready = False
    while True:
        wanted = (it.folder / "outputs" / "3" / "drive").exists() and works(it, 3)
        if wanted is not ready:
            ready = wanted
            await (it.shed.faults.on if wanted else it.shed.faults.off)("standby-ready")
        await it.clock.sleep(0.5)


async def asks(it: Night, **request: Any) -> dict[str, Any]:
    task = asyncio.ensure_future(over(it.folder / "data" / "control.sock", it.clock)(request))
    await it.until(task.done)
    return dict(task.result())


def outputs(folder: Path) -> Path:
    (folder / "outputs").mkdir()
    return folder


async def test_the_air_stops_and_the_relays_do_their_part(tmp_path: Path) -> None:
    async with night(outputs(tmp_path), with_relays()) as it:
        wire = asyncio.create_task(wired(it))
        await it.passes(5)
        assert [works(it, 1), works(it, 2, rests_energised=False), works(it, 3)] == [False, False, False]
        await it.shed.faults.on("blower-stop")
        await it.until(lambda: it.texts("AIR STOPPED", to=WREN) and works(it, 1), 60)
        assert works(it, 2, rests_energised=False)
        await it.until(lambda: works(it, 3), 30)
        await it.until(lambda: (it.daemon.keeper.latest["manifold.air_pressure"].value or 0.0) > 10.0, 60)
        it.modem.receive(WREN, "OK ALL")
        await it.until(lambda: not works(it, 1), 30)
        # the pump made the pressure itself: it runs on though the alarm for the loss of air is over
        await it.passes(120)
        assert works(it, 3)
        await it.end()
        await it.begin()
        await it.passes(10)
        assert works(it, 3)
        # the blower is mended, and a person says so
        await it.shed.faults.off("blower-stop")
        await it.passes(60)
        told = await asks(it, do="relay rest", key="pump", by="Wren")
        assert [one["key"] for one in told["relays"]] == ["siren", "lamp", "pump"]
        await it.passes(5)
        assert not works(it, 3)
        it.modem.receive(WREN, "OK ALL")
        await it.until(lambda: not works(it, 2, rests_energised=False), 120)
        with pytest.raises(BrinewatchError, match=r"'bell' is no relay of this shed .siren, lamp, pump"):
            await asks(it, do="relay rest", key="bell")
        wire.cancel()
        await asyncio.gather(wire, return_exceptions=True)


async def test_a_pump_tried_on_its_day_that_does_not_run_is_an_alarm(tmp_path: Path) -> None:
    async with night(outputs(tmp_path), with_relays()) as it:  # nothing is wired to the relay
        await it.passes(5)
        it.clock.step_wall(12 * 3600.0 + 29 * 60.0)  # to 10:29 on the 24th
        await it.until(lambda: works(it, 3), 120)
        await it.until(lambda: not works(it, 3), 90)
        await it.until(lambda: it.texts("RELAY FAILING", to=WREN), 120)
        assert "pump: the stand-by air did not run" in it.daemon.overview().alarms[0].shown


async def test_an_output_that_cannot_be_driven_is_an_alarm_and_is_tried_on(tmp_path: Path) -> None:
    async with night(tmp_path, with_relays()) as it:  # no such folder
        await it.until(lambda: it.texts("RELAY FAILING", to=WREN), 120)
        outputs(tmp_path)
        await it.passes(5)
        assert not works(it, 1)
        await it.until(lambda: not any("relays" in key for key in it.standing()) or it.texts("IS BACK"), 200)


class Burnt:
    """An output that fails in a way nobody foresaw."""

    def drive(self, energised: bool) -> None:
        raise RuntimeError("smoke")

    def close(self) -> None: ...


async def test_whatever_goes_wrong_in_a_relay_stops_no_alarm(tmp_path: Path) -> None:
    async with night(outputs(tmp_path), with_relays()) as it:
        it.daemon._beside.relays._outputs["lamp"] = Burnt()
        await it.shed.faults.on("blower-stop")
        await it.until(lambda: it.texts("AIR STOPPED", to=WREN), 60)
        await it.until(lambda: it.texts("RELAY FAILING", to=WREN), 120)
        assert any("RuntimeError: smoke" in one.shown for one in it.daemon.overview().alarms)


async def test_an_output_is_set_when_it_changes_and_now_and_then(tmp_path: Path) -> None:
    async with night(outputs(tmp_path), with_relays()) as it:
        await it.passes(5)
        drive = tmp_path / "outputs" / "1" / "drive"
        drive.write_text("0\n")  # a chip that has forgotten
        await it.passes(10)
        assert drive.read_text() == "0\n"
        await it.passes(30)
        assert drive.read_text() == "1\n"
