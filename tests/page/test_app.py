"""The routes: complete without anything from elsewhere, escaped, small, and readable by eye."""

from __future__ import annotations

import gzip
import json
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import httpx
import pytest

import brinewatch.page
from brinewatch.overview import Overview, as_json
from brinewatch.page.app import create_app
from page.people import Browser, put
from page.people import page as people_page
from page.sheds import AIR_STOPPED, ALL_WELL, BLIND, EVERY, STOPPED, with_alarms

STATIC = Path(brinewatch.page.__file__).parent / "static"


async def get(path: str, overview: Overview = ALL_WELL, method: str = "GET") -> httpx.Response:
    transport = httpx.ASGITransport(create_app(lambda: overview))
    async with httpx.AsyncClient(transport=transport, base_url="http://shed") as client:
        return await client.request(method, path)


class _Outline(HTMLParser):
    """Checks that every element that is opened is closed in order, and collects what is linked to."""

    EMPTY = frozenset({"meta", "link", "use", "path"})

    def __init__(self) -> None:
        super().__init__()
        self.stack: list[str] = []
        self.links: list[str] = []
        self.ids: list[str] = []
        self.tags: set[str] = set()
        self.attributes: set[str] = set()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        for name, value in attrs:
            self.attributes.add(name)
            if name in ("href", "src"):
                self.links.append(value or "")
            if name == "id":
                self.ids.append(value or "")
        if tag not in self.EMPTY:
            self.stack.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in self.EMPTY:
            self.stack.pop()

    def handle_endtag(self, tag: str) -> None:
        assert self.stack, f"</{tag}> without its beginning"
        assert self.stack.pop() == tag


def outline(text: str) -> _Outline:
    found = _Outline()
    found.feed(text)
    assert found.stack == []
    return found


@pytest.mark.parametrize("name", EVERY)
async def test_every_state_is_one_sound_document_with_nothing_from_elsewhere(name: str) -> None:
    answer = await get("/", EVERY[name])
    assert answer.status_code == 200
    found = outline(answer.text)
    assert len(found.ids) == len(set(found.ids))
    for link in found.links:
        # a place on this very page, or another of this very host
        assert re.fullmatch(r"/(?!/).*", link) or link.removeprefix("#") in found.ids, link
    # the policy forbids inline scripts and styles; there must be none to forbid
    assert "style" not in found.tags | found.attributes
    assert not any(name.startswith("on") for name in found.attributes)


async def _carried(path: str, overview: Overview, encoding: str) -> tuple[bytes, httpx.Response]:
    """What goes over the line."""
    transport = httpx.ASGITransport(create_app(lambda: overview))
    async with (
        httpx.AsyncClient(transport=transport, base_url="http://shed") as client,
        client.stream("GET", path, headers={"Accept-Encoding": encoding}) as answer,
    ):
        return b"".join([part async for part in answer.aiter_raw()]), answer


@pytest.mark.parametrize("name", EVERY)
async def test_the_first_view_is_at_most_20_kb(name: str) -> None:
    page, _ = await _carried("/", EVERY[name], "gzip")
    size = len(page)
    for link in set(outline(gzip.decompress(page).decode()).links):
        if link.startswith("/static/"):
            size += len((await _carried(link, EVERY[name], "gzip"))[0])
    # and what the stream sends first, which is not packed
    size += len((await get("/now", EVERY[name])).content)
    assert size <= 20_000


@pytest.mark.parametrize("path", ["/", "/now", "/static/page.css", "/static/page.js"])
async def test_what_is_packed_says_the_same(path: str) -> None:
    packed, answer = await _carried(path, STOPPED, "br, gzip;q=0.8")
    plain, other = await _carried(path, STOPPED, "identity")
    assert answer.headers["content-encoding"] == "gzip"
    assert int(answer.headers["content-length"]) == len(packed) < len(plain) / 1.9
    assert gzip.decompress(packed) == plain
    assert "content-encoding" not in other.headers
    # a store on the way must not hand one to who asked for the other (RFC 9110, 12.5.5)
    assert answer.headers["vary"] == other.headers["vary"] == "Accept-Encoding"
    assert (await _carried(path, STOPPED, "gzip;q=0"))[0] == plain


async def test_what_holds_a_secret_beside_words_of_the_request_is_not_packed(tmp_path: Path) -> None:
    async with people_page(tmp_path) as app, Browser(app) as browser:
        put(tmp_path)
        answer = await browser.get("/login?next=/history%3Fp%3Dtank.oxygen", headers={"accept-encoding": "gzip"})
        assert 'name="proof"' in answer.text
        assert "tank.oxygen" in answer.text
        assert "content-encoding" not in answer.headers


async def test_the_exchanged_part_is_the_page_without_its_frame() -> None:
    part = (await get("/now", STOPPED)).text
    outline(part)
    assert part.strip() in (await get("/", STOPPED)).text


async def test_what_comes_from_outside_is_escaped() -> None:
    nasty = '<script>alert("x")</script>&'
    alarm = replace(AIR_STOPPED, title=nasty, shown=nasty, limit=nasty, todo=(nasty,), why=nasty, told=(nasty,),
                    acknowledged_by=nasty)  # fmt: skip
    stage = replace(ALL_WELL.stages[0], name=nasty)
    dirty = with_alarms(alarm)
    dirty = replace(dirty, shed=nasty, notes=(nasty,), stages=(stage, *dirty.stages[1:]),
                    recent=tuple(replace(one, title=nasty, by=nasty) for one in ALL_WELL.recent))  # fmt: skip
    text = (await get("/", dirty)).text
    outline(text)
    assert "alert(" in text
    assert "<script>" not in text
    assert '"x"' not in text


@pytest.mark.parametrize("path", ["/", "/now", "/state.json", "/static/page.css", "/static/none", "/none"])
async def test_every_answer_keeps_foreign_content_out(path: str) -> None:
    headers = (await get(path)).headers
    policy = dict(part.strip().split(" ", 1) for part in headers["content-security-policy"].split(";"))
    assert policy["default-src"] == "'none'"
    assert policy["script-src"] == policy["style-src"] == policy["connect-src"] == "'self'"
    assert policy["frame-ancestors"] == "'none'"
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "no-referrer"


@pytest.mark.parametrize("path", ["/", "/now", "/state.json"])
async def test_the_state_is_never_kept_by_the_browser(path: str) -> None:
    assert (await get(path)).headers["cache-control"] == "no-store"


async def test_the_state_as_json() -> None:
    answer = await get("/state.json", STOPPED)
    known = answer.json()
    assert known["sentence"] == "Air supply stopped: 0.3 kPa. 2 more."
    assert known["well"] is False
    assert known == json.loads(json.dumps(as_json(STOPPED)))
    assert known["at"] == "2026-07-14T01:26:07.000Z"


@pytest.mark.parametrize("path", ["/static/../app.py", "/static/%2e%2e/app.py", "/static/..%2fapp.py", "/docs",
                                  "/openapi.json", "/redoc"])  # fmt: skip
async def test_nothing_else_is_served(path: str) -> None:
    assert (await get(path)).status_code == 404


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE"])
async def test_nothing_can_be_changed(method: str) -> None:
    assert (await get("/", method=method)).status_code == 405


async def test_without_a_script_the_page_loads_itself_again() -> None:
    assert '<noscript><meta http-equiv="refresh" content="10"></noscript>' in (await get("/")).text


def _colours(scheme: str) -> dict[str, str]:
    css = (STATIC / "page.css").read_text()
    light, dark = re.findall(r":root\{([^}]*)\}", css)
    colours = dict(re.findall(r"--([\w-]+):(#[0-9a-f]{6})", light))
    if scheme == "dark":
        colours.update(re.findall(r"--([\w-]+):(#[0-9a-f]{6})", dark))
    return colours


def _mix(one: str, other: str, share: float) -> str:
    """CSS color-mix in sRGB over an opaque ground."""
    parts = [int(one[n : n + 2], 16) * share + int(other[n : n + 2], 16) * (1 - share) for n in (1, 3, 5)]
    return "#" + "".join(f"{round(part):02x}" for part in parts)


def _contrast(one: str, other: str) -> float:
    """WCAG 2.1, definitions of relative luminance and contrast ratio."""

    def luminance(colour: str) -> float:
        parts = [int(colour[n : n + 2], 16) / 255 for n in (1, 3, 5)]
        r, g, b = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
        return 0.2126 * r + 0.7152 * g + 0.0722 * b

    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_the_contrast_formula() -> None:
    # WCAG 2.1: black on white is 21:1; #767676 on white is the well-known lightest grey that passes AA, 4.54:1
    assert _contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert _contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_every_text_has_the_contrast_of_level_aa(scheme: str) -> None:
    """WCAG 2.1, success criterion 1.4.3: at least 4.5:1; on the tinted grounds as well."""
    colour = _colours(scheme)
    share = 0.07 if scheme == "light" else 0.10
    assert f"--tint:{share:.0%}" in (STATIC / "page.css").read_text()
    for kind in ("danger", "warning", "person", "unknown"):
        ground = _mix(colour[kind], colour["paper"], share)
        for text in ("ink", "soft", kind):
            assert _contrast(colour[text], ground) >= 4.5, (scheme, kind, text)
    for text in ("ink", "soft", "danger", "warning", "person", "unknown"):
        assert _contrast(colour[text], colour["paper"]) >= 4.5, (scheme, text)
    assert _contrast(colour["unknown"], colour["faint"]) >= 4.5, scheme
    assert _contrast(colour["on-bar"], colour["bar"]) >= 4.5


async def test_colour_never_stands_alone() -> None:
    """IEC 60073 and WCAG 1.4.1: whatever is coloured has a shape and a word beside it."""
    for overview in (STOPPED, BLIND):
        text = re.sub(r'data-title="[^"]*"', "", (await get("/now", overview)).text)
        for kind, word in (("danger", "Danger"), ("warning", "Warning"), ("unknown", "Unknown")):
            shapes = text.count(f'<use href="#{kind}"/>')
            words = text.count(word) + (text.count("Cannot be judged now") if kind == "unknown" else 0)
            assert shapes == words, (kind, shapes, words)
