"""Instruments that speak in lines, over a pseudo-terminal."""

from __future__ import annotations

import asyncio
import tomllib
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from pydantic import TypeAdapter, ValidationError

from brinewatch.clock import SystemClock
from brinewatch.errors import BadAnswer, NoAnswer, PortLost, ProbeError
from brinewatch.probes.build import BusSettings, build_bus
from brinewatch.probes.line_serial import LineBus
from brinewatch.readings import Flag
from probes.device import Device, Script

ASKED = """
kind = "line_serial"
port = "line0"
timeout_s = 0.3
late_answer_s = 0.3
[[probe]]
name = "meter"
ask = 'R\\r'
terminator = '\\r'
fields = 3
longest = 40
[[probe.channel]]
point = "nursery.temperature"
field = 1
[[probe.channel]]
point = "nursery.oxygen"
field = 2
"""

TALKING = """
kind = "line_serial"
port = "line0"
[[probe]]
name = "baro"
pattern = '\\$P=(?P<p>\\S+) hPa'
max_age_s = 0.6
longest = 40
[[probe.channel]]
point = "room.barometric_pressure"
group = "p"
"""


@asynccontextmanager
async def opened(text: str, clock: SystemClock, folder: Path) -> AsyncIterator[LineBus]:
    bus = build_bus("line", TypeAdapter(BusSettings).validate_python(tomllib.loads(text)), clock, folder)
    assert isinstance(bus, LineBus)
    await bus.open()
    try:
        yield bus
    finally:
        await bus.close()


class Meter:
    def __init__(self) -> None:
        self.odd: list[Sequence[tuple[float, bytes]]] = []

    def __call__(self, asked: bytes) -> Sequence[tuple[float, bytes]]:
        return self.odd.pop(0) if self.odd else [(0, b"17.25,8.10,OK\r")]


@pytest.fixture
def meter() -> Meter:
    return Meter()


@pytest.fixture
async def device(make_device: Callable[[Script, Callable[[bytes], int]], Device], meter: Meter) -> Device:
    return make_device(meter, lambda inbox: inbox.find(b"\r") + 1)


async def test_asked_and_answered(device: Device, clock: SystemClock, tmp_path: Path) -> None:
    async with opened(ASKED, clock, tmp_path) as bus:
        samples = await bus.read("meter")
    assert [(sample.point, sample.value, sample.flag) for sample in samples] == [
        ("nursery.temperature", 17.25, Flag.PASS), ("nursery.oxygen", 8.10, Flag.PASS),
    ]  # fmt: skip
    assert device.asked == [b"R\r"]


@pytest.mark.parametrize(
    ("odd", "error", "says"),
    [
        ([], NoAnswer, "No answer within 0.3 s"),
        ([(0, b"17.25,8.1")], BadAnswer, "broke off after 9 bytes"),
        ([(0, b"8.10,OK\r")], BadAnswer, "2 fields instead of 3"),
        ([(0, b"17.25,8.10,\xfe\r")], BadAnswer, "garbled"),
        ([(0, b"1,2," + b"3" * 80 + b"\r")], BadAnswer, "85 bytes came; the longest is 40"),
        ([(0, b"1" * 80)], BadAnswer, "without its end"),
        ([(0, b"nan,---,OK\r")], BadAnswer, "'nan', which is no number"),
        ([(0, b"\r")], BadAnswer, "1 fields instead of 3"),
    ],
)
async def test_no_bad_line_becomes_a_value(
    device: Device, meter: Meter, clock: SystemClock, tmp_path: Path, odd: list[tuple[float, bytes]],
    error: type[Exception], says: str,
) -> None:  # fmt: skip
    async with opened(ASKED, clock, tmp_path) as bus:
        meter.odd = [odd]
        with pytest.raises(error, match=says):
            await bus.read("meter")
        assert [sample.value for sample in await bus.read("meter")] == [17.25, 8.10]


async def test_one_bad_field_leaves_the_other(
    device: Device, meter: Meter, clock: SystemClock, tmp_path: Path
) -> None:
    async with opened(ASKED, clock, tmp_path) as bus:
        meter.odd = [[(0, b"17.25,-----,OK\r")]]
        temperature, oxygen = await bus.read("meter")
    assert temperature.value == 17.25
    assert (oxygen.value, oxygen.flag) == (None, Flag.FAIL)


async def test_what_lay_in_the_buffer_is_not_the_answer(
    device: Device, meter: Meter, clock: SystemClock, tmp_path: Path
) -> None:
    async with opened(ASKED, clock, tmp_path) as bus:
        device.say(b"99.9,99.9,OK\r")
        await asyncio.sleep(0.05)  # until it lies there
        assert [sample.value for sample in await bus.read("meter")] == [17.25, 8.10]


async def test_a_late_line_is_not_the_next_questions_answer(
    device: Device, meter: Meter, clock: SystemClock, tmp_path: Path
) -> None:
    async with opened(ASKED.replace("late_answer_s = 0.3", "late_answer_s = 1.2"), clock, tmp_path) as bus:
        meter.odd = [[(0.5, b"99.9,99.9,OK\r")]]
        with pytest.raises(NoAnswer):
            await bus.read("meter")
        assert [sample.value for sample in await bus.read("meter")] == [17.25, 8.10]


async def test_an_instrument_that_talks_although_it_is_asked(
    device: Device, clock: SystemClock, tmp_path: Path
) -> None:
    async def babble() -> None:
        while True:
            device.say(b"1,2,3\r")
            await asyncio.sleep(0.003)

    async with opened(ASKED, clock, tmp_path) as bus:
        task = asyncio.create_task(babble())
        await asyncio.sleep(0.05)
        try:
            with pytest.raises(BadAnswer, match="never falls quiet"):
                await bus.read("meter")
        finally:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)


async def test_talking_by_itself(device: Device, clock: SystemClock, tmp_path: Path) -> None:
    async with opened(TALKING, clock, tmp_path) as bus:
        device.say(b"13.2 hPa\r\n$P=1013.2 hPa\r\n$P=10")
        before = clock.now()
        (sample,) = await bus.read("baro")
        assert sample.value == 1013.2  # not the tail of a line that began before the port was open
        assert sample.at.mono >= before.mono
        device.say(b"09.1 hPa\r\n")
        await asyncio.sleep(0.05)
        (newer,) = await bus.read("baro")
        assert newer.value == 1009.1


async def test_the_first_line_after_opening_may_be_half_a_line(
    device: Device, clock: SystemClock, tmp_path: Path
) -> None:
    async with opened(TALKING, clock, tmp_path) as bus:
        device.say(b"$P=1013.2 hPa\r\n")
        with pytest.raises(TimeoutError):
            async with clock.deadline(0.2):
                await bus.read("baro")


async def test_an_old_line_is_not_used_again(device: Device, clock: SystemClock, tmp_path: Path) -> None:
    async with opened(TALKING, clock, tmp_path) as bus:
        device.say(b"\r\n$P=1013.2 hPa\r\n")
        assert (await bus.read("baro"))[0].value == 1013.2
        await asyncio.sleep(0.7)
        with pytest.raises(TimeoutError):
            async with clock.deadline(0.1):
                await bus.read("baro")


async def test_an_endless_line_is_refused_and_then_left_behind(
    device: Device, clock: SystemClock, tmp_path: Path
) -> None:
    async with opened(TALKING, clock, tmp_path) as bus:
        device.say(b"\r\n" + b"9" * 42)
        with pytest.raises(BadAnswer, match="without its end"):
            await bus.read("baro")
        device.say(b"99 hPa\r\n$P=1013.2 hPa\r\n")
        await asyncio.sleep(0.05)
        assert (await bus.read("baro"))[0].value == 1013.2


@pytest.mark.parametrize("text", [ASKED, TALKING])
async def test_unplugged_and_plugged_in_again(
    device: Device, clock: SystemClock, tmp_path: Path, text: str
) -> None:
    async with opened(text, clock, tmp_path) as bus:
        name = "meter" if text is ASKED else "baro"
        device.unplug()
        with pytest.raises(PortLost):
            await bus.read(name)
        with pytest.raises(PortLost, match="Cannot open"):
            await bus.open()
        device.plug()
        await bus.open()
        device.say(b"\r\n$P=1013.2 hPa\r\n")
        assert (await bus.read(name))[0].value in (17.25, 1013.2)


async def test_random_bytes_never_become_a_value(
    device: Device, meter: Meter, clock: SystemClock, tmp_path: Path
) -> None:
    import random

    rng = random.Random(20)
    async with opened(ASKED, clock, tmp_path) as bus:
        for _ in range(40):
            noise = bytes(rng.choice(range(256)) for _ in range(rng.randrange(1, 30))).replace(b",", b"") + b"\r"
            meter.odd = [[(0, noise)]]
            with pytest.raises(ProbeError):
                await bus.read("meter")


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (("field = 1", "column = 1"), "Extra inputs"),
        (("field = 1", 'group = "t"'), "field in channel 1"),
        (("field = 2", "field = 4"), "at most fields"),
        (("field = 1", "field = 0"), "greater than or equal to 1"),
        (("fields = 3", "pattern = '('"), "a regular expression"),
        (("fields = 3", "pattern = '(?P<t>.*)'"), "group in channel 1"),
        (("'R\\r'", "'R\\q'"), "after the backslash"),
        (("'R\\r'", "'°'"), "ASCII"),
        (("late_answer_s = 0.3", "late_answer_s = 0.1"), "at least timeout_s"),
    ],
)
def test_settings_that_cannot_work_are_refused(change: tuple[str, str], says: str) -> None:
    assert change[0] in ASKED
    with pytest.raises(ValidationError, match=says):
        TypeAdapter(BusSettings).validate_python(tomllib.loads(ASKED.replace(*change)))


def test_one_that_talks_by_itself_is_alone_on_its_line() -> None:
    both = TALKING + ASKED[ASKED.index("[[probe]]") :]
    with pytest.raises(ValidationError, match="alone on its line"):
        TypeAdapter(BusSettings).validate_python(tomllib.loads(both))
