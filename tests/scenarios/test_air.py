"""What goes wrong with the air is told apart, counted over restarts, and never called out twice for one cause."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from brinewatch.readings import Flag
from scenarios.night import Night, night, shed_text, unhurried

STATE = "manifold.air_state"


def without_air_state() -> str:
    """The same shed before there was a state of the air supply, hours or starts."""
    text = re.sub(r', "(air_state|blower_hours|blower_starts)"', "", shed_text())
    return re.sub(r"^supply = .*\n", "", text, flags=re.MULTILINE)


def state_of(it: Night) -> str:
    return it.daemon.keeper.show(STATE, it.daemon.keeper.latest[STATE].value)


async def _calls(folder: Path, text: str, fault: tuple[str, ...]) -> tuple[list[str], set[str]]:
    folder.mkdir()
    async with night(folder, text) as it:
        await it.shed.faults.on(*fault)
        await it.passes(180)  # every rule of the air that calls has done so by then
        # without the clock and the number to answer with, which differ by alarms nobody is called for
        return sorted(re.sub(r"\d\d:\d\d|OK \d+", "", one.text) for one in it.modem.sent), set(it.standing())


@pytest.mark.parametrize("fault", ["blower-stop", "mains-off"])
async def test_a_stopped_blower_calls_nobody_more_often_than_before(tmp_path: Path, fault: str) -> None:
    before, stood = await _calls(tmp_path / "before", without_air_state(), (fault,))
    after, stands = await _calls(tmp_path / "after", shed_text(), (fault,))
    assert any("AIR STOPPED" in text for text in before)
    assert after == before
    assert stands == stood


async def test_a_stopped_blower_is_stopped_and_running_again_is_normal(tmp_path: Path) -> None:
    async with night(tmp_path) as it:
        assert state_of(it) == "normal"
        await it.shed.faults.on("blower-stop")
        await it.passes(10)
        assert state_of(it) == "stopped"
        assert "0.00 A" in it.daemon.keeper.latest[STATE].basis
        await it.shed.faults.off("blower-stop")
        await it.passes(10)
        assert state_of(it) == "normal"


@pytest.mark.parametrize(
    ("fault", "state", "alarm", "words"),
    [
        (("line-burst",), "line open", "air-line-open@manifold.air_state", "AIR LINE OPEN"),
        (("line-burst", "0.3"), "line open", "air-line-open@manifold.air_state", "AIR LINE OPEN"),
        (("diffusers-foul",), "partly blocked", "air-blocked@manifold.air_state", ""),
        (("diffusers-foul", "30"), "relief open", "air-relief-open@manifold.air_state", "RELIEF VALVE OPEN"),
    ],
)
async def test_what_is_wrong_with_the_air_has_its_own_alarm(
    tmp_path: Path, fault: tuple[str, ...], state: str, alarm: str, words: str
) -> None:
    sooner = '[[override]]\nrule = "air-blocked"\non_delay_s = 60\nwhy = "a short test"\n'
    async with night(tmp_path, shed_text() + sooner) as it:
        await it.shed.faults.on(*fault)
        await it.passes(240)  # diffusers foul over a minute or two
        assert state_of(it) == state
        others = {one for one in it.standing() if one.endswith(STATE)} - {alarm}
        assert alarm in it.standing()
        assert not others
        # medium priority calls neither Wren nor Teal, who asked for high and critical
        assert bool(it.texts(words)) if words else not it.texts("BLOCKED")


async def test_without_the_air_pressure_there_is_no_state_and_no_call_for_that(tmp_path: Path) -> None:
    async with night(tmp_path) as it:
        await it.shed.faults.on("probe-unplugged", "air-pressure")
        await it.passes(30)
        reading = it.daemon.keeper.latest[STATE]
        assert reading.value is None
        assert not reading.flag.usable
        assert "manifold.air_pressure" in reading.reason
        await it.passes(330)
        assert "no-air-state-data@manifold.air_state" in it.standing()
        assert not it.texts("AIR STATE")


async def test_a_dead_current_meter_leaves_the_state_to_the_pressure_and_the_hours_uncounted(
    tmp_path: Path,
) -> None:
    async with night(tmp_path) as it:
        await it.shed.faults.on("probe-unplugged", "motor")
        await it.passes(60)
        assert state_of(it) == "normal"
        assert "motor current (blower.motor_current)" in it.daemon.keeper.latest[STATE].basis
        hours = it.daemon.keeper.latest["blower.blower_hours"]
        assert hours.flag is Flag.SUSPECT
        assert hours.reason.startswith("Not counted now: motor current")
        before = hours.value
        await it.passes(300)
        assert it.daemon.keeper.latest["blower.blower_hours"].value == before


async def test_hours_and_starts_outlive_a_restart(tmp_path: Path) -> None:
    async with night(tmp_path, unhurried(every_s=5)) as it:
        await it.passes(1200)
        await it.shed.faults.on("blower-stop")
        await it.passes(300)
        await it.shed.faults.off("blower-stop")
        await it.passes(120)
        before = it.daemon.keeper.latest["blower.blower_hours"]
        assert before.value == pytest.approx((1200 + 30 + 120) / 3600, abs=0.03)
        assert it.daemon.keeper.latest["blower.blower_starts"].value == 1
        await it.end()
        it.clock.step_wall(-7200)  # and a step of the wall clock changes nothing
        await it.begin()
        await it.passes(1200)
        after = it.daemon.keeper.latest["blower.blower_hours"]
        assert before.value is not None
        assert after.value == pytest.approx(before.value + 1 / 3, abs=0.03)
        starts = it.daemon.keeper.latest["blower.blower_starts"]
        assert starts.value == 1
        assert "starts in all: 1" in starts.basis
