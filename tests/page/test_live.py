"""The stream of a page: only what changes, each visitor's own, bounded, and over when it has to be."""

from __future__ import annotations

import asyncio
import contextlib
import json
import random
import re
import time
from collections.abc import AsyncIterator, Callable
from dataclasses import replace
from typing import Any

import pytest
from fastapi import HTTPException, Request

from brinewatch.clock import SteppingClock
from brinewatch.overview import Overview
from brinewatch.page import live
from brinewatch.page.access import Guard, Role, Visitor
from brinewatch.page.app import create_app
from brinewatch.page.live import change
from brinewatch.page.server import SERVING, Serving
from page.sheds import ALL_WELL, BLIND, STOPPED
from page.test_app import get
from page.test_server import serving

NASTY = "</p>\r\n\ndata: x\u2028<script>"


def applied(old: list[str], put: Any) -> list[str]:
    """As the script of the page does it."""
    lines = list(old)
    for at, length, new in put:
        lines[at : at + length] = new
    return lines


class Listener:
    """One open stream, without a network: what an ASGI server would send (ASGI 3.0, HTTP)."""

    def __init__(self, app: Any, server: Serving, path: str = "/live", takes: bool = True) -> None:
        self.start: dict[str, Any] = {}
        self.events: list[Any] = []
        self.bytes = 0
        self.over = False
        self._takes = takes
        self._leaves = asyncio.Event()
        scope = {
            "type": "http", "method": "GET", "path": path, "raw_path": path.encode(), "query_string": b"",
            "headers": [(b"host", b"shed"), (b"accept", b"text/event-stream")], "http_version": "1.1",
            "scheme": "http", "server": ("shed", 80), "client": ("127.0.0.1", 1), "root_path": "", SERVING: server,
        }  # fmt: skip
        self.task = asyncio.create_task(app(scope, self._receive, self._send))

    async def _receive(self) -> dict[str, Any]:
        await self._leaves.wait()
        return {"type": "http.disconnect"}

    async def _send(self, message: Any) -> None:
        if message["type"] == "http.response.start":
            self.start = message
            return
        if not self._takes:
            await asyncio.Event().wait()
        self.bytes += len(message["body"])
        # an event ends with an empty line, its data are what follows "data: " (HTML, 9.2.6)
        for event in message["body"].decode().split("\n\n")[:-1]:
            assert event.startswith("data: ")
            assert "\n" not in event
            self.events.append(json.loads(event[6:]))
        self.over = not message.get("more_body", False)

    def leave(self) -> None:
        self._leaves.set()

    @property
    def lines(self) -> list[str]:
        lines: list[str] = []
        for event in self.events:
            lines = applied(lines, event)
        return lines


class Shed:
    """A view that goes with the clock, and counts how often it is asked."""

    def __init__(self) -> None:
        self.clock = SteppingClock(ALL_WELL.at.utc, ALL_WELL.at.zone, mono=ALL_WELL.at.mono)
        self.now = ALL_WELL
        self.asked = 0
        self.server = Serving(self.clock)

    def view(self) -> Overview:
        self.asked += 1
        return replace(self.now, at=self.clock.now())

    async def pass_(self, seconds: float) -> None:
        await self.clock.drive(self.clock.now().mono + seconds)


@contextlib.asynccontextmanager
async def listening(shed: Shed, app: Any, count: int = 1, **more: Any) -> AsyncIterator[list[Listener]]:
    listeners = [Listener(app, shed.server, **more) for _ in range(count)]
    await shed.pass_(0)
    try:
        yield listeners
    finally:
        for one in listeners:
            one.leave()
        await shed.pass_(0)
        await asyncio.gather(*(one.task for one in listeners), return_exceptions=True)
        assert app.state.live.open == 0
        assert not shed.server.ends


def as_(visitor: Callable[[], Visitor]) -> Guard:
    async def guard(request: Request) -> Visitor:
        return visitor()

    return guard


def test_a_change_makes_the_new_out_of_the_old() -> None:
    chance = random.Random(7)
    for _ in range(300):
        old = [chance.choice("abc") for _ in range(chance.randrange(9))]
        new = list(old)
        for _ in range(chance.randrange(4)):
            at = chance.randrange(len(new) + 1)
            new[at : at + chance.randrange(3)] = [chance.choice("abcd") for _ in range(chance.randrange(3))]
        assert applied(old, change(old, new)) == new
    assert change(["a", "b"], ["a", "b"]) == []


async def test_the_whole_first_and_then_what_differs() -> None:
    shed = Shed()
    app = create_app(shed.view)
    async with listening(shed, app) as [one]:
        assert dict(one.start["headers"])[b"content-type"].startswith(b"text/event-stream")
        assert "\n".join(one.lines) == (await get("/now")).text
        whole = one.bytes
        await shed.pass_(20)
        assert len(one.events) == 11
        # looks in which nothing but the clock went on
        assert one.bytes - whole < 10 * 300
        shed.now = STOPPED
        await shed.pass_(2)
        assert "\n".join(one.lines) == (await get("/now", shed.view())).text


async def test_it_is_made_once_for_all_who_look() -> None:
    shed = Shed()
    app = create_app(shed.view)
    async with listening(shed, app, count=8) as all_of_them:
        first = shed.asked
        await shed.pass_(10)
        assert shed.asked - first == 5
        assert len({tuple(one.lines) for one in all_of_them}) == 1


async def test_a_stream_carries_the_visitors_own_proof_and_nobody_elses() -> None:
    shed = Shed()
    shed.now = STOPPED
    visitors = iter([Visitor("Wren", Role.KEEP, "proof-of-wren"), Visitor("Ada", Role.ACKNOWLEDGE, "proof-of-ada"),
                     Visitor("Kit", Role.LOOK, "proof-of-kit")])  # fmt: skip
    app = create_app(shed.view, guard=as_(lambda: next(visitors)), ask=lambda request: asyncio.sleep(0, {}))
    async with listening(shed, app, count=3) as all_of_them:
        await shed.pass_(4)
        texts = ["\n".join(one.lines) for one in all_of_them]
        for text, own in zip(texts, ("wren", "ada", ""), strict=True):
            assert not own or f'name="proof" value="proof-of-{own}"' in text
            assert set(re.findall(r"proof-of-(\w+)", text)) == ({own} if own else set())
        assert "<form" not in texts[2]


@pytest.mark.parametrize("less", [None, Visitor("Wren", Role.LOOK, "proof-of-wren")])
async def test_it_ends_with_the_login_and_with_the_role(less: Visitor | None) -> None:
    shed = Shed()
    shed.now = STOPPED
    now: list[Visitor | None] = [Visitor("Wren", Role.KEEP, "proof-of-wren")]

    def visitor() -> Visitor:
        if now[0] is None:
            raise HTTPException(401)
        return now[0]

    app = create_app(shed.view, guard=as_(visitor), ask=lambda request: asyncio.sleep(0, {}))
    async with listening(shed, app) as [one]:
        await shed.pass_(20)
        assert not one.over
        now[0] = less
        await shed.pass_(8)
        assert one.over
        assert one.task.done()


async def test_a_reader_that_takes_nothing_is_let_go_and_holds_nobody(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(live, "_SEND_S", 0.05)
    shed = Shed()
    app = create_app(shed.view)
    stuck = Listener(app, shed.server, takes=False)
    async with listening(shed, app) as [one]:
        await asyncio.wait_for(stuck.task, 5)
        await shed.pass_(4)
        assert len(one.events) == 3
        assert app.state.live.open == 1


async def test_there_are_not_more_than_so_many(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(live, "_MOST", 2)
    shed = Shed()
    app = create_app(shed.view)
    async with listening(shed, app, count=2):
        late = Listener(app, shed.server)
        await late.task
        assert late.start["status"] == 503


async def test_what_is_behind_catches_up() -> None:
    shed = Shed()
    app = create_app(shed.view)
    look = app.state.live.look
    views = [ALL_WELL, STOPPED, BLIND, STOPPED, ALL_WELL, BLIND, STOPPED]
    looks = []
    for second, view in enumerate(views):
        shed.now = view
        text = (await get("/now", shed.view())).text
        looks.append(look("/", lambda proof, text=text: text, float(second), False))
    for before in (None, *looks[:-1]):
        put = json.loads(looks[-1].since(before)[6:])
        assert applied([] if before is None else list(before.lines), put) == list(looks[-1].lines)


async def test_no_text_can_end_an_event() -> None:
    shed = Shed()
    shed.now = replace(ALL_WELL, shed=NASTY, notes=(NASTY,))
    async with listening(shed, create_app(shed.view)) as [one]:
        assert "<script>" not in "".join(one.lines)
        assert "\n".join(one.lines) == (await get("/now", shed.now)).text


async def test_a_server_that_stops_waits_for_no_stream() -> None:
    async with serving() as server:
        reader, writer = await asyncio.open_connection("127.0.0.1", int(server.url.rsplit(":", 1)[1].strip("/")))
        writer.write(b"GET /live HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
        await reader.readuntil(b"\n\n")
        began = time.monotonic()
        await server.stop()
        assert time.monotonic() - began < 1
        assert b"data" not in await reader.read()
        writer.close()
        await writer.wait_closed()
