"""The computer itself: a kernel's tree as a Raspberry Pi shows it, and what is told of it."""

from __future__ import annotations

import asyncio
import os
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from brinewatch.clock import SystemClock
from brinewatch.errors import BadAnswer, NoAnswer, PortLost, ProbeError
from brinewatch.probes.board import BoardBus, BoardSettings, speed, supply, temperature
from brinewatch.readings import Flag

THROTTLED = "devices/platform/soc/soc:firmware/get_throttled"
PI = {
    # hwmon0 is another device's: a name decides, never the number, which changes from boot to boot
    "class/hwmon/hwmon0/name": "cpu_thermal\n",
    "class/hwmon/hwmon0/temp1_input": "48312\n",
    "class/hwmon/hwmon1/name": "rpi_volt\n",
    "class/hwmon/hwmon1/in0_lcrit_alarm": "0\n",
    "class/thermal/thermal_zone0/type": "cpu-thermal\n",
    "class/thermal/thermal_zone0/temp": "48312\n",
    THROTTLED: "0\n",
}


def tree(root: Path, **changed: str | None) -> Path:
    for name, text in {**PI, **changed}.items():
        if text is not None:
            (root / name).parent.mkdir(parents=True, exist_ok=True)
            (root / name).write_text(text)
    return root


def bus_on(root: Path, clock: SystemClock, *quantities: str, **more: Any) -> BoardBus:
    channels = [{"point": f"board.{one}", **more} for one in quantities]
    settings = BoardSettings.model_validate(
        {"kind": "board", "root": str(root), "probe": [{"name": "board", "channel": channels}]}
    )
    return BoardBus("board", settings, clock, root)


async def test_all_three_of_a_board_that_is_well(tmp_path: Path, clock: SystemClock) -> None:
    bus = bus_on(tree(tmp_path), clock, "board_supply", "board_temperature", "board_speed")
    await bus.open()
    samples = await bus.read("board")
    assert [(one.value, one.flag) for one in samples] == [(1.0, Flag.PASS), (48.312, Flag.PASS), (1.0, Flag.PASS)]
    await bus.close()


@pytest.mark.parametrize(("text", "value"), [("0\n", 1.0), ("1\n", 0.0)])
def test_a_low_supply(tmp_path: Path, text: str, value: float) -> None:
    assert supply(tree(tmp_path, **{"class/hwmon/hwmon1/in0_lcrit_alarm": text})) == value


@pytest.mark.parametrize(
    ("bits", "value"),
    [
        ("0\n", 1.0),
        ("1\n", 1.0),  # under-voltage alone is the supply's to tell
        ("2\n", 0.0),  # frequency capped
        ("4\n", 0.0),  # throttled
        ("8\n", 0.0),  # soft temperature limit
        ("50005\n", 0.0),
        ("50000\n", 1.0),  # it was so, and is no more
        ("0x50005\n", 0.0),
    ],
)
def test_the_firmwares_bits(tmp_path: Path, bits: str, value: float) -> None:
    assert speed(tree(tmp_path, **{THROTTLED: bits})) == value


@pytest.mark.parametrize(("state", "value"), [("0\n", 1.0), ("3\n", 0.0)])
def test_another_kernel_tells_by_the_processors_cooling(tmp_path: Path, state: str, value: float) -> None:
    root = tree(
        tmp_path,
        **{
            THROTTLED: None,
            "class/thermal/cooling_device0/type": "gpio-fan\n",
            "class/thermal/cooling_device0/cur_state": "1\n",  # a fan that turns slows nothing
            "class/thermal/cooling_device1/type": "cpufreq-cpu0\n",
            "class/thermal/cooling_device1/cur_state": state,
        },
    )
    assert speed(root) == value


def test_below_zero_and_another_zone(tmp_path: Path) -> None:
    root = tree(
        tmp_path, **{"class/thermal/thermal_zone1/type": "board\n", "class/thermal/thermal_zone1/temp": "-5250\n"}
    )
    assert temperature(root, "board") == -5.25
    assert temperature(root, "cpu-thermal") == 48.312


@pytest.mark.parametrize(
    ("name", "text", "error", "says"),
    [
        ("class/hwmon/hwmon1/in0_lcrit_alarm", "2\n", BadAnswer, "neither 0 nor 1"),
        ("class/hwmon/hwmon1/in0_lcrit_alarm", "yes\n", BadAnswer, "no whole number"),
        ("class/hwmon/hwmon1/in0_lcrit_alarm", "\n", BadAnswer, "no whole number"),
        ("class/hwmon/hwmon1/name", "other\n", NoAnswer, "no rpi_volt"),
    ],
)
def test_a_supply_that_cannot_be_told(
    tmp_path: Path, name: str, text: str, error: type[ProbeError], says: str
) -> None:
    with pytest.raises(error, match=says):
        supply(tree(tmp_path, **{name: text}))


def test_a_temperature_and_a_speed_that_cannot_be_told(tmp_path: Path) -> None:
    with pytest.raises(NoAnswer, match="there are: cpu-thermal"):
        temperature(tree(tmp_path), "gpu")
    with pytest.raises(BadAnswer):
        temperature(tree(tmp_path, **{"class/thermal/thermal_zone0/temp": "4e4\n"}), "cpu-thermal")
    with pytest.raises(BadAnswer):
        speed(tree(tmp_path, **{THROTTLED: "g\n"}))
    with pytest.raises(NoAnswer, match="cannot be read"):
        supply(tmp_path / "nothing")


async def test_what_a_board_has_not_is_missing_and_the_rest_is_read(tmp_path: Path, clock: SystemClock) -> None:
    root = tree(tmp_path, **{"class/hwmon/hwmon1/name": "other\n", THROTTLED: None})
    bus = bus_on(root, clock, "board_supply", "board_temperature", "board_speed")
    samples = await bus.read("board")
    assert [(one.value, one.flag) for one in samples] == [
        (None, Flag.MISSING),
        (48.312, Flag.PASS),
        (None, Flag.MISSING),
    ]
    with pytest.raises(NoAnswer):
        await bus_on(root, clock, "board_supply", "board_speed").read("board")


async def test_no_tree_is_a_lost_port(tmp_path: Path, clock: SystemClock) -> None:
    with pytest.raises(PortLost):
        await bus_on(tmp_path / "sys", clock, "board_supply").open()


async def test_a_file_that_hangs_holds_only_this_board(tmp_path: Path, clock: SystemClock) -> None:
    root = tree(tmp_path, **{"class/thermal/thermal_zone0/temp": None})
    os.mkfifo(root / "class/thermal/thermal_zone0/temp")
    bus = bus_on(root, clock, "board_temperature")
    with pytest.raises(TimeoutError):
        async with asyncio.timeout(0.2):
            await bus.read("board")
    with pytest.raises(NoAnswer, match="still hangs"):
        await bus.read("board")
    (root / "class/thermal/thermal_zone0/temp").write_text("48312\n")


@pytest.mark.parametrize("point", ["board.temperature", "board.oxygen", "board.mains"])
def test_other_quantities_are_refused(point: str) -> None:
    with pytest.raises(ValidationError, match="board_supply, board_temperature, board_speed"):
        BoardSettings.model_validate({"kind": "board", "probe": [{"name": "b", "channel": [{"point": point}]}]})
