"""The server inside the daemon's loop: it takes its port, leaves the signals alone, and stops in bounded time."""

from __future__ import annotations

import asyncio
import contextlib
import signal
import socket
import time
from collections.abc import AsyncIterator

import httpx
import pytest

from brinewatch.clock import SystemClock
from brinewatch.errors import BrinewatchError
from brinewatch.page.app import create_app
from brinewatch.page.server import PageServer, PageSettings
from page.sheds import ALL_WELL


@contextlib.asynccontextmanager
async def serving() -> AsyncIterator[PageServer]:
    server = PageServer(create_app(lambda: ALL_WELL), PageSettings(port=0), SystemClock())
    server.bind()
    task = asyncio.create_task(server.run())
    try:
        yield server
    finally:
        await server.stop()
        await task


def _port(server: PageServer) -> int:
    return int(server.url.rsplit(":", 1)[1].strip("/"))


async def test_the_page_is_served_over_a_real_socket() -> None:
    async with serving() as server, httpx.AsyncClient() as client:
        answer = await client.get(server.url)
        assert "All is well." in answer.text
        assert "server" not in answer.headers


async def test_the_signals_stay_with_the_daemon() -> None:
    before = {number: signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)}
    async with serving() as server, httpx.AsyncClient() as client:
        await client.get(server.url)
        assert {number: signal.getsignal(number) for number in before} == before
    assert {number: signal.getsignal(number) for number in before} == before


async def test_a_port_that_is_taken_is_named_with_what_to_do() -> None:
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = other.getsockname()[1]
        server = PageServer(create_app(lambda: ALL_WELL), PageSettings(port=port), SystemClock())
        with pytest.raises(BrinewatchError, match=f"Port {port} on 127.0.0.1.*taken") as caught:
            await server.run()
        assert "page.port" in caught.value.hint
    # what was in the way is gone: the same server may be tried again
    server.bind()
    await server.stop()


@pytest.mark.parametrize(
    ("host", "said"),
    # RFC 5737 keeps 192.0.2.0/24 and RFC 2606 keeps .invalid for such uses
    [("192.0.2.1", "not an address of this computer"), ("shed.invalid", "not a known host")],
)
async def test_a_host_that_cannot_be_is_said(host: str, said: str) -> None:
    server = PageServer(create_app(lambda: ALL_WELL), PageSettings(host=host), SystemClock())
    with pytest.raises(BrinewatchError, match=said):
        await server.run()


def test_an_ipv6_host_is_written_as_addresses_are() -> None:
    # RFC 3986, 3.2.2: in square brackets
    server = PageServer(create_app(lambda: ALL_WELL), PageSettings(host="::1"), SystemClock())
    assert server.url == "http://[::1]:8480/"


async def test_cancelling_frees_the_port_at_once() -> None:
    server = PageServer(create_app(lambda: ALL_WELL), PageSettings(port=0), SystemClock())
    server.bind()
    task = asyncio.create_task(server.run())
    async with httpx.AsyncClient() as client:
        await client.get(server.url)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
    with socket.create_server(("127.0.0.1", _port(server))):
        pass


async def test_cancelled_before_it_began_it_leaves_nothing() -> None:
    server = PageServer(create_app(lambda: ALL_WELL), PageSettings(port=0), SystemClock())
    task = asyncio.create_task(server.run())
    await asyncio.sleep(0)
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task


async def test_stopping_is_bounded_whoever_is_connected() -> None:
    async with serving() as server:
        _, writer = await asyncio.open_connection("127.0.0.1", _port(server))
        writer.write(b"GET / HTTP/1.1\r\nHost: shed\r\n")  # and never the rest
        await writer.drain()
        await asyncio.sleep(0.05)
        began = time.monotonic()
        await server.stop()
        assert time.monotonic() - began < 5
        writer.close()
        with contextlib.suppress(ConnectionError):
            await writer.wait_closed()


async def test_stopping_twice_or_unstarted_does_nothing() -> None:
    server = PageServer(create_app(lambda: ALL_WELL), PageSettings(port=0), SystemClock())
    await server.stop()
    await server.stop()


def test_the_usual_settings_serve_this_computer_only() -> None:
    assert PageSettings() == PageSettings(enabled=True, host="127.0.0.1", port=8480)
    for wrong in ({"port": "8480"}, {"port": 65536}, {"host": ""}, {"prot": 1}):
        with pytest.raises(ValueError, match="PageSettings"):
            PageSettings(**wrong)  # type: ignore[arg-type]
