"""The sheet with a whole daemon: proofs and signatures in the journal, on the page, on paper."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Awaitable
from pathlib import Path
from typing import Any

import pytest
from fastapi import FastAPI, Request

from brinewatch.cli import _parser, main
from brinewatch.commission.attended import air_off, by_hand, first_drill
from brinewatch.commission.command import run
from brinewatch.commission.keeping import Keeping
from brinewatch.commission.sheets import show_sheet, sign_sheet
from brinewatch.config import read_shed
from brinewatch.errors import BrinewatchError
from brinewatch.page.access import Role, Visitor
from brinewatch.page.app import create_app
from brinewatch.proving.items import HANDS, Outcome, State, items_of
from commission.places import Talker
from page.people import Browser
from scenarios.night import WREN, Night, night, shed_text


def keeping(it: Night, by: str = "Knot") -> Keeping:
    return Keeping(read_shed(it.folder / "shed.toml"), it.clock, by)


async def done(it: Night, work: Awaitable[Any], seconds: float = 60) -> Any:
    task = asyncio.ensure_future(work)
    await it.until(task.done, seconds)
    return task.result()


def pages(it: Night, role: Role) -> FastAPI:
    async def guard(request: Request) -> Visitor:
        return Visitor("Wren", role, "the-proof-of-wren")

    return create_app(it.daemon.overview, it.daemon._beside.pages, guard)


async def fetched(it: Night, work: Awaitable[Any]) -> Any:
    return await done(it, work)


async def test_from_the_first_drill_to_a_sheet_that_shows_what_changed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    async with night(tmp_path) as it:
        kept = keeping(it)
        # two masters on one wire would spoil each other's answers; and nothing is proven of what is not there
        search = _parser().parse_args(["commission", "find", "--shed", str(tmp_path / "shed.toml")])
        with pytest.raises(BrinewatchError, match="which holds the wires"):
            await run(search, Talker({}), it.clock)
        for item, by, wrong in (
            ("wire:tank.wine", "Knot", "nothing 'wire:tank.wine' to prove"),
            ("drill", "", "name"),
        ):
            with pytest.raises(BrinewatchError, match=wrong):
                await done(it, keeping(it, by).prove(item, Outcome.PROVEN, "x"))
        # a drill, answered
        drill = asyncio.ensure_future(first_drill(kept, Talker({"Begin?": "yes"})))
        await it.until(lambda: it.texts("DRILL", to=WREN), 30)
        it.modem.receive(WREN, "OK 999")
        await it.until(drill.done, 30)
        assert drill.result() == 0
        # the air stays on unless somebody stands by; that proves nothing
        assert await done(it, air_off(kept, Talker({"Do you stand at the tanks": ""}), None)) == 1
        with pytest.raises(BrinewatchError, match="'header' is no such tank"):
            await done(it, air_off(kept, Talker({}), "header"))
        # by hand: proven, failed with a reason, not here
        hands = Talker({"Why": "the button is stuck", "[y/n/x/Enter]": ["y", "n", "x"]})
        assert await done(it, by_hand(kept, hands)) == 1
        states = {one.item.key: one.state for one in (await done(it, kept.sheet())).lines}
        assert (states["drill"], states["air-off:raceway"]) == (State.PROVEN, State.OPEN)
        assert [states[one.key] for one in HANDS[:3]] == [State.PROVEN, State.FAILED, State.NOT_HERE]
        assert states["hand:phones"] is State.OPEN
        assert "hand:lookout" not in states  # no lookout in this shed file
        assert set(states) == {one.key for one in items_of(kept.shed)}

        # the page: who only looks sees all of it and signs nothing
        async with Browser(pages(it, Role.LOOK)) as looker:
            seen = await fetched(it, looker.get("/commission"))
            assert seen.status_code == 200
            assert "Not signed off" in seen.text
            assert "First drill</strong>: proven" in seen.text
            assert "the button is stuck" in seen.text
            assert "not proven" in seen.text
            assert "<button" not in seen.text
            refused = await fetched(
                it, looker.post("/commission", data={"proof": "the-proof-of-wren", "note": "x"})
            )
            assert refused.status_code == 403
        async with Browser(pages(it, Role.KEEP)) as keeper:
            shown = (await fetched(it, keeper.get("/commission"))).text
            token = shown.split('name="seen" value="')[1].split('"')[0]
            form = {"proof": "the-proof-of-wren", "seen": token, "note": ""}
            bare = await fetched(it, keeper.post("/commission", data=form))
            assert bare.status_code == 409
            assert "points are not proven. Nothing was signed." in bare.text
            other = await fetched(
                it, keeper.post("/commission", data={**form, "seen": "old", "note": "until Monday"})
            )
            assert "has changed while you looked at it" in other.text
            assert 'value="until Monday"' in other.text  # what was typed is not lost
            signed = await fetched(it, keeper.post("/commission", data={**form, "note": "until Monday"}))
            assert signed.status_code == 303
            shown = (await fetched(it, keeper.get("/commission"))).text
            assert "Signed off, with open points" in shown
            assert "until Monday" in shown

        # a proof that is made again after the signature and fails is no finer for it
        line = await done(it, kept.prove("drill", Outcome.FAILED, "nobody answered"))
        assert "failed" in line
        sheet = await done(it, kept.sheet())
        assert sheet.changes == ["not proven any more: First drill"]
        assert await done(it, kept.prove("drill", Outcome.PROVEN, "Wren answered"))

        # the shed file is changed: the running watch and the disk differ, and nothing is signed on that
        file = tmp_path / "shed.toml"
        file.write_text(file.read_text(encoding="utf-8") + "\n# one more line\n", encoding="utf-8")
        after = keeping(it)
        assert (await done(it, after.sheet())).changes == ["the shed file has been changed since"]
        with pytest.raises(BrinewatchError, match="not the one the watch runs on"):
            await done(it, sign_sheet(after, Talker({})))
        assert await done(it, show_sheet(after, Talker({}), False, tmp_path / "sheet.html")) == 1
    with pytest.raises(BrinewatchError, match="wants the watch running"):
        await air_off(after, Talker({}), "raceway")
    html = (tmp_path / "sheet.html").read_text(encoding="utf-8")
    assert "Signed off, and changed since" in html
    assert "NOT PROVEN" in html
    assert "src=" not in html
    assert "href=" not in html
    capsys.readouterr()
    path = str(tmp_path / "shed.toml")
    assert await asyncio.to_thread(main, ["commission", "sheet", "--json", "--shed", path]) == 1
    told = json.loads(capsys.readouterr().out)
    assert told["signed"]["by"] == "Wren"
    assert told["changes"] == ["the shed file has been changed since"]
    assert await asyncio.to_thread(main, ["journal", "--since", "400d", "--shed", path]) == 0
    journal = " ".join(capsys.readouterr().out.split())
    assert "Commissioning sheet signed by Wren" in journal
    assert (
        "As signed by Wren: proven: First drill, Residual-current protection trips; failed: Drip loops" in journal
    )
    assert "Residual-current protection trips: proven, by Knot" in journal


async def test_the_whole_run_offers_what_is_left_and_stops_when_told(tmp_path: Path) -> None:
    options = _parser().parse_args(["commission", "--by", "Wren", "--shed", str(tmp_path / "my-shed.toml")])
    first = Talker({"Enter to begin": "s"})
    assert await run(options, first) == 0
    assert "Next: find" in first.text
    assert "Next: write" in first.text
    (tmp_path / "my-shed.toml").write_text(shed_text(), encoding="utf-8")
    then = Talker({"Enter to begin": "s"})
    assert await run(options, then) == 0
    asked = [one for one in then.heard if one.startswith("Next: ")]
    assert [one.split()[1].rstrip(",") for one in asked] == ["wires", "hands", "air", "drill", "sheet"]
    assert "Not signed. 0 of " in then.text


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["commission", "drill", "--json"], "--json goes with find or sheet"),
        (["commission", "find", "tank.oxygen"], "What follows the step goes with wires or hands or air"),
        (["commission", "sheet", "--sign", "--json"], "--sign asks questions"),
        (["commission", "sheet"], "There is no shed file"),
        (["commission", "find", "--broker", "here"], "is no address"),
        (["commission", "wires", "--everything"], "--everything goes with find"),
    ],
)
def test_what_cannot_be_is_one_clear_error(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], words: list[str], told: str
) -> None:
    assert main([*words, "--shed", str(tmp_path / "none.toml")]) == 1
    assert told in capsys.readouterr().err
