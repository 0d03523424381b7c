"""The past in the JSON interface: the readings that were written come back as they were, never more than asked."""

from __future__ import annotations

import contextlib
from collections.abc import AsyncIterator
from pathlib import Path
from statistics import fmean

import httpx
import pytest

from brinewatch.accounts import Role
from brinewatch.config import ShedFile
from brinewatch.moment import utc_text
from page.people import page, put, token
from page.test_charts import AIR, charts, moment
from page.test_charts import shed as shed


@contextlib.asynccontextmanager
async def program(file: ShedFile, folder: Path) -> AsyncIterator[httpx.AsyncClient]:
    put(folder)
    look = token(folder, "chart robot", Role.LOOK)
    async with page(folder, ask=charts(file).answer) as app, httpx.AsyncClient(
        transport=httpx.ASGITransport(app), base_url="http://127.0.0.1/api/1",
        headers={"authorization": f"Bearer {look}"},
    ) as client:  # fmt: skip
        yield client


def air(n: int) -> float:
    """What was written at n times 20 s."""
    return 0.2 if 26 * 180 <= n < 27 * 180 else 12.0 + (n % 5) / 10


async def test_readings_come_page_by_page_and_whole(shed: ShedFile, tmp_path: Path) -> None:
    async with program(shed, tmp_path) as client:
        ask = {"since": utc_text(moment(shed, 25).utc), "until": utc_text(moment(shed, 28).utc), "most": "200"}
        rows, pages = [], 0
        while ask.get("since"):
            answer = await client.get(f"/points/{AIR}/readings", params=ask)
            assert answer.status_code == 200, answer.text
            body = answer.json()
            assert len(body["readings"]) <= 200
            rows += body["readings"]
            pages += 1
            ask["since"] = body["next"]
    assert pages == 3
    assert (body["quantity"], body["unit"]) == ("air_pressure", "kPa")
    assert [one["value"] for one in rows] == [air(n) for n in range(25 * 180, 28 * 180)]
    assert rows[0]["at"] == utc_text(moment(shed, 25).utc)
    assert rows[0] == {
        "at": rows[0]["at"], "clock_trusted": True, "value": 12.0, "raw": 12.0, "uncertainty": None, "flag": 1,
        "reason": "", "probe": "gauge", "calibration": "", "basis": "",
    }  # fmt: skip


async def test_stretches_say_what_the_readings_say(shed: ShedFile, tmp_path: Path) -> None:
    async with program(shed, tmp_path) as client:
        ask = {"since": utc_text(moment(shed, 0).utc), "until": utc_text(moment(shed, 48).utc), "most": "60"}
        body = (await client.get(f"/points/{AIR}/stretches", params=ask)).json()
    assert len(body["stretches"]) == 46  # hours; nothing was read in two of them
    by_begin = {one["begins"]: one for one in body["stretches"]}
    third = by_begin[utc_text(moment(shed, 3).utc)]  # the suspect reading lies in it
    values = [air(n) for n in range(3 * 180, 4 * 180)]
    assert (third["lowest"], third["highest"]) == (min(values), max(values))
    assert third["mean"] == pytest.approx(fmean(values), abs=1e-9)
    assert (third["passed"], third["suspect"], third["failed"]) == (179, 1, 0)
    assert by_begin[utc_text(moment(shed, 26).utc)]["highest"] == 0.2
    assert utc_text(moment(shed, 41).utc) not in by_begin


async def test_marks_say_what_happened_beside_them(shed: ShedFile, tmp_path: Path) -> None:
    async with program(shed, tmp_path) as client:
        ask = {"since": utc_text(moment(shed, 24).utc), "until": utc_text(moment(shed, 48).utc)}
        body = (await client.get("/marks", params=ask)).json()
        other = (await client.get("/marks", params={**ask, "point": "manifold.air_pressure"})).json()
    [alarm] = body["alarms"]
    assert (alarm["begin"], alarm["end"]) == (utc_text(moment(shed, 26).utc), utc_text(moment(shed, 27.1).utc))
    assert (alarm["number"], alarm["priority"], alarm["value"]) == (3, "critical", 0.2)
    assert {"at": utc_text(moment(shed, 30).utc), "kind": "cleaning", "text": "Diffusers <b>cleaned</b>.",
            "point": ""} in body["marks"]  # fmt: skip
    assert {(one["side"], one["value"]) for one in other["limits"]} >= {("min", 8.0)}
    assert {one["point"] for one in other["limits"]} == {AIR}
    assert body["next"] is None


REFUSED = [
    ("/points/tank.nothing/readings", {}, 404),
    ("/marks", {"point": "tank.nothing"}, 404),
    ("/points/a%0Ab/stretches", {}, 404),
    (f"/points/{AIR}/readings", {"since": "2026-09-21"}, 422),
    (f"/points/{AIR}/readings", {"since": "1790000000"}, 422),
    (f"/points/{AIR}/readings", {"since": "2026-09-21T00:00:00"}, 422),
    (f"/points/{AIR}/readings", {"most": "5001"}, 422),
    (f"/points/{AIR}/stretches", {"most": "0"}, 422),
    (f"/points/{AIR}/stretches", {"since": "2026-09-22T00:00:00Z", "until": "2026-09-21T00:00:00Z"}, 409),
    (f"/points/{AIR}/stretches", {"since": "0001-01-01T00:00:00Z"}, 409),
]


async def test_what_is_no_question_is_refused_in_words(shed: ShedFile, tmp_path: Path) -> None:
    async with program(shed, tmp_path) as client:
        for path, params, status in REFUSED:
            answer = await client.get(path, params=params)
            assert (answer.status_code, set(answer.json())) == (status, {"error", "hint"}), (path, params)
