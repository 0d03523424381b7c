"""Limits changed while the whole daemon watches: at once, over restarts, and told in the journal as they were."""

from __future__ import annotations

import re
from pathlib import Path

import httpx
import pytest

from brinewatch.alarms.altered import read_altered
from brinewatch.config import read_shed
from brinewatch.errors import BrinewatchError
from brinewatch.page.app import create_app
from brinewatch.querying.asking import how
from brinewatch.querying.marks import limits_in_force
from brinewatch.querying.past import Past
from brinewatch.store.reader import StoreReader
from scenarios.night import Night, night

WARN = "cucumber-oxygen-low-warn@raceway.oxygen_saturation"
EMERGENCY = "cucumber-oxygen-low-emergency@raceway.oxygen_saturation"
AIR = "air-stopped@manifold.air_pressure"


async def ask(it: Night, do: str, **more: object) -> dict[str, object]:
    return dict(await it.daemon._desk.answer({"do": do, "by": "Rhona", **more}))


def file_of(it: Night) -> Path:
    return it.daemon.shed.data / "overrides.toml"


async def remarks(it: Night) -> list[str]:
    return [one.text for one in reversed(await it.daemon.journal.remarks(500)) if one.kind == "override"]


async def test_a_limit_changed_while_the_shed_is_watched(tmp_path: Path) -> None:
    async with night(tmp_path) as it:
        began = it.clock.now().utc
        assert it.standing() == []
        # tightened until the water of this evening is past it: it calls at the next look, as any alarm does
        said = await ask(it, "override set", alarm=WARN, limit=99.5, unit="%", on_delay_s=0.0, why="a <b>trial</b>")
        assert "limit 75 to 99.5 %" in str(said["line"])
        await it.until(lambda: WARN in it.standing(), 20)
        number = it.daemon.keeper.memory.alarms[WARN].number
        assert "min 99.5 %" in next(one.limit for one in it.daemon.overview().alarms if one.alarm == WARN)
        assert any("changed here: raceway.oxygen_saturation" in note for note in it.daemon.overview().notes)

        # over a restart it is the same alarm under the same number, by the same limit
        changed_at = it.clock.now().utc
        await it.end()
        await it.begin()
        assert it.daemon.keeper.memory.alarms[WARN].number == number
        assert it.daemon.keeper.alarm(WARN).limit == 99.5  # type: ignore[union-attr]
        await it.passes(30)
        assert WARN in it.standing()

        # taken back, the standing alarm is judged by the shed's own limit again, and is over
        await ask(it, "acknowledge", what=number)
        said = await ask(it, "override take back", alarm=WARN, why="seen enough")
        assert "Change 1 is taken back" in str(said["line"])
        back_at = it.clock.now().utc
        await it.until(lambda: WARN not in it.standing(), 600)
        assert it.daemon.overview().notes == ()
        assert read_altered(file_of(it).read_text(encoding="utf-8"))[0].rows == ()
        await it.passes(70)

        told = await remarks(it)
        back = "limit 99.5 to 75 %, on-delay none to 5 min, change 1 taken back. Why: seen enough"
        assert [re.sub(r"rule version \w+", "rule version", one) for one in told if "See:" not in one] == [
            f"Change 1 asked by Rhona: {WARN}: limit 75 to 99.5 %, on-delay 5 min to none. Why: a <b>trial</b>",
            f"Change 1 counts from now on: {WARN}, rule version.",
            f"Change 2 asked by Rhona: {WARN}: {back}",
            f"Change 2 counts from now on: {WARN}, rule version.",
        ]
        # and the limits of that evening can be drawn as they were
        shed = it.daemon.shed
        await it.daemon.history.flush()
        with StoreReader(shed.data, shed.zone) as store:
            lines = limits_in_force(
                Past(store, how(shed)), shed.alarms, ["raceway.oxygen_saturation"], began, it.clock.now().utc
            )
        mine = sorted((one.begin, one.value) for one in lines if one.alarm == WARN and one.end > one.begin)
        assert [value for begin, value in mine if begin <= changed_at][-1] == 99.5
        assert mine[-1][1] == 75.0
        assert mine[-1][0] == pytest.approx(back_at, abs=2.0)


async def test_what_is_refused_and_what_a_stop_cut_short(tmp_path: Path) -> None:
    async with night(tmp_path) as it:
        # an emergency is loosened by nobody in passing
        for typed in ({}, {"confirmed": "yes"}):
            with pytest.raises(BrinewatchError, match="an emergency"):
                await ask(it, "override set", alarm=EMERGENCY, limit=20.0, why="calls too often", **typed)
        with pytest.raises(BrinewatchError, match="say why"):
            await ask(it, "override set", alarm=WARN, limit=70.0, why=" ")
        for wrong, words in (
            ({"limit": 500.0}, "inside 0 to 400 %"), ({"limit": 50.0}, "critical"),
            ({"limit": float("nan")}, "no number"),
            ({"limit": "70"}, "no number"), ({"limit": 70.0, "unit": "stone"}, "one of %"),
            ({"deadband": -1.0}, "0"),
            ({"on_delay_s": 1e9}, "604800"), ({"limit": 75.0}, "in force"),
        ):  # fmt: skip
            with pytest.raises(BrinewatchError, match=re.escape(words)):
                await ask(it, "override set", alarm=WARN, why="tried", **wrong)
        with pytest.raises(BrinewatchError, match="no alarm"):
            await ask(it, "override set", alarm="no@such.ph", limit=7.0, why="tried")
        assert not file_of(it).exists()
        assert await remarks(it) == []

        # the air's limit is also what tells how long is left: both hear of it
        await ask(it, "override set", alarm=AIR, limit=8.5, why="a new manifold")
        assert it.daemon._time_left._air._points["manifold.air_pressure"].below == 8.5
        short = it.daemon.shed.in_force.of(EMERGENCY).rule.short  # type: ignore[union-attr]
        await ask(it, "override set", alarm=EMERGENCY, limit=30.0, why="tried", confirmed=short.lower())
        assert len((await ask(it, "override list"))["rows"]) == 2  # type: ignore[arg-type]

        # a file changed by other hands meanwhile is not written over
        kept = file_of(it).read_text(encoding="utf-8")
        file_of(it).write_text(kept + "# by hand\n", encoding="utf-8")
        with pytest.raises(BrinewatchError, match="changed by hand"):
            await ask(it, "override set", alarm=WARN, limit=70.0, why="tried")
        assert it.daemon.keeper.alarm(WARN).limit == 75.0  # type: ignore[union-attr]
        assert "was not made" in (await remarks(it))[-1]

        # killed after the journal and before the file: it does not count, and that is written down; killed after
        # the file and before the journal's last word: it counts, and that is written down
        await it.daemon.journal.note(
            "override", f"Change 4 asked by Rhona: {WARN}: limit 75 to 70 %.", it.clock.now()
        )
        await it.end()
        (file_of(it).parent / "overrides.part").write_text("change = 4\n[[over", encoding="utf-8")
        await it.begin()
        assert [one for one in it.said if "Change 4 was not made" in one]
        assert it.daemon.keeper.alarm(WARN).limit == 75.0  # type: ignore[union-attr]
        assert it.daemon.keeper.alarm(EMERGENCY).limit == 30.0  # type: ignore[union-attr]
        await it.daemon.journal.note(
            "override", f"Change 5 asked by Rhona: {WARN}: limit 75 to 70 %.", it.clock.now()
        )
        await it.end()
        file_of(it).write_text(
            kept.replace("change = 2\n\n", "change = 5\n\n", 1)
            + f'\n[[override]]\nalarm = "{WARN}"\nlimit = 70\nwhy = "w"\nby = "Rhona"\n'
            "at = 2026-09-23T22:00:00Z\nchange = 5\n",
            encoding="utf-8",
        )
        await it.begin()
        assert [one for one in it.said if one.startswith(f"Change 5 counts from this start on: {WARN}")]
        assert it.daemon.keeper.alarm(WARN).limit == 70.0  # type: ignore[union-attr]
        # once told is enough, and the next number is a new one
        await it.end()
        await it.begin()
        assert sum("Change 5 counts" in one for one in await remarks(it)) == 1
        said = await ask(it, "override take back", alarm=5)
        assert "Change 5 is taken back" in str(said["line"])
        assert (await remarks(it))[-2].startswith("Change 6 asked by Rhona")
        # what the command line reads of it beside the daemon is the same
        assert {one.alarm for one in read_shed(it.daemon.shed.path).in_force.content.rows} == {AIR, EMERGENCY}

        # and on the page
        pages = it.daemon._beside.asking(it.daemon._desk.answer)
        app = create_app(it.daemon.overview, pages, ask=it.daemon._desk.answer)
        headers = {"accept": "text/html"}
        async with httpx.AsyncClient(
            transport=httpx.ASGITransport(app), base_url="http://shed", headers=headers
        ) as web:
            text = (await web.get("/rehearse")).text
            assert "limit 35 to 30 %" in text
            assert "an emergency" in text
            assert "2 alarms are changed here" in (await web.get("/")).text
            assert "2 alarms are changed here" in (await web.get("/report")).text
            await a_drill(it, web)


async def a_drill(it: Night, web: httpx.AsyncClient) -> None:
    """From the page: begun in two steps, followed to its answer, and then one of those there have been."""
    text = (await web.get("/drill")).text
    assert "None yet." in text
    proof = re.search(r'name="proof" value="([^"]+)"', text)[1]  # type: ignore[index]
    before = len(it.modem.sent)
    hasty = await web.post("/drill/begin", data={"proof": proof, "alarm": AIR})
    assert hasty.status_code == 422
    assert "Nobody was called" in hasty.text
    assert "selected" in hasty.text
    wrong = await web.post("/drill/begin", data={"proof": proof, "alarm": "<b>no@such</b>", "sure": "yes"})
    assert wrong.status_code == 409
    assert "&lt;b&gt;no@such" in wrong.text
    assert (await web.post("/drill/begin", data={"proof": proof, "alarm": AIR, "sure": "yes"})).status_code == 303
    running = await web.get("/drill")
    assert "A drill is under way" in running.text
    assert running.headers["refresh"]
    await it.until(lambda: len(it.modem.sent) > before, 120)
    assert it.modem.sent[-1].text.startswith("DRILL")
    await it.passes(5)
    text = (await web.get("/drill")).text
    assert "called after" in text
    number = re.search(r'name="number" value="([0-9]+)"', text)[1]  # type: ignore[index]
    assert (await web.post("/drill/answer", data={"proof": proof, "number": "x"})).status_code == 400
    assert (await web.post("/drill/answer", data={"proof": proof, "number": number})).status_code == 303
    assert (await web.post("/drill/answer", data={"proof": proof, "number": number})).status_code == 409
    await it.passes(5)
    text = (await web.get("/drill")).text
    assert "Answered after" in text
    assert "the page answered after" in text.split("Drills there have been")[1]
    assert (await web.post("/drill/stop", data={"proof": proof})).status_code == 409
    assert (await web.post("/drill/stop", data={"proof": "guessed"})).status_code == 403
