"""The whole shed at its wires: what a master, a serial port and a file reader find, and what faults do to it."""

from __future__ import annotations

import asyncio
import os
from collections.abc import AsyncIterator, Awaitable, Callable
from pathlib import Path

import pytest
import serial
from pymodbus.client import AsyncModbusSerialClient
from pymodbus.exceptions import ModbusException

from brinewatch.clock import SteppingClock
from brinewatch.errors import BrinewatchError
from brinewatch.simulator.faults import ScriptedFault
from brinewatch.simulator.world import LINES, SimulatedShed

UTC = 1_790_000_000.0


class Bench:
    """A shed at standing time, and instruments from other workshops to look at it with."""

    def __init__(self, folder: Path, **settings: object) -> None:
        self.clock = SteppingClock(UTC)
        self.folder = folder
        self.shed = SimulatedShed(self.clock, folder, **settings)  # type: ignore[arg-type]
        self.master: AsyncModbusSerialClient | None = None

    async def pass_s(self, seconds: float) -> None:
        await self.clock.drive(self.clock.now().mono + seconds)

    async def registers(self, address: int, function: int, first: int, count: int) -> list[int]:
        if self.master is None:
            self.master = AsyncModbusSerialClient(
                str(self.folder / "ports/rs485"), timeout=0.1, retries=0, reconnect_delay=0
            )
            assert await self.master.connect()
        read = self.master.read_input_registers if function == 4 else self.master.read_holding_registers
        answer = await read(first, count=count, device_id=address)
        if answer.isError():
            raise ModbusException(f"exception {answer.exception_code}")
        return list(answer.registers)

    async def floating(self, address: int, first: int, order: str = "big") -> float:
        words = await self.registers(address, 4, first, 2)
        assert self.master is not None
        kind = self.master.DATATYPE.FLOAT32
        return float(self.master.convert_from_registers(words, kind, word_order=order))  # type: ignore[arg-type]

    def text(self, name: str) -> str:
        return (self.folder / name).read_text()

    def thermometer(self, identity: str) -> float:
        return int(self.text(f"w1/28-{identity}/w1_slave").rpartition("t=")[2]) / 1000.0

    def loop_ma(self) -> float:
        raw = int(self.text("iio/iio:device0/in_voltage0_raw"))
        return raw * float(self.text("iio/iio:device0/in_voltage0_scale")) / 165.0

    def pressure(self) -> float:
        return (self.loop_ma() - 4.0) / 16.0 * 25.0

    def input(self, name: str) -> str:
        return self.text(f"gpio/{LINES[name]}/value").strip()

    def edges(self, name: str) -> int:
        return int(self.text(f"gpio/{LINES[name]}/edges"))

    async def line(self, seconds: float = 1.0) -> bytes:
        """What comes on the line in so many seconds."""
        with serial.Serial(str(self.folder / "ports/line"), 9600, timeout=0.05) as port:
            await self.pass_s(seconds)
            return await asyncio.to_thread(port.read, 4096)

    async def flow(self) -> float:
        return float((await self.line()).partition(b"F=")[2].partition(b";")[0])

    async def stop(self) -> None:
        if self.master is not None:
            self.master.close()
            await asyncio.sleep(0)
        await self.shed.stop()


@pytest.fixture
async def bench(tmp_path: Path) -> AsyncIterator[Bench]:
    made = Bench(tmp_path)
    await made.shed.start()
    yield made
    await made.stop()


async def test_every_probe_of_the_wiring_table_reads_a_healthy_shed(bench: Bench) -> None:
    await bench.pass_s(30.0)
    oxygen = await bench.floating(3, 0)
    assert 7.8 < oxygen < 8.6
    assert await bench.floating(3, 2) == pytest.approx(12.0, abs=0.4)
    ph, ph_t = await bench.registers(4, 3, 0, 2)
    assert 785 <= ph <= 810
    assert ph_t == pytest.approx(120, abs=4)
    assert await bench.floating(5, 0, "little") == pytest.approx(31.5, abs=0.2)
    # S 31.5 at 12 degC conducts about 36.6 mS/cm (gsw C_from_SP below)
    import gsw

    expected = float(gsw.C_from_SP(31.47, 12.0, 0.0))
    assert await bench.floating(5, 2, "little") == pytest.approx(expected, rel=0.01)
    assert await bench.floating(5, 4, "little") == pytest.approx(12.0, abs=0.4)
    assert await bench.registers(6, 3, 10, 1) == [pytest.approx(265, abs=15)]
    assert bench.thermometer("00000a1b2c01") == pytest.approx(12.06, abs=0.4)
    assert bench.thermometer("00000a1b2c02") == pytest.approx(11.91, abs=0.4)
    assert bench.text("iio/iio:device0/name") == "ads1115\n"
    assert 11.0 < bench.pressure() < 12.5
    assert bench.text("iio/iio:device1/name") == "bmp280\n"
    assert 98.0 < float(bench.text("iio/iio:device1/in_pressure_input")) < 104.0
    assert [bench.input(name) for name in ("mains", "header-level", "sump-level")] == ["1", "1", "1"]
    assert 40.0 < await bench.flow() < 65.0
    counted = bench.edges("pulses")
    await bench.pass_s(60.0)
    assert (bench.edges("pulses") - counted) / 5.0 == pytest.approx(51.0, abs=4.0)


async def test_numbers_look_alive(bench: Bench) -> None:
    oxygen, pressure = [], []
    for _ in range(30):
        await bench.pass_s(1.0)
        oxygen.append(await bench.floating(3, 0))
        pressure.append(bench.pressure())
    for values, most in ((oxygen, 0.15), (pressure, 0.3)):
        assert len(set(values)) > 15
        assert 0.0 < max(values) - min(values) < most


Look = Callable[[Bench], Awaitable[object]]


async def _pressure(bench: Bench) -> float:
    return bench.pressure()


async def _motor(bench: Bench) -> float:
    return (await bench.registers(6, 3, 10, 1))[0] / 100.0


async def test_a_stopped_blower_shows_everywhere(bench: Bench) -> None:
    await bench.pass_s(10.0)
    oxygen = await bench.floating(3, 0)
    await bench.shed.faults.on("blower-stop")
    await bench.pass_s(0.25)
    assert bench.pressure() < 8.0  # the files follow closely, not only each second
    await bench.pass_s(5.0)
    assert abs(bench.pressure()) < 0.2
    assert await _motor(bench) < 0.05
    assert bench.input("mains") == "1"
    await bench.pass_s(120.0)
    assert bench.input("header-level") == "0"
    assert bench.input("sump-level") == "1"
    assert await bench.flow() < 2.0
    await bench.pass_s(1800.0)
    assert await bench.floating(3, 0) < oxygen - 0.3
    await bench.shed.faults.off("blower-stop")
    await bench.pass_s(600.0)
    assert 11.0 < bench.pressure() < 12.6
    assert bench.input("header-level") == "1"
    assert await bench.flow() > 40.0


async def test_mains_off_stops_the_blower_and_shows_as_mains(bench: Bench) -> None:
    await bench.shed.faults.on("mains-off")
    await bench.pass_s(4.0)
    assert bench.input("mains") == "0"
    assert abs(bench.pressure()) < 0.2
    assert await _motor(bench) < 0.05
    await bench.shed.faults.off("mains-off")
    await bench.pass_s(5.0)
    assert bench.input("mains") == "1"
    assert bench.pressure() > 11.0


async def test_a_burst_line_is_low_pressure_with_the_motor_running_light(bench: Bench) -> None:
    whole = await _motor(bench)
    await bench.shed.faults.on("line-burst")
    await bench.pass_s(5.0)
    assert 0.5 < bench.pressure() < 5.0
    assert 0.5 < await _motor(bench) < 0.7 * whole
    await bench.shed.faults.on("line-burst", "0.05")
    await bench.pass_s(5.0)
    assert 5.0 < bench.pressure() < 11.9


async def test_fouled_diffusers_are_high_pressure_within_minutes(bench: Bench) -> None:
    whole = bench.pressure()
    await bench.shed.faults.on("diffusers-foul")
    await bench.pass_s(10.0)
    assert bench.pressure() < whole + 3.0
    await bench.pass_s(300.0)
    assert bench.pressure() > whole + 3.0
    await bench.shed.faults.off("diffusers-foul")
    await bench.pass_s(400.0)
    assert bench.pressure() == pytest.approx(whole, abs=0.5)


async def test_a_leaking_sump_falls_low(bench: Bench) -> None:
    await bench.shed.faults.on("sump-leaks", "20")
    await bench.pass_s(900.0)
    assert bench.input("sump-level") == "0"


PROBES = {
    "oxygen": lambda bench: bench.floating(3, 0),
    "ph": lambda bench: bench.registers(4, 3, 0, 1),
    "salinity": lambda bench: bench.floating(5, 0, "little"),
    "motor": lambda bench: bench.registers(6, 3, 10, 1),
}


@pytest.mark.parametrize("name", PROBES)
async def test_an_unplugged_modbus_probe_is_silent_and_its_neighbours_are_not(bench: Bench, name: str) -> None:
    await bench.shed.faults.on("probe-unplugged", name)
    with pytest.raises(ModbusException):
        await PROBES[name](bench)
    other = "motor" if name != "motor" else "ph"
    assert await PROBES[other](bench)
    await bench.shed.faults.off("probe-unplugged", name)
    assert await PROBES[name](bench)


async def test_other_probes_unplugged_show_as_their_wires_do(bench: Bench) -> None:
    await bench.pass_s(1.0)
    for name in ("raceway-thermometer", "air-pressure", "barometer", "mains", "flow", "pulses"):
        await bench.shed.faults.on("probe-unplugged", name)
    await bench.pass_s(2.0)
    assert bench.text("w1/28-00000a1b2c01/w1_slave") == ""
    assert bench.text("w1/28-00000a1b2c02/w1_slave") != ""
    assert bench.loop_ma() == 0.0
    assert bench.text("iio/iio:device1/in_pressure_input") == ""
    assert bench.input("mains") == "0"
    assert await bench.line(3.0) == b""
    counted = bench.edges("pulses")
    await bench.pass_s(10.0)
    assert bench.edges("pulses") == counted
    for name in ("raceway-thermometer", "air-pressure", "barometer", "mains", "flow", "pulses"):
        await bench.shed.faults.off("probe-unplugged", name)
    await bench.pass_s(2.0)
    assert bench.thermometer("00000a1b2c01") == pytest.approx(12.0, abs=0.5)
    assert bench.pressure() > 11.0
    assert bench.input("mains") == "1"
    assert b"F=" in await bench.line(2.0)


@pytest.mark.parametrize("port", ["rs485", "line"])
async def test_an_adapter_pulled_out_takes_its_port_away(bench: Bench, port: str) -> None:
    path = bench.folder / "ports" / port
    held = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    try:
        await bench.shed.faults.on("probe-unplugged", port)
        assert not path.exists()
        with pytest.raises(OSError, match="Input/output error"):
            os.write(held, b"\x03\x04")
        await bench.shed.faults.off("probe-unplugged", port)
        assert path.exists()
    finally:
        os.close(held)
    if port == "rs485":
        assert await bench.floating(3, 0) > 7.0
    else:
        assert b"F=" in await bench.line(2.0)


async def test_a_frozen_probe_repeats_itself_while_the_shed_moves_on(bench: Bench) -> None:
    await bench.shed.faults.on("probe-frozen", "oxygen")
    await bench.shed.faults.on("probe-frozen", "air-pressure")
    frozen = await bench.floating(3, 0)
    await bench.shed.faults.on("blower-stop")
    await bench.pass_s(1.0)
    held = bench.pressure()
    await bench.pass_s(1800.0)
    assert await bench.floating(3, 0) == frozen
    assert bench.pressure() == held > 11.0
    await bench.shed.faults.off("probe-frozen", "oxygen")
    await bench.shed.faults.off("probe-frozen", "air-pressure")
    await bench.pass_s(1.0)
    assert await bench.floating(3, 0) < frozen - 0.2
    assert bench.pressure() < 0.5


async def test_a_noisy_probe_jumps(bench: Bench) -> None:
    async def spread() -> float:
        values = []
        for _ in range(20):
            await bench.pass_s(1.0)
            values.append(await bench.floating(3, 0))
        return max(values) - min(values)

    quiet = await spread()
    await bench.shed.faults.on("probe-noisy", "oxygen")
    await bench.shed.faults.on("probe-noisy", "mains")
    assert await spread() > 5.0 * quiet
    assert bench.edges("mains") > 3
    await bench.shed.faults.off("probe-noisy", "oxygen")
    await bench.shed.faults.off("probe-noisy", "mains")
    assert await spread() < 3.0 * quiet


@pytest.mark.parametrize("fault", ["probe-silent", "probe-garbled", "probe-short", "probe-foreign", "probe-fails"])
async def test_a_fault_on_the_modbus_wire_never_reads_as_a_number(bench: Bench, fault: str) -> None:
    await bench.floating(3, 0)
    await bench.shed.faults.on(fault, "oxygen")
    with pytest.raises(ModbusException):
        await bench.floating(3, 0)
    await bench.shed.faults.off(fault, "oxygen")
    await asyncio.sleep(0.02)
    assert 7.0 < await bench.floating(3, 0) < 9.0


async def test_a_late_probe_answers_when_nobody_waits_any_more(bench: Bench) -> None:
    await bench.floating(3, 0)
    await bench.shed.faults.on("probe-late", "oxygen")
    with pytest.raises(ModbusException):
        await bench.floating(3, 0)
    end = os.open(bench.folder / "ports/rs485", os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    try:
        await bench.pass_s(5.0)
    finally:
        os.close(end)


@pytest.mark.parametrize(("fault", "beginning"), [
    ("probe-power-on", "50 05 4b 46 7f ff 0c"), ("probe-zeros", "00 00 00 00 00 00 00 00 00 : crc=00 YES"),
])  # fmt: skip
async def test_a_failing_thermometer_shows_in_its_file(bench: Bench, fault: str, beginning: str) -> None:
    await bench.shed.faults.on(fault, "bed-thermometer")
    await bench.pass_s(1.0)
    assert bench.text("w1/28-00000a1b2c02/w1_slave").startswith(beginning)
    await bench.shed.faults.off(fault, "bed-thermometer")
    await bench.pass_s(1.0)
    assert bench.thermometer("00000a1b2c02") == pytest.approx(12.0, abs=0.5)


async def test_a_thermometers_bad_sum_says_no(bench: Bench) -> None:
    await bench.shed.faults.on("probe-bad-sum", "bed-thermometer")
    assert " NO\n" in bench.text("w1/28-00000a1b2c02/w1_slave")


@pytest.mark.parametrize("fault", ["probe-garbled", "probe-short", "probe-silent"])
async def test_a_failing_line_probe_never_says_a_whole_line(bench: Bench, fault: str) -> None:
    await bench.shed.faults.on(fault, "flow")
    lines = (await bench.line(3.0)).splitlines()
    assert (lines == []) == (fault == "probe-silent")
    for line in lines:
        assert not line.isascii() or b"T=" not in line


@pytest.mark.parametrize(("line", "told"), [
    ("on probe-frozen oxigen", "There is no probe 'oxigen'. There are: "),
    ("on probe-unplugged rs422", "There is no probe or port 'rs422'."),
    ("on probe-zeros oxygen", "oxygen cannot fail that way. These can: raceway-thermometer, bed-thermometer."),
    ("on probe-garbled mains", "mains cannot fail that way."),
    ("on line-burst half", "'half' is not a number from 0.01 to 1."),
    ("on line-burst nan", "'nan' is not a number"),
    ("on diffusers-foul 0", "'0' is not a number from 1 to 1000."),
    ("on modem-silent", "There is no fault 'modem-silent'."),
])  # fmt: skip
async def test_a_fault_that_cannot_be_is_refused_in_words(bench: Bench, line: str, told: str) -> None:
    with pytest.raises(BrinewatchError) as refused:
        await bench.shed.faults.command(line)
    assert told in str(refused.value)
    assert bench.shed.faults.active == []


async def test_others_may_add_their_own_faults(bench: Bench) -> None:
    silent: list[bool] = []
    bench.shed.faults.register("modem-silent", silent.append)
    await bench.shed.faults.command("on modem-silent")
    await bench.shed.faults.command("off modem-silent")
    assert silent == [True, False]


async def _night(folder: Path, seed: int) -> list[object]:
    """Three hours with a script, looked at every ten minutes."""
    bench = Bench(
        folder, seed=seed, every_s=10.0,
        script=(ScriptedFault(3600.0, "blower-stop", duration_s=1800.0),
                ScriptedFault(5400.0, "probe-noisy", ("oxygen",))),
    )  # fmt: skip
    await bench.shed.start()
    found: list[object] = []
    try:
        for _ in range(18):
            await bench.pass_s(600.0)
            found.append((
                await bench.registers(3, 4, 0, 4), await bench.registers(4, 3, 0, 2), bench.text(
                    "iio/iio:device0/in_voltage0_raw"), bench.text("iio/iio:device1/in_pressure_input"),
                bench.text("w1/28-00000a1b2c01/w1_slave"), bench.edges("pulses"), bench.input("header-level"),
                bench.shed.faults.active,
            ))  # fmt: skip
    finally:
        await bench.stop()
    return found


async def test_the_same_seed_is_the_same_night_at_the_wire(tmp_path: Path) -> None:
    first, second = await _night(tmp_path / "a", 5), await _night(tmp_path / "b", 5)
    assert first == second
    other = await _night(tmp_path / "c", 6)
    assert all(mine[:4] != theirs[:4] for mine, theirs in zip(first, other, strict=True))  # type: ignore[index]
    # the script was kept
    assert [bool(one[-1]) for one in first] == [False] * 5 + [True] * 13  # type: ignore[index]


async def test_a_day_passes_in_seconds_and_ends_in_good_order(tmp_path: Path) -> None:
    bench = Bench(tmp_path, every_s=30.0)
    await bench.shed.start()
    try:
        await bench.pass_s(86400.0)
        assert 7.8 < await bench.floating(3, 0) < 8.6
        assert 11.0 < bench.pressure() < 12.6
        assert bench.edges("pulses") / 5.0 == pytest.approx(51.0 * 1440.0, rel=0.05)
    finally:
        await bench.stop()


async def test_stopping_takes_everything_away_and_starting_again_brings_it_back(tmp_path: Path) -> None:
    for _ in range(2):
        bench = Bench(tmp_path)
        await bench.shed.start()
        await bench.pass_s(2.0)
        assert bench.pressure() > 11.0
        await bench.stop()
        assert list((tmp_path / "ports").iterdir()) == []
        assert sorted(entry.name for entry in tmp_path.iterdir()) == ["ports"]
