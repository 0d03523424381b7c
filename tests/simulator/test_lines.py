"""Line-speaking probes on a pseudo-terminal, read by pyserial."""

from __future__ import annotations

import asyncio
from pathlib import Path

import serial

from brinewatch.clock import SteppingClock, SystemClock
from brinewatch.moment import Moment
from brinewatch.simulator.devices_line import FreeRunningProbe, PolledProbe


def said(now: Moment) -> str:
    return f"T={now.mono - 1000.0:.2f};S=31.2"


async def test_a_free_running_probe_speaks_every_second(tmp_path: Path) -> None:
    clock = SteppingClock(0.0)
    probe = FreeRunningProbe(tmp_path / "line", clock, said)
    probe.start()
    try:
        with serial.Serial(probe.port.port, 9600, timeout=2.0) as port:
            await clock.drive(1003.5)
            lines = [await asyncio.to_thread(port.read_until, b"\r\n") for _ in range(4)]
        assert lines == [b"T=0.00;S=31.2\r\n", b"T=1.00;S=31.2\r\n", b"T=2.00;S=31.2\r\n", b"T=3.00;S=31.2\r\n"]
    finally:
        await probe.stop()


async def test_nobody_listening_for_a_day_holds_nothing_up(tmp_path: Path) -> None:
    clock = SteppingClock(0.0)
    probe = FreeRunningProbe(tmp_path / "line", clock, said, every_s=10.0)
    probe.start()
    try:
        await clock.drive(1000.0 + 86400.0)
        # opening throws away what lay in the line, as pyserial does with every port
        with serial.Serial(probe.port.port, 9600, timeout=2.0) as port:
            await clock.drive(1000.0 + 86410.0)
            assert await asyncio.to_thread(port.read_until, b"\r\n") == b"T=86410.00;S=31.2\r\n"
    finally:
        await probe.stop()


async def test_a_polled_probe_answers_each_request_once(tmp_path: Path) -> None:
    probe = PolledProbe(tmp_path / "line", SystemClock(), lambda now: "*7.982")
    probe.start()
    try:
        with serial.Serial(probe.port.port, 9600, timeout=2.0) as port:
            port.write(b"R\r")
            assert await asyncio.to_thread(port.read_until, b"\r\n") == b"*7.982\r\n"
            for part in (b"noi", b"seR", b"\rR", b"\r"):
                port.write(part)
                await asyncio.sleep(0.01)
            assert await asyncio.to_thread(port.read, 16) == b"*7.982\r\n" * 2
            port.timeout = 0.1
            port.write(b"Q\r")
            assert await asyncio.to_thread(port.read, 1) == b""
    finally:
        await probe.stop()


async def test_faults_of_a_line(tmp_path: Path) -> None:
    text: list[str | None] = ["*7.982"]
    probe = PolledProbe(tmp_path / "line", SystemClock(), lambda now: text[0])
    probe.start()
    try:
        with serial.Serial(probe.port.port, 9600, timeout=0.1) as port:

            async def answer() -> bytes:
                port.write(b"R\r")
                return await asyncio.to_thread(port.read, 64)

            probe.fault = "garbled"
            got = await answer()
            assert not got.isascii()
            probe.fault = "short"
            assert await answer() == b"*7.9\r\n"
            probe.fault = "silent"
            assert await answer() == b""
            probe.fault = None
            text[0] = None
            assert await answer() == b""
            text[0] = "*8.001"
            assert await answer() == b"*8.001\r\n"
    finally:
        await probe.stop()
