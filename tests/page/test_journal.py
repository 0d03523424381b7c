"""The journal on the page, out of the file of a night in which the air stopped: found, told, paged, and safe."""

from __future__ import annotations

import csv
import html
import io
import re
import sqlite3
from contextlib import closing
from pathlib import Path

import httpx
import pytest

from brinewatch.accounts import Role
from brinewatch.chronicle import inquiry
from brinewatch.chronicle.inquiry import Inquiry
from brinewatch.clock import SteppingClock
from brinewatch.config import read_shed
from brinewatch.page.access import Visitor
from brinewatch.page.app import create_app
from brinewatch.phrases import masked
from brinewatch.store.journal import Journal
from page.sheds import ALL_WELL
from test_journal_command import AIR, STRANGER, T0, a_night

NASTY = "<script>alert('x')</script> {{ 7*7 }} \x1b[31m +447700900155"


async def nights(folder: Path, *, over: bool = True) -> Path:
    """The night, and then some texts nobody should believe."""
    shed = await a_night(folder, over=over)
    clock = SteppingClock(T0.utc + 4000, mono=T0.mono + 4000)
    journal = Journal(folder / "data" / "journal.sqlite", clock, boot="one boot")
    await journal.open()
    await journal.note("text in", NASTY, T0.later(3900))
    await journal.note("=cmd", "a kind nobody made", T0.later(3901))
    await journal.note("account", "Rhona logged in from 192.168.1.20", T0.later(3902))
    await journal.enter("tank.tan", 0.5, "=HYPERLINK(1)", T0.later(3903))
    await journal.close()
    return shed


def client(shed: Path, role: Role = Role.KEEP) -> httpx.AsyncClient:
    async def guard(request: object) -> Visitor:
        return Visitor("Rhona", role, "proof")

    clock = SteppingClock(T0.utc + 4000, mono=T0.mono + 4000)
    app = create_app(lambda: ALL_WELL, [Inquiry(read_shed(shed), clock).on_page], guard)
    return httpx.AsyncClient(transport=httpx.ASGITransport(app), base_url="http://shed",
                             headers={"accept": "text/html"})  # fmt: skip


def said(text: str) -> list[str]:
    """The rows as they are read, each on one line."""
    rows = re.findall(r"<time>(.*?)(?=<time>|</ol>)", text, re.DOTALL)
    return [" ".join(html.unescape(re.sub(r"<[^>]+>", " ", row)).split()) for row in rows]


async def test_the_newest_comes_first_and_each_row_is_a_sentence(tmp_path: Path) -> None:
    async with client(await nights(tmp_path)) as web:
        answer = await web.get("/journal")
        first = (await web.get("/")).text
    assert answer.status_code == 200
    assert answer.headers["cache-control"] == "no-store"
    assert 'href="/journal"' in first
    rows = said(answer.text)
    assert rows[0] == "03:18:53 =HYPERLINK(1) entered total ammonia as N 0.50 mg/L N (Tank)."
    assert "03:05:30 Teal entered total ammonia as N 0.25 mg/L N (Tank)." in rows
    assert "03:07:10 Calibration of dissolved oxygen (Tank) by Wren." in rows
    assert "02:16:00 Wren took number 12: air supply pressure 0.3 kPa (limit 8.0 kPa)." in rows
    raised = next(row for row in rows if "Called as number 12, critical" in row)
    assert raised.endswith("Incident 12")
    assert rows[-1].startswith("02:13:50 The chain begins")
    assert re.findall(r"<h2>(.*?)</h2>", answer.text) == ["Wednesday 25 November 2026"]


async def test_hostile_text_is_text(tmp_path: Path) -> None:
    async with client(await nights(tmp_path)) as web:
        text = (await web.get("/journal")).text
        searched = (await web.get("/journal", params={"text": "<b>'\"", "person": '"><script>'})).text
        asked = await web.get("/journal", params={"since": "<i>soon</i>"})
    assert "<script" not in text
    assert "\x1b" not in text
    assert "&lt;script&gt;alert" in text
    assert "{{ 7*7 }}" in text
    assert "<script" not in searched
    assert "&lt;b&gt;&#39;&#34;" in searched
    # what was typed comes back with what is wrong with it
    assert asked.status_code == 400
    assert "is no time" in asked.text
    assert 'value="&lt;i&gt;soon&lt;/i&gt;"' in asked.text


async def test_numbers_and_logins_are_for_keepers(tmp_path: Path) -> None:
    shed = await nights(tmp_path)
    async with client(shed) as keeper, client(shed, Role.LOOK) as looker:
        for path in ("/journal", "/journal.csv", "/journal/incident/12"):
            kept, looked = (await keeper.get(path)).text, (await looker.get(path)).text
            number = STRANGER if path.endswith("12") else "+447700900155"
            assert number in kept, path
            assert "4477009001" not in looked, path
            assert f"…{number[-2:]}" in looked
            assert "192.168.1.20" not in looked


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("from +447700900199, who", "from …99, who"), ("07700 900155 or 07700900155", "07700 900155 or …55"),
        ("2026-11-25 02:13:50, record tank.oxygen@1795572830, 0.123456789", None), ("00447700900123", "…23"),
    ],
)  # fmt: skip
def test_numbers_of_phones_are_hidden_and_no_others(text: str, shown: str | None) -> None:
    assert masked(text) == (text if shown is None else shown)


ASKED = [
    ({"kind": "calls"}, ["Called as number 12"]),
    ({"kind": "orders"}, ["Teal: Oxygen low (Tank) shelved", "Wren took number 12"]),
    ({"kind": "entered", "person": "teal"}, ["Teal entered"]),
    ({"kind": "calibrations"}, ["Calibration of"]),
    ({"stage": "tank", "kind": "alarms"}, ["shelved", "no longer held back", "Then followed Oxygen low"]),
    ({"alarm": "12", "kind": "orders"}, ["Wren took number 12"]),
    ({"alarm": AIR, "text": "IS OVER"}, ["is over"]),
    ({"since": "2026-11-25T03:00", "until": "2026-11-25T03:06", "kind": ""}, ["Teal entered", "shelved"]),
    ({"text": "no such words"}, []),
]


@pytest.mark.parametrize(("asked", "found"), ASKED)
async def test_what_is_asked_for_is_what_is_found(tmp_path: Path, asked: dict[str, str], found: list[str]) -> None:
    async with client(await nights(tmp_path)) as web:
        rows = said((await web.get("/journal", params=asked)).text)
    assert len(rows) == len(found)
    for row, words in zip(rows, found, strict=True):
        assert words in row


async def test_page_after_page_gives_every_row_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    shed = await nights(tmp_path)
    async with client(shed) as web:
        whole = said((await web.get("/journal")).text)
        monkeypatch.setattr(inquiry, "_ROWS", 3)
        rows, path = [], "/journal"
        while path:
            text = (await web.get(path)).text
            rows += said(text)
            older = re.search(r'href="(/journal\?[^"]*before=\d+)"', text)
            path = html.unescape(older[1]) if older else ""
    plain = [row.removesuffix("Incident 12").strip() for row in whole]
    assert [row.removesuffix("Incident 12").strip() for row in rows] == plain


async def test_a_search_that_finds_nothing_near_says_how_far_it_looked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("brinewatch.store.reader._PIECE", 4)
    monkeypatch.setattr(inquiry, "_SEARCHED", 4)
    async with client(await nights(tmp_path)) as web:
        text = (await web.get("/journal", params={"text": "the journal begins"})).text
        assert "Looked through 4 records" in text
        pages = 1
        while "The chain begins" not in text:
            older = re.search(r'href="(/journal\?[^"]*before=\d+)"', text)
            assert older is not None
            text = (await web.get(html.unescape(older[1]))).text
            pages += 1
    assert pages > 2


async def test_the_same_rows_for_a_spreadsheet_which_works_nothing_out(tmp_path: Path) -> None:
    async with client(await nights(tmp_path)) as web:
        answer = await web.get("/journal.csv", params={"text": "entered"})
    rows = list(csv.DictReader(io.StringIO(answer.text)))
    assert [row["by"] for row in rows] == ["'=HYPERLINK(1)", "Teal"]
    assert rows[1]["sentence"] == "Teal entered total ammonia as N 0.25 mg/L N (Tank)."
    assert answer.headers["content-type"].startswith("text/csv")


async def test_an_incident_from_its_first_sign_to_its_end(tmp_path: Path) -> None:
    async with client(await nights(tmp_path)) as web:
        answer = await web.get("/journal/incident/12")
        none = await web.get("/journal/incident/13")
        nonsense = await web.get("/journal/incident/<b>")
    text = html.unescape(re.sub(r"<[^>]+>", " ", answer.text))
    rows = said(answer.text)
    assert "It goes on" not in text
    assert "was over 02:41:10, and lasted 27 min" in text
    assert rows[0] == "02:13:50 First sign: Air supply stopped (Manifold)."
    assert "To Wren by SMS: sent 02:14:09, arrived 02:14:12." in rows[1]
    assert f"To {STRANGER} by SMS: did not go out (number not obtainable)." in rows[1]
    assert "02:16:00 Text in: Wren wrote 'OK 12'" in rows
    assert any("Wren took number 12, 2 min after the first call" in row for row in rows)
    assert "What followed: Oxygen low (Tank)." in text
    assert "Air supply stopped (Manifold): held for 27 min." in text
    # the rule it was made by is none the journal keeps
    assert "Version abc of air-stopped@manifold.air_pressure, whose words the journal does not hold." in text
    assert none.status_code == 404
    assert "There is no incident 13." in none.text
    assert nonsense.status_code == 404
    assert "There is no incident &lt;b&gt;." in nonsense.text


async def test_one_that_goes_on_says_so(tmp_path: Path) -> None:
    async with client(await a_night(tmp_path, over=False)) as web:
        text = (await web.get("/journal/incident/12")).text
    assert "It goes on" in text
    assert "Nobody has taken it yet." in text
    assert "held for 67 min, and still does" in text


async def test_a_record_that_was_tampered_with_is_told_as_far_as_it_can_be(tmp_path: Path) -> None:
    shed = await nights(tmp_path)
    with closing(sqlite3.connect(tmp_path / "data" / "journal.sqlite")) as db:
        for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            db.execute(f"DROP TRIGGER {name}")
        db.execute("UPDATE event SET state = 'swimming' WHERE happening = 'raised'")
        db.execute("UPDATE calibration SET body = '[]'")
        db.execute("UPDATE remark SET at_utc = 1e300 WHERE kind = '=cmd'")
        db.commit()
    async with client(shed) as web:
        rows = said((await web.get("/journal")).text)
        answer = await web.get("/journal/incident/12")
    assert sum("Cannot be read as it should be" in row for row in rows) == 2
    assert answer.status_code == 409
    assert "brinewatch journal --verify" in answer.text


async def test_a_shed_without_a_journal_is_one_sentence(tmp_path: Path) -> None:
    shed = await a_night(tmp_path)
    (tmp_path / "data" / "journal.sqlite").unlink()
    async with client(shed) as web:
        for path in ("/journal", "/journal/incident/1", "/journal?since=x"):
            answer = await web.get(path)
            assert answer.status_code == 503, path
            assert "There is no" in answer.text
