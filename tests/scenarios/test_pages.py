"""The keeper's pages on the whole daemon: journal, incident, who is called, how the watch is. One night for all."""

from __future__ import annotations

import csv
import html
import io
import os
import re
from pathlib import Path

import httpx
import pytest

from brinewatch.accounts import Role
from brinewatch.page.access import Visitor
from brinewatch.paging import shed_page
from scenarios.night import TEAL, WREN, Night, night, shed_text

STRANGER = "+447700900199"


def client(it: Night, role: Role) -> httpx.AsyncClient:
    async def guard(request: object) -> Visitor:
        return Visitor("Rhona", role, "proof")

    app = shed_page(it.daemon.overview, it.daemon._beside.pages, [], guard)
    return httpx.AsyncClient(transport=httpx.ASGITransport(app), base_url="http://shed",
                             headers={"accept": "text/html"})  # fmt: skip


def words(answer: httpx.Response) -> str:
    """What is read on a page, on one line."""
    assert answer.status_code == 200, answer.text
    # the only scripts are files of the page's own
    assert "<script" not in re.sub(r'<script src="/static/\w+\.js\?\w+" defer></script>', "", answer.text)
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", answer.text)).split())


async def test_a_night_and_its_day_after_on_the_pages(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    text = shed_text().replace("[store]\n", '[store]\nbackup_to = "disk"\n')
    copy = tmp_path / "disk" / "brinewatch-20260922T042000Z"
    copy.mkdir(parents=True)
    async with night(tmp_path, text) as it:
        await it.passes(90)
        await it.daemon._desk.answer({"do": "drill begin", "by": "Teal <b>&</b>"})
        await it.until(lambda: it.texts("DRILL", to=WREN), 60)
        async with client(it, Role.KEEP) as web:
            during = words(await web.get("/people"))
        it.modem.receive(WREN, "OK 999")
        await it.until(lambda: it.texts("over", to=WREN), 30)

        await it.shed.faults.on("blower-stop")
        await it.until(lambda: it.standing(), 60)
        it.modem.receive(STRANGER, "<script>alert(1)</script>")
        await it.passes(45)
        async with client(it, Role.LOOK) as web:
            going_on = words(await web.get("/journal/incident/1"))
        it.modem.receive(WREN, "OK 1")
        await it.until(lambda: it.texts("taken 1", to=WREN))
        await it.shed.faults.off("blower-stop")
        await it.until(lambda: it.texts("ALL CLEAR"), 600)
        await it.shed.faults.on("probe-unplugged", "ph")
        await it.passes(70)
        assert await it.daemon.history.flush()
        await it.daemon._recorder.commit()

        async with client(it, Role.KEEP) as keeper, client(it, Role.LOOK) as looker:
            menu = (await looker.get("/")).text
            journal, looked = words(await keeper.get("/journal")), words(await looker.get("/journal"))
            calls = words(await looker.get("/journal?kind=calls"))
            incident = await looker.get("/journal/incident/1")
            people, unseen = words(await keeper.get("/people")), words(await looker.get("/people"))
            health = await looker.get("/health")
            rows = list(csv.DictReader(io.StringIO((await looker.get("/journal.csv")).text)))
            history = re.search(r'href="(/history\?[^"]*)"', incident.text)
            assert history is not None
            # a disk that does not answer keeps nobody from the rest
            os.mkfifo(copy / "backup.json")
            monkeypatch.setattr("brinewatch.condition.showing._LOOK_S", 0.2)
            hanging, again = words(await looker.get("/health")), words(await looker.get("/health"))
            os.close(os.open(copy / "backup.json", os.O_WRONLY | os.O_NONBLOCK))
            strips = words(await looker.get(html.unescape(history[1])))

    for address in ("/journal", "/people", "/health"):
        assert f'href="{address}"' in menu
    # the journal: orders, texts, drills and alarms as sentences
    assert "Drill by Teal <b>&</b>, Air supply stopped. Called: Wren. Wren answered after" in journal
    assert "Wren took number 1: motor current" in journal
    assert STRANGER in journal
    assert "4477009001" not in looked
    assert "…99" in looked
    assert "Blower motor draws no current (Blower): motor current" in calls
    assert "Wren took" not in calls
    assert {row["what"] for row in rows} >= {"raised", "acknowledged", "cleared", "text in", "settings"}

    # the incident, while it goes on and after
    assert "It goes on" in going_on
    assert "Nobody has taken it yet." in going_on
    told = words(incident)
    assert "It goes on" not in told
    assert "and still does" not in told
    for said in (
        "First sign: Blower motor draws no current (Blower).",
        "Called as number 1, critical.",
        "To Wren by SMS: sent",
        ", arrived 22:",
        "Wren took number 1, ",
        "What followed: Air supply stopped (Air manifold)",
        "Air supply pressure was below 8.0 kPa for",
        "Motor current: below 0.10 A for 60 s, over when it is not for",
        "Priority critical.",
        "of motor-current-low@blower.motor_current, in force still.",
        "(Blower) is over: motor current",
    ):
        assert said in told, said
    # the strips show what spoke, over that time
    assert "Blower, motor current" in strips
    assert "Air manifold, air supply pressure" in strips

    # who is called
    assert "A drill by Teal <b>&</b> is under way." in during
    assert "A critical alarm now calls Wren at once; without an answer Teal after 5 min" in people
    assert f"Wren {WREN}" in people
    assert f"Teal {TEAL}" in people
    assert "Wren …01" in unseen
    assert "4477009001" not in unseen
    assert "Called for high alarms and more urgent ones. SMS arrived 22:" in people
    assert "Nights from Wed 23 Sep to" in people
    assert "of the last 24 hours" in people
    assert "Wren answered after" in people
    assert "The next is due by 2026-10-23" in people

    # the watch itself: what is wrong stands first
    assert "Copies of the store : " in words(health)
    for said in (hanging, again):
        assert "disk did not answer within 0.2 s" in said
        assert "Modem : well" in said
    text = words(health)
    assert "Failure ph" in text
    assert text.index("Failure ph") < text.index("Parts and ways")
    assert re.search(r"Failure ph Nursery raceway, pH: failure\. .{10,200} Last usable answer \d+ s ago\.", text)
    for said in (
        "Modem : well Registered home, signal -71 dBm. Last sent 22:", "oxygen : good", "free of",
        "Bus rs485", "Messages : none waits to go out", "Not set up here", "brinewatch 0.",
    ):  # fmt: skip
        assert said in text, said
