"""`brinewatch round` and `brinewatch batch`, over the daemon's own socket and out of its store."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from brinewatch.cli import main
from brinewatch.control import ControlServer
from brinewatch.rounds.answering import answer
from page.rounds_desk import Kept, kept

Run = Callable[..., "asyncio.Future[int]"]


@asynccontextmanager
async def commanded(folder: Path) -> AsyncIterator[tuple[Kept, Callable[..., object]]]:
    """A round that listens as the daemon does, and the command line."""
    async with kept(folder) as it:

        async def told(request: object) -> object:
            return await answer(it.rounds, request)  # type: ignore[arg-type]

        server = ControlServer(it.rounds.shed.data / "control.sock", told, it.clock)  # type: ignore[arg-type]
        task = asyncio.create_task(server.run())
        while not (it.rounds.shed.data / "control.sock").exists():
            await asyncio.sleep(0.01)

        async def run(*words: str) -> int:
            command, *rest = words
            return await asyncio.to_thread(main, [command, "--shed", str(folder / "shed.toml"), *rest])

        try:
            yield it, run
        finally:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)


async def test_the_round_by_the_terminal(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    async with commanded(tmp_path) as (it, run):
        assert await run("round", "tank.tan=0,4", "tank.mean_weight=4 5 6", "--by", "Wren") == 0
        said = capsys.readouterr().out
        assert "Kept: Tank, total ammonia as N: 0.40 mg/L N, 2026-09-24 12:00.\n" in said
        assert "Kept: Tank, mean live weight: 5.00 g" in said
        assert await run("round", "tank.tan=lots", "tank.deaths=1") == 1
        said = capsys.readouterr().out
        assert "tank.tan: 'lots' is no number." in said
        assert said.endswith("Nothing was kept.\n")
        assert await run("round") == 0
        assert "never entered" in capsys.readouterr().out
        assert await run("round", "--list") == 0
        assert "5.00 g" in capsys.readouterr().out
        assert len(await it.journal.entered()) == 2


async def test_what_is_unlike_is_kept_only_when_it_is_stood_by(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    async with commanded(tmp_path) as (it, run):
        await run("round", "tank.tan=0.1")
        assert await run("round", "tank.tan=4") == 1
        said = capsys.readouterr().out
        assert "tank.tan: The last was 0.10 mg/L N; 4.00 mg/L N is unlike that." in said
        assert "--anyway" in said
        assert await run("round", "tank.tan=4", "--anyway") == 0
        assert [one.value for one in await it.journal.entered()] == [4.0, 0.1]


async def test_entries_are_put_right_by_the_terminal(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    async with commanded(tmp_path) as (it, run):
        await run("round", "tank.tan=0.1", "tank.deaths=3")
        assert await run("round", "--correct", "1", "0.2", "--why", "wrong line", "--by", "Wren") == 0
        assert await run("round", "--take-back", "2", "--why", "other tank") == 0
        assert await run("round", "--take-back", "2", "--why", "other tank") == 1
        assert "was taken back already" in capsys.readouterr().err
        assert await run("round", "--correct", "3", "0.3") == 1
        assert "Say why" in capsys.readouterr().out
        for words in (["--correct", "3"], ["--take-back", "3", "1"], ["tank.tan"], ["tank.tan=1", "tank.tan=2"]):
            assert await run("round", *words) == 1
        assert [one.value for one in await it.journal.entered() if one.stands] == [0.2]


async def test_a_photo_of_this_computer_goes_with_a_note(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    async with commanded(tmp_path) as (it, run):
        assert await run("round", "--note", "x", "--about", "tank", "--photo", str(tmp_path / "none.jpg")) == 1
        assert "cannot be read" in capsys.readouterr().err
        from PIL import Image

        Image.new("RGB", (20, 20)).save(tmp_path / "a.png")
        assert await run("round", "--note", "x", "--photo", str(tmp_path / "a.png")) == 1
        assert "Say which place" in capsys.readouterr().out
        assert await run("round", "--note", "x", "--about", "tank", "--photo", str(tmp_path / "a.png")) == 0
        [entry] = await it.journal.entered()
        assert it.rounds.photos.path(entry.photo) is not None


async def test_what_enter_has_always_done(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    async with commanded(tmp_path) as (_, run):
        assert await run("enter", "tank.tan", "0.4") == 0
        assert capsys.readouterr().out == "Kept: tank.tan 0.40 mg/L N, 2026-09-24 12:00.\n"
        assert await run("enter", "tank.tan", "0.5", "--unit", "mg/L NH4") == 0
        assert "0.39 mg/L N" in capsys.readouterr().out
        assert await run("enter", "tank.salt", "0.5") == 1
        assert "takes no values entered by hand" in capsys.readouterr().err


async def test_the_sheet_of_a_batch_needs_no_daemon(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    async with commanded(tmp_path) as (_, run):
        await run("round", "tank.mean_weight=4 5 6", "tank.deaths=12")
        capsys.readouterr()
    words = ["batch", "--shed", str(tmp_path / "shed.toml")]
    assert main(words) == 0
    said = capsys.readouterr().out
    assert said.startswith("Spring animals (Apostichopus japonicus), since 2026-08-01: day")
    assert "99.4 %" in said
    assert main([*words, "spring", "--json"]) == 0
    [sheet] = json.loads(capsys.readouterr().out)
    assert {one["key"]: one["value"] for one in sheet["figures"]}["deaths"] == 12
    assert main([*words, "autumn"]) == 1
    assert "There is no batch 'autumn'" in capsys.readouterr().err
