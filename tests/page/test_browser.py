"""The page in a real browser at phone width."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable
from typing import Any

import pytest

from brinewatch.clock import SystemClock
from brinewatch.overview import Overview
from brinewatch.page.app import create_app
from brinewatch.page.server import PageServer, PageSettings
from page.browser import phone
from page.sheds import ALL_WELL, EVERY, FOLLOWED, STOPPED

pytestmark = pytest.mark.browser

# what reaches over the right edge
OVER = """[...document.querySelectorAll("body *")].filter(
  (one) => one.getBoundingClientRect().right > innerWidth + 0.5).map((one) => one.outerHTML.slice(0, 80))"""
# what is too low for a thumb
SMALL = """[...document.querySelectorAll("main a, summary")].filter(
  (one) => one.getBoundingClientRect().height < 48).map((one) => one.textContent)"""
LOADED = """performance.getEntriesByType("resource").map((one) => one.name)"""
# as a phone does when it comes back to a page it had put away
WAKE = """dispatchEvent(new PageTransitionEvent("pageshow", {persisted: true}))"""
LOST = """document.body.classList.contains("lost") && !document.getElementById("lost").hidden"""


@contextlib.asynccontextmanager
async def served(view: Callable[[], Overview]) -> AsyncIterator[PageServer]:
    async with served_app(create_app(view)) as server:
        yield server


@contextlib.asynccontextmanager
async def served_app(app: Any) -> AsyncIterator[PageServer]:
    server = PageServer(app, PageSettings(port=0), SystemClock())
    server.bind()
    task = asyncio.create_task(server.run())
    try:
        yield server
    finally:
        await server.stop()
        await task


async def test_it_fits_a_phone_and_every_target_a_thumb() -> None:
    async with phone() as tab:
        for view in EVERY.values():
            async with served(lambda view=view: view) as server:
                await tab.go(server.url)
                await tab.value("document.querySelectorAll('details').forEach((one) => (one.open = true))")
                assert await tab.value("innerWidth") == 360
                assert await tab.value("document.documentElement.scrollWidth") == 360
                assert await tab.value(OVER) == []
                # WCAG 2.5.5 asks for 44 CSS px; we keep 48
                assert await tab.value(SMALL) == []
                assert all(name.startswith(server.url) for name in await tab.value(LOADED))


async def test_it_follows_the_phone_into_the_dark() -> None:
    paper = "getComputedStyle(document.documentElement).backgroundColor"
    async with phone() as tab, served(lambda: ALL_WELL) as server:
        await tab.scheme("light")
        await tab.go(server.url)
        assert await tab.value(paper) == "rgb(250, 248, 243)"
        await tab.scheme("dark")
        assert await tab.value(paper) == "rgb(21, 17, 12)"


async def test_the_statement_is_exchanged_by_itself_and_what_is_open_stays_open() -> None:
    views = [ALL_WELL]
    async with phone() as tab, served(lambda: views[-1]) as server:
        await tab.go(server.url)
        assert await tab.value("document.querySelector('h1').textContent") == "All is well."
        await tab.value("document.getElementById('lately').open = true")
        views.append(STOPPED)
        await tab.until("document.querySelector('h1').textContent === 'Air supply stopped'")
        assert await tab.value("document.title") == "Danger: Gannet Quay"
        assert await tab.value("document.getElementById('lately').open") is True
        # told once to those who listen instead of look
        assert await tab.value("document.getElementById('say').textContent") == "Danger: Gannet Quay"
        assert not await tab.value(LOST)


async def test_a_daemon_that_is_gone_is_said_at_once_and_found_again() -> None:
    async with phone() as tab:
        async with served(lambda: ALL_WELL) as server:
            await tab.go(server.url)
            port = int(server.url.rsplit(":", 1)[1].strip("/"))
        await tab.value(WAKE)
        await tab.until(LOST, within=2)
        assert "at 02:26:07" in await tab.value("document.getElementById('last').textContent")
        assert await tab.value("document.title") == "Lost: Gannet Quay"
        assert float(await tab.value("getComputedStyle(document.getElementById('now')).opacity")) < 0.6
        back = PageServer(create_app(lambda: STOPPED), PageSettings(port=port), SystemClock())
        task = asyncio.create_task(back.run())
        try:
            await tab.until(f"!({LOST})")
            assert await tab.value("document.querySelector('h1').textContent") == "Air supply stopped"
        finally:
            await back.stop()
            await task


class Line:
    """A line between a phone and a server that can go silent: nothing comes through, and nobody is told."""

    def __init__(self, to: str) -> None:
        self._to = int(to.rsplit(":", 1)[1].strip("/"))
        self._open = asyncio.Event()
        self._open.set()
        self._ends: list[asyncio.StreamWriter] = []
        self._work: set[asyncio.Task[None]] = set()

    async def __aenter__(self) -> Line:
        self._server = await asyncio.start_server(self._carry, "127.0.0.1", 0)
        self.url = f"http://127.0.0.1:{self._server.sockets[0].getsockname()[1]}/"
        return self

    async def __aexit__(self, *args: object) -> None:
        self._server.close()
        self.back()
        await asyncio.gather(*self._work, return_exceptions=True)
        await self._server.wait_closed()

    def silent(self) -> None:
        self._open.clear()

    def back(self) -> None:
        """What was open before is not there any more."""
        self._open.set()
        for end in self._ends:
            end.close()
        self._ends.clear()

    async def _carry(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        there, back = await asyncio.open_connection("127.0.0.1", self._to)
        self._ends += [writer, back]
        for one, other in ((reader, back), (there, writer)):
            task = asyncio.create_task(self._pump(one, other))
            self._work.add(task)
            task.add_done_callback(self._work.discard)

    async def _pump(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(ConnectionError):
            while piece := await reader.read(65536):
                await self._open.wait()
                writer.write(piece)
                await writer.drain()
        writer.close()


async def test_a_phone_loses_the_line_and_regains_it() -> None:
    """A silent line is told within ten seconds. What happened meanwhile is there at once when it is back, by a
    stream again; what is open stays open, and the keyboard where it was."""
    views = [ALL_WELL]
    held = "document.activeElement.closest('details').id"
    asked = "performance.getEntriesByType('resource').filter((one) => one.name.endsWith('/now')).length"
    async with phone() as tab, served(lambda: views[-1]) as server, Line(server.url) as line:
        await tab.go(line.url)
        await tab.value("document.getElementById('p-sump.temperature').open = true")
        await tab.value("document.getElementById('p-sump.temperature').firstChild.focus()")
        line.silent()
        views.append(FOLLOWED)
        await tab.until(LOST, within=14)
        assert await tab.value("document.querySelector('h1').textContent") == "All is well."
        line.back()
        await tab.until(
            f"!({LOST}) && document.querySelector('h1').textContent === 'Air supply stopped'", within=10
        )
        assert await tab.value("document.getElementById('p-sump.temperature').open") is True
        assert await tab.value(held) == "p-sump.temperature"
        before = await tab.value(asked)
        views.append(ALL_WELL)
        await tab.until("document.querySelector('h1').textContent === 'All is well.'", within=8)
        assert await tab.value(asked) == before


async def test_a_daemon_that_answers_with_an_error_is_lost_too() -> None:
    views = iter([ALL_WELL])
    async with phone() as tab, served(lambda: next(views)) as server:
        await tab.go(server.url)
        await tab.value(WAKE)
        await tab.until(LOST, within=2)


async def test_where_no_stream_gets_through_the_page_asks() -> None:
    """As behind a web server that collects what is sent: it begins, and nothing comes of it."""
    views = [ALL_WELL]
    app = create_app(lambda: views[-1])

    async def collecting(scope: Any, receive: Any, send: Any) -> None:
        async def kept(message: Any) -> None:
            if message["type"] != "http.response.body" or not message.get("more_body"):
                await send(message)

        await app(scope, receive, kept if scope["path"] == "/live" else send)

    async with phone() as tab, served_app(collecting) as server:
        await tab.go(server.url)
        views.append(STOPPED)
        await tab.until("document.querySelector('h1').textContent === 'Air supply stopped'", within=12)
        assert not await tab.value(LOST)
