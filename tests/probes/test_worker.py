"""The worker of a bus: fixed phase, missed ticks counted, silence and lost ports told, and nobody held up."""

from __future__ import annotations

import asyncio
import tomllib
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from typing import Any

import pytest
from pydantic import TypeAdapter

from brinewatch.clock import SteppingClock, SystemClock
from brinewatch.ports import Clock
from brinewatch.probes.build import BusSettings, build_bus
from brinewatch.probes.manual import ManualProbe
from brinewatch.probes.worker import BusWorker, check_once
from brinewatch.readings import Flag, Sample
from probes.device import Device, Script
from probes.modbus_slave import SHED, Scripted, framed, right

INPUTS = """
kind = "gpio"
chip = "files"
device = "inputs"
[[probe]]
name = "mains"
every_s = 2
[[probe.channel]]
point = "room.mains"
line = 1
[[probe]]
name = "float"
every_s = 5
[[probe.channel]]
point = "sump.level_switch"
line = 2
"""


class Heard:
    """What was delivered, and when."""

    def __init__(self, clock: Clock) -> None:
        self.clock = clock
        self.all: list[tuple[float, Sequence[Sample]]] = []
        self.more = asyncio.Event()

    def __call__(self, samples: Sequence[Sample]) -> None:
        self.all.append((self.clock.now().mono, samples))
        self.more.set()

    def of(self, point: str) -> list[tuple[float, Sample]]:
        return [(at, sample) for at, samples in self.all for sample in samples if sample.point == point]

    async def until(self, met: Callable[[], bool]) -> None:
        while not met():
            self.more.clear()
            async with asyncio.timeout(20):
                await self.more.wait()


def parse(text: str) -> Any:
    return TypeAdapter(BusSettings).validate_python(tomllib.loads(text))


@asynccontextmanager
async def working(text: str, clock: Clock, folder: Path) -> AsyncIterator[tuple[BusWorker, Heard]]:
    settings = parse(text)
    heard = Heard(clock)
    worker = BusWorker(build_bus("bus", settings, clock, folder), settings.probe, clock, heard)
    task = asyncio.create_task(worker.run())
    try:
        yield worker, heard
    finally:
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task


@asynccontextmanager
async def stepped(text: str, folder: Path, seconds: float) -> AsyncIterator[tuple[BusWorker, Heard]]:
    """A worker that has lived through so many seconds of stepped time, from monotonic 1000 on."""
    clock = SteppingClock(1.6e9)
    async with working(text, clock, folder) as (worker, heard):
        await clock.drive(1000 + seconds)
        yield worker, heard


@pytest.fixture
def script() -> Scripted:
    return Scripted()


@pytest.fixture
async def device(make_device: Callable[[Script, Callable[[bytes], int]], Device], script: Scripted) -> Device:
    return make_device(script, lambda inbox: 8 if len(inbox) >= 8 else 0)


def inputs(folder: Path) -> None:
    for line in ("1", "2"):
        (folder / "inputs" / line).mkdir(parents=True)
        (folder / "inputs" / line / "value").write_text("1")


async def test_inputs_due_together_are_told_together_and_none_holds_another_back(tmp_path: Path) -> None:
    inputs(tmp_path)
    (tmp_path / "inputs" / "1" / "value").write_text("?")
    async with stepped(INPUTS, tmp_path, 11) as (_, heard):
        told = [(at - 1000, [(one.point, one.value) for one in samples]) for at, samples in heard.all]
    mains, level = ("room.mains", None), ("sump.level_switch", 1.0)
    both, each = [mains, level], [[mains], [level]]
    assert [at for at, samples in told if samples == both] == [0, 10]
    assert all(samples in each for at, samples in told if at not in (0, 10))
    assert {at for at, _ in told} == {0, 2, 4, 5, 6, 8, 10}


async def test_every_probe_in_its_own_fixed_phase(tmp_path: Path) -> None:
    inputs(tmp_path)
    async with stepped(INPUTS, tmp_path, 21) as (worker, heard):
        assert [at for at, _ in heard.of("room.mains")] == [1000 + 2 * tick for tick in range(11)]
        assert [at for at, _ in heard.of("sump.level_switch")] == [1000 + 5 * tick for tick in range(5)]
        assert all(sample.value == 1 for _, samples in heard.all for sample in samples)
        assert (worker.counts["mains"].reads, worker.counts["mains"].missed) == (11, 0)


async def test_a_day_of_tenths_of_seconds_does_not_drift(tmp_path: Path) -> None:
    """0.1 s is no binary number: phase is counted in ticks, not summed up."""
    inputs(tmp_path)
    async with stepped(INPUTS.replace("every_s = 2", "every_s = 0.1"), tmp_path, 300) as (worker, heard):
        times = [at for at, _ in heard.of("room.mains")]
        assert len(times) == 3001
        assert times[-1] == pytest.approx(1300.0, abs=1e-6)
        assert worker.counts["mains"].missed == 0


async def test_a_step_of_the_wall_clock_changes_nothing(tmp_path: Path) -> None:
    inputs(tmp_path)
    clock = SteppingClock(1.6e9)
    async with working(INPUTS, clock, tmp_path) as (_, heard):
        await clock.drive(1010)
        clock.step_wall(-3600)
        await clock.drive(1020)
        assert [at for at, _ in heard.of("room.mains")] == [1000 + 2 * tick for tick in range(11)]
        assert heard.of("room.mains")[-1][1].at.utc == 1.6e9 + 20 - 3600


GAUGE = SHED[: SHED.index("[[probe]]")] + SHED[SHED.rindex("[[probe]]") :]


async def test_ticks_passed_over_are_counted_and_never_made_up(
    tmp_path: Path, device: Device, script: Scripted
) -> None:
    """A silent device held back for late answers keeps its bus for 3 s at a time; its ticks are 1 s apart."""
    script.odd = [lambda asked: []] * 10
    async with stepped(GAUGE.replace("late_answer_s = 0.3", "late_answer_s = 3"), tmp_path, 9.5) as (worker, heard):
        assert [at for at, _ in heard.of("manifold.air_pressure")] == [1000, 1003, 1006, 1009]
        count = worker.counts["gauge"]
        assert (count.reads, count.failures) == (5, 4)  # the fifth still waits
        # ticks 2, then 4 and 5, then 7 and 8 were never tried
        assert count.missed == 5
        assert "no answer" in count.reason


async def test_a_silent_probe_is_missing_at_every_tick_and_asked_ever_more_seldom(
    tmp_path: Path, device: Device, script: Scripted
) -> None:
    def answer(asked: bytes) -> Sequence[tuple[float, bytes]]:
        return [] if asked[0] == 4 else [(0, right(asked))]

    device.script = answer
    async with stepped(SHED, tmp_path, 121) as (worker, heard):
        silent = heard.of("nursery.oxygen")
        assert [at for at, _ in silent] == [1000 + 5 * tick for tick in range(25)]
        assert all((sample.value, sample.flag) == (None, Flag.MISSING) for _, sample in silent)
        assert all("no answer" in sample.reason for _, sample in silent)
        # asked at 0, 5, 15, 35, then every 30 s
        assert worker.counts["sonde"].reads == 6
        healthy = heard.of("manifold.air_pressure")
        assert [at for at, _ in healthy] == [1000 + tick for tick in range(122)]
        assert all(sample.value == pytest.approx(18.4) for _, sample in healthy)
        assert worker.counts["gauge"].missed == 0
        assert worker.counts["gauge"].failures == 0


async def test_a_probe_that_answers_again_is_back_at_once(tmp_path: Path, device: Device) -> None:
    clock = SteppingClock(1.6e9)
    silent = True

    def answer(asked: bytes) -> Sequence[tuple[float, bytes]]:
        return [] if silent and asked[0] == 4 else [(0, right(asked))]

    device.script = answer
    async with working(SHED, clock, tmp_path) as (_, heard):
        await clock.drive(1040)
        silent = False
        await clock.drive(1090)
        recovered = [at for at, sample in heard.of("nursery.oxygen") if sample.value is not None]
        assert recovered
        assert recovered == [recovered[0] + 5 * tick for tick in range(len(recovered))]
        assert recovered[0] <= 1070


async def test_a_fault_the_device_tells_is_failed_and_asked_at_every_tick(tmp_path: Path, device: Device) -> None:
    device.script = lambda asked: [(0, framed(bytes([asked[0], asked[1] | 0x80, 4])))]
    async with stepped(SHED, tmp_path, 21) as (worker, heard):
        faults = heard.of("nursery.oxygen")
        assert len(faults) == worker.counts["sonde"].reads == 5
        assert all(sample.flag is Flag.FAIL for _, sample in faults)
        assert all("exception 4" in sample.reason for _, sample in faults)


async def test_an_adapter_comes_back_by_itself(tmp_path: Path, device: Device) -> None:
    clock = SteppingClock(1.6e9)
    async with working(GAUGE, clock, tmp_path) as (_, heard):
        await clock.drive(1010.5)
        device.unplug()
        await clock.drive(1060.5)
        device.plug()
        await clock.drive(1080.5)
        told = heard.of("manifold.air_pressure")
        # one sample a tick all through
        assert [at for at, _ in told] == [1000 + tick for tick in range(81)]
        gone = [(at, sample) for at, sample in told if sample.value is None]
        assert gone[0][0] == 1011
        assert all(sample.flag is Flag.MISSING for _, sample in gone)
        assert all(device.port in sample.reason for _, sample in gone)
        # tried again within 5 s
        assert gone[-1][0] <= 1066


async def test_a_bus_that_was_never_there_is_told_at_every_tick(tmp_path: Path) -> None:
    async with stepped(INPUTS, tmp_path, 10) as (worker, heard):
        assert [at for at, _ in heard.of("room.mains")] == [1000 + 2 * tick for tick in range(6)]
        assert all("There are no inputs at" in sample.reason for _, samples in heard.all for sample in samples)
        assert (worker.counts["mains"].reads, worker.counts["mains"].failures) == (0, 6)


async def test_a_driver_that_breaks_does_not_end_the_watch(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """A probe its bus knows nothing of makes the driver raise what no driver should."""
    inputs(tmp_path)
    clock = SteppingClock(1.6e9)
    settings = parse(INPUTS)
    ghost = ManualProbe.model_validate({"name": "ghost", "channel": [{"point": "room.air_temperature"}]})
    heard = Heard(clock)
    worker = BusWorker(build_bus("bus", settings, clock, tmp_path), [ghost, *settings.probe], clock, heard)
    task = asyncio.create_task(worker.run())
    await clock.drive(1011)
    task.cancel()
    with suppress(asyncio.CancelledError):
        await task
    failed = heard.of("room.air_temperature")
    assert [at for at, _ in failed] == [1000, 1005, 1010]
    assert all(sample.flag is Flag.FAIL and "driver failed: KeyError" in sample.reason for _, sample in failed)
    assert len(heard.of("room.mains")) == 6
    assert any("the driver of ghost failed" in record.message for record in caplog.records)


async def test_what_fails_behind_the_worker_is_not_swallowed(tmp_path: Path) -> None:
    inputs(tmp_path)
    clock = SystemClock()
    settings = parse(INPUTS)

    def refuse(samples: Sequence[Sample]) -> None:
        raise RuntimeError("cannot take it")

    worker = BusWorker(build_bus("bus", settings, clock, tmp_path), settings.probe, clock, refuse)
    with pytest.raises(RuntimeError, match="cannot take it"):
        await worker.run()


async def test_a_silent_bus_does_not_delay_another(
    tmp_path: Path, device: Device, script: Scripted, clock: SystemClock
) -> None:
    inputs(tmp_path)
    device.script = lambda asked: []
    fast = INPUTS.replace("every_s = 2", "every_s = 0.05").replace("every_s = 5", "every_s = 60")
    slow = GAUGE.replace("timeout_s = 0.3", "timeout_s = 10").replace("late_answer_s = 0.3", "late_answer_s = 10")
    slow = slow.replace('name = "gauge"', 'name = "gauge"\ndeadline_s = 1.0\nevery_s = 60')
    async with working(slow, clock, tmp_path) as (_, silent), working(fast, clock, tmp_path) as (_, heard):
        await heard.until(lambda: len(heard.of("room.mains")) >= 5)
        assert silent.all == []
        await silent.until(lambda: bool(silent.all))
        ((_, (sample,)),) = silent.all
        assert sample.flag is Flag.MISSING
        assert sample.reason == "No answer within 1 s."
        assert len(heard.of("room.mains")) > 5


async def test_a_thermometer_that_hangs_costs_its_deadline_and_no_more(tmp_path: Path, clock: SystemClock) -> None:
    import os

    text = 'kind = "onewire"\nroot = "w1"\n'
    for place, device in enumerate(("28-000000000001", "28-000000000002")):
        (tmp_path / "w1" / device).mkdir(parents=True)
        text += f'[[probe]]\nname = "t{place}"\ndevice = "{device}"\nevery_s = 0.2\ndeadline_s = 0.1\n'
        text += f'[[probe.channel]]\npoint = "tank{place}.temperature"\n'
    stuck = tmp_path / "w1" / "28-000000000001" / "w1_slave"
    os.mkfifo(stuck)
    # DS18B20 datasheet, table of temperatures: 0x0191 is 25.0625 degC
    pad = "91 01 4b 46 7f ff 0f 10 "
    from brinewatch.probes.onewire import crc8

    crc = f"{crc8(bytes.fromhex(pad)):02x}"
    (tmp_path / "w1" / "28-000000000002" / "w1_slave").write_text(
        f"{pad}{crc} : crc={crc} YES\n{pad}{crc} t=25062\n"
    )
    try:
        async with working(text, clock, tmp_path) as (worker, heard):
            await heard.until(lambda: len(heard.of("tank1.temperature")) >= 5)
            assert all(sample.value == 25.062 for _, sample in heard.of("tank1.temperature"))
            assert all(sample.flag is Flag.MISSING for _, sample in heard.of("tank0.temperature"))
            assert worker.counts["t1"].failures == 0
    finally:
        await asyncio.to_thread(stuck.write_text, "")  # let the waiting reader go


async def test_check_once_says_what_each_answered(tmp_path: Path, device: Device, clock: SystemClock) -> None:
    device.script = lambda asked: [] if asked[0] == 4 else [(0, right(asked))]
    settings = parse(SHED)
    sonde, gauge = await check_once(build_bus("rs485", settings, clock, tmp_path), settings.probe, clock)
    assert (sonde.probe, sonde.well) == ("sonde", False)
    # one sample a channel, each saying that nothing came
    assert [(one.point, one.value, one.flag) for one in sonde.samples] == [
        (channel.point, None, Flag.MISSING) for channel in settings.probe[0].channel
    ]
    assert "Address 4 gave no answer" in sonde.error
    assert "Check its supply" in sonde.error
    assert (gauge.well, gauge.error) == (True, "")
    assert gauge.samples[0].value == pytest.approx(18.4)
    device.unplug()
    gone = await check_once(build_bus("rs485", settings, clock, tmp_path), settings.probe, clock)
    assert [answer.probe for answer in gone] == ["sonde", "gauge"]
    assert all("Cannot open" in answer.error for answer in gone)
    device.plug()
