"""The page on a poor line: what goes over it, and when it can be read, in Chromium throttled by its own tools.

The whole daemon on the simulated shed, a year of one channel in its history. Chromium delays every request by the
line's 400 ms and bounds its speed, but makes connections for nothing: a real line adds one delay for each new
connection, two where it is encrypted.
"""

from __future__ import annotations

import asyncio
import contextlib
import random
import re
import shutil
import socket
import statistics
import tempfile
import time
from collections.abc import AsyncIterator, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
from playwright.async_api import Browser, async_playwright

from brinewatch.clock import SystemClock
from brinewatch.config import read_shed
from brinewatch.moment import Moment
from brinewatch.readings import Flag, Reading
from brinewatch.service import Daemon
from brinewatch.simulator.modem import ModemEmulator
from brinewatch.simulator.world import SimulatedShed
from brinewatch.store.history_file import HistoryFile, microseconds
from latency import shed_text
from row import Row

LATENCY_MS, BYTES_S = 400.0, 400_000 / 8
LINE = "400 kbit/s, 400 ms"
# goals of the project
SIZE_GOAL_B, READABLE_GOAL_S, YEAR_GOAL_S = 20_000.0, 1.5, 3.0
POINT, DAYS = "raceway.temperature", 365
_DAY_S = 86400.0
_STATIC = (
    b"<!doctype html><meta name=viewport content='width=device-width'><title>Bare</title><h1>All is well.</h1>"
)
# when words can be read: nothing is painted before the style sheet is there
_READABLE = "performance.getEntriesByName('first-contentful-paint')[0].startTime"
_COMPLETE = "performance.getEntriesByType('navigation')[0].loadEventEnd"


def measure(quick: bool) -> Iterator[Row]:
    with tempfile.TemporaryDirectory(prefix="brinewatch-bench-") as name:
        yield from asyncio.run(_measured(Path(name), *((2, 1800.0, 8.0) if quick else (9, 300.0, 20.0))))


async def _measured(folder: Path, times: int, every_s: float, listened_s: float) -> list[Row]:
    """times: visits of each page; every_s: of the year's readings; listened_s: to the stream."""
    chromium = shutil.which("chromium") or "/usr/bin/chromium"
    async with _bare() as bare, _daemon(folder, every_s) as url, async_playwright() as playwright:
        browser = await playwright.chromium.launch(executable_path=chromium, args=["--disable-quic"])
        views = {
            "bare": bare,
            "state": url,
            "year": f"{url}history?p={POINT}&since={DAYS}d",
        }
        seen = {key: [await _visit(browser, to) for _ in range(times)] for key, to in views.items()}
        await browser.close()
        stream, asking = await _listen(url, listened_s)
    size = {key: statistics.median(one.size for one in some) for key, some in seen.items()}
    readable = {key: statistics.median(one.readable_s for one in some) for key, some in seen.items()}
    complete = statistics.median(one.complete_s for one in seen["year"])
    begins = statistics.median(one.stream for one in seen["state"])
    first, year = "the first page", f"a year of one channel, read every {every_s / 60:g} min"
    reference = "a bare page on the same line"
    return [
        Row("page", f"{first}, its style sheet and its script, over the line", size["state"], "B",
            goal=SIZE_GOAL_B),
        Row("page", "what its stream begins with, afterwards", begins, "B"),
        Row("page", f"{first} can be read, first visit, {LINE}", readable["state"], "s", goal=READABLE_GOAL_S),
        Row("page", "the same", readable["state"], "s", readable["bare"], reference),
        Row("page", f"{year}, over the line", size["year"], "B"),
        Row("page", f"{year}, complete, first visit, {LINE}", complete, "s", goal=YEAR_GOAL_S),
        Row("page", "the same", complete, "s", readable["bare"], reference),
        Row("page", "an open page while nothing happens", stream, "B/s", asking, "asking anew every 5 s, packed"),
    ]  # fmt: skip


@dataclass(frozen=True)
class _Visit:
    """size: bytes over the line, with the headers, without those of the stream."""

    size: float
    stream: float
    readable_s: float
    complete_s: float


async def _visit(browser: Browser, url: str) -> _Visit:
    """By a browser that has never been there."""
    context = await browser.new_context(viewport={"width": 390, "height": 844}, is_mobile=True, has_touch=True)
    page = await context.new_page()
    wire = await context.new_cdp_session(page)
    lengths: dict[str, float] = {}
    streams: set[str] = set()

    def begins(event: dict[str, Any]) -> None:
        if event["type"] == "EventSource":
            streams.add(event["requestId"])

    def some(event: dict[str, Any]) -> None:
        lengths[event["requestId"]] = lengths.get(event["requestId"], 0.0) + event["encodedDataLength"]

    def all_of_it(event: dict[str, Any]) -> None:
        lengths[event["requestId"]] = event["encodedDataLength"]

    wire.on("Network.requestWillBeSent", begins)
    wire.on("Network.dataReceived", some)
    wire.on("Network.loadingFinished", all_of_it)
    await wire.send("Network.enable")
    await wire.send("Network.emulateNetworkConditions", {
        "offline": False, "latency": LATENCY_MS, "downloadThroughput": BYTES_S, "uploadThroughput": BYTES_S,
    })  # fmt: skip
    await page.goto(url)
    await asyncio.sleep(1.5)  # the stream begins after the page
    readable, complete = [float(await page.evaluate(one)) / 1e3 for one in (_READABLE, _COMPLETE)]
    await context.close()
    stream = sum(length for key, length in lengths.items() if key in streams)
    return _Visit(sum(lengths.values()) - stream, stream, readable, complete)


async def _listen(url: str, seconds: float) -> tuple[float, float]:
    """Bytes a second of the stream once it has begun, and of asking instead."""
    got = 0
    async with httpx.AsyncClient() as client:
        async with client.stream("GET", f"{url}live") as stream:
            pieces = stream.aiter_raw()
            await anext(pieces)
            began = time.monotonic()
            async for piece in pieces:
                got += len(piece)
                if time.monotonic() - began >= seconds:
                    break
        part = await client.get(f"{url}now")
    return got / seconds, int(part.headers["content-length"]) / 5.0


@contextlib.asynccontextmanager
async def _bare() -> AsyncIterator[str]:
    async def answer(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(asyncio.IncompleteReadError, ConnectionError):
            await reader.readuntil(b"\r\n\r\n")
            head = (
                f"HTTP/1.1 200 OK\r\nContent-Type: text/html\r\nContent-Length: {len(_STATIC)}\r\nConnection: close"
            )
            writer.write(head.encode() + b"\r\n\r\n" + _STATIC)
            await writer.drain()
        writer.close()

    server = await asyncio.start_server(answer, "127.0.0.1", 0)
    async with server:
        yield f"http://127.0.0.1:{server.sockets[0].getsockname()[1]}/"


@contextlib.asynccontextmanager
async def _daemon(folder: Path, every_s: float) -> AsyncIterator[str]:
    clock = SystemClock()
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    text = re.sub(
        r"^\[page\]\nenabled = false\n(port = \d+\n)?", f"[page]\nport = {port}\n", shed_text(), flags=re.M
    )
    shed, modem = SimulatedShed(clock, folder), ModemEmulator(clock, link=folder / "ports" / "modem")
    await shed.start()
    await modem.start()
    (folder / "shed.toml").write_text(text, encoding="utf-8")
    file = read_shed(folder / "shed.toml")
    _fill(file.data, clock, every_s)
    daemon = Daemon(file, clock, lambda line: None)
    running = asyncio.create_task(daemon.run())
    url = f"http://127.0.0.1:{port}/"
    try:
        async with httpx.AsyncClient() as client:
            for _ in range(300):
                with contextlib.suppress(httpx.TransportError):
                    if "checked" in (await client.get(url)).text:
                        break
                if running.done():
                    running.result()
                await asyncio.sleep(0.1)
        await asyncio.sleep(5)
        yield url
    finally:
        daemon.stop()
        await running
        await modem.stop()
        await shed.stop()


def _fill(data: Path, clock: SystemClock, every_s: float) -> None:
    """A year of one channel, up to an hour ago."""
    data.mkdir(parents=True, exist_ok=True)
    chance, now = random.Random(7), clock.now()  # noqa: S311 - made-up readings
    file = HistoryFile(data / "history.sqlite", clock)
    file.open()
    end = now.utc - 3600.0
    for day in range(DAYS, 0, -1):
        begin, rows, value = end - day * _DAY_S, [], 12.0 + 4.0 * (day % 180) / 180
        for n in range(int(_DAY_S / every_s)):
            utc = begin + n * every_s
            said = round(value + chance.gauss(0.0, 0.05), 2)
            at = Moment(now.mono - (now.utc - utc), utc, True, now.zone)
            rows.append(Reading(POINT, "temperature", said, said, Flag.PASS, "", at, "probe"))
        file.write(rows)
    while file.sum_up(microseconds(now.utc), 1000):
        pass
    file.close()
