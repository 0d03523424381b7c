"""The strips in a real browser: read off, zoomed with two fingers, by mouse and by keys, reopened by their address,
taken away as a picture; under the page's own content policy."""

from __future__ import annotations

import base64
import random
from pathlib import Path
from typing import Any

import pytest

from brinewatch import page as page_package
from brinewatch.charting.planes import DOUBTED, EARLIER, HELD, VALUE, Planes, pack
from brinewatch.config import ShedFile
from brinewatch.page.app import create_app
from page.browser import Phone, phone
from page.sheds import ALL_WELL
from page.test_browser import served_app
from page.test_charts import AIR, charts, moment
from page.test_charts import shed as shed
from page.test_planes import PLANES, unpack

pytestmark = pytest.mark.browser

STATIC = Path(page_package.__file__).parent / "static"
WATCH = """window.bad = [];
addEventListener("error", (event) => bad.push(event.message));
addEventListener("unhandledrejection", (event) => bad.push(String(event.reason)));
document.addEventListener("securitypolicyviolation", (event) => bad.push(event.violatedDirective));"""
DRAWN = """!!document.querySelector(".chart canvas") &&
  document.getElementById("strips").dataset.shown === location.search"""
INK = """(() => { const c = document.querySelector(".chart canvas");
  const d = c.getContext("2d").getImageData(0, 0, c.width, c.height).data; let n = 0;
  for (let i = 3; i < d.length; i += 4) n += d[i] > 200; return n; })()"""
PLACE = """(() => { document.querySelector(".chart").scrollIntoView({block: "center"});
  const r = document.querySelector(".chart .u-over").getBoundingClientRect();
  return [r.left, r.top, r.width, r.height]; })()"""
PNG = "[...document.querySelectorAll('button')].find((one) => one.textContent.includes('PNG')).click()"
SAID = "document.querySelector('.words').textContent"
WHEN = "document.querySelector('.fact').textContent"


async def touch(tab: Phone, kind: str, *points: tuple[float, float]) -> None:
    spots = [{"x": x, "y": y, "id": n} for n, (x, y) in enumerate(points)]
    await tab.tell("Input.dispatchTouchEvent", type=kind, touchPoints=spots)


async def key(tab: Phone, name: str) -> None:
    for kind in ("keyDown", "keyUp"):
        await tab.tell("Input.dispatchKeyEvent", type=kind, key=name)


async def test_the_strips_are_read_off_zoomed_reopened_and_taken_away(shed: ShedFile) -> None:
    app = create_app(lambda: ALL_WELL, [charts(shed).on_page])
    async with phone(390, 800) as tab, served_app(app) as server:
        await tab.tell("Page.enable")
        await tab.tell("Page.addScriptToEvaluateOnNewDocument", source=WATCH)
        await tab.tell("Emulation.setTouchEmulationEnabled", enabled=True, maxTouchPoints=2)
        await tab.go(f"{server.url}history?p={AIR}&since=48h&against=day")
        await tab.until(DRAWN)
        assert await tab.value(INK) > 1000

        left, top, wide, high = await tab.value(PLACE)
        y = top + high / 2

        def at(hour: float) -> tuple[float, float]:
            return left + wide * hour / 48, y

        # one finger reads off: the stop, its alarm, the day before
        await touch(tab, "touchStart", at(26.5))
        await touch(tab, "touchEnd")
        stop = moment(shed, 26.5).local
        said = await tab.value(SAID)
        assert said.startswith(f"{stop.day} Sep")
        assert "0.2 kPa" in said
        assert "Air supply stopped (3)" in said
        assert "the day before: 12.2 kPa" in said
        await touch(tab, "touchStart", at(41))
        await touch(tab, "touchEnd")
        assert "nothing known" in await tab.value(SAID)

        # two fingers spread: a shorter time in finer steps, with an address of its own
        await touch(tab, "touchStart", at(25), at(28))
        for n in range(1, 9):
            await touch(tab, "touchMove", at(25 - 2.5 * n), at(28 + 2.2 * n))
        await touch(tab, "touchEnd")
        await tab.until("new URLSearchParams(location.search).get('since').endsWith('Z')")
        await tab.until(DRAWN)
        closer, when = await tab.value("location.href"), await tab.value(WHEN)
        assert when != "2026-09-20 00:00 to 2026-09-22 00:00"
        assert "against=day" in closer
        assert f"p={AIR}" in closer
        csv = await tab.value("document.getElementById('csv').href")
        assert "since=48h" not in csv

        # keys: closer, earlier, back
        await tab.value("document.querySelector('.chart').focus()")
        await key(tab, "+")
        await tab.until(f"location.href !== {closer!r} && {DRAWN}")
        await key(tab, "Escape")
        await tab.until(f"location.href === {closer!r} && {DRAWN}")
        await key(tab, "Escape")
        await tab.until(f"location.search.includes('since=48h') && {DRAWN}")
        assert await tab.value(WHEN) == "2026-09-20 00:00 to 2026-09-22 00:00"

        # the address opens the same view
        await tab.go(closer)
        await tab.until(DRAWN)
        assert await tab.value(WHEN) == when

        # a picture of it, made here
        await tab.value(PNG)
        await tab.until("document.getElementById('said').textContent.startsWith('The picture (1520 x ')")
        # into the hole: nothing is drawn, nothing of before is left standing; the way back is a button
        await tab.go(f"{server.url}history?p={AIR}&since=48h")
        await tab.until(DRAWN)
        left, top, wide, high = await tab.value(PLACE)
        for kind, hour in (
            ("mousePressed", 40.3),
            ("mouseMoved", 41),
            ("mouseMoved", 41.8),
            ("mouseReleased", 41.8),
        ):
            x = left + wide * hour / 48
            await tab.tell("Input.dispatchMouseEvent", type=kind, x=x, y=top + high / 2, button="left", buttons=1,
                           clickCount=1)  # fmt: skip
        await tab.until(f"{SAID} === 'no usable reading in this time'")
        assert await tab.value("document.querySelectorAll('.chart, .strip table').length") == 0
        await tab.value("document.getElementById('back').click()")
        await tab.until(f"location.search.includes('since=48h') && {DRAWN}")
        assert "0.2 kPa to 12.4 kPa" in await tab.value(SAID)
        assert await tab.value("document.getElementById('back') === null")

        assert await tab.value("document.documentElement.scrollWidth") == 390
        assert await tab.value("bad") == []

        await same_numbers(tab)


async def same_numbers(tab: Phone) -> None:
    """What Python packs the script unpacks, number for number, and says as Python rounds."""
    chance = random.Random(11)
    for decimals, reach in ((0, 9e5), (1, 40.0), (2, 15.0), (3, 0.4)):
        values = [chance.uniform(-reach, reach) for _ in range(400)]
        values += [n / 2 / 10**decimals for n in range(-9, 10)]
        state = [VALUE | 1 | (EARLIER if n % 3 else 0) for n in range(len(values))]
        known: list[float | None] = [value if n % 7 else None for n, value in enumerate(values)]
        planes = Planes(state, values, known, known, [abs(one) / 9 for one in values], known)
        head = {"count": len(values), "since": 0, "until": len(values) * 60, "first": 60, "step": 60}
        body = pack(head, [({"decimals": decimals, "states": None}, planes)])
        script = f"""(() => {{
          const bytes = Uint8Array.from(atob("{base64.b64encode(body).decode()}"), (one) => one.charCodeAt(0));
          const strip = Strips.unpack(bytes.buffer).strips[0];
          return [["state", ...{list(PLANES)}].map((name) => Array.from(strip[name])),
                  Array.from(strip.mean).map((one) => Strips.said(strip, one))]; }})()"""
        planes_there, said = await tab.value(script)
        strip: dict[str, Any] = unpack(body)["strips"][0]
        assert planes_there == [strip[name] for name in ("state", *PLANES)]
        assert said == [_said(one, decimals) for one in values]


async def test_what_is_read_off_says_how_sure_it_is_and_what_is_doubted() -> None:
    state = [VALUE | 1, VALUE | DOUBTED | 3, VALUE | 3, 9, VALUE | HELD | 1]
    values = [12.04, 11.96, 12.0, None, 12.0]
    low = [11.9, 11.96, 12.0, None, 12.0]
    planes = Planes(state, values, low, values, [0.25, None, 0.3, None, 0.3], [None] * 5)
    about = {"decimals": 1, "states": None, "unit": "kPa", "alarms": [[60, 90, "Air low (4)"]], "marks": []}
    switch = {**about, "decimals": 0, "states": ["off", "on"], "alarms": []}
    off = Planes([VALUE | 1] * 5, [0.0] * 5, [0.0] * 5, [1.0] * 5, [None] * 5, [None] * 5)
    head = {"count": 5, "since": 0, "until": 300, "first": 60, "step": 60, "against": ""}
    body = base64.b64encode(pack(head, [(about, planes), (switch, off)])).decode()
    script = f"""(() => {{
      const bytes = Uint8Array.from(atob("{body}"), (one) => one.charCodeAt(0)), head = Strips.unpack(bytes.buffer);
      return head.strips.map((strip) => [0, 1, 2, 3, 4].map((n) => Strips.words(head, strip, n))); }})()"""
    async with phone() as tab:
        await tab.value((STATIC / "strips.js").read_text().replace("const Strips", "globalThis.Strips"))
        air, switched = await tab.value(script)
    assert air == [
        "12.0 ± 0.25 kPa, 11.9 to 12.0", "12.0 kPa, suspect, Air low (4)", "12.0 ± 0.3 kPa, some suspect",
        "no usable reading", "12.0 ± 0.3 kPa",
    ]  # fmt: skip
    assert switched[0] == "off, off to on"


def _said(value: float, decimals: int) -> str:
    text = f"{value:.{decimals}f}"
    return text.removeprefix("-") if float(text) == 0 else text
