"""A real browser without a window, the page as a phone lays it out: Debian's Chromium, driven by Playwright.

One browser serves all tests of a process, in a thread with an event loop of its own; each phone is a profile of its
own in it, of which nothing stays.
"""

from __future__ import annotations

import asyncio
import contextlib
import shutil
import threading
from collections.abc import AsyncIterator, Coroutine, Iterator
from pathlib import Path
from typing import Any, Literal, TypeVar, cast

from playwright.async_api import CDPSession, Page, async_playwright
from playwright.async_api import Error as BrowserError

CHROMIUM = shutil.which("chromium") or "/usr/bin/chromium"
_FLAGS = (
    "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
)  # fmt: skip
_MS = 15_000.0
_T = TypeVar("_T")


class _Running:
    """The browser and the loop it is driven in."""

    def __init__(self) -> None:
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, name="browser")
        self._thread.start()
        try:
            self._playwright = self._now(async_playwright().start())
            self.browser = self._now(self._playwright.chromium.launch(executable_path=CHROMIUM, args=list(_FLAGS)))
        except BaseException:
            self._end_loop()
            raise

    def _now(self, what: Coroutine[Any, Any, _T]) -> _T:
        return asyncio.run_coroutine_threadsafe(what, self._loop).result(60)

    async def do(self, what: Coroutine[Any, Any, _T]) -> _T:
        """Run it beside the browser, wait for it here."""
        return await asyncio.wrap_future(asyncio.run_coroutine_threadsafe(what, self._loop))

    def end(self) -> None:
        try:
            self._now(self.browser.close())
            self._now(self._playwright.stop())
        finally:
            self._end_loop()

    def _end_loop(self) -> None:
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(20)
        self._loop.close()


_running: _Running | None = None


@contextlib.contextmanager
def running() -> Iterator[None]:
    """The browser, for as long as tests need it; a fixture of the whole session does this."""
    global _running
    _running = _Running()
    try:
        yield
    finally:
        _running.end()
        _running = None


class Phone:
    """One tab with the size of a phone."""

    def __init__(self, running: _Running, page: Page, wire: CDPSession) -> None:
        self._running = running
        self._page = page
        self._wire = wire

    async def tell(self, method: str, **arguments: Any) -> dict[str, Any]:
        """One command of the DevTools protocol and its answer."""
        return cast("dict[str, Any]", await self._running.do(self._wire.send(method, arguments)))

    async def size(self, width: int, height: int) -> None:
        await self._running.do(self._page.set_viewport_size({"width": width, "height": height}))

    async def scheme(self, light_or_dark: Literal["light", "dark"]) -> None:
        await self._running.do(self._page.emulate_media(color_scheme=light_or_dark))

    async def scripts(self, allowed: bool) -> None:
        await self.tell("Emulation.setScriptExecutionDisabled", value=not allowed)

    async def go(self, url: str) -> None:
        """Open it; it may lead elsewhere."""
        await self._running.do(self._page.goto(url, timeout=_MS))

    async def value(self, expression: str) -> Any:
        try:
            return await self._running.do(self._page.evaluate(expression))
        except BrowserError as error:
            raise AssertionError(str(error)) from None

    async def until(self, expression: str, within: float = 15.0) -> None:
        """Wait until it holds, through any change of pages: in the midst of one a browser answers nothing."""
        async with asyncio.timeout(within):
            while True:
                with contextlib.suppress(AssertionError):
                    if await self.value(expression):
                        return
                await asyncio.sleep(0.05)

    async def write(self, selector: str, text: str) -> None:
        """Type into a field what it does not hold yet."""
        await self._running.do(self._page.focus(selector, timeout=_MS))
        await self._running.do(self._page.keyboard.insert_text(text))

    async def press(self, selector: str) -> None:
        """Touch what is there, as a thumb does: seen, not moving, not covered."""
        await self._running.do(self._page.tap(selector, timeout=_MS))

    async def offline(self, is_off: bool) -> None:
        """The phone's own network goes away, or comes back."""
        await self._running.do(self._page.context.set_offline(is_off))

    async def picture(self, path: Path, whole: bool = False) -> None:
        await self._running.do(self._page.screenshot(path=path, full_page=whole))


@contextlib.asynccontextmanager
async def phone(width: int = 360, height: int = 800) -> AsyncIterator[Phone]:
    """A tab in a profile of its own; nothing of it stays."""
    assert _running is not None, "a test that needs a browser carries the mark `browser`"
    context = await _running.do(
        _running.browser.new_context(
            viewport={"width": width, "height": height}, device_scale_factor=1.5, is_mobile=True, has_touch=True
        )
    )
    try:
        page = await _running.do(context.new_page())
        wire = await _running.do(context.new_cdp_session(page))
        yield Phone(_running, page, wire)
    finally:
        await _running.do(context.close())
