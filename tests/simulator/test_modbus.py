"""Modbus servers on a pseudo-terminal, asked by an independent master (pymodbus)."""

from __future__ import annotations

import asyncio
import math
import os
import struct
import termios
from collections.abc import AsyncIterator
from pathlib import Path

import pytest
from pymodbus.client import AsyncModbusSerialClient
from pymodbus.exceptions import ModbusIOException

from brinewatch.clock import SteppingClock, SystemClock
from brinewatch.simulator.devices_modbus import ModbusDevice, ModbusLine, Register, crc

_NUMBER = -123.456


def device(name: str, address: int, registers: list[Register], function: int = 3) -> ModbusDevice:
    return ModbusDevice(name, address, registers, function)  # type: ignore[arg-type]


def four_orders(address: int, function: int) -> ModbusDevice:
    return device("orders", address, [
        Register(2 * at, lambda now: _NUMBER, order=order)  # type: ignore[arg-type]
        for at, order in enumerate(("ABCD", "CDAB", "BADC", "DCBA"))
    ], function)  # fmt: skip


def whole_numbers(address: int) -> ModbusDevice:
    return device("whole", address, [
        Register(0, lambda now: -12.34, "int16", scale=100.0),
        Register(1, lambda now: 60000.4, "uint16"),
        Register(10, lambda now: -70000.0, "int32"),
        Register(12, lambda now: 4e9, "uint32"),
        Register(20, lambda now: 1e6, "int16"),
        Register(21, lambda now: -5.0, "uint16"),
        Register(22, lambda now: None, "int16"),
        Register(23, lambda now: None),
    ])  # fmt: skip


@pytest.fixture
async def line(tmp_path: Path) -> AsyncIterator[ModbusLine]:
    made = ModbusLine(tmp_path / "rs485", SystemClock(), [
        four_orders(7, 3), four_orders(8, 4), whole_numbers(9),
    ])  # fmt: skip
    made.start()
    yield made
    await made.stop()


@pytest.fixture
async def master(line: ModbusLine) -> AsyncIterator[AsyncModbusSerialClient]:
    client = AsyncModbusSerialClient(line.port.port, baudrate=9600, timeout=0.3, retries=0, reconnect_delay=0)
    assert await client.connect()
    yield client
    client.close()
    await asyncio.sleep(0)


@pytest.mark.parametrize(("frame", "sum_"), [
    # "MODBUS over serial line V1.02" CRC example (from memory), then requests and replies of public test vectors
    ("0207", "4112"), ("010402FFFF", "B880"), ("110300000002", "C69B"), ("1103006B0003", "7687"),
    ("110306AE4156524340", "49AD"), ("010400030001", "C1CA"), ("018302", "C0F1"),
])  # fmt: skip
def test_checksum_of_published_frames(frame: str, sum_: str) -> None:
    assert crc(bytes.fromhex(frame)) == bytes.fromhex(sum_)


def test_checksum_of_the_catalogue_check_string() -> None:
    # CRC-16/MODBUS of "123456789" is 0x4B37 (catalogue of parametrised CRC algorithms)
    assert crc(b"123456789") == b"\x37\x4b"


async def test_all_four_orders_of_a_float_in_both_tables(master: AsyncModbusSerialClient) -> None:
    sent = struct.pack(">f", _NUMBER)
    for address, read in ((7, master.read_holding_registers), (8, master.read_input_registers)):
        answer = await read(0, count=8, device_id=address)
        assert not answer.isError()
        words = [answer.registers[at : at + 2] for at in (0, 2, 4, 6)]
        a, b, c, d = sent
        assert words == [[a << 8 | b, c << 8 | d], [c << 8 | d, a << 8 | b], [b << 8 | a, d << 8 | c],
                         [d << 8 | c, b << 8 | a]]  # fmt: skip
        for pair, order in zip(words[:2], ("big", "little"), strict=True):
            value = master.convert_from_registers(pair, master.DATATYPE.FLOAT32, word_order=order)  # type: ignore[arg-type]
            assert value == pytest.approx(_NUMBER)


async def test_whole_numbers_scaled_and_held_within_their_kind(master: AsyncModbusSerialClient) -> None:
    async def read(first: int, kind: object, count: int = 1) -> object:
        answer = await master.read_holding_registers(first, count=count, device_id=9)
        return master.convert_from_registers(answer.registers, kind)  # type: ignore[arg-type]

    kinds = master.DATATYPE
    assert await read(0, kinds.INT16) == -1234
    assert await read(1, kinds.UINT16) == 60000
    assert await read(10, kinds.INT32, 2) == -70000
    assert await read(12, kinds.UINT32, 2) == 4_000_000_000
    assert await read(20, kinds.INT16) == 32767
    assert await read(21, kinds.UINT16) == 0
    assert await read(22, kinds.INT16) == -32768
    assert math.isnan(await read(23, kinds.FLOAT32, 2))  # type: ignore[arg-type]


async def test_what_is_not_there_is_refused_by_the_standards_exceptions(master: AsyncModbusSerialClient) -> None:
    # V1.1b3 section 7: 1 illegal function, 2 illegal data address
    assert (await master.read_holding_registers(8, count=1, device_id=7)).exception_code == 2
    assert (await master.read_holding_registers(1, count=2, device_id=9)).exception_code == 2
    assert (await master.read_input_registers(0, count=2, device_id=7)).exception_code == 1
    assert (await master.read_coils(0, count=1, device_id=7)).exception_code == 1
    assert (await master.write_register(0, 1, device_id=7)).exception_code == 1


async def raw(line: ModbusLine, request: bytes, wait: float = 0.05) -> bytes:
    """What comes back for these very bytes."""
    end = os.open(line.port.port, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    try:
        termios.tcflush(end, termios.TCIFLUSH)
        os.write(end, request)
        await asyncio.sleep(wait)
        try:
            return os.read(end, 512)
        except BlockingIOError:
            return b""
    finally:
        os.close(end)


def ask(address: int, first: int, count: int, function: int = 3) -> bytes:
    frame = bytes((address, function)) + struct.pack(">HH", first, count)
    return frame + crc(frame)


async def test_a_count_of_nothing_or_too_much_is_an_illegal_value(line: ModbusLine) -> None:
    for count in (0, 126):
        assert (await raw(line, ask(7, 0, count)))[:3] == b"\x07\x83\x03"


async def test_noise_before_a_request_is_passed_over_and_a_bad_sum_not_answered(line: ModbusLine) -> None:
    good = ask(7, 0, 2)
    assert (await raw(line, b"\xff\x00\x55" + good))[:3] == b"\x07\x03\x04"
    assert await raw(line, good[:-1] + bytes((good[-1] ^ 1,))) == b""
    # half a request does not spoil the next
    assert await raw(line, good[:5], wait=0.15) == b""
    assert (await raw(line, good))[:3] == b"\x07\x03\x04"


async def test_an_address_nobody_has_is_silence(master: AsyncModbusSerialClient, line: ModbusLine) -> None:
    with pytest.raises(ModbusIOException):
        await master.read_holding_registers(0, count=2, device_id=30)
    assert await raw(line, ask(30, 0, 2)) == b""


async def test_each_wire_fault_is_what_it_says(line: ModbusLine) -> None:
    whole = await raw(line, ask(7, 0, 2))
    assert len(whole) == 9
    assert crc(whole[:-2]) == whole[-2:]
    seven = line.devices[7]

    seven.fault = "silent"
    assert await raw(line, ask(7, 0, 2)) == b""
    seven.fault = "garbled"
    got = await raw(line, ask(7, 0, 2))
    assert len(got) == 9
    assert crc(got[:-2]) != got[-2:]
    seven.fault = "short"
    assert await raw(line, ask(7, 0, 2)) == whole[:-3]
    seven.fault = "foreign-address"
    got = await raw(line, ask(7, 0, 2))
    assert got[0] == 8
    assert crc(got[:-2]) == got[-2:]
    seven.fault = "device-failure"
    assert (await raw(line, ask(7, 0, 2)))[:3] == b"\x07\x83\x04"
    seven.fault, seven.every = "silent", 3
    answered = [bool(await raw(line, ask(7, 0, 2), wait=0.02)) for _ in range(6)]
    assert sorted(answered) == [False, False, True, True, True, True]
    seven.fault = None
    seven.gone = True
    assert await raw(line, ask(7, 0, 2)) == b""
    assert len(await raw(line, ask(9, 0, 1))) == 7  # the others go on


async def test_a_late_answer_comes_after_all(tmp_path: Path) -> None:
    clock = SteppingClock(0.0)
    line = ModbusLine(tmp_path / "rs485", clock, [four_orders(7, 3)])
    line.start()
    line.devices[7].fault = "late"
    end = os.open(line.port.port, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    try:
        os.write(end, ask(7, 0, 2))
        await asyncio.sleep(0.05)
        with pytest.raises(BlockingIOError):
            os.read(end, 512)
        await clock.drive(clock.now().mono + 10.0)
        assert len(os.read(end, 512)) == 9
        # one still on its way when the line is taken down leaves nothing behind
        os.write(end, ask(7, 0, 2))
        await asyncio.sleep(0.05)
    finally:
        os.close(end)
        await line.stop()


async def test_two_devices_may_not_share_an_address(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="same address"):
        ModbusLine(tmp_path / "rs485", SystemClock(), [four_orders(7, 3), whole_numbers(7)])
