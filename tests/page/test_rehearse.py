"""Limits on the page: chosen, tried on the past in a process of its own, put in force by who may, taken back."""

from __future__ import annotations

import asyncio
import contextlib
import re
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx
import pytest

from brinewatch.accounts import Role
from brinewatch.alarms.version import body_of
from brinewatch.clock import SystemClock
from brinewatch.config import ShedFile, read_shed
from brinewatch.config.plans import channels_of, stages_of, time_left
from brinewatch.moment import Moment
from brinewatch.overriding import Overrides
from brinewatch.page.app import create_app
from brinewatch.readings import Flag, Reading
from brinewatch.store.history import History
from brinewatch.store.journal import Journal
from brinewatch.trials import Trials
from brinewatch.trying.desk import LimitDesk
from brinewatch.watchkeeper import Watchkeeper
from config.sheds import write
from page.people import PASSWORD, Browser, put
from page.people import page as people_page
from page.sheds import ALL_WELL

HIGH, STOPPED = "air-pressure-high@manifold.air_pressure", "air-stopped@manifold.air_pressure"
HOURS, EVERY_S = 5, 60
HOSTILE = '"><script>alert(1)</script>'


@dataclass
class Bench:
    """The pages over a real journal and a history of hours: air at 12 kPa, and at 14 for five minutes of each."""

    shed: ShedFile
    journal: Journal
    desk: LimitDesk
    trials: Trials
    keeper: Watchkeeper
    work: list[asyncio.Task[None]] = field(default_factory=list)

    def client(self, guard: Any = None) -> httpx.AsyncClient:
        app = create_app(lambda: ALL_WELL, [self.desk.on_page], guard)
        return httpx.AsyncClient(
            transport=httpx.ASGITransport(app), base_url="http://shed", headers={"accept": "text/html"}
        )

    async def over(self) -> None:
        await asyncio.gather(*self.work)
        self.work.clear()


@contextlib.asynccontextmanager
async def bench(folder: Path, longest_s: float = 120.0) -> AsyncIterator[Bench]:
    shed, clock = read_shed(write(folder)), SystemClock()
    now = clock.now()
    began = now.utc - HOURS * 3600.0 - 100.0
    history = History(shed.data / "history.sqlite", clock)
    await history.open()
    for n in range(HOURS * 3600 // EVERY_S):
        at = Moment(now.mono, began + 100.0 + n * EVERY_S, True, shed.zone)
        value = 14.0 if n % 60 < 5 else 12.0 + (n % 3) / 10
        history.add([Reading("manifold.air_pressure", "air_pressure", value, value, Flag.PASS, "", at, "gauge")])
    await history.close()
    journal = Journal(shed.data / "journal.sqlite", clock)
    await journal.open()
    await journal.begin(
        {one.id: body_of(one) for one in shed.alarms}, Moment(now.mono - 20_000, began, True, shed.zone)
    )
    keeper = Watchkeeper(
        shed.shed.name, stages_of(shed), channels_of(shed), shed.derivations, shed.alarms, shed.shed.display, now
    )  # fmt: skip
    work: list[asyncio.Task[None]] = []
    trials = Trials(shed.path, clock, lambda one: work.append(asyncio.create_task(one)), longest_s)
    overrides = Overrides(shed, keeper, journal, clock, time_left(shed), lambda: None)
    made = Bench(shed, journal, LimitDesk(shed, keeper, overrides, trials, clock), trials, keeper, work)
    try:
        yield made
    finally:
        if (running := trials.running) is not None:
            trials.stop(running.number)
        await made.over()
        await journal.close()


def proof(text: str) -> str:
    return re.search(r'name="proof" value="([^"]+)"', text)[1]  # type: ignore[index]


def plain(text: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", text))


async def test_a_limit_is_tried_and_put_in_force_and_taken_back(tmp_path: Path) -> None:
    async with bench(tmp_path) as it, it.client() as web:
        listed = (await web.get("/rehearse")).text
        assert "above 25.0 kPa" in listed
        sheet = (await web.get("/rehearse/alarm", params={"name": HIGH})).text
        for words in (
            "air.toml",
            "In force: 25",
            "above 25.0 kPa",
            'value="1m"',
            "Time to act",
            "<option>psi</option>",
        ):
            assert words in sheet, words
        form = {"proof": proof(sheet), "alarm": HIGH, "deadband": "0.5", "off_delay_s": "1m", "unit": "kPa"}

        # wrong numbers: each said beside its field, what was typed kept, and as text
        wrong = await web.post(
            "/rehearse/alarm", data={**form, "limit": HOSTILE, "on_delay_s": "soon", "since": "24h"}
        )
        assert wrong.status_code == 422
        assert HOSTILE not in wrong.text
        assert "&#34;&gt;&lt;script&gt;" in wrong.text
        assert "is no number" in wrong.text
        assert "&#39;soon&#39; is no length of time" in wrong.text
        assert 'value="soon"' in wrong.text
        for more, words in (
            ({"limit": "25", "on_delay_s": "1m"}, "type others"), ({"limit": "2500", "on_delay_s": "1m"}, "inside"),
            ({"limit": "20", "on_delay_s": "1m", "unit": "stone"}, "no unit"),
            ({"limit": "nan", "on_delay_s": "1m"}, "no number"),
            ({"limit": "20", "on_delay_s": "900d"}, "604800"),
        ):  # fmt: skip
            refused = await web.post("/rehearse/alarm", data={**form, **more})
            assert refused.status_code == 422, words
            assert words in refused.text
        assert it.trials.running is None

        # 130 mbar are 13 kPa: five minutes of every hour lie above
        begun = await web.post(
            "/rehearse/alarm",
            data={**form, "limit": "130", "deadband": "5", "unit": "mbar", "on_delay_s": "2m", "since": "24h"},
        )  # fmt: skip
        assert begun.status_code == 303
        run = begun.headers["location"]
        during = await web.get(run)
        assert "Under way" in during.text
        assert during.headers["refresh"]
        second = await web.post("/rehearse/alarm", data={**form, "limit": "20", "on_delay_s": "1m"})
        assert second.status_code == 409
        assert "One at a time" in second.text
        early = await web.post(f"{run}/save", data={"proof": form["proof"], "why": "early"})
        assert early.status_code == 422
        await it.over()
        done = plain((await web.get(run)).text)
        assert f"It would have called {HOURS} times, and with the values in force not at all." in done
        assert f"Calls that would be added: {HOURS}" in done
        assert "limit 25 to 13 kPa" in done
        assert "on-delay 60 s to 2 min" in done

        # saved with a reason, it counts at once; saved again it does not
        empty = await web.post(f"{run}/save", data={"proof": form["proof"], "why": " "})
        assert empty.status_code == 422
        assert "say why" in empty.text
        saved = await web.post(f"{run}/save", data={"proof": form["proof"], "why": HOSTILE})
        assert saved.status_code == 303
        assert it.keeper.alarm(HIGH).limit == 13.0  # type: ignore[union-attr]
        assert (await web.post(f"{run}/save", data={"proof": form["proof"], "why": "x"})).status_code == 422
        listed = (await web.get(saved.headers["location"])).text
        assert "Change 1 counts from now on" in listed
        assert HOSTILE not in listed
        assert "limit 25 to 13 kPa" in listed

        # by the same way back: what is tried now is held against what is in force now
        sheet = (await web.get("/rehearse/alarm", params={"name": HIGH})).text
        assert "the shed&#39;s own rules: 25" in sheet or "the shed's own rules: 25" in sheet
        again = await web.post("/rehearse/alarm", data={**form, "limit": "25", "on_delay_s": "1m", "since": "24h"})
        assert again.status_code == 303, again.text
        await it.over()
        done = plain((await web.get(again.headers["location"])).text)
        assert f"It would have called not at all, and with the values in force {HOURS} times." in done
        back = await web.post("/rehearse/take-back", data={"proof": form["proof"], "alarm": HIGH, "why": "enough"})
        assert back.status_code == 303
        assert it.keeper.alarm(HIGH).limit == 25.0  # type: ignore[union-attr]
        assert "is not changed here" in (
            await web.post("/rehearse/take-back", data={"proof": form["proof"], "alarm": HIGH})
        ).text  # fmt: skip
        told = [one.text for one in await it.journal.remarks() if one.kind == "override"]
        assert len(told) == 4
        assert "by the page" in told[-1]


async def test_a_critical_limit_is_loosened_only_word_for_word_and_a_rehearsal_is_stopped(tmp_path: Path) -> None:
    async with bench(tmp_path, longest_s=0.05) as it, it.client() as web:
        sheet = (await web.get("/rehearse/alarm", params={"name": STOPPED})).text
        form = {
            "proof": proof(sheet), "alarm": STOPPED, "limit": "6", "deadband": "0.5", "on_delay_s": "15s",
            "off_delay_s": "30s", "unit": "kPa", "since": "24h",
        }  # fmt: skip
        run = (await web.post("/rehearse/alarm", data=form)).headers["location"]
        await it.over()
        told = (await web.get(run)).text
        assert "took longer than" in told
        short = it.keeper.alarm(STOPPED).rule.short  # type: ignore[union-attr]
        assert f"type: {short}" in told
        save = {"proof": form["proof"], "why": "a small blower"}
        refused = await web.post(f"{run}/save", data={**save, "confirmed": "yes"})
        assert refused.status_code == 422
        assert "critical" in refused.text
        assert 'value="a small blower"' in refused.text
        assert it.keeper.alarm(STOPPED).limit == 8.0  # type: ignore[union-attr]
        assert (await web.post(f"{run}/save", data={**save, "confirmed": short})).status_code == 303
        assert it.keeper.alarm(STOPPED).limit == 6.0  # type: ignore[union-attr]
        assert "calls later, or not at all" in (await web.get("/rehearse")).text
        # ended by a person before it is over
        run = (await web.post("/rehearse/alarm", data={**form, "limit": "7"})).headers["location"]
        assert (await web.post(f"{run}/stop", data={"proof": form["proof"]})).status_code == 303
        await it.over()
        assert "could not be tried" in (await web.get(run)).text
        for address in ("/rehearse/run/99", "/rehearse/alarm?name=no@such.ph", "/rehearse/alarm"):
            assert (await web.get(address)).status_code == 404


async def test_who_may_look_may_not_try_and_who_may_try_may_not_save(tmp_path: Path) -> None:
    accounts = tmp_path / "accounts"
    for name, role in (("Looker", Role.LOOK), ("Trier", Role.ACKNOWLEDGE)):
        put(accounts, name, role)
    async with bench(tmp_path) as it:

        def make(view: Any, parts: Any, guard: Any, ask: Any = None) -> Any:
            return create_app(view, [*parts, it.desk.on_page], guard, ask)

        async with people_page(accounts, make=make) as app:
            for name, may_try in (("Looker", False), ("Trier", True)):
                async with Browser(app) as web:
                    await web.log_in(name, PASSWORD)
                    sheet = (await web.get(f"/rehearse/alarm?name={HIGH}")).text
                    assert ("Try it on the past" in sheet) == may_try
                    form = {"alarm": HIGH, "limit": "bad", "proof": proof(sheet) if may_try else "none"}
                    assert (await web.post("/rehearse/alarm", data=form)).status_code == (422 if may_try else 403)
                    for address in ("/rehearse/run/1/save", "/rehearse/take-back"):
                        assert (await web.post(address, data=form)).status_code == 403
            async with Browser(app) as web:
                assert (await web.get("/rehearse")).status_code in (302, 303, 401)


@pytest.mark.parametrize("tail", ["", "/stop", "/save"])
async def test_a_form_from_elsewhere_changes_nothing(tmp_path: Path, tail: str) -> None:
    async with bench(tmp_path) as it, it.client() as web:
        where = f"/rehearse/run/1{tail}" if tail else "/rehearse/alarm"
        answer = await web.post(where, data={"alarm": HIGH, "limit": "20", "proof": "guessed"})
        assert answer.status_code == 403
        assert it.trials.running is None
