"""Logging in and being refused, in a real browser at phone width."""

from __future__ import annotations

import asyncio
import contextlib
import os
from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from brinewatch.clock import SystemClock
from brinewatch.page.server import PageServer, PageSettings
from brinewatch.store.accounts_file import AccountsFile
from page.browser import Phone, phone
from page.people import PASSWORD, page, put

pytestmark = pytest.mark.browser

OVER = """[...document.querySelectorAll("body *")].filter(
  (one) => one.getBoundingClientRect().right > innerWidth + 0.5).map((one) => one.outerHTML.slice(0, 80))"""
SMALL = """[...document.querySelectorAll("main a, summary, button, input:not([type=hidden]), select")].filter(
  (one) => one.getClientRects().length && one.getBoundingClientRect().height < 48).map((one) => one.outerHTML)"""
# every field has a name that is read out (WCAG 2.1, 4.1.2)
UNNAMED = """[...document.querySelectorAll("input:not([type=hidden]), select")].filter(
  (one) => !one.labels.length || !one.labels[0].textContent.trim()).map((one) => one.outerHTML)"""


@contextlib.asynccontextmanager
async def served(folder: Path) -> AsyncIterator[PageServer]:
    async with page(folder) as app:
        server = PageServer(app, PageSettings(port=0), SystemClock())
        server.bind()
        task = asyncio.create_task(server.run())
        try:
            yield server
        finally:
            await server.stop()
            await task


async def fits(tab: Phone, name: str) -> None:
    await tab.value("document.querySelectorAll('details').forEach((one) => (one.open = true))")
    assert await tab.value("document.documentElement.scrollWidth") == 360
    assert await tab.value(OVER) == []
    assert await tab.value(SMALL) == []
    assert await tab.value(UNNAMED) == []
    if folder := os.environ.get("BRINEWATCH_PICTURES"):
        await tab.picture(Path(folder) / f"{name}.png")


async def types(tab: Phone, field: str, text: str) -> None:
    await tab.write(f"[name={field}]", text)


async def sends(tab: Phone, there: str) -> None:
    """Press the first button, and wait for what follows."""
    await tab.press("form button")
    await tab.until(f"document.readyState === 'complete' && ({there})")


async def test_refused_let_in_shown_out(tmp_path: Path) -> None:
    put(tmp_path)
    async with served(tmp_path) as server, phone() as tab:
        await tab.go(server.url)
        await tab.until("location.pathname === '/login' && document.readyState === 'complete'")
        assert await tab.value("document.activeElement.name") == "name"
        await fits(tab, "login")
        await types(tab, "name", "Rhona")
        await types(tab, "password", "something else")
        await sends(tab, "!!document.querySelector('[role=alert]')")
        assert "do not belong together" in await tab.value("document.querySelector('[role=alert]').textContent")
        # what was typed stays, but for the password
        assert await tab.value("document.querySelector('[name=name]').value") == "Rhona"
        assert await tab.value("document.querySelector('[name=password]').value") == ""
        await fits(tab, "refused")
        await types(tab, "password", PASSWORD)
        await sends(tab, "location.pathname === '/'")
        assert await tab.value("document.querySelector('h1').textContent") == "All is well."
        assert await tab.value("document.cookie") == ""
        for path in ("account", "accounts"):
            await tab.go(f"{server.url}{path}")
            await fits(tab, path)
        await tab.go(f"{server.url}account")
        await sends(tab, "location.pathname === '/login'")
        # the way back leads to nothing that was kept
        await tab.value("history.back()")
        await tab.until("location.pathname === '/login' && document.readyState === 'complete'")


async def test_a_page_whose_login_has_ended_says_who_are_you_instead_of_lost(tmp_path: Path) -> None:
    put(tmp_path)
    async with served(tmp_path) as server, phone() as tab:
        await tab.go(f"{server.url}login")
        await tab.until("document.querySelector('[name=password]') && document.readyState === 'complete'")
        await types(tab, "name", "Rhona")
        await types(tab, "password", PASSWORD)
        await sends(tab, "location.pathname === '/'")
        beside = AccountsFile(tmp_path)
        beside.remove("Rhona", keep_one=False)
        beside.close()
        await asyncio.sleep(3.1)
        put(tmp_path, "Wren")
        await tab.value("""dispatchEvent(new PageTransitionEvent("pageshow", {persisted: true}))""")
        await tab.until("location.pathname === '/login' && document.querySelector('[name=next]') !== null")
        assert await tab.value("document.querySelector('[name=next]').value") == "/"
