"""The strips of the past, as shapes and words, out of a store like any other."""

from __future__ import annotations

import csv
import gzip
import io
import re
import xml.etree.ElementTree as ElementTree
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import httpx
import pytest

from brinewatch.alarms.events import AlarmEvent, Happening, Priority, State
from brinewatch.alarms.version import body_of
from brinewatch.charting import Charts, nights
from brinewatch.clock import SteppingClock
from brinewatch.config import ShedFile, read_shed
from brinewatch.moment import Moment, utc_of
from brinewatch.page.app import create_app
from brinewatch.page.charts import Wanted
from brinewatch.readings import Flag, Reading
from brinewatch.store.history import History
from brinewatch.store.journal import Journal
from config.sheds import write
from page.browser import phone
from page.sheds import ALL_WELL
from page.test_browser import OVER, served_app

AIR = "manifold.air_pressure"
EVERY = 1 / 180  # hours, 20 s
FLAGS = {700: Flag.SUSPECT}


def moment(shed: ShedFile, hour: float) -> Moment:
    utc = utc_of("2026-09-20T00:00", shed.zone) + hour * 3600.0
    return Moment(1000.0 + hour * 3600.0, utc, True, shed.zone)


@pytest.fixture
async def shed(tmp_path: Path) -> ShedFile:
    """Two days of air every 20 s; stopped from 26 to 27, nothing read from 40 to 42."""
    file = read_shed(write(tmp_path))
    rows = [
        Reading(AIR, "air_pressure", value, value, FLAGS.get(n, Flag.PASS), "", moment(file, n * EVERY), "gauge")
        for n in range(48 * 180)
        for value in [0.2 if 26 <= n * EVERY < 27 else 12.0 + (n % 5) / 10]
        if not 40 <= n * EVERY < 42
    ]
    end = moment(file, 48)
    clock = SteppingClock(end.utc, mono=end.mono)
    history = History(file.data / "history.sqlite", clock)
    await history.open()
    history.add(rows)
    await history.close()
    journal = Journal(file.data / "journal.sqlite", clock)
    await journal.open()
    await journal.begin({one.id: body_of(one) for one in file.alarms}, moment(file, 0))
    alarm = next(one for one in file.alarms if one.point == AIR and one.rule.side == "min")
    base = AlarmEvent(
        Happening.RAISED, alarm.id, 3, Priority.CRITICAL, alarm.rule.title, AIR, "air_pressure",
        State.UNACKNOWLEDGED, 0.2, alarm.rule.limit, moment(file, 26), moment(file, 26.01),
    )  # fmt: skip
    over = replace(base, happening=Happening.CLEARED, state=State.NORMAL, at=moment(file, 27.1))
    await journal.commit([base, over], {}, [], moment(file, 27.1))
    await journal.note("cleaning", "Diffusers <b>cleaned</b>.", moment(file, 30))
    await journal.close()
    return file


def charts(shed: ShedFile) -> Charts:
    end = moment(shed, 48)
    return Charts(shed, SteppingClock(end.utc, mono=end.mono, zone=shed.zone), lambda key: key.capitalize())


def client(shed: ShedFile) -> httpx.AsyncClient:
    app = create_app(lambda: ALL_WELL, [charts(shed).on_page])
    return httpx.AsyncClient(transport=httpx.ASGITransport(app), base_url="http://shed")


async def test_a_strip_tells_its_words_limits_alarms_and_remarks(shed: ShedFile) -> None:
    async with client(shed) as web:
        answer = await web.get("/history", params={"p": AIR, "since": "48h"})
        first = (await web.get("/")).text
    assert answer.status_code == 200
    text = answer.text
    assert "Manifold, air supply pressure" in text
    assert "0.2 kPa to 12.4 kPa, nothing known for 4 % of it" in text
    assert "min 8.0 kPa" in text
    assert 'class="held"' in text
    assert "Air supply stopped (3)" in text
    assert "Diffusers &lt;b&gt;cleaned&lt;/b&gt;." in text
    assert 'class="doubt"' in text
    assert 'href="/history"' in first
    # a triangle where the remark was made, at 30 of 48 hours of 340; shaded below 8.0 kPa
    assert re.search(r'class="tick" d="M212.5 104L209.5 112H215.5Z"><title>2026-09-21 06:00 cleaning', text)
    assert re.search(r'class="beyond" d="M0 [\d.]+H340V100H0Z', text)


async def test_shapes_are_where_their_time_and_value_are(shed: ShedFile) -> None:
    """Two days on 340 units, stretches of five minutes: the stop at 26 h begins at 184.2, and lies lowest."""
    async with client(shed) as web:
        text = (await web.get("/history", params={"p": AIR, "since": "48h"})).text
    band = re.search(r'class="band" d="([^"]+)"', text)
    assert band is not None
    shapes = [tuple(float(x) for x in re.findall(r"-?[\d.]+", one)) for one in band[1].split("Z") if one]
    starts = {shape[0]: shape for shape in shapes}
    assert min(starts) == 0.0
    stop = [shape for shape in shapes if shape[1] == 86.0]
    assert stop[0][0] == round(26 / 48 * 340, 1)
    assert len(stop) == 12
    gap = [x for x in starts if round(40 / 48 * 340, 1) <= x < round(42 / 48 * 340, 1) - 0.1]
    assert gap == []
    held = re.search(r'class="held" x="([\d.]+)" y="104" width="([\d.]+)"', text)
    assert held is not None
    assert (float(held[1]), float(held[2])) == (round(26 / 48 * 340, 1), pytest.approx(1.1 / 48 * 340, abs=0.2))


async def test_the_table_and_the_csv_say_the_same(shed: ShedFile) -> None:
    async with client(shed) as web:
        text = (await web.get("/history", params={"p": AIR, "since": "48h"})).text
        link = re.search(r'href="(/history\.csv\?[^"]+)"', text)
        assert link is not None
        lines = await web.get(link[1].replace("&amp;", "&"))
    rows = list(csv.DictReader(io.StringIO(lines.text)))
    assert lines.headers["content-disposition"].startswith("attachment")
    assert len(rows) == 48 * 12 - 24
    assert {row["unit"] for row in rows} == {"kPa"}
    assert min(float(row["lowest"]) for row in rows) == 0.2
    assert [row["worst flag"] for row in rows].count("3") == 1
    assert text.count('<th scope="row">') == 16  # stretches of three hours
    assert "1 suspect" in text


async def test_a_time_of_which_nothing_is_known_is_said_so(shed: ShedFile) -> None:
    hole = {"p": AIR, "since": "2026-09-21T16:10", "until": "2026-09-21T17:50"}
    async with client(shed) as web:
        page, picture = (await web.get("/history", params=hole)), (await web.get("/history.svg", params=hole))
    assert "no usable reading in this time" in page.text
    assert 'class="band"' not in page.text
    assert "no usable reading in this time" in picture.text


async def test_a_picture_stands_alone(shed: ShedFile) -> None:
    """Well-formed XML with nothing from elsewhere and no style the page's policy would forbid."""
    async with client(shed) as web:
        answer = await web.get("/history.svg", params={"p": AIR, "since": "48h", "against": "day"})
    assert answer.headers["content-type"] == "image/svg+xml"
    assert answer.headers["content-disposition"].startswith("attachment")
    tree = ElementTree.fromstring(answer.text)
    kinds = {one.tag.rpartition("}")[2] for one in tree.iter()}
    assert kinds == {"svg", "rect", "text", "g", "path"}
    assert not [one for one in tree.iter() if "style" in one.attrib or any("href" in key for key in one.attrib)]
    said = [one.text for one in tree.iter("{http://www.w3.org/2000/svg}text")]
    assert "2026-09-20 00:00 to 2026-09-22 00:00, pale: the day before" in said
    assert "min 8.0 kPa" in said


async def test_how_sure_a_reading_is_is_drawn_around_it(tmp_path: Path) -> None:
    """An hour at 10.0 kPa with one standard uncertainty of 0.5: ten steps below and above of the twelve drawn."""
    file = read_shed(write(tmp_path))
    end = moment(file, 1)
    history = History(file.data / "history.sqlite", SteppingClock(end.utc, mono=end.mono))
    await history.open()
    history.add([
        Reading(AIR, "air_pressure", 10.0, 10.0, Flag.PASS, "", moment(file, n * EVERY), "gauge", uncertainty=0.5)
        for n in range(180)
    ])  # fmt: skip
    await history.close()
    journal = Journal(file.data / "journal.sqlite", SteppingClock(end.utc, mono=end.mono))
    await journal.open()
    await journal.close()
    wanted = Wanted((AIR,), "1h", "", "")
    told = Charts(file, SteppingClock(end.utc, mono=end.mono, zone=file.zone), str)
    [strip] = (await told.tell(wanted)).strips
    ys = [float(one) for one in re.findall(r"[ML][\d.]+ ([\d.]+)", strip.unsure)]
    # the edges stand for 9.5 and 10.5, 14 from top and bottom of 100
    assert (min(ys), max(ys)) == (14.0, 86.0)
    assert (strip.top, strip.bottom) == ("10.5 kPa", "9.5 kPa")


async def test_a_period_before_is_drawn_beside_it(shed: ShedFile) -> None:
    async with client(shed) as web:
        plain = (await web.get("/history", params={"p": AIR, "since": "24h"})).text
        both = (await web.get("/history", params={"p": AIR, "since": "24h", "against": "day"})).text
    assert 'class="before"' not in plain
    assert 'class="before"' in both
    assert "With the day before" in plain
    assert "With the day before" not in both


async def test_its_address_opens_the_same_view(shed: ShedFile) -> None:
    async with client(shed) as web:
        text = (await web.get("/history", params={"p": AIR, "since": "24h"})).text
        links = dict(re.findall(r'<a href="(/history\?[^"]+)">([^<]+)</a>', text))
        closer = next(to for to, words in links.items() if words == "Closer")
        once = (await web.get(closer.replace("&amp;", "&"))).text
        again = (await web.get(closer.replace("&amp;", "&"))).text
    assert once == again
    assert "2026-09-21 06:00 to 2026-09-21 18:00" in once


@pytest.mark.parametrize(
    ("params", "said"),
    [
        ({"p": "tank.<script>"}, "There is no reading of"),
        ({"since": "yesterday"}, "is no time"),
        ({"since": "2026-09-22", "until": "2026-09-21"}, "The time ends before it begins"),
        ({"since": "9999999d"}, "The time ends before it begins, or is too long"),
        ({"until": "2026-13-45"}, "is no time"),
        ({"against": "<i>moon</i>"}, "is no period"),
    ],
)
async def test_what_cannot_be_shown_is_said(shed: ShedFile, params: dict[str, str], said: str) -> None:
    async with client(shed) as web:
        answer = await web.get("/history", params=params)
    assert answer.status_code == 400
    assert said in answer.text
    assert "<script>" not in answer.text
    assert "<i>" not in answer.text


async def test_an_answer_is_packed_for_who_can_unpack_it(shed: ShedFile) -> None:
    async with client(shed) as web:
        plain = await web.get("/history", params={"p": AIR}, headers={"Accept-Encoding": "identity"})
        async with web.stream("GET", "/history", params={"p": AIR}, headers={"Accept-Encoding": "gzip"}) as packed:
            raw = b"".join([part async for part in packed.aiter_raw()])
    assert packed.headers["content-encoding"] == "gzip"
    assert gzip.decompress(raw).decode() == plain.text
    assert len(raw) < len(plain.content) / 3


def test_nights_are_those_of_the_place() -> None:
    """Greenwich (51.48 N, 0 E) on 23 September: the sun sets at 18:57 BST and rises at 6:50 BST on the next day
    (from memory of almanacs, to 3 min)."""
    since = datetime(2026, 9, 23, 12, 0, tzinfo=UTC).timestamp()
    [(down, up)] = nights(51.48, 0.0, since, since + 86400.0)
    assert abs(down - datetime(2026, 9, 23, 17, 57, tzinfo=UTC).timestamp()) < 180
    assert abs(up - datetime(2026, 9, 24, 5, 50, tzinfo=UTC).timestamp()) < 180


def test_where_the_sun_stays_up_there_is_no_night() -> None:
    since = datetime(2026, 6, 20, tzinfo=UTC).timestamp()
    assert nights(78.2, 15.6, since, since + 86400.0) == []


@pytest.mark.browser
async def test_it_fits_a_phone(shed: ShedFile) -> None:
    async with phone() as tab, served_app(create_app(lambda: ALL_WELL, [charts(shed).on_page])) as server:
        await tab.go(f"{server.url}history?p={AIR}&since=48h")
        await tab.value("document.querySelectorAll('details').forEach((one) => (one.open = true))")
        assert await tab.value("document.documentElement.scrollWidth") == 360
        assert [one for one in await tab.value(OVER) if "<text" not in one and "<path" not in one] == []
        low = """[...document.querySelectorAll("main a, summary, button, label")].filter(
          (one) => one.getBoundingClientRect().height < 48).map((one) => one.textContent)"""
        assert await tab.value(low) == []


async def test_of_a_young_history_all_is_shown_and_of_an_older_one_a_day(shed: ShedFile) -> None:
    for hour, begun in ((1.0, "2026-09-20 00:00"), (0.05, "2026-09-19 23:53"), (30.0, "2026-09-20 06:00")):
        now = moment(shed, hour)
        young = Charts(shed, SteppingClock(now.utc, mono=now.mono, zone=shed.zone), str.capitalize)
        view = await young.tell(Wanted((AIR,), "", "", ""))
        assert view.when.startswith(begun), (hour, view.when)
        lines = (await young.lines(Wanted((AIR,), "", "", ""))).splitlines()
        assert len(lines) > 5
