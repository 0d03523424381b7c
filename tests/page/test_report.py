"""The night report on a page: what is said is there, it fits a phone, and a bad day is one sentence."""

from __future__ import annotations

import re
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace

import httpx
import pytest

from brinewatch.alarms.events import Priority
from brinewatch.errors import BrinewatchError, StoreError
from brinewatch.nights.night import Night, Span
from brinewatch.nights.shown import view_of
from brinewatch.page.app import create_app
from brinewatch.page.report import ReportView, add_report
from brinewatch.signals.display import DisplayUnits
from nights.test_night import BEGIN, END, at, called, night
from page.browser import phone
from page.sheds import ALL_WELL
from page.test_browser import LOADED, OVER, served_app

LINE = tuple((BEGIN + 270.0 * (place + 0.5), 90.0 + place / 60, 90.4 + place / 60) for place in range(120))
GAP = (*LINE[:40], *LINE[60:])
STRIPS = (
    Span("raceway.oxygen_saturation", 90.0, 92.4, 91.2, 0.167, 2, 0, GAP),
    Span("raceway.ph", None, None, None, 1.0, 0, 4),
    Span("manifold.air_pressure", 11.9, 11.9, 11.9, 0.0, 0, 0, tuple((utc, 11.9, 11.9) for utc, _, _ in LINE)),
)
BUSY = night(
    spans=STRIPS, watch=0.95, gaps=(("nothing ran", 1620.0),), told=END + 90000.0,
    calls=(
        called(answered=at(4.1), by="Wren", incident=31),
        called(number=4, title="Oxygen <b>too</b> low", over=None),
    ),
    quiet=(called(number=9, title="A probe is due for calibration", priority=Priority.LOW),),
)  # fmt: skip


def shown(one: Night) -> ReportView:
    return view_of(one, DisplayUnits(), {"raceway": "Nursery raceway", "manifold": "Blower"}.get)  # type: ignore[arg-type]


@asynccontextmanager
async def client(one: Night | BrinewatchError) -> AsyncIterator[httpx.AsyncClient]:
    async def tell(day: str | None) -> ReportView:
        if isinstance(one, BrinewatchError):
            raise one
        return shown(one)

    app = create_app(lambda: ALL_WELL, [lambda app, templates: add_report(app, templates, tell)])
    async with httpx.AsyncClient(transport=httpx.ASGITransport(app=app), base_url="http://shed") as made:
        yield made


async def test_it_says_what_was() -> None:
    async with client(BUSY) as it:
        answer = await it.get("/report")
    assert answer.status_code == 200
    assert "default-src 'none'" in answer.headers["content-security-policy"]
    text = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", answer.text))
    assert answer.text.count("/journal/incident/") == 1
    assert 'href="/journal/incident/31">Incident 31</a>' in answer.text
    for words in (
        "Oxygen &lt;b&gt;too&lt;/b&gt; low: it stood in the morning",
        "Every critical alarm was able to call for 95 % of the night.",
        "27 min: nothing ran",
        "24 Sep 02:00 Air supply stopped (critical), answered 02:06 by Wren, over 02:30",
        "A probe is due for calibration",
        "Nursery raceway, oxygen saturation",
        "90.0 to 92.4 %, mean 91.2; 17 % of the time without one; 2 doubtful",
        "no good reading; 100 % of the time without one; 4 failed",
        "The night after",
    ):
        assert words in text, words


def test_the_band_is_broken_where_nothing_was_read_and_never_thinner_than_a_line() -> None:
    oxygen, ph, air = shown(BUSY).strips
    assert oxygen.band.count("M") == 2
    assert ph.band == ""
    points = [tuple(map(float, point.split())) for point in re.findall(r"[\d.]+ [\d.]+", air.band)]
    assert {y for _, y in points} == {40.0, 39.0}  # in the middle, one unit high
    assert min(x for x, _ in points) >= 0
    assert max(x for x, _ in points) <= 340
    # half a digit of noise is no storm: the strip spans ten steps of what is shown
    assert (air.bottom, air.top) == ("11.4 kPa", "12.4 kPa")


def test_the_table_beside_has_every_hour_once() -> None:
    oxygen = shown(BUSY).strips[0]
    assert [row[0] for row in oxygen.table] == [
        "22:00",
        "23:00",
        "00:00",
        "02:00",
        "03:00",
        "04:00",
        "05:00",
        "06:00",
    ]
    assert oxygen.table[0] == ("22:00", "90.0 %", "90.6 %")
    assert [label for _, label in oxygen.hours] == ["00:00", "02:00", "04:00", "06:00"]


def test_there_is_no_link_to_a_night_that_has_not_been() -> None:
    assert shown(replace(BUSY, told=END + 600.0)).after == ""
    assert shown(BUSY).after == "2026-09-25"
    assert shown(BUSY).before == "2026-09-23"


@pytest.mark.parametrize(("path", "code"), [("/report", 503), ("/report/2026-13-01", 404)])
async def test_what_cannot_be_told_is_one_sentence(path: str, code: int) -> None:
    async with client(StoreError("There is no history.", "Has it been watched?")) as it:
        answer = await it.get(path)
    assert answer.status_code == code
    assert "There is no history." in answer.text
    assert "Has it been watched?" in answer.text


@pytest.mark.browser
async def test_it_fits_a_phone_and_asks_for_nothing_from_elsewhere() -> None:
    async def tell(day: str | None) -> ReportView:
        return shown(BUSY)

    app = create_app(lambda: ALL_WELL, [lambda app, templates: add_report(app, templates, tell)])
    async with phone() as tab, served_app(app) as server:
        await tab.go(f"{server.url}report")
        await tab.value("document.querySelectorAll('details').forEach((one) => (one.open = true))")
        assert await tab.value("document.documentElement.scrollWidth") == 360
        assert await tab.value(OVER) == []
        loaded = await tab.value(LOADED)
        assert all(one.startswith(server.url) for one in loaded)
        low = """[...document.querySelectorAll("main a, summary")].filter(
          (one) => one.getBoundingClientRect().height < 48).map((one) => one.textContent)"""
        assert await tab.value(low) == []
