"""Mishaps by name, by hand and by script."""

from __future__ import annotations

import asyncio

import pytest

from brinewatch.clock import SteppingClock
from brinewatch.errors import BrinewatchError
from brinewatch.simulator.faults import Faults, ScriptedFault


class Switched:
    def __init__(self) -> None:
        self.calls: list[tuple[object, ...]] = []
        self.changes = 0
        self.faults = Faults(self._changed)
        self.faults.register("blower-stop", lambda on: self.calls.append(("blower", on)), about="stands")
        self.faults.register("line-burst", lambda on, *share: self.calls.append(("burst", on, *share)), "[SHARE]")
        self.faults.register("probe-frozen", lambda on, name: self.calls.append(("frozen", on, name)), "NAME")
        self.faults.register("broker-gone", self._broker)

    def _changed(self) -> None:
        self.changes += 1

    async def _broker(self, on: bool) -> None:
        await asyncio.sleep(0)
        self.calls.append(("broker", on))


async def test_on_and_off_reach_the_switch_with_their_words() -> None:
    one = Switched()
    await one.faults.on("line-burst", "0.5")
    await one.faults.on("probe-frozen", "ph")
    await one.faults.on("probe-frozen", "oxygen")
    await one.faults.on("broker-gone")
    assert one.faults.active == ["line-burst 0.5", "probe-frozen ph", "probe-frozen oxygen", "broker-gone"]
    await one.faults.off("line-burst")
    await one.faults.off("probe-frozen", "ph")
    await one.faults.off("broker-gone")
    assert one.faults.active == ["probe-frozen oxygen"]
    assert one.calls == [
        ("burst", True, "0.5"), ("frozen", True, "ph"), ("frozen", True, "oxygen"), ("broker", True),
        ("burst", False), ("frozen", False, "ph"), ("broker", False),
    ]  # fmt: skip
    assert one.changes == 7


async def test_mending_what_is_whole_does_nothing() -> None:
    one = Switched()
    await one.faults.off("blower-stop")
    assert one.calls == []


async def test_breaking_twice_changes_the_amount() -> None:
    one = Switched()
    await one.faults.on("line-burst", "0.5")
    await one.faults.on("line-burst", "0.9")
    assert one.faults.active == ["line-burst 0.9"]
    await one.faults.off("line-burst")
    assert one.faults.active == []


@pytest.mark.parametrize(("line", "told"), [
    ("on blower-stops", "There is no fault 'blower-stops'."),
    ("on probe-frozen", "probe-frozen takes NAME"),
    ("on blower-stop now", "blower-stop takes no words"),
    ("on line-burst 1 2", "line-burst takes [SHARE]"),
    ("break blower-stop", "is not understood"),
    ("on", "is not understood"),
])  # fmt: skip
async def test_what_is_not_understood_is_refused_in_words(line: str, told: str) -> None:
    one = Switched()
    with pytest.raises(BrinewatchError) as refused:
        await one.faults.command(line)
    assert told in str(refused.value)
    assert one.calls == []


async def test_commands_answer_in_one_line() -> None:
    one = Switched()
    assert await one.faults.command("on probe-frozen ph") == "probe-frozen ph is on."
    assert await one.faults.command("list") == (
        "Broken: probe-frozen ph. May break: blower-stop, broker-gone, line-burst [SHARE], probe-frozen NAME."
    )
    assert await one.faults.command("off probe-frozen ph") == "probe-frozen ph is off."
    assert (await one.faults.command("list")).startswith("Broken: nothing.")
    assert one.faults.about("blower-stop") == "stands"


async def test_a_name_is_registered_once() -> None:
    with pytest.raises(ValueError, match="registered already"):
        Switched().faults.register("blower-stop", lambda on: None)


async def test_a_failing_switch_leaves_the_fault_off() -> None:
    def broken(on: bool) -> None:
        raise BrinewatchError("It is stuck.")

    faults = Faults()
    faults.register("stuck", broken)
    with pytest.raises(BrinewatchError, match="stuck"):
        await faults.on("stuck")
    assert faults.active == []


async def test_a_script_keeps_its_times() -> None:
    clock, one = SteppingClock(0.0), Switched()
    seen: list[tuple[float, list[str]]] = []
    one.faults.register("watch", lambda on: None)
    script = [
        ScriptedFault(60.0, "blower-stop", duration_s=30.0),
        ScriptedFault(10.0, "probe-frozen", ("ph",), 80.0),
        ScriptedFault(90.0, "line-burst", ("0.2",)),
    ]
    task = asyncio.create_task(one.faults.play(script, clock))
    for at in (5.0, 10.0, 59.9, 60.0, 89.9, 90.0, 500.0):
        await clock.drive(1000.0 + at)
        seen.append((at, one.faults.active))
    await task
    assert seen == [
        (5.0, []), (10.0, ["probe-frozen ph"]), (59.9, ["probe-frozen ph"]),
        (60.0, ["probe-frozen ph", "blower-stop"]), (89.9, ["probe-frozen ph", "blower-stop"]),
        (90.0, ["line-burst 0.2"]), (500.0, ["line-burst 0.2"]),
    ]  # fmt: skip


async def test_what_ends_as_its_like_begins_ends_first() -> None:
    clock, one = SteppingClock(0.0), Switched()
    script = [
        ScriptedFault(30.0, "blower-stop", duration_s=30.0),
        ScriptedFault(0.0, "blower-stop", duration_s=30.0),
    ]
    task = asyncio.create_task(one.faults.play(script, clock))
    await clock.drive(1045.0)
    assert one.faults.active == ["blower-stop"]
    assert one.calls == [("blower", True), ("blower", False), ("blower", True)]
    await clock.drive(1100.0)
    await task
    assert one.faults.active == []


async def test_a_script_with_an_unknown_fault_is_refused_before_it_starts() -> None:
    clock, one = SteppingClock(0.0), Switched()
    with pytest.raises(BrinewatchError, match="no fault"):
        await one.faults.play([ScriptedFault(0.0, "blower-stop"), ScriptedFault(9.0, "flood")], clock)
    assert one.calls == []
