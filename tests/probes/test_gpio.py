"""Digital inputs from a tree of files, and a real chip as far as it can be tried without one."""

from __future__ import annotations

import asyncio
import inspect
import sys
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from brinewatch.clock import SteppingClock, SystemClock
from brinewatch.errors import BadAnswer, NoAnswer, PortLost
from brinewatch.probes.gpio import GpioBus, GpioSettings
from brinewatch.readings import Flag

MAINS = {"point": "room.mains", "line": 17}
FLOW = {"point": "raceway.water_flow", "line": 4, "pulses_per_litre": 7.5}


def line(root: Path, number: int, **files: str) -> None:
    (root / str(number)).mkdir(exist_ok=True)
    for name, text in files.items():
        (root / str(number) / name).write_text(text)


def bus_on(root: Path, clock: Any, *channels: dict[str, Any], chip: str = "files") -> GpioBus:
    probe = {"name": "inputs", "channel": list(channels)}
    settings = GpioSettings.model_validate({"kind": "gpio", "chip": chip, "device": str(root), "probe": [probe]})
    return GpioBus("gpio", settings, clock, root)


@pytest.mark.parametrize(
    ("low", "text", "value"), [(False, "1", 1), (False, "0\n", 0), (True, "1", 0), (True, "0", 1)]
)
async def test_levels(tmp_path: Path, clock: SystemClock, low: bool, text: str, value: float) -> None:
    line(tmp_path, 17, value=text)
    bus = bus_on(tmp_path, clock, {**MAINS, "active_low": low})
    await bus.open()
    (sample,) = await bus.read("inputs")
    assert (sample.value, sample.flag) == (value, Flag.PASS)


async def test_pulses_become_a_flow(tmp_path: Path) -> None:
    """7.5 pulses a litre: 60 pulses in 8 s are 8 L in 8 s, 60 L/min (arithmetic)."""
    clock = SteppingClock(1.6e9)
    line(tmp_path, 4, edges="1000")
    bus = bus_on(tmp_path, clock, FLOW)
    await bus.open()

    async def watch() -> None:
        (first,) = await bus.read("inputs")
        assert (first.value, first.flag) == (None, Flag.MISSING)
        assert "began" in first.reason
        line(tmp_path, 4, edges="1060\n")
        await clock.sleep(8)
        (sample,) = await bus.read("inputs")
        assert (sample.value, sample.raw) == (pytest.approx(60.0), 60)
        await clock.sleep(5)
        (stopped,) = await bus.read("inputs")
        assert (stopped.value, stopped.flag) == (0.0, Flag.PASS)
        line(tmp_path, 4, edges="3")  # the counter was started anew
        await clock.sleep(5)
        (anew,) = await bus.read("inputs")
        assert (anew.value, anew.flag) == (None, Flag.MISSING)

    driver = asyncio.create_task(clock.drive())
    await watch()
    driver.cancel()
    await asyncio.gather(driver, return_exceptions=True)


@pytest.mark.parametrize(
    ("text", "error"), [("2", BadAnswer), ("", NoAnswer), ("on", BadAnswer), (None, NoAnswer), ("\xff", BadAnswer)]
)
async def test_no_level(tmp_path: Path, clock: SystemClock, text: str | None, error: type[Exception]) -> None:
    if text is not None:
        line(tmp_path, 17, value=text)
    bus = bus_on(tmp_path, clock, MAINS)
    await bus.open()
    with pytest.raises(error):
        await bus.read("inputs")


@pytest.mark.parametrize("text", ["-1", "1.5", "many", "9" * 30])
async def test_no_count(tmp_path: Path, clock: SystemClock, text: str) -> None:
    line(tmp_path, 4, edges=text)
    line(tmp_path, 17, value="1")
    bus = bus_on(tmp_path, clock, FLOW, MAINS)
    await bus.open()
    flow, mains = await bus.read("inputs")
    assert (flow.value, flow.flag) == (None, Flag.FAIL)
    assert mains.value == 1.0


async def test_a_tree_that_is_not_there(tmp_path: Path, clock: SystemClock) -> None:
    with pytest.raises(PortLost, match="no inputs at"):
        await bus_on(tmp_path / "none", clock, MAINS).open()


async def test_a_chip_that_is_not_there(tmp_path: Path, clock: SystemClock) -> None:
    bus = bus_on(tmp_path / "gpiochip9", clock, MAINS, chip="gpiod")
    with pytest.raises(PortLost, match=r"Cannot take the inputs of .*gpiochip9"):
        await bus.open()
    with pytest.raises(PortLost, match="not open"):
        await bus.read("inputs")
    await bus.close()


async def test_gpiod_missing_names_the_extra(
    tmp_path: Path, clock: SystemClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "gpiod", None)  # what import meets when it is not installed
    with pytest.raises(PortLost, match=r"pip install 'brinewatch\[gpio\]'"):
        await bus_on(tmp_path, clock, MAINS, chip="gpiod").open()


def test_gpiod_offers_what_the_chip_calls() -> None:
    """No machine of ours has a GPIO chip: what is called is checked against the library's signatures."""
    import gpiod
    from gpiod.line import Bias, Direction, Edge, Value

    inspect.signature(gpiod.request_lines).bind("/dev/gpiochip0", consumer="brinewatch", config={})
    settings = gpiod.LineSettings(
        direction=Direction.INPUT, edge_detection=Edge.RISING, bias=Bias.PULL_UP, active_low=True,
        debounce_period=timedelta(seconds=0.01),
    )  # fmt: skip
    assert settings.active_low
    assert {Bias.AS_IS, Bias.PULL_UP, Bias.PULL_DOWN, Bias.DISABLED} <= set(Bias)
    inspect.signature(gpiod.LineRequest.get_value).bind(None, 17)
    inspect.signature(gpiod.LineRequest.wait_edge_events).bind(None, timedelta(0))
    inspect.signature(gpiod.LineRequest.read_edge_events).bind(None)
    assert {"line_offset", "line_seqno"} <= set(gpiod.EdgeEvent.__dataclass_fields__)
    assert isinstance(gpiod.LineRequest.fd, property)
    assert Value.ACTIVE is not Value.INACTIVE


@pytest.mark.parametrize(
    ("channels", "says"),
    [
        ([{"point": "room.air_temperature", "line": 1}], "two states"),
        ([{**MAINS, "pulses_per_litre": 7.5}], "water_flow for pulses"),
        ([{**FLOW, "unit": "m3/h"}], "no unit"),
        ([MAINS, {**FLOW, "line": 17}], "stands twice"),
        ([{**MAINS, "line": -1}], "greater than or equal to 0"),
    ],
)
def test_settings_that_cannot_work_are_refused(channels: list[dict[str, Any]], says: str) -> None:
    with pytest.raises(ValidationError, match=says):
        GpioSettings.model_validate({"kind": "gpio", "probe": [{"name": "inputs", "channel": channels}]})
