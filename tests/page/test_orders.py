"""Taking an alarm over with the button of the page."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

import httpx
import pytest

from brinewatch.errors import BrinewatchError
from brinewatch.overview import Overview
from brinewatch.page.access import Role, Visitor
from brinewatch.page.app import create_app
from page.browser import phone
from page.sheds import ALL_WELL, STOPPED
from page.test_browser import served_app


def as_(role: Role) -> Any:
    async def guard(request: object) -> Visitor:
        return Visitor("Wren", role, "proof-of-wren")

    return guard


class Desk:
    def __init__(self, refuses: str = "") -> None:
        self.asked: list[Mapping[str, Any]] = []
        self.refuses = refuses

    async def ask(self, request: Mapping[str, Any]) -> Mapping[str, Any]:
        self.asked.append(request)
        if self.refuses:
            raise BrinewatchError(self.refuses)
        return {"lines": []}


def client(desk: Desk, view: Overview = STOPPED, role: Role = Role.ACKNOWLEDGE) -> httpx.AsyncClient:
    app = create_app(lambda: view, guard=as_(role), ask=desk.ask)
    return httpx.AsyncClient(transport=httpx.ASGITransport(app), base_url="http://shed")


NUMBER = STOPPED.alarms[0].number
FORM = {"do": "acknowledge", "what": str(NUMBER), "proof": "proof-of-wren"}


async def test_the_button_gives_the_order_in_the_visitors_name() -> None:
    desk = Desk()
    async with client(desk) as web:
        text = (await web.get("/")).text
        assert re.search(r'<form class="act" method="post" action="/order">', text)
        assert 'value="proof-of-wren"' in text
        assert 'value="proof-of-wren"' in (await web.get("/now")).text
        answer = await web.post("/order", data=FORM)
    assert (answer.status_code, answer.headers["location"]) == (303, "/")
    assert desk.asked == [{"do": "acknowledge", "what": NUMBER, "by": "Wren", "why": ""}]


async def test_who_may_only_look_has_no_button_and_is_refused() -> None:
    desk = Desk()
    async with client(desk, role=Role.LOOK) as web:
        text = (await web.get("/")).text
        assert "<form" not in text
        assert "proof" not in text
        assert (await web.post("/order", data=FORM)).status_code == 403
    assert desk.asked == []


@pytest.mark.parametrize(
    ("change", "status"),
    [
        ({"proof": "of-another"}, 403), ({"proof": ""}, 403), ({"do": "shelve"}, 400), ({"do": "attend"}, 400),
        ({"do": "sing"}, 400), ({"what": "all"}, 400), ({"what": ""}, 400), ({"what": "9" * 30000}, 413),
        ({"do": "shelve", "minutes": "soon"}, 400), ({"do": "attend", "minutes": "0"}, 400),
        ({"do": "take out of service", "minutes": "60", "why": "wiring"}, 403),
    ],
)  # fmt: skip
async def test_what_is_no_order_changes_nothing(change: Mapping[str, str], status: int) -> None:
    desk = Desk()
    async with client(desk) as web:
        assert (await web.post("/order", data={**FORM, **change})).status_code == status
    assert desk.asked == []


async def test_a_form_of_a_thousand_fields_is_none_of_ours() -> None:
    desk = Desk()
    async with client(desk) as web:
        answer = await web.post("/order", data={**FORM, **{f"f{n}": "" for n in range(1000)}})
    assert answer.status_code == 400
    assert desk.asked == []


async def test_another_site_cannot_order() -> None:
    desk = Desk()
    async with client(desk) as web:
        answer = await web.post("/order", data=FORM, headers={"Origin": "http://elsewhere"})
    assert answer.status_code == 403
    assert desk.asked == []


async def test_pressed_twice_is_no_fault_but_a_refusal_is_told() -> None:
    desk = Desk("Not done: it is acknowledged already.")
    async with client(desk, view=ALL_WELL) as web:
        assert (await web.post("/order", data=FORM)).status_code == 303
    async with client(desk) as web:
        answer = await web.post("/order", data=FORM, headers={"Accept": "text/html"})
    assert answer.status_code == 409
    assert "Not done: it is acknowledged already." in answer.text


async def test_alarms_are_shelved_taken_out_and_the_shed_attended() -> None:
    desk = Desk()
    proof = {"proof": "proof-of-wren", "back": "/alarms"}
    async with client(desk, role=Role.KEEP) as web:
        text = (await web.get("/alarms")).text
        assert STOPPED.alarms[0].title in text
        for form in (
            {"do": "shelve", "what": str(NUMBER), "minutes": "30"},
            {"do": "take out of service", "what": "air-low@a.b", "minutes": "1440", "why": "<b>wiring</b>"},
            {"do": "put back into service", "what": "air-low@a.b"},
            {"do": "attend", "minutes": "60"},
            {"do": "leave"},
        ):
            answer = await web.post("/order", data={**form, **proof})
            assert (answer.status_code, answer.headers["location"]) == (303, "/alarms")
        assert (await web.post("/order", data={**FORM, "back": "//elsewhere"})).headers["location"] == "/"
    assert [(one["do"], one.get("what"), one.get("for_s")) for one in desk.asked[:-1]] == [
        ("shelve", NUMBER, 1800.0), ("take out of service", "air-low@a.b", 86400.0),
        ("put back into service", "air-low@a.b", None), ("attend", None, 3600.0), ("leave", None, None),
    ]  # fmt: skip
    assert desk.asked[1]["why"] == "<b>wiring</b>"


async def test_a_refused_order_says_why_and_what_may_not_be_done_is_not_offered() -> None:
    desk = Desk("Not done: shelved 8 h at most.")
    form = {"do": "shelve", "what": str(NUMBER), "minutes": "9999", "proof": "proof-of-wren"}
    async with client(desk) as web:
        answer = await web.post("/order", data=form, headers={"Accept": "text/html"})
        offered = (await web.get("/alarms")).text
    assert answer.status_code == 409
    assert "shelved 8 h at most" in answer.text
    assert "Take out of service" not in offered
    assert "Shelve" in offered


@pytest.mark.browser
async def test_a_thumb_takes_the_alarm_over() -> None:
    """Pressed on a phone after the script has exchanged the page; the order arrives, and the first page is back."""
    desk = Desk()
    async with phone() as tab, served_app(create_app(lambda: STOPPED, ask=desk.ask)) as server:
        await tab.go(server.url)
        assert await tab.value("document.querySelector('.act button').getBoundingClientRect().height") >= 48
        assert await tab.value("document.documentElement.scrollWidth") == 360
        await tab.value("window.before = true")
        await tab.press(".act button")
        await tab.until("!window.before && document.readyState === 'complete' && location.pathname === '/'")
        assert [(one["do"], one["what"]) for one in desk.asked] == [("acknowledge", NUMBER)]
