"""The JSON interface on the whole daemon: what its description says is what it does, whatever it is sent."""

from __future__ import annotations

import asyncio
import contextlib
from collections import Counter
from collections.abc import AsyncIterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
import jsonschema
import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from schemathesis import GenerationMode

from brinewatch.accounts import Role
from brinewatch.asked import order_of
from brinewatch.clock import SystemClock
from brinewatch.errors import BrinewatchError
from brinewatch.overview import Overview
from brinewatch.page.api_models import model_of
from brinewatch.page.server import PageServer, PageSettings
from brinewatch.published import schema_of
from page.people import Browser, page, put, token
from scenarios.night import Night, night


@dataclass
class Served:
    it: Night
    url: str
    app: Any
    look: str
    keep: str
    acknowledge: str

    def client(self, token: str = "") -> httpx.AsyncClient:
        headers = {"authorization": f"Bearer {token}"} if token else {}
        return httpx.AsyncClient(base_url=f"{self.url}api/1", headers=headers)


@contextlib.asynccontextmanager
async def served(folder: Path) -> AsyncIterator[Served]:
    accounts = folder / "accounts"
    put(accounts)
    named = {Role.LOOK: "the looker", Role.ACKNOWLEDGE: "the acknowledger", Role.KEEP: "the keeper"}
    tokens = {role.word: token(accounts, name, role) for role, name in named.items()}
    async with night(folder) as it, page(accounts, ask=it.daemon._desk.answer) as app:
        server = PageServer(app, PageSettings(port=0), SystemClock())
        server.bind()
        task = asyncio.create_task(server.run())
        try:
            yield Served(it, server.url, app, tokens["look"], tokens["keep"], tokens["acknowledge"])
        finally:
            await server.stop()
            await task


def fuzz(url: str, token: str) -> Counter[tuple[str, int]]:
    """Every operation, with what its description allows and with what it does not. Returns what was answered."""
    headers = {"Authorization": f"Bearer {token}"}
    schema = schemathesis.openapi.from_url(f"{url}api/1/openapi.json", headers=headers)
    answered: Counter[tuple[str, int]] = Counter()

    def try_out(operation: Any, mode: GenerationMode) -> None:
        @settings(
            max_examples=50 if operation.method == "post" else 4, deadline=None, database=None, derandomize=True,
            phases=[Phase.generate], suppress_health_check=list(HealthCheck),
        )  # fmt: skip
        @given(case=operation.as_strategy(generation_mode=mode))
        def holds(case: schemathesis.Case) -> None:
            response = case.call(base_url=f"{url}api/1", headers=headers)
            answered[operation.label, response.status_code] += 1
            case.validate_response(response)

        holds()

    for result in schema.get_all_operations():
        for mode in GenerationMode:
            try_out(result.ok(), mode)
    return answered


async def test_its_description_holds_whatever_it_is_sent(tmp_path: Path) -> None:
    async with served(tmp_path) as at:
        answered = await asyncio.to_thread(fuzz, at.url, at.keep)
        # none of it went wrong inside, and every kind of refusal was met
        assert max(status for _, status in answered) < 500
        for status in (200, 401, 404, 409, 422):
            assert any(one == status for _, one in answered), status
        assert len({label for label, _ in answered}) == 12
        # and the watch is none the worse for it
        await at.it.passes(5)
        async with at.client(at.look) as program:
            assert (await program.get("/state")).json()["sentence"]


async def test_what_is_given_is_what_is_published(tmp_path: Path) -> None:
    """The same value as over MQTT, held to that schema by a validator that is not ours (JSON Schema 2020-12)."""
    async with served(tmp_path) as at, at.client(at.look) as program:
        state = (await program.get("/state")).json()
        jsonschema.validate(state, schema_of(Overview))
        points = (await program.get("/points")).json()
        assert [one["point"] for one in points] == [p["point"] for s in state["stages"] for p in s["points"]]
        one = (await program.get("/points/raceway.oxygen_saturation")).json()
        assert one["quantity"] == "oxygen_saturation"
        probes = (await program.get("/probes")).json()
        assert {one["bus"] for one in probes} >= {"rs485", "line"}
        assert (await program.get("/alarms")).json() == {"standing": [], "aside": []}


async def test_an_alarm_is_taken_over_by_a_program_that_may(tmp_path: Path) -> None:
    async with served(tmp_path) as at, at.client(at.acknowledge) as program:
        await at.it.shed.faults.on("blower-stop")
        await at.it.until(lambda: at.it.standing(), 60)
        standing = (await program.get("/alarms")).json()["standing"]
        number = standing[0]["number"]
        answer = await program.post("/orders", json={"order": "acknowledge", "alarm": number})
        assert answer.status_code == 200
        assert "acknowledged" in answer.json()["lines"][0]
        again = (await program.get("/alarms")).json()["standing"][0]
        assert (again["state"], again["acknowledged_by"]) == ("acknowledged", "the acknowledger")
        await at.it.passes(2)
        events = (await program.get("/events")).json()
        assert {"raised", "acknowledged"} <= {one["happening"] for one in events}
        assert events[-1]["occurred"].endswith("Z")
        messages = (await program.get("/messages")).json()
        assert any(one["number"] == number and one["way"] == "sms" for one in messages)
        # once more is refused by the alarm, in its own words
        twice = await program.post("/orders", json={"order": "acknowledge", "alarm": number})
        assert twice.status_code == 409
        assert twice.json()["error"] == "Not done: it is acknowledged already."


async def test_each_may_what_their_role_says_and_no_more(tmp_path: Path) -> None:
    acknowledge = {"order": "acknowledge", "alarm": "all"}
    out = {"order": "take out of service", "alarm": 1, "for_s": 60, "why": "mended"}
    entry = {"point": "raceway.tan", "value": 0.2}
    async with served(tmp_path) as at:
        for token, body, path, status in (
            (at.look, acknowledge, "/orders", 403), (at.look, entry, "/entries", 403),
            (at.acknowledge, out, "/orders", 403), (at.acknowledge, entry, "/entries", 200),
            (at.keep, out, "/orders", 409), ("", acknowledge, "/orders", 401),
            ("bw_made-up", acknowledge, "/orders", 401), ("", {}, "/entries", 401),
        ):  # fmt: skip
            async with at.client(token) as program:
                answer = await program.post(path, json=body)
                assert answer.status_code == status, (body, answer.text)
                assert status == 200 or set(answer.json()) == {"error", "hint"}
                if status == 401:
                    assert answer.headers["www-authenticate"] == "Bearer"
        async with at.client(at.look) as program:
            # people's numbers stand there
            assert (await program.get("/messages")).status_code == 403
        async with at.client() as nobody:
            for path in ("/state", "/alarms", "/points", "/events", "/messages", "/probes", "/openapi.json"):
                assert (await nobody.get(path)).status_code == 401
        # a browser that is logged in may read; for an order its cookie is not enough
        async with Browser(at.app) as browser:
            assert (await browser.get("/api/1/state")).status_code == 401
            await browser.log_in()
            assert (await browser.get("/api/1/state")).status_code == 200
            assert (await browser.post("/api/1/orders", json=acknowledge)).status_code == 401


@pytest.mark.parametrize(
    ("body", "status"),
    [(b"{", 422), (b"[" * 60_000, 400), (b"\xff\xfe", 422), (b'{"order": "leave", "more": 1}', 422),
     (b'{"order": "attend", "for_s": 1e999}', 422), (b'{"order": "attend", "for_s": NaN}', 422),
     (b'{"order": "acknowledge", "alarm": true}', 422), (b'{"order": "acknowledge", "alarm": "\\ud800"}', 422),
     (b'{"order": "acknowledge", "alarm": 99999999999999999999999}', 422),
     (b'{"order": "acknowledge", "alarm": "99999999999999999999999"}', 409),
     (b'{"order": "attend", "why": "a\\u0000b"}', 422), (b" " * 70_000, 413)],
)  # fmt: skip
async def test_what_is_no_order_is_refused_in_words(tmp_path: Path, body: bytes, status: int) -> None:
    said: list[Any] = []

    async def ask(request: Mapping[str, Any]) -> Mapping[str, Any]:
        said.append(order_of(request, [], SystemClock().now()))
        raise BrinewatchError("Not done: there is no such alarm.", "See: brinewatch state")

    put(tmp_path)
    keep = token(tmp_path, "robot", Role.KEEP)
    async with page(tmp_path, ask=ask) as app, httpx.AsyncClient(
        transport=httpx.ASGITransport(app), base_url="http://127.0.0.1",
        headers={"authorization": f"Bearer {keep}", "content-type": "application/json"},
    ) as program:  # fmt: skip
        answer = await program.post("/api/1/orders", content=body)
        assert (answer.status_code, set(answer.json())) == (status, {"error", "hint"}), answer.text
        assert answer.headers["cache-control"] == "no-store"


def test_a_field_that_is_added_to_what_is_watched_is_in_the_description_too() -> None:
    assert list(model_of(Overview).model_fields) == list(schema_of(Overview)["properties"])
