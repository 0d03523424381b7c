"""A serial line over a pseudo-terminal: what comes in whole, in pieces, never, and after the port went away."""

from __future__ import annotations

import asyncio
import os
import pty
import tty
from collections.abc import Iterator
from dataclasses import dataclass

import pytest

from brinewatch.errors import PortLost
from brinewatch.wire import LineSettings, SerialStream


@dataclass
class Ends:
    device: int
    kept: int
    name: str

    def close(self) -> None:
        for end in (self.device, self.kept):
            if end >= 0:
                os.close(end)
        self.device = self.kept = -1


@pytest.fixture
def ends() -> Iterator[Ends]:
    device, kept = pty.openpty()
    tty.setraw(kept)
    both = Ends(device, kept, os.ttyname(kept))
    yield both
    both.close()


@pytest.fixture
async def stream(ends: Ends) -> SerialStream:
    made = SerialStream(LineSettings(ends.name))
    made.open()
    yield made  # type: ignore[misc]
    made.close()


async def test_lines_are_cut_at_the_terminator_and_the_rest_waits(ends: Ends, stream: SerialStream) -> None:
    os.write(ends.device, b"T=12.3\r\nT=12")
    assert await stream.read_until(b"\r\n") == b"T=12.3\r\n"
    os.write(ends.device, b".4\r\n")
    assert await stream.read_until(b"\r\n") == b"T=12.4\r\n"


async def test_a_line_without_end_is_cut_at_the_limit(ends: Ends, stream: SerialStream) -> None:
    os.write(ends.device, b"x" * 300)
    assert await stream.read_until(b"\n", limit=256) == b"x" * 256
    assert await stream.read() == b"x" * 44


async def test_discard_forgets_what_came_before(ends: Ends, stream: SerialStream) -> None:
    os.write(ends.device, b"late answer")
    await asyncio.sleep(0.02)
    assert stream.discard() == b"late answer"
    os.write(ends.device, b"new")
    assert await stream.read() == b"new"


async def test_more_than_the_line_can_hold_is_written_whole(ends: Ends, stream: SerialStream) -> None:
    data = bytes(range(256)) * 200
    got = bytearray()

    async def drain() -> None:
        while len(got) < len(data):
            await asyncio.sleep(0.001)
            got.extend(os.read(ends.device, 4096))

    async with asyncio.TaskGroup() as group:
        group.create_task(drain())
        group.create_task(stream.write(data))
    assert bytes(got) == data


async def test_a_port_that_goes_away_says_so_to_reader_and_writer(ends: Ends, stream: SerialStream) -> None:
    waiting = asyncio.create_task(stream.read())
    await asyncio.sleep(0.01)
    ends.close()
    with pytest.raises(PortLost, match="went away"):
        await waiting
    with pytest.raises(PortLost, match="went away"):
        await stream.write(b"x")
    assert not stream.is_open


async def test_a_missing_port_is_named_with_what_to_do() -> None:
    stream = SerialStream(LineSettings("/dev/serial/by-id/none-such"))
    with pytest.raises(PortLost, match=r"Cannot open /dev/serial/by-id/none-such.*Check that the adapter"):
        stream.open()


async def test_a_setting_the_port_refuses_is_an_error_not_a_crash(ends: Ends) -> None:
    stream = SerialStream(LineSettings(ends.name, parity="X"))
    with pytest.raises(PortLost, match="Cannot open"):
        stream.open()


async def test_a_device_that_never_stops_talking_does_not_fill_the_memory(ends: Ends, stream: SerialStream) -> None:
    for _ in range(40):
        os.write(ends.device, b"y" * 2048 + b"z" * 1)
        await asyncio.sleep(0)
        await asyncio.sleep(0.001)
    held = stream.discard()
    assert len(held) <= 65536
    assert held.endswith(b"z")
