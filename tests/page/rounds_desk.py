"""A round kept on real files, and its pages, without the wires of a shed."""

from __future__ import annotations

import re
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass
from functools import partial
from html import unescape
from pathlib import Path
from typing import Any

import httpx
from fastapi import FastAPI, Request

from brinewatch.clock import SteppingClock
from brinewatch.config import read_shed
from brinewatch.config.plans import channels_of, stages_of
from brinewatch.page.access import Role, Visitor
from brinewatch.page.app import create_app
from brinewatch.probes.manual import ManualBus, ManualSettings
from brinewatch.readings import Sample
from brinewatch.rounds.keeping import Rounds
from brinewatch.rounds.showing import on_page
from brinewatch.store.history import History
from brinewatch.store.journal import Journal
from brinewatch.watchkeeper import Watchkeeper
from config.sheds import SMALL, write
from page.sheds import ALL_WELL

NOON = 1_790_251_200.0  # 2026-09-24 12:00 UTC
ROUND = """
[[round]]
stage = "tank"
ask = ["tan", "deaths", "cleaning", "inspection"]

[[round]]
stage = "tank"
ask = ["mean_weight"]
every_days = 14

[[batch]]
key = "spring"
name = "Spring animals"
species = "Apostichopus japonicus"
stage = "tank"
started = 2026-08-01
animals_in = 2000
mean_weight_g = 2.0
market_weight_g = 40
"""


@dataclass
class Kept:
    """rounds, and the pages that ask of them; role: what the visitor may."""

    rounds: Rounds
    keeper: Watchkeeper
    journal: Journal
    history: History
    clock: SteppingClock
    app: FastAPI
    role: Role = Role.ACKNOWLEDGE


@asynccontextmanager
async def kept(folder: Path, deadline_s: float = 2.0, text: str = ROUND) -> AsyncIterator[Kept]:
    shed = read_shed(write(folder, SMALL + text))
    clock = SteppingClock(NOON, mono=1000.0, trusted=True)
    journal = Journal(shed.data / "journal.sqlite", clock, deadline_s)
    history = History(shed.data / "history.sqlite", clock)
    resumed = await journal.open()
    await history.open()
    keeper = Watchkeeper(
        shed.shed.name,
        stages_of(shed),
        channels_of(shed),
        shed.derivations,
        shed.alarms,
        shed.shed.display,
        clock.now(),
    )
    buses = {
        name: ManualBus(name, settings, clock)
        for name, settings in shed.buses.items()
        if isinstance(settings, ManualSettings)
    }

    def look(samples: Sequence[Sample] = (), commands: object = ()) -> None:
        history.add(keeper.take(samples, clock.now()).readings)

    rounds = Rounds(shed, keeper, journal, history, buses, clock, look)
    rounds.restore(resumed.entries)
    made: Kept

    async def guard(request: Request) -> Visitor:
        return Visitor("Wren", made.role, "the-proof-of-wren")

    app = create_app(lambda: ALL_WELL, [partial(on_page, rounds)], guard)
    made = Kept(rounds, keeper, journal, history, clock, app)
    try:
        yield made
    finally:
        await history.close()
        await journal.close()


class Phone:
    """A browser without a window and without scripts: it fills in the forms it was sent."""

    def __init__(self, client: httpx.AsyncClient) -> None:
        self._client = client
        self.page = ""
        self.status = 0

    async def get(self, path: str) -> str:
        return self._seen(await self._client.get(path, headers={"accept": "text/html"}))

    async def post(
        self, path: str, files: dict[str, Any] | None = None, more: dict[str, str] | None = None, **fields: str
    ) -> str:
        """Send the form of the page, with what was typed into it; fields are named with _ for a dot."""
        data = {**self.fields(), **{key.replace("__", "."): text for key, text in fields.items()}}
        data = {key: text for key, text in data.items() if text is not None}
        if files is None:
            files = {"photo": ("", b"", "application/octet-stream")}
        headers = {"accept": "text/html", "origin": "http://shed", **(more or {})}
        answer = await self._client.post(path, data=data, files=files, headers=headers)
        if answer.status_code == 303:
            return await self.get(answer.headers["location"])
        return self._seen(answer)

    def fields(self) -> dict[str, str]:
        """What stands in the fields of the page."""
        found: dict[str, str] = {}
        for tag in re.findall(r"<input [^>]*>", self.page):
            name, value = re.search(r'name="([^"]*)"', tag), re.search(r'value="([^"]*)"', tag)
            if name and ("checkbox" not in tag or " checked" in tag) and 'type="file"' not in tag:
                found[unescape(name[1])] = unescape(value[1]) if value else ""
        for name, text in re.findall(r'<textarea [^>]*name="([^"]*)"[^>]*>([^<]*)</textarea>', self.page):
            found[name] = unescape(text)
        if '<select id="about"' in self.page:
            chosen = re.search(r'<option value="([^"]*)" selected', self.page)
            found["about"] = chosen[1] if chosen else re.findall(r'<option value="([^"]*)"', self.page)[0]
        return found

    @property
    def text(self) -> str:
        """The page as it is read."""
        return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", self.page))).strip()

    def _seen(self, answer: httpx.Response) -> str:
        self.page, self.status = answer.text, answer.status_code
        return self.text


@asynccontextmanager
async def phone_on(it: Kept) -> AsyncIterator[Phone]:
    async with httpx.AsyncClient(transport=httpx.ASGITransport(app=it.app), base_url="http://shed") as client:
        yield Phone(client)
