"""A drill with the whole daemon: people, texts, modem and answers are real; the alarms know nothing of it."""

from __future__ import annotations

import argparse
import asyncio
from pathlib import Path
from typing import Any

import pytest

from brinewatch.calibrate.held import over
from brinewatch.cli import _parser, main
from brinewatch.drill_command import follow
from brinewatch.errors import BrinewatchError
from scenarios.night import TEAL, WREN, Night, night, shed_text, unhurried

BLOWER = "motor-current-low@blower.motor_current"


def options(*words: str) -> argparse.Namespace:
    return _parser().parse_args(["drill", "--by", "Knot", *words])


def begun(it: Night, *words: str) -> asyncio.Task[int]:
    return asyncio.ensure_future(
        follow(options(*words), it.clock, over(it.folder / "data" / "control.sock", it.clock))
    )


async def asks(it: Night, **request: Any) -> dict[str, Any]:
    task = asyncio.ensure_future(over(it.folder / "data" / "control.sock", it.clock)(request))
    await it.until(task.done)
    return dict(task.result())


async def test_people_are_called_as_by_night_and_the_answer_is_kept(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    async with night(tmp_path) as it:
        task = begun(it)
        await it.until(lambda: it.texts("DRILL GANNET QUAY", "AIR STOPPED", "Reply OK 999", to=WREN), 20)
        [first] = it.texts("DRILL")
        assert len(first) <= 160
        assert it.standing() == []
        await it.until(lambda: it.texts("DRILL GANNET QUAY", "AIR STOPPED", to=TEAL), 310)
        it.modem.receive(TEAL, "OK 999")
        await it.until(task.done, 20)
        assert task.result() == 0
        await it.until(lambda: it.texts("Teal answered", to=WREN) and it.texts("Teal answered", to=TEAL), 20)
        said = capsys.readouterr().out
        assert "0.2 min  Wren called" in said  # the rule's delay of 15 s is part of it
        assert "5.2 min  Teal called" in said
        assert "Teal answered after 5." in said
        await it.passes(120)
        assert len(it.texts("DRILL")) == 4
        assert it.standing() == []
        path = str(tmp_path / "shed.toml")
        assert main(["drill", "--list", "--shed", path]) == 0
        listed = capsys.readouterr().out
        assert "Knot" in listed
        assert "Wren, Teal" in listed
        assert "Teal answered after 5." in listed


async def test_a_real_alarm_during_a_drill_calls_without_the_mark(tmp_path: Path) -> None:
    async with night(tmp_path) as it:
        task = begun(it)
        await it.until(lambda: it.texts("DRILL"), 20)
        await it.shed.faults.on("blower-stop")
        await it.until(lambda: it.texts("GANNET QUAY Blower", "AIR STOPPED", "Reply OK 1", to=WREN), 30)
        [real] = [text for text in it.texts("AIR STOPPED") if not text.startswith("DRILL")]
        assert real.startswith("GANNET QUAY")
        # an answer without a number is for the real one
        it.modem.receive(WREN, "OK")
        await it.until(lambda: it.texts("You have taken 1", to=WREN), 20)
        assert not task.done()
        it.modem.receive(WREN, "OK 999")
        await it.until(task.done, 20)
        assert BLOWER in it.standing()


async def test_nobody_answers_for_half_an_hour(tmp_path: Path) -> None:
    async with night(tmp_path, unhurried()) as it:
        task = begun(it)
        await it.until(task.done, 1900)
        assert task.result() == 1
        assert it.texts("over: nobody answered", to=WREN)
        assert it.texts("over: nobody answered", to=TEAL)


async def test_what_cannot_be_is_one_clear_error(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    async with night(tmp_path) as it:
        with pytest.raises(BrinewatchError, match="No drill is under way"):
            await asks(it, do="drill stop")
        with pytest.raises(BrinewatchError, match="'tea-cold' is no critical alarm"):
            await asks(it, do="drill begin", alarm="tea-cold", by="Knot")
        await asks(it, do="drill begin", by="Knot")
        with pytest.raises(BrinewatchError, match="A drill by Knot is under way"):
            await asks(it, do="drill begin", by="Wren")
        await asks(it, do="drill stop")
        await it.shed.faults.on("blower-stop")
        await it.until(lambda: it.texts("GANNET QUAY Blower", to=WREN), 60)
        with pytest.raises(BrinewatchError, match="waits for an answer"):
            await asks(it, do="drill begin", by="Knot")


async def test_a_restart_ends_a_drill_and_says_so_to_those_called(tmp_path: Path) -> None:
    async with night(tmp_path) as it:
        await asks(it, do="drill begin", by="Knot")
        await it.until(lambda: it.texts("DRILL", to=WREN), 20)
        await it.passes(5)
        await it.end()
        await it.begin()
        await it.until(lambda: it.texts("the watch was restarted", to=WREN), 30)
        assert it.texts("the watch was restarted", to=TEAL) == []
        await it.end()
        await it.begin()
        await it.passes(20)
        assert len(it.texts("the watch was restarted")) == 1


async def test_a_drill_falls_due_and_an_answered_one_makes_it_good(tmp_path: Path) -> None:
    text = shed_text().replace('from_priority = "high"', 'from_priority = "low"')
    async with night(tmp_path, unhurried(text)) as it:
        await it.passes(60)
        assert it.standing() == []
        it.clock.step_wall(30.5 * 86400 + 9.5 * 3600)  # in the morning
        await it.until(lambda: it.texts("DRILL DUE", to=WREN), 700)
        assert "brinewatch drill" in it.daemon.overview().alarms[0].shown
        it.modem.receive(WREN, "OK")
        await it.until(lambda: it.texts("taken", to=WREN), 20)
        task = begun(it)
        await it.until(lambda: it.texts("DRILL GANNET QUAY", "AIR STOPPED", to=WREN), 20)
        it.modem.receive(WREN, "OK 999")
        await it.until(task.done, 20)
        await it.until(lambda: it.standing() == [], 90)
        await it.end()
        await it.begin()
        await it.passes(700)
        assert it.standing() == []
