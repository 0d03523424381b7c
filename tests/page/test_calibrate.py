"""The guided calibration on the page: the talk of the command line, answered with buttons and fields."""

from __future__ import annotations

import asyncio
import contextlib
import html
import re
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import gsw
import httpx
import pytest

from bench import NOW, Bench
from brinewatch.clock import SteppingClock
from brinewatch.config import read_shed
from brinewatch.guided import Guided
from brinewatch.page.access import Role, Visitor
from brinewatch.page.app import create_app
from page.sheds import ALL_WELL
from scenarios.night import shed_text
from test_calibrate_command import Beaker

HOSTILE = "<script>alert(1)</script>"


@dataclass
class Page:
    """One person's browser on the pages. Time passes only when it is told to."""

    web: httpx.AsyncClient
    made: Bench
    guided: Guided
    work: list[asyncio.Task[None]] = field(default_factory=list)
    text: str = ""
    where: str = ""

    async def passes(self, seconds: float) -> None:
        await self.made.clock.drive(self.made.clock.now().mono + seconds)

    async def look(self) -> str:
        answer = await self.web.get(self.where)
        assert answer.status_code == 200
        self.text = answer.text
        return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", self.text)).split())

    def hidden(self, name: str) -> str:
        found = re.search(rf'name="{name}" value="([^"]*)"', self.text)
        assert found is not None, self.text
        return found[1]

    async def press(self, words: str, typed: str | None = None) -> str:
        """The button with these words, or the field with what is typed; then a second passes."""
        if typed is None:
            found = re.search(rf'<button name="answer" value="([^"]*)">{re.escape(words)}', self.text)
            assert found is not None, f"no button {words!r} in {self.text}"
            typed = found[1]
        else:
            assert words in html.unescape(self.text), self.text
        data = {"proof": self.hidden("proof"), "step": self.hidden("step"), "answer": typed}
        assert (await self.web.post(self.where, data=data)).status_code == 303
        await self.passes(1.0)
        return await self.look()

    async def rests(self) -> str:
        for _ in range(60):
            if "Take it" in (said := await self.look()):
                return said
            await self.passes(10.0)
        raise AssertionError(self.text)


@contextlib.asynccontextmanager
async def page(folder: Path, name: str = "Rhona", **said: Callable[[float], float | None]) -> AsyncIterator[Page]:
    (folder / "shed.toml").write_text(shed_text(), encoding="utf-8")
    shed, clock = read_shed(folder / "shed.toml"), SteppingClock(NOW)
    made = Bench(clock, {point.replace("_at_", "."): function for point, function in said.items()})
    work: list[asyncio.Task[None]] = []
    guided = Guided(
        shed, clock, made.answer, lambda key: key.capitalize(), lambda one: work.append(asyncio.create_task(one))
    )
    visitors = {"": Visitor(name, Role.KEEP, "proof-of-theirs")}

    async def guard(request: Any) -> Visitor:
        who = request.headers.get("x-who", "")
        return visitors.get(who) or Visitor(who, Role.KEEP if who != "Looker" else Role.LOOK, "proof-of-theirs")

    app = create_app(lambda: ALL_WELL, [guided.on_page], guard)
    async with httpx.AsyncClient(
        transport=httpx.ASGITransport(app), base_url="http://shed", headers={"accept": "text/html"}
    ) as web:
        made_page = Page(web, made, guided, work)
        try:
            yield made_page
        finally:
            for one in work:
                one.cancel()
            await asyncio.gather(*work, return_exceptions=True)


async def begin(it: Page, point: str, kind: str = "calibrate", since: str = "") -> str:
    it.where = f"/calibrate/probe?name={point.partition('.')[2]}"
    await it.look()
    data = {"proof": it.hidden("proof"), "probe": it.hidden("probe"), "point": point, "kind": kind, "since": since}
    answer = await it.web.post("/calibrate/probe", data=data)
    assert answer.status_code == 303, answer.text
    it.where = answer.headers["location"]
    await it.passes(1.0)
    return await it.look()


async def test_oxygen_is_calibrated_from_the_first_question_to_the_record(tmp_path: Path) -> None:
    probe = Beaker(7.0)
    async with page(tmp_path, raceway_at_oxygen=probe) as it:
        listed = (await it.web.get("/calibrate")).text
        assert "never calibrated here" in listed
        said = await begin(it, "raceway.oxygen")
        assert "does not call anybody" in said
        assert "Which [1]" not in said
        assert it.made.held
        said = await it.press("air-saturated water")
        assert "Bubble it with an air stone" in said
        assert "Press Enter" not in said
        probe.put(it.made, 8.0)
        said = await it.press("The probe is in place")
        # what the probe says is seen, and it is not taken before it rests
        assert "mg/L" in said
        assert "Take it" not in said
        assert (await it.web.get(it.where)).headers["refresh"] == "2"
        await it.rests()
        said = await it.press("Take it")
        # a second press of the same button answers nothing further
        await it.web.post(it.where, data={"proof": it.hidden("proof"), "step": "3", "answer": "99"})
        await it.passes(1.0)
        said = await it.look()
        assert "Temperature of that water, degC" in said
        assert 'value="12.0"' in it.text
        said = await it.press("Temperature of that water", HOSTILE)
        assert HOSTILE not in it.text
        assert "is not a number" in said
        await it.press("Temperature of that water", "12.0")
        await it.press("Salinity of that water", "33,0")
        said = await it.press("Station pressure", "1013.25")
        assert "Save this?" in said
        said = await it.press("Yes")
        assert "It is back" in said
        said = await it.press("It is back")
        assert "What was saved stays." in said
        record = it.made.records[0]
        listed = (await it.web.get("/calibrate")).text
    assert (record.point, record.by) == ("raceway.oxygen", "Rhona")
    # 12 degC, S 33, 1 atm by gsw: Garcia & Gordon's micromol/kg, with its density of the water, g/mol of oxygen
    salt = gsw.SA_from_SP(33.0, 0.0, -30.0, 50.0)
    warm = gsw.CT_from_t(salt, 12.0, 0.0)
    expected = gsw.O2sol_SP_pt(33.0, 12.0) * gsw.rho(salt, warm, 0.0) * 31.9988e-6
    assert record.slope == pytest.approx(expected / 8.0, rel=0.005)
    assert "by Rhona" in listed
    assert it.made.did()[-1] != "calibration begin"
    assert not it.made.held


async def test_given_up_halfway_or_left_alone_nothing_is_saved_and_the_hold_ends(tmp_path: Path) -> None:
    probe = Beaker(7.0)
    async with page(tmp_path, raceway_at_oxygen=probe) as it:
        await begin(it, "raceway.oxygen")
        await it.press("air-saturated water")
        # another may look on, and not answer
        other = await it.web.get(it.where, headers={"x-who": "Bryn"})
        assert "Only Rhona can go on with it" in other.text
        data = {"proof": "proof-of-theirs", "step": "2", "answer": ""}
        for more in ({}, {"give_up": "1"}):
            refused = await it.web.post(it.where, data={**data, **more}, headers={"x-who": "Bryn"})
            assert refused.status_code == 409
        busy = await it.web.post(
            "/calibrate/probe", headers={"x-who": "Bryn"},
            data={"proof": "proof-of-theirs", "probe": "oxygen", "point": "raceway.oxygen", "kind": "calibrate"},
        )  # fmt: skip
        assert busy.status_code == 422
        assert "is being calibrated by Rhona" in busy.text
        looker = {"x-who": "Looker"}
        assert (await it.web.post(it.where, data=data, headers=looker)).status_code == 403
        assert (await it.web.get("/calibrate/probe?name=oxygen", headers=looker)).status_code == 403
        assert (await it.web.get("/calibrate", headers=looker)).status_code == 200
        await it.web.post(it.where, data={"proof": it.hidden("proof"), "give_up": "1"})
        await it.passes(1.0)
        assert "Nothing was saved: all is as it was." in await it.look()
        assert not it.made.held
        # left alone in the middle of a reading
        await begin(it, "raceway.oxygen", "check")
        await it.press("Read it")
        for _ in range(16):
            await it.passes(60.0)
        assert not it.made.held
        assert "Nobody has looked here for 15 min." in await it.look()
        assert it.made.records == []
        for wrong in (
            {"point": "no.such", "kind": "check"}, {"point": "raceway.oxygen", "kind": "burn"},
            {"point": "raceway.oxygen", "kind": "check", "since": HOSTILE},
        ):  # fmt: skip
            data = {"proof": "proof-of-theirs", "probe": "oxygen", **wrong}
            refused = await it.web.post("/calibrate/probe", data=data)
            assert refused.status_code == 422
            assert HOSTILE not in refused.text
        assert (await it.web.get("/calibrate/talk/77")).status_code == 404
        assert (await it.web.get("/calibrate/probe?name=nothing")).status_code == 404
