"""Alarms set aside by people, a shed with somebody in it, a stand-by that runs: through the whole daemon."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Any

import pytest

from brinewatch.alarms.events import State
from brinewatch.cli import main
from brinewatch.errors import BrinewatchError
from scenarios.night import WREN, Night, night, shed_text, unhurried

NO_OXYGEN = "no-oxygen-data@raceway.oxygen_saturation"
BLOWER = "motor-current-low@blower.motor_current"
STANDBY = "standby-air-running@manifold.standby_air"

WALL = """
[[bus.inputs.probe]]
name = "wall"
every_s = 1
[[bus.inputs.probe.channel]]
point = "shed.attended_switch"
line = 6
[[bus.inputs.probe.channel]]
point = "manifold.standby_air"
line = 5
"""


def with_wall() -> str:
    """The same shed with a stand-by blower that is watched, and a switch for whoever works there."""
    text = shed_text().replace(
        '"air_pressure", "air_rise", "air_state"', '"air_pressure", "air_rise", "standby_air"'
    )
    text = text.replace('"mains", "barometric_pressure"', '"mains", "barometric_pressure", "attended_switch"')
    text = text.replace("supply = {", "# supply = {")
    return text.replace("[bus.hand]", f"{WALL}\n[bus.hand]", 1)


async def asks(it: Night, do: str, **more: Any) -> str:
    lines: list[str] = (await it.daemon._desk.answer({"do": do, "by": "Wren", **more}))["lines"]
    return "\n".join(lines)


def state(it: Night, alarm: str) -> State:
    one = it.daemon.keeper.memory.alarms.get(alarm)
    return one.state if one else State.NORMAL


async def without_oxygen(it: Night) -> int:
    """The oxygen probe is pulled and its alarm calls; its number."""
    await it.shed.faults.on("probe-unplugged", "oxygen")
    await it.until(lambda: it.texts("NO OXYGEN DATA", to=WREN), 420)
    return next(one.number for one in it.daemon.overview().alarms if one.alarm == NO_OXYGEN)


async def test_an_alarm_is_shelved_by_text_and_calls_again_when_its_time_is_over(tmp_path: Path) -> None:
    async with night(tmp_path, unhurried()) as it:
        number = await without_oxygen(it)
        it.modem.receive(WREN, f"shelve {number} 10")
        await it.until(lambda: it.texts("You have shelved", f"{number} until", to=WREN))
        assert state(it, NO_OXYGEN) is State.SHELVED
        calls = len(it.texts("NO OXYGEN DATA"))
        await it.passes(500)
        assert len(it.texts("NO OXYGEN DATA")) == calls
        [aside] = [one for one in it.daemon.overview().aside if one.alarm == NO_OXYGEN]
        assert aside.holds
        assert aside.until is not None
        await it.until(lambda: it.texts("AGAIN", "NO OXYGEN DATA", to=WREN), 120)
        assert state(it, NO_OXYGEN) is State.UNACKNOWLEDGED


async def test_a_shelving_is_ended_by_text_and_what_still_holds_says_so(tmp_path: Path) -> None:
    async with night(tmp_path) as it:
        number = await without_oxygen(it)
        it.modem.receive(WREN, f"SHELVE {number} 2 H")
        await it.until(lambda: state(it, NO_OXYGEN) is State.SHELVED)
        it.modem.receive(WREN, f"UNSHELVE {number}")
        await it.until(lambda: it.texts(f"{number} calls again", "still holds", to=WREN))
        assert state(it, NO_OXYGEN) is State.UNACKNOWLEDGED
        it.modem.receive(WREN, f"SHELVE {number} 900 H")
        await it.until(lambda: it.texts(f"Not done {number}: say for how long: up to 12 h", to=WREN))


async def test_while_somebody_is_there_only_the_air_calls_and_afterwards_everything_does(tmp_path: Path) -> None:
    async with night(tmp_path, unhurried(every_s=5)) as it:
        it.modem.receive(WREN, "here 60")
        await it.until(lambda: it.texts("You are in the shed until", to=WREN))
        assert it.daemon.overview().attended.startswith("Wren works in the shed until")
        await it.shed.faults.on("probe-unplugged", "oxygen")
        await it.passes(420)
        assert state(it, NO_OXYGEN) is State.SUPPRESSED
        assert not it.texts("NO OXYGEN DATA")
        await it.shed.faults.on("blower-stop")
        await it.until(lambda: it.texts("AIR STOPPED", to=WREN), 60)
        await it.shed.faults.off("blower-stop")
        it.modem.receive(WREN, "left")
        await it.until(lambda: it.texts("all alarms call again", to=WREN))
        assert it.daemon.overview().attended == ""
        await it.until(lambda: it.texts("NO OXYGEN DATA", to=WREN), 360)


async def test_the_switch_on_the_wall_says_that_somebody_is_there(tmp_path: Path) -> None:
    async with night(tmp_path, with_wall()) as it:
        await it.shed.faults.on("attended-switch")
        await it.until(lambda: it.daemon.overview().attended != "", 10)
        assert it.daemon.overview().attended.startswith("Somebody works in the shed (the switch is on) until 02:00")
        await it.end()
        await it.begin()
        await it.passes(10)
        assert it.daemon.overview().attended != ""
        await it.shed.faults.off("attended-switch")
        await it.until(lambda: it.daemon.overview().attended == "", 10)
        # a restart with the switch left on orders nothing: alarms call
        await it.shed.faults.on("attended-switch")
        await it.until(lambda: it.daemon.overview().attended != "", 10)
        await asks(it, "leave")
        await it.end()
        await it.begin()
        await it.passes(10)
        assert it.daemon.overview().attended == ""


async def test_air_restored_by_a_stand_by_is_an_alarm_and_never_normal(tmp_path: Path) -> None:
    async with night(tmp_path, with_wall()) as it:
        await it.shed.faults.on("standby-ready")
        await it.passes(60)
        assert it.standing() == []
        await it.shed.faults.on("blower-stop")
        await it.until(lambda: it.texts("MOTOR NOT RUNNING", "STAND-BY AIR RUNS", to=WREN), 45)
        assert state(it, STANDBY) is State.SUPPRESSED
        number = next(one.number for one in it.daemon.overview().alarms if one.alarm == BLOWER)
        it.modem.receive(WREN, f"OK {number}")
        await it.passes(900)
        assert it.daemon.keeper.latest["manifold.air_pressure"].value == pytest.approx(11.9, abs=0.6)
        assert not it.texts("AIR STOPPED")
        assert not it.texts("ALL CLEAR")
        assert BLOWER in it.standing()
        # the stand-by gives out as well: that is the loss of air itself, and worse than what was taken
        await it.shed.faults.off("standby-ready")
        await it.until(lambda: it.texts("AIR STOPPED", to=WREN), 45)


async def test_the_command_line_sets_aside_and_brings_back(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    async with night(tmp_path) as it:

        async def types(*words: str) -> tuple[int, str]:
            work = asyncio.create_task(asyncio.to_thread(main, [*words, "--shed", str(tmp_path / "shed.toml")]))
            while not work.done():
                await it.passes(0.2)
                await asyncio.sleep(0.01)
            said = capsys.readouterr()
            return await work, said.out + said.err

        code, said = await types("shelve", "air-rise-small", "--for", "30m", "--why", "new hose")
        assert code == 0
        assert "shelved" in said
        assert "until 2026-09-23" in said
        assert "new hose" in said
        _, said = await types("state")
        assert "[air-rise-small@manifold.air_rise]: shelved until" in said
        assert (await types("unshelve", "air-rise-small"))[0] == 0
        code, said = await types("service", "out", "no-oxygen-data", "--for", "3d", "--why", "membrane ordered")
        assert "taken out of service" in said
        assert state(it, NO_OXYGEN) is State.OUT_OF_SERVICE
        code, said = await types("service", "in", "all")
        assert (code, state(it, NO_OXYGEN)) == (0, State.NORMAL)
        code, said = await types("attend", "--for", "90m")
        assert "attended" in said
        assert it.daemon.overview().attended
        code, said = await types("leave")
        assert "left" in said
        for words, refusal in (
            (("leave",), "nobody is said to be in the shed"),
            (("shelve", "air-rise-smal", "--for", "1h"), "air-rise-small."),
            (("shelve", "all", "--for", "1h"), "one alarm is named"),
            (("shelve", "air-stopped", "--for", "3h"), "up to 60 min, not 3 h"),
            (("shelve", "air-rise-small", "--once"), "it does not hold now"),
            (("service", "out", "no-oxygen-data", "--for", "2h"), "say why"),
            (("unshelve", "77"), "no alarm has the number 77"),
            (("attend", "--for", "9h"), "up to 4 h"),
        ):
            code, said = await types(*words)
            assert (code, refusal in said) == (1, True), (words, said)


@pytest.mark.parametrize("span", ["soon", "0m", "5"])
def test_a_span_that_is_none_is_refused_before_anything_is_asked(
    span: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit):
        main(["attend", "--for", span])
    assert "expected a length of time" in capsys.readouterr().err


async def test_an_order_that_means_two_alarms_names_them(tmp_path: Path) -> None:
    async with night(tmp_path) as it:
        with pytest.raises(BrinewatchError, match=r"stands at \d+ points.*Name one: no-data@"):
            await asks(it, "shelve", what="no-data", for_s=600)
        with pytest.raises(BrinewatchError, match="no length of time"):
            await asks(it, "shelve", what="no-oxygen-data", for_s="soon")


async def test_what_comes_and_goes_is_told_every_ten_minutes_and_is_an_alarm_itself(tmp_path: Path) -> None:
    quick = '[[override]]\nrule = "mains-off"\non_delay_s = 1\noff_delay_s = 1\nwhy = "a short test"\n'
    async with night(tmp_path, shed_text() + quick) as it:
        for _ in range(8):
            await it.shed.faults.on("mains-off")
            await it.passes(6)
            await it.shed.faults.off("mains-off")
            await it.passes(9)
        heard = len(it.texts("MAINS OFF", to=WREN))
        # the first call and its end, the second and its end; from the third within a minute on only some
        assert 2 <= heard <= 6
        await it.passes(5)
        assert "alarms-failing@alarms.health" in it.standing()
        assert "Mains" in it.daemon.keeper.latest["alarms.health"].reason
        # a restart forgets none of it: the same goes on being held back
        await it.end()
        await it.begin()
        await it.passes(2)
        assert it.daemon.keeper.latest["alarms.health"].value == 0.0
        await it.shed.faults.on("mains-off")
        await it.passes(6)
        await it.shed.faults.off("mains-off")
        await it.passes(9)
        assert len(it.texts("MAINS OFF", to=WREN)) == heard


async def test_rates_and_the_start_of_a_filter_know_the_past_after_a_restart(tmp_path: Path) -> None:
    text = shed_text().replace('file = "air.toml"', 'file = "air.toml"\n\n[[rules]]\nfile = "changes.toml"', 1)
    text = text.replace(
        'watch = ["temperature", "level_switch"]', 'watch = ["temperature", "level_switch", "start_up"]', 1
    )
    text = text.replace('"tan", "nh3_n"', '"tan", "nitrite", "nh3_n"', 1)
    text = text.replace(
        'point = "raceway.tan"', 'point = "raceway.tan"\n[[bus.hand.probe.channel]]\npoint = "raceway.nitrite"'
    )
    async with night(tmp_path, unhurried(text)) as it:
        start = "bed.start_up"
        await it.until(lambda: start in it.daemon.keeper.latest)
        assert it.daemon.keeper.latest[start].value is None
        for tan, nitrite in ((2.0, 0.1), (0.3, 0.9)):
            await it.daemon._desk.answer({"do": "enter", "point": "raceway.tan", "value": tan, "by": "Wren"})
            await it.daemon._desk.answer(
                {"do": "enter", "point": "raceway.nitrite", "value": nitrite, "by": "Wren"}
            )
            await it.passes(1800)
        assert it.daemon.keeper.show(start, it.daemon.keeper.latest[start].value) == "nitrite rising"
        slopes = {key for key in it.daemon.keeper._features.readings if "slope" in key}
        assert slopes
        await it.end()
        await it.begin()
        await it.until(lambda: start in it.daemon.keeper.latest)
        assert it.daemon.keeper.show(start, it.daemon.keeper.latest[start].value) == "nitrite rising"
        again = it.daemon.keeper._features.readings
        known = {key for key in slopes if key in again and again[key].value is not None}
        assert known
