"""SDI-12 probes over a pseudo-terminal, which carries neither 7E1 nor a break: those two stay untried here."""

from __future__ import annotations

import asyncio
import tomllib
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from pydantic import TypeAdapter, ValidationError

from brinewatch.clock import SteppingClock, SystemClock
from brinewatch.errors import BadAnswer, NoAnswer, PortLost, ProbeFault
from brinewatch.ports import Clock
from brinewatch.probes.build import BusSettings, build_bus
from brinewatch.probes.sdi12 import Sdi12Bus, Sdi12Settings
from brinewatch.probes.worker import BusWorker
from brinewatch.readings import Flag, Sample
from brinewatch.simulator.devices_sdi12 import Sdi12Device, Sdi12Sensor
from probes.device import Device, Script

LINE = """
kind = "sdi12"
port = "line0"
data_bits = 8
parity = "none"
break_ms = 12
timeout_s = 0.15
late_answer_s = 0.15
"""


def probe(name: str = "sonde", address: str = "0", more: str = "", channels: Sequence[str] = ()) -> str:
    rows = channels or ("raceway.temperature", "raceway.oxygen", "raceway.salinity")
    return f"""
[[probe]]
name = "{name}"
address = "{address}"
every_s = 1
deadline_s = 20
{more}
""" + "".join(f'[[probe.channel]]\npoint = "{point}"\nvalue = {number}\n' for number, point in enumerate(rows, 1))


def settings(text: str) -> Sdi12Settings:
    found = TypeAdapter(BusSettings).validate_python(tomllib.loads(text))
    assert isinstance(found, Sdi12Settings)
    return found


@asynccontextmanager
async def opened(text: str, clock: Clock, folder: Path) -> AsyncIterator[Sdi12Bus]:
    bus = build_bus("sdi", settings(text), clock, folder)
    assert isinstance(bus, Sdi12Bus)
    await bus.open()
    try:
        yield bus
    finally:
        await bus.close()


@asynccontextmanager
async def stepped() -> AsyncIterator[SteppingClock]:
    clock = SteppingClock(1_790_200_800.0)
    driving = asyncio.create_task(clock.drive())
    try:
        yield clock
    finally:
        driving.cancel()
        await asyncio.gather(driving, return_exceptions=True)


@asynccontextmanager
async def device(
    folder: Path, clock: Clock, *, echo: bool = False, **sensors: Sdi12Sensor
) -> AsyncIterator[Sdi12Device]:
    made = Sdi12Device(
        folder / "line0", clock, {name.removeprefix("a"): one for name, one in sensors.items()}, echo=echo
    )
    made.start()
    try:
        yield made
    finally:
        await made.stop()


@asynccontextmanager
async def wired(
    folder: Path, text: str, *, echo: bool = False, **sensors: Sdi12Sensor
) -> AsyncIterator[tuple[Sdi12Bus, Sdi12Device, SteppingClock]]:
    """A bus and the probes at its far end, in stepped time."""
    async with (
        stepped() as clock,
        device(folder, clock, echo=echo, **sensors) as line,
        opened(text, clock, folder) as bus,
    ):
        yield bus, line, clock


def sensor(*numbers: float, **more: object) -> Sdi12Sensor:
    return Sdi12Sensor(lambda now: numbers or (12.5, 8.1, 31.2), **more)  # type: ignore[arg-type]


def told(samples: Sequence[Sample]) -> list[tuple[str, float | None, Flag]]:
    return [(one.point, one.value, one.flag) for one in samples]


GOOD = [
    ("raceway.temperature", 12.5, Flag.PASS), ("raceway.oxygen", 8.1, Flag.PASS),
    ("raceway.salinity", 31.2, Flag.PASS),
]  # fmt: skip


@pytest.mark.parametrize(
    ("more", "asked"),
    [
        ('measure = "M"', ["MC", "D0"]),
        ('measure = "M3"\ncrc = false', ["M3", "D0"]),
        ('measure = "C"', ["CC", "D0"]),
        ('measure = "C1"\ncrc = false', ["C1", "D0"]),
        ('measure = "R0"', ["RC0"]),
        ('measure = "R4"\ncrc = false', ["R4"]),
        ('identity = "SN0001"', ["I", "MC", "D0"]),
    ],
)
async def test_measured(tmp_path: Path, more: str, asked: list[str]) -> None:
    async with wired(tmp_path, LINE + probe(more=more), a0=sensor()) as (bus, line, _):
        samples = await bus.read("sonde")
    assert told(samples) == GOOD
    assert line.sensors["0"].asked == asked


async def test_many_values_come_in_several_answers(tmp_path: Path) -> None:
    numbers = [(-1) ** place * (100.125 + place) for place in range(9)]
    points = [f"raceway{place}.temperature" for place in range(9)]
    text = LINE + probe(channels=points)
    async with wired(tmp_path, text, a0=sensor(*numbers)) as (bus, line, _):
        samples = await bus.read("sonde")
    assert [one.raw for one in samples] == numbers
    assert line.sensors["0"].asked == ["MC", "D0", "D1", "D2"]


async def test_unit_scale_and_offset_as_with_other_probes(tmp_path: Path) -> None:
    text = LINE + probe(channels=["raceway.temperature"]) + 'unit = "degF"\nscale = 0.1\noffset = 2.0\n'
    async with wired(tmp_path, text, a0=sensor(520.0)) as (bus, _, _):
        (sample,) = await bus.read("sonde")
    assert sample.raw == 520.0
    assert sample.value == pytest.approx((52.0 + 2.0 - 32.0) / 1.8)


async def test_the_service_request_is_not_waited_beyond(tmp_path: Path) -> None:
    """Nor is the time the probe has named, where it says nothing."""
    early = sensor(seconds=9)
    async with wired(tmp_path, LINE + probe(), a0=early) as (bus, line, clock):
        began = clock.now().mono
        assert told(await bus.read("sonde")) == GOOD
        assert 8.9 < clock.now().mono - began < 9.5
        early.fault = "no request"
        began = clock.now().mono
        assert told(await bus.read("sonde")) == GOOD
        assert 9.0 < clock.now().mono - began < 9.5
    assert line.sensors["0"].asked == ["MC", "D0"] * 2


async def test_an_early_request_cuts_the_waiting_short(
    tmp_path: Path, clock: SystemClock, make_device: Callable[[Script, Callable[[bytes], int]], Device]
) -> None:
    def script(asked: bytes) -> Sequence[tuple[float, bytes]]:
        return {
            b"0M!": [(0, b"09991\r\n"), (0.05, b"\x00noise\r\n"), (0.1, b"0\r\n")],
            b"0D0!": [(0, b"0+7.5\r\n")],
        }[asked]

    made = make_device(script, lambda inbox: inbox.find(b"!") + 1)
    text = LINE + probe(more="crc = false", channels=["raceway.temperature"]).replace("= 20", "= 1000")
    async with opened(text, clock, tmp_path) as bus:
        began = clock.now().mono
        (sample,) = await bus.read("sonde")
        assert sample.value == 7.5
        assert clock.now().mono - began < 5.0
    assert made.asked == [b"0M!", b"0D0!"]


@pytest.mark.parametrize(
    ("fault", "error", "says"),
    [
        ("silent", NoAnswer, "Address 0 gave no answer to MC within 0.15 s"),
        ("wrong crc", BadAnswer, "CRC of the answer of address 0 is wrong"),
        ("garbled", BadAnswer, "garbled"),
        ("no data", ProbeFault, "measurement was broken off"),
        ("another", BadAnswer, "Address 'z' answered instead of '0'"),
    ],
)
async def test_no_bad_answer_becomes_a_value(tmp_path: Path, fault: str, error: type[Exception], says: str) -> None:
    one = sensor(seconds=0)
    async with wired(tmp_path, LINE + probe(), a0=one) as (bus, _, _):
        one.fault = fault  # type: ignore[assignment]
        with pytest.raises(error, match=says):
            await bus.read("sonde")
        one.fault = None
        assert told(await bus.read("sonde")) == GOOD


async def test_a_question_is_put_again_three_times_in_all(tmp_path: Path) -> None:
    one = sensor(seconds=0, fault="silent")
    async with wired(tmp_path, LINE + probe(), a0=one) as (bus, _, _):
        with pytest.raises(NoAnswer):
            await bus.read("sonde")
        assert one.asked == ["MC", "MC", "MC"]
        one.asked.clear()
        one.fault = "wrong crc"
        with pytest.raises(BadAnswer):
            await bus.read("sonde")
        assert one.asked == ["MC", "D0", "D0", "D0"]


async def test_one_answer_lost_on_the_way_costs_nothing(
    tmp_path: Path, clock: SystemClock, make_device: Callable[[Script, Callable[[bytes], int]], Device]
) -> None:
    answers = [
        [], [(0, b"00001\r\n")],
        [(0, b"0+1.5Oq")], [(0, b"0+3.15OqZ\r\n")], [(0, b"0+3.14OqZ\r\n")],
    ]  # fmt: skip
    made = make_device(lambda asked: answers.pop(0), lambda inbox: inbox.find(b"!") + 1)
    async with opened(LINE + probe(channels=["raceway.temperature"]), clock, tmp_path) as bus:
        (sample,) = await bus.read("sonde")
    assert (sample.value, sample.flag) == (3.14, Flag.PASS)
    assert made.asked == [b"0MC!", b"0MC!", b"0D0!", b"0D0!", b"0D0!"]


async def test_a_late_answer_is_not_taken_for_the_next_one(
    tmp_path: Path, clock: SystemClock, make_device: Callable[[Script, Callable[[bytes], int]], Device]
) -> None:
    """Two answers of one value each: the first comes after its time, and must not count as both."""
    slow = [[(0.25, b"0+1\r\n")]]
    answers = {b"0M!": [(0, b"00002\r\n")], b"0D0!": [(0, b"0+1\r\n")], b"0D1!": [(0, b"0+2\r\n")]}
    made = make_device(
        lambda asked: slow.pop() if asked == b"0D0!" and slow else answers[asked],
        lambda inbox: inbox.find(b"!") + 1,
    )
    text = LINE.replace("late_answer_s = 0.15", "late_answer_s = 0.4")
    channels = ["raceway.temperature", "cone.temperature"]
    async with opened(text + probe(more="crc = false", channels=channels), clock, tmp_path) as bus:
        assert [one.value for one in await bus.read("sonde")] == [1.0, 2.0]
    assert made.asked == [b"0M!", b"0D0!", b"0D0!", b"0D1!"]


@pytest.mark.parametrize(
    ("script", "error", "says"),
    [
        ([b"0\r\n"], BadAnswer, "instead of a time"),
        ([b"00000\r\n"], ProbeFault, "gives no values"),
        ([b"00601\r\n"], ProbeFault, "wants 60 s for M, more than deadline_s, which is 20"),
        ([b"00001\r\n", b"0+1+2\r\n"], BadAnswer, "gave 2 values instead of 1"),
        ([b"00001\r\n", b"0\r\n"], ProbeFault, "broken off"),
        ([b"00001\r\n", b"0+1.2.3\r\n"], BadAnswer, "not a row of signed numbers"),
        ([b"00009\r\n", *[b"0+1\r\n"] * 8, b"0\r\n"], ProbeFault, "broken off"),
        ([b"\xfe\xfd" * 60], BadAnswer, "without its end"),
    ],
)
async def test_answers_that_do_not_fit(
    tmp_path: Path, clock: SystemClock, make_device: Callable[[Script, Callable[[bytes], int]], Device],
    script: list[bytes], error: type[Exception], says: str,
) -> None:  # fmt: skip
    left = list(script)
    make_device(lambda asked: [(0, left.pop(0))] if left else [], lambda inbox: inbox.find(b"!") + 1)
    text = LINE + "tries = 1\n" + probe(more="crc = false", channels=["raceway.temperature"])
    async with opened(text, clock, tmp_path) as bus:
        with pytest.raises(error, match=says):
            await bus.read("sonde")


async def test_a_value_that_is_not_there_leaves_the_others(tmp_path: Path) -> None:
    async with wired(tmp_path, LINE + probe(), a0=sensor(12.5, 8.1)) as (bus, _, _):
        samples = await bus.read("sonde")
    assert told(samples) == [*GOOD[:2], ("raceway.salinity", None, Flag.FAIL)]
    assert samples[2].reason == "Address 0 gave 2 values; number 3 is asked for."


async def test_concurrent_measurements_take_the_time_of_the_slowest(tmp_path: Path) -> None:
    sensors = {f"a{address}": sensor(float(address), seconds=8 + int(address)) for address in "123"}
    text = LINE + "".join(
        probe(f"p{address}", address, 'measure = "C"', [f"tank{address}.temperature"]) for address in "123"
    )
    async with wired(tmp_path, text, **sensors) as (bus, line, clock):
        began = clock.now().mono
        found = [await bus.read(f"p{address}") for address in "123"]
        took = clock.now().mono - began
    assert [samples[0].value for samples in found] == [1.0, 2.0, 3.0]
    assert 11.0 <= took < 12.0  # one after the other it would be 30
    # the stamp is that of the measurement, not of its collection
    assert [round(samples[0].at.mono - began) for samples in found] == [9, 10, 11]
    assert all(one.asked == ["CC", "D0"] for one in line.sensors.values())


async def test_one_silent_probe_does_not_hold_up_those_beside_it(tmp_path: Path) -> None:
    sensors = {"a1": sensor(1.0, seconds=3), "a2": sensor(2.0, seconds=3, fault="silent")}
    text = LINE + "".join(
        probe(f"p{address}", address, 'measure = "C"', [f"tank{address}.temperature"]) for address in "12"
    )
    async with wired(tmp_path, text, **sensors) as (bus, line, _):
        for _ in range(3):
            assert (await bus.read("p1"))[0].value == 1.0
        assert line.sensors["2"].asked == ["CC"]  # beside the other it is tried once
        with pytest.raises(NoAnswer):
            await bus.read("p2")
        line.sensors["2"].fault = None
        assert (await bus.read("p2"))[0].value == 2.0


async def test_two_measurements_of_one_probe_do_not_break_each_other_off(tmp_path: Path) -> None:
    text = LINE + "".join(
        probe(name, "1", f'measure = "{name.upper()}"', [f"{name}.temperature"]) for name in ("c1", "c2", "m")
    )
    async with wired(tmp_path, text, a1=sensor(5.0, seconds=2)) as (bus, line, _):
        for _ in range(2):
            for name in ("c1", "c2", "m"):
                assert (await bus.read(name))[0].value == 5.0
    assert line.sensors["1"].asked == ["CC1", "D0", "CC2", "D0", "MC", "D0"] * 2


async def test_a_swapped_probe_is_not_taken_for_the_right_one(tmp_path: Path) -> None:
    one = sensor(seconds=0)
    async with wired(tmp_path, LINE + probe(more='identity = "SN0001"'), a0=one) as (bus, _, _):
        assert told(await bus.read("sonde")) == GOOD
        one.fault = "silent"  # unplugged, and another put in its place
        with pytest.raises(NoAnswer):
            await bus.read("sonde")
        one.fault, one.identity = None, one.identity.replace("SN0001", "SN0002")
        with pytest.raises(BadAnswer, match="Another probe has address 0: 'GANNETQY SEABUD 100 SN0002'"):
            await bus.read("sonde")
        assert str(await bus.identify("0")) == "GANNETQY SEABUD 100 SN0002"


async def test_an_old_probe_is_hinted_at(tmp_path: Path) -> None:
    async with wired(tmp_path, LINE + probe(), a0=sensor(old=True)) as (bus, _, _):
        with pytest.raises(NoAnswer) as caught:
            await bus.read("sonde")
        assert "crc = false" in caught.value.hint
    async with wired(tmp_path, LINE + probe(more="crc = false"), a0=sensor(old=True)) as (bus, _, _):
        assert told(await bus.read("sonde")) == GOOD


async def test_an_adapter_that_sends_back_what_it_is_told(tmp_path: Path) -> None:
    async with wired(tmp_path, LINE + "echo = true\n" + probe(), echo=True, a0=sensor(seconds=0)) as (bus, _, _):
        assert told(await bus.read("sonde")) == GOOD
    async with wired(tmp_path, LINE + probe(), echo=True, a0=sensor(seconds=0)) as (bus, _, _):
        with pytest.raises(BadAnswer, match="sends back what it is told"):
            await bus.read("sonde")
    async with wired(tmp_path, LINE + "echo = true\n" + probe(), a0=sensor(seconds=0)) as (bus, _, _):
        with pytest.raises(BadAnswer, match=r"broke off|should have sent back"):
            await bus.read("sonde")


async def test_a_line_that_never_falls_quiet(
    tmp_path: Path, clock: SystemClock, make_device: Callable[[Script, Callable[[bytes], int]], Device]
) -> None:
    made = make_device(lambda asked: [], lambda inbox: inbox.find(b"!") + 1)

    async def babble() -> None:
        while True:
            made.say(b"0+1.0\r\n")
            await asyncio.sleep(0.003)

    babbling = asyncio.create_task(babble())
    async with opened(LINE + "tries = 1\n" + probe(more="crc = false"), clock, tmp_path) as bus:
        await asyncio.sleep(0.02)
        with pytest.raises(BadAnswer, match="never falls quiet"):
            await bus.read("sonde")
    babbling.cancel()
    await asyncio.gather(babbling, return_exceptions=True)


async def test_an_adapter_pulled_out_comes_back_by_itself(tmp_path: Path, clock: SystemClock) -> None:
    text = LINE + probe().replace("every_s = 1", "every_s = 0.1")
    heard: list[Sequence[Sample]] = []
    async with device(tmp_path, clock, a0=sensor(seconds=0)) as line:
        made = settings(text)
        worker = BusWorker(build_bus("sdi", made, clock, tmp_path), made.probe, clock, heard.append)
        running = asyncio.create_task(worker.run())

        async def until(flag: Flag) -> Sample:
            heard.clear()
            async with asyncio.timeout(8):
                while not heard or heard[-1][0].flag is not flag:
                    await asyncio.sleep(0.01)
            return heard[-1][0]

        assert (await until(Flag.PASS)).value == 12.5
        line.port.unplug()
        lost = await until(Flag.MISSING)
        assert lost.value is None
        assert "line0" in lost.reason
        line.port.plug()
        assert (await until(Flag.PASS)).value == 12.5
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)


async def test_no_port_is_told(tmp_path: Path, clock: SystemClock) -> None:
    bus = build_bus("sdi", settings(LINE + probe()), clock, tmp_path)
    with pytest.raises(PortLost, match=r"Cannot open .*line0: No such file"):
        await bus.open()


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (LINE + probe(address="10"), "address"),
        (LINE + probe(address="?"), "address"),
        (LINE + probe(more='measure = "M0"'), "measure"),
        (LINE + probe(more='measure = "R"'), "measure"),
        (LINE + probe(more='measure = "MC"'), "measure"),
        (LINE.replace("break_ms = 12", "break_ms = 5") + probe(), "at least 12, or 0"),
        (LINE.replace("late_answer_s = 0.15", "late_answer_s = 0.1") + probe(), "at least timeout_s"),
        (LINE + probe() + probe("other", channels=["cone.temperature"]), "put all its channels into one"),
        (LINE + probe(channels=[]).replace("value = 1", "value = 0"), "value"),
    ],
)
def test_settings_that_cannot_be(text: str, says: str) -> None:
    with pytest.raises(ValidationError, match=says):
        settings(text)


def test_times_when_nothing_is_said() -> None:
    one = settings(LINE + probe().replace("every_s = 1\ndeadline_s = 20\n", "")).probe[0]
    assert (one.every, one.deadline) == (15.0, 15.0)
