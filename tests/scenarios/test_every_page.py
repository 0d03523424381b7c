"""Every page of one shed in a real browser: accessible by day and by night, and nothing a person wrote is more than
text."""

from __future__ import annotations

import asyncio
import contextlib
import json
import re
from collections.abc import AsyncIterator
from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest

from brinewatch.clock import SystemClock
from brinewatch.page.app import create_app
from brinewatch.page.server import PageServer, PageSettings
from page.axe import found_by_axe
from page.browser import Phone, phone
from page.people import PASSWORD, Browser, page, put
from scenarios.night import DEMO, Night, night

# what may be there and is judged on the first of its kind alone: numbers, days and names in an address
_VARIES = re.compile(r"\d[\w.-]*|[\w-]+@[\w.-]+|[\w-]+\.\w+(?=$|/)")
# ends an attribute, an element and a script, and begins what would run
_NASTY = """'"></textarea></title><script>alert(1)</script><img src=x onerror=alert(2)>{{7*7}}&lt;"""
_CHOICES = ("hidden", "checkbox", "radio", "submit", "file")
_LINKS = "[...document.querySelectorAll('a[href]')].map((one) => one.href)"


def shed_text() -> str:
    """The demo's shed, with its rounds and batches, without broker; its page is served here."""
    text = re.sub(r"^\[broker\]\n[^\[]*", "", DEMO.read_text(encoding="utf-8"), flags=re.MULTILINE)
    text = re.sub(r"^\[\[override\]\]\n(?:(?!\[).*\n)*", "", text, flags=re.MULTILINE)
    return text.replace("[page]\n", "[page]\nenabled = false\n")


@contextlib.asynccontextmanager
async def served_app(it: Night, folder: Path) -> AsyncIterator[Any]:
    """The whole page of that daemon, with one account."""
    put(folder)
    daemon = it.daemon

    def make(view: Any, parts: Any, guard: Any) -> Any:
        return create_app(daemon.overview, [*parts, *daemon._beside.pages], guard, daemon._desk.answer)

    async with page(folder, ask=daemon._desk.answer, make=make) as app:
        yield app


@contextlib.asynccontextmanager
async def served(it: Night, folder: Path) -> AsyncIterator[str]:
    async with served_app(it, folder) as app:
        server = PageServer(app, PageSettings(port=0), SystemClock())
        server.bind()
        task = asyncio.create_task(server.run())
        try:
            yield server.url
        finally:
            await server.stop()
            await task


async def log_in(tab: Phone, url: str) -> None:
    await tab.go(f"{url}login")
    await tab.write("[name=name]", "Rhona")
    await tab.write("[name=password]", PASSWORD)
    await tab.press("form button")
    await tab.until("location.pathname === '/' && document.readyState === 'complete'")


class Forms(HTMLParser):
    """The forms of a page: where each goes, how, and its fields with what they hold; the links; what would run."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.forms: list[tuple[str, str, dict[str, str], list[str]]] = []
        self.links: list[str] = []
        self.runs: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        have = {name: value or "" for name, value in attrs}
        if tag == "a" and have.get("href", "").startswith("/"):
            self.links.append(have["href"])
        if tag == "form":
            self.forms.append((have.get("method", "get"), have.get("action", ""), {}, []))
        elif tag in ("input", "textarea", "select", "button") and have.get("name") and self.forms:
            _, _, fields, free = self.forms[-1]
            fields.setdefault(have["name"], have.get("value", ""))
            if tag == "textarea" or (tag == "input" and have.get("type", "text") not in _CHOICES):
                free.append(have["name"])
        # none of ours is inline, and none of ours is a picture of that name
        if (tag == "script" and not have.get("src", "").startswith("/static/")) or have.get("src") == "x":
            self.runs.append(tag)
        self.runs += [name for name in have if name.startswith("on")]


def kind(url: str) -> str:
    """Addresses that lead to the same kind of page."""
    return _VARIES.sub("*", urlsplit(url).path)


@pytest.mark.browser
async def test_every_page_is_accessible_by_day_and_by_night(tmp_path: Path) -> None:
    async with (
        night(tmp_path, shed_text()) as it,
        served(it, tmp_path / "accounts") as url,
        phone(390) as tab,
    ):
        await tab.go(f"{url}login")
        faults = {"/login": await found_by_axe(tab)}
        # it does look: a picture without words, and words nobody can read
        await tab.value("document.querySelector('main').innerHTML += '<img src=x><p id=faint>faint</p>'")
        await tab.value("document.getElementById('faint').style.color = '#888078'")
        assert {one.partition(":")[0] for one in await found_by_axe(tab)} == {"image-alt", "color-contrast"}
        await log_in(tab, url)
        await it.shed.faults.on("blower-stop")
        # the blower, the air it drives, and what is told to follow from it
        await it.until(lambda: any(one.cause for one in it.daemon.overview().aside))
        todo, seen = [url], set()
        while todo:
            to = todo.pop(0)
            if kind(to) in seen:
                continue
            seen.add(kind(to))
            await tab.go(to)
            faults[kind(to)] = await found_by_axe(tab)
            links = await tab.value(_LINKS)
            # files are no pages
            todo += [one for one in links if one.startswith(url) and "." not in urlsplit(one).path]
        assert {"/", "/alarms", "/history", "/report", "/rounds", "/account"} <= seen
        await tab.go(url)
        assert "because of" in await tab.value("document.getElementById('s-manifold').textContent")
        assert "It leads to Air manifold" in await tab.value("document.getElementById('s-blower').textContent")
    assert not any(faults.values()), json.dumps({key: one for key, one in faults.items() if one}, indent=1)


async def test_what_is_written_into_any_field_is_shown_as_text(tmp_path: Path) -> None:
    """Every form of every page with something hostile in each of its fields, one at a time and all at once; and in
    the address of every page."""
    filled, told = 0, []
    async with (
        night(tmp_path, shed_text()) as it,
        served_app(it, tmp_path / "accounts") as app,
        Browser(app) as web,
    ):

        def judge(answer: Any, what: str) -> Forms:
            assert answer.status_code < 500, (what, answer.text)
            assert answer.headers["content-type"] == "text/html; charset=utf-8", what
            found = Forms(answer.text)
            assert not found.runs, what
            if "alert(1)" in answer.text:
                told.append(what)
            return found

        judge(await web.log_in(name=_NASTY, password=_NASTY), "/login")
        await web.log_in()
        web.follow_redirects = True
        await it.shed.faults.on("blower-stop")
        await it.until(lambda: it.daemon.overview().alarms)
        for _ in range(2):  # once more, when what was written is there to be shown
            todo, seen = ["/"], set()
            while todo:
                to = todo.pop(0)
                if kind(to) in seen or "." in urlsplit(to).path or to == "/logout":
                    continue
                seen.add(kind(to))
                page = judge(await web.get(to), to)
                todo += page.links
                judge(await web.get(urlsplit(to).path, params={"next": _NASTY, "p": _NASTY, "since": _NASTY}), to)
                for method, action, fields, free in page.forms:
                    for names in {*((one,) for one in free), tuple(free)} - {()}:
                        filled += 1
                        data = {**fields, **dict.fromkeys(names, _NASTY)}
                        where = action or to
                        if method == "get":
                            judge(await web.get(where, params=data), f"{where} {names}")
                        else:
                            judge(await web.post(where, data=data), f"{where} {names}")
    assert filled > 20
    assert {"/", "/alarms", "/rounds/new ('note',)"} <= set(told)  # it was shown, and as text
    assert {"/rounds/new", "/account", "/accounts", "/history"} <= seen
