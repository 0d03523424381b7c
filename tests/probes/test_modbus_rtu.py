"""A Modbus line with a device that answers rightly, wrongly, late, twice, for another, or not at all."""

from __future__ import annotations

import asyncio
import logging
import struct
import tomllib
from collections.abc import AsyncIterator, Callable, Sequence
from pathlib import Path
from typing import Any

import pytest
from pydantic import TypeAdapter

from brinewatch.clock import SystemClock
from brinewatch.errors import BadAnswer, NoAnswer, PortLost, ProbeFault
from brinewatch.probes.build import BusSettings, build_bus
from brinewatch.probes.modbus_rtu import ModbusBus
from brinewatch.readings import Flag, Sample
from probes.device import Device, Script
from probes.modbus_slave import SHED, Scripted, framed, right


def settings(text: str = SHED) -> Any:
    return TypeAdapter(BusSettings).validate_python(tomllib.loads(text))


@pytest.fixture
def script() -> Scripted:
    return Scripted()


@pytest.fixture
async def device(make_device: Callable[[Script, Callable[[bytes], int]], Device], script: Scripted) -> Device:
    return make_device(script, lambda inbox: 8 if len(inbox) >= 8 else 0)


@pytest.fixture
async def bus(device: Device, clock: SystemClock, tmp_path: Path) -> AsyncIterator[ModbusBus]:
    made = build_bus("rs485", settings(), clock, tmp_path)
    assert isinstance(made, ModbusBus)
    await made.open()
    yield made
    await made.close()


def values(samples: Sequence[Sample]) -> list[float | None]:
    return [sample.value for sample in samples]


async def test_numbers_off_the_wire(bus: ModbusBus, device: Device) -> None:
    samples = await bus.read("sonde")
    assert [(sample.point, sample.value) for sample in samples] == [
        ("nursery.temperature", 17.25), ("nursery.oxygen", 8.125), ("nursery.salinity", pytest.approx(34.12)),
    ]  # fmt: skip
    assert samples[2].raw == 3412
    assert all(sample.flag is Flag.PASS and sample.probe == "sonde" for sample in samples)
    # neighbours in one request, the lone register in another
    assert [asked[:6].hex() for asked in device.asked] == ["040300000004", "040300140001"]


async def test_input_registers_and_units(bus: ModbusBus, device: Device) -> None:
    (sample,) = await bus.read("gauge")
    assert sample.value == pytest.approx(18.4)  # kPa from 184 mbar
    assert device.asked[0][:6].hex() == "050400090001"


@pytest.mark.parametrize(
    ("name", "odd", "error", "says"),
    [
        ("silent", lambda asked: [], NoAnswer, "no answer within 0.3 s"),
        ("checksum", lambda asked: [(0, right(asked)[:-1] + b"\x00")], BadAnswer, "checksum"),
        ("cut off", lambda asked: [(0, right(asked)[:-3])], BadAnswer, "broke off after 4 bytes"),
        ("too short", lambda asked: [(0, framed(b"\x05\x04\x00"))], BadAnswer, "0 data bytes instead of 2"),
        ("too long", lambda asked: [(0, framed(b"\x05\x04\x04\x00\xb8\x00\x00"))], BadAnswer, "4 data bytes"),
        (
            "other address",
            lambda asked: [(0, framed(b"\x06\x04\x02\x00\xb8"))],
            BadAnswer,
            "address 6 instead of 5",
        ),
        (
            "other function",
            lambda asked: [(0, framed(b"\x05\x03\x02\x00\xb8"))],
            BadAnswer,
            "function 3 instead of 4",
        ),
        ("twice in one", lambda asked: [(0, right(asked) * 2)], BadAnswer, "bytes too many"),
        ("echo of the question", lambda asked: [(0, asked)], BadAnswer, "data bytes instead"),
        ("noise", lambda asked: [(0, b"\x55\xaa" * 40)], BadAnswer, "address 85 instead of 5"),
        ("flood", lambda asked: [(0, b"\x55" * 1000)], BadAnswer, "address 85 instead of 5"),
        (
            "exception",
            lambda asked: [(0, framed(b"\x05\x84\x04"))],
            ProbeFault,
            "exception 4: server device failure",
        ),
    ],
)
async def test_no_wrong_answer_becomes_a_value(
    bus: ModbusBus, script: Scripted, name: str, odd: Script, error: type[Exception], says: str
) -> None:
    script.odd = [odd]
    with pytest.raises(error, match=says):
        await bus.read("gauge")
    assert values(await bus.read("gauge")) == [pytest.approx(18.4)]


async def test_a_turning_transceiver_does_no_harm(bus: ModbusBus, script: Scripted) -> None:
    script.odd = [lambda asked: [(0, b"\x00\xff" + right(asked))]]
    assert values(await bus.read("gauge")) == [pytest.approx(18.4)]


async def test_an_answer_in_pieces_is_put_together(bus: ModbusBus, script: Scripted) -> None:
    script.odd = [lambda asked: [(0.002 * place, right(asked)[place : place + 1]) for place in range(7)]]
    assert values(await bus.read("gauge")) == [pytest.approx(18.4)]


LATE = SHED.replace("late_answer_s = 0.3", "late_answer_s = 1.2")


def late(asked: bytes) -> Sequence[tuple[float, bytes]]:
    """999 mbar, after everyone stopped waiting."""
    return [(0.5, framed(b"\x05\x04\x02\x03\xe7"))]


async def test_a_late_answer_is_never_the_next_ones_value(
    script: Scripted, device: Device, clock: SystemClock, tmp_path: Path
) -> None:
    bus = build_bus("rs485", settings(LATE), clock, tmp_path)
    await bus.open()
    try:
        script.odd = [late]
        with pytest.raises(NoAnswer):
            await bus.read("gauge")
        asked = clock.now().mono
        assert values(await bus.read("gauge")) == [pytest.approx(18.4)]
        assert clock.now().mono - asked > 0.5  # held back until the late answer was over
        assert len(device.asked) == 2
    finally:
        await bus.close()


async def test_a_late_answer_holds_back_only_its_own_device(
    script: Scripted, device: Device, clock: SystemClock, tmp_path: Path
) -> None:
    bus = build_bus("rs485", settings(LATE), clock, tmp_path)
    await bus.open()
    try:
        script.odd = [late]
        with pytest.raises(NoAnswer):
            await bus.read("gauge")
        silent_since = clock.now().mono
        assert values(await bus.read("sonde"))[:2] == [17.25, 8.125]
        assert clock.now().mono - silent_since < 0.9  # what is left of late_answer_s for the silent one
    finally:
        await bus.close()


async def test_an_answer_repeated_later_is_not_taken_for_news(bus: ModbusBus, script: Scripted) -> None:
    script.odd = [lambda asked: [(0, right(asked)), (0.004, framed(b"\x05\x04\x02\x03\xe7"))]]
    assert values(await bus.read("gauge")) == [pytest.approx(18.4)]
    assert values(await bus.read("gauge")) == [pytest.approx(18.4)]


async def test_a_line_that_never_falls_quiet_is_told(device: Device, clock: SystemClock, tmp_path: Path) -> None:
    async def babble() -> None:
        while True:
            device.say(b"\x33")
            await asyncio.sleep(0.001)

    bus = build_bus("rs485", settings(SHED.replace("turn_gap_s = 0.005", "turn_gap_s = 0.1")), clock, tmp_path)
    await bus.open()
    task = asyncio.create_task(babble())
    await asyncio.sleep(0.05)
    try:
        with pytest.raises(BadAnswer, match="never falls quiet"):
            await bus.read("gauge")
        assert device.asked == []
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        await bus.close()


async def test_not_a_number_gives_no_value(bus: ModbusBus, script: Scripted) -> None:
    nan, infinite = (struct.pack(">f", value) for value in (float("nan"), float("inf")))
    swapped = infinite[2:] + infinite[:2]
    script.odd = [lambda asked: [(0, framed(b"\x04\x03\x08" + nan + swapped))]]
    samples = await bus.read("sonde")
    assert [(sample.value, sample.flag) for sample in samples[:2]] == [(None, Flag.FAIL)] * 2
    assert "nan" in samples[0].reason
    assert samples[2].value == pytest.approx(34.12)


async def test_one_refused_register_leaves_the_others_readable(bus: ModbusBus, script: Scripted) -> None:
    script.odd = [None, lambda asked: [(0, framed(b"\x04\x83\x02"))]]
    temperature, oxygen, salinity = await bus.read("sonde")
    assert (temperature.value, oxygen.value) == (17.25, 8.125)
    assert (salinity.value, salinity.flag) == (None, Flag.FAIL)
    assert "exception 2: illegal data address" in salinity.reason


async def test_a_device_that_falls_silent_between_two_requests(bus: ModbusBus, script: Scripted) -> None:
    script.odd = [None, lambda asked: []]
    temperature, _, salinity = await bus.read("sonde")
    assert temperature.value == 17.25
    assert (salinity.value, salinity.flag) == (None, Flag.MISSING)


async def test_a_silent_device_costs_one_wait_not_one_a_request(
    bus: ModbusBus, script: Scripted, device: Device
) -> None:
    script.odd = [lambda asked: []]
    with pytest.raises(NoAnswer):
        await bus.read("sonde")
    assert len(device.asked) == 1


async def test_an_adapter_unplugged_and_plugged_in_again(bus: ModbusBus, device: Device) -> None:
    assert values(await bus.read("gauge")) == [pytest.approx(18.4)]
    device.unplug()
    with pytest.raises(PortLost, match="went away"):
        await bus.read("gauge")
    with pytest.raises(PortLost, match="there is no such device"):
        await bus.open()
    device.plug()
    await bus.open()
    assert values(await bus.read("gauge")) == [pytest.approx(18.4)]


async def test_an_adapter_unplugged_while_an_answer_is_awaited(
    bus: ModbusBus, device: Device, script: Scripted
) -> None:
    def pull(asked: bytes) -> Sequence[tuple[float, bytes]]:
        asyncio.get_running_loop().call_soon(device.unplug)
        return []

    script.odd = [pull]
    with pytest.raises(PortLost, match="went away"):
        await bus.read("gauge")


async def test_a_port_that_is_not_there(clock: SystemClock, tmp_path: Path) -> None:
    bus = build_bus("rs485", settings(), clock, tmp_path / "nowhere")
    with pytest.raises(PortLost, match=r"Cannot open .*/nowhere/line0: there is no such device"):
        await bus.open()
    with pytest.raises(PortLost, match="not open"):
        await bus.read("gauge")


async def test_a_port_another_program_holds(bus: ModbusBus, clock: SystemClock, tmp_path: Path) -> None:
    second = build_bus("rs485", settings(), clock, tmp_path)
    with pytest.raises(PortLost, match="another program holds it"):
        await second.open()


async def test_a_pseudo_terminal_knows_no_parity(device: Device, clock: SystemClock, tmp_path: Path) -> None:
    bus = build_bus("rs485", settings(SHED.replace('parity = "none"', 'parity = "even"')), clock, tmp_path)
    with pytest.raises(PortLost, match="parity even"):
        await bus.open()


async def test_pymodbus_says_nothing_of_its_own(
    bus: ModbusBus, script: Scripted, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.DEBUG)
    script.odd = [lambda asked: [(0, b"\x55\xaa" * 40)]]
    with pytest.raises(BadAnswer):
        await bus.read("gauge")
    assert [record.name for record in caplog.records if record.name != "asyncio"] == []


async def test_a_read_cut_off_by_its_deadline_leaves_the_line_usable(
    bus: ModbusBus, script: Scripted, clock: SystemClock
) -> None:
    script.odd = [lambda asked: [(0.15, framed(b"\x05\x04\x02\x03\xe7"))]]
    with pytest.raises(TimeoutError):
        async with clock.deadline(0.08):
            await bus.read("gauge")
    assert values(await bus.read("gauge")) == [pytest.approx(18.4)]
