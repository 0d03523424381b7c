"""The round in a real browser at phone width: entered with one thumb, without a script."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest

from page.browser import Phone, phone
from page.rounds_desk import kept
from page.test_browser import OVER, served_app

pytestmark = pytest.mark.browser

# a thumb needs 48 px: what is touched, or the label that counts with it
SMALL = """[...document.querySelectorAll(
  "main a, main button, main summary, main select, main textarea, main input:not([type=hidden])")].filter((one) => {
  const box = (one.type === "checkbox" ? one.parentElement : one).getBoundingClientRect();
  return box.height < 48 || box.width < 48 }).map((one) => one.outerHTML.slice(0, 90))"""
OPEN = "document.querySelectorAll('details').forEach((one) => (one.open = true))"


async def fits(tab: Phone, name: str) -> None:
    """Nothing reaches over the edge, nothing is too small; a picture of it, for people, where one is asked for."""
    await tab.value(OPEN)
    assert await tab.value("document.documentElement.scrollWidth") == 360
    assert await tab.value(OVER) == []
    assert await tab.value(SMALL) == []
    if folder := os.environ.get("BRINEWATCH_PICTURES"):
        await tab.picture(Path(folder) / f"{name}.png", whole=True)


async def arrived(tab: Phone, expression: str) -> None:
    await tab.until(f"document.readyState === 'complete' && ({expression})")


async def press(tab: Phone, words: str) -> None:
    """Touch the button or the link that says so."""
    await tab.press(f":is(a, button):text-is({json.dumps(words)})")


async def test_a_round_is_entered_on_a_phone(tmp_path: Path) -> None:
    async with kept(tmp_path) as it, phone() as tab, served_app(it.app) as server:
        for value in (0.2, 0.22, 0.18, 0.2):
            await it.rounds.enter("tank.tan", value, None, "Runa")
            await it.clock.drive(it.clock.now().mono + 86400)
        # no page of the round needs a script, so none may run
        await tab.scripts(False)
        await tab.go(f"{server.url}rounds")
        await fits(tab, "rounds")
        await press(tab, "Enter the round")
        await arrived(tab, "location.pathname === '/rounds/new'")
        await fits(tab, "round")
        await tab.write("[id='v.tank.tan']", "2,2")
        await tab.write("[id='v.tank.mean_weight']", "2.9 3.1 3.0")
        await tab.write("#note", "Two lie on their backs.")
        await tab.press("[id='v.tank.cleaning']")
        await press(tab, "Save")
        await arrived(tab, "!!document.querySelector('.anyway')")
        assert "unlike" in await tab.value("document.querySelector('.refused').textContent")
        assert await tab.value("document.getElementById('v.tank.tan').value") == "2,2"
        await fits(tab, "asked-back")
        await press(tab, "Save anyway")
        await arrived(tab, "location.pathname === '/rounds' && !!document.querySelector('.done')")
        assert "2.20 mg/L N" in await tab.value("document.querySelector('.done').textContent")
        await fits(tab, "saved")
        assert {one.point: one.value for one in await it.journal.entered(limit=4)} == {
            "tank.tan": 2.2, "tank.cleaning": 1.0, "tank.mean_weight": 3.0, "tank.inspection": 1.0
        }  # fmt: skip
        await press(tab, "Correct")
        await arrived(tab, "location.pathname.startsWith('/rounds/correct/')")
        await fits(tab, "correction")
        await tab.go(f"{server.url}batches")
        await fits(tab, "batches")
