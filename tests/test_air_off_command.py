"""`brinewatch air-off-test`: the talk with the person who stands by, over the socket of a daemon on a made shed."""

from __future__ import annotations

import argparse
import asyncio
import re
from collections.abc import Callable
from pathlib import Path

import pytest

from bench import Person
from brinewatch.air_off_test import guide
from brinewatch.calibrate.held import over
from brinewatch.cli import _parser
from brinewatch.commission.attended import air_off
from brinewatch.commission.keeping import Keeping
from brinewatch.config import read_shed
from brinewatch.errors import BrinewatchError
from brinewatch.proving.items import State
from scenarios.night import Night, night

STAND = ("Do you stand at the tanks", "yes")
STIR = ("stir the water", "yes")


class Stander(Person):
    """Somebody at the tanks who does as told. off, on: the air; quits: what is typed once the air is off."""

    def __init__(self, it: Night, *script: tuple[str, str | Callable[[], str]], quits: str = "") -> None:
        super().__init__(*script)
        self._it, self._quits = it, quits
        self._books: list[tuple[float, dict[str, float]]] = []
        self._deeds: set[asyncio.Task[None]] = set()

    def taken_g_h(self, way: str) -> float:
        """Oxygen that went this way while the air was off, in all tanks."""
        (began, at_first), (ended, at_last) = self._books[0], self._books[-1]
        return (at_first[way] - at_last[way]) / (ended - began) * 3.6

    def _look(self) -> None:
        ways = self._it.shed.model.ledger.ways
        self._books.append(
            (self._it.clock.now().mono, {way: amount for (of, way), amount in ways.items() if of == "oxygen"})
        )

    def _do(self, work: Callable[..., object]) -> None:
        self._look()
        self._deeds.add(asyncio.ensure_future(work("blower-stop")))  # type: ignore[arg-type]

    def say(self, text: str = "") -> None:
        super().say(text)
        if text.startswith("Switch the air off now"):
            self._do(self._it.shed.faults.on)
        elif "PUT THE AIR BACK ON NOW" in text:
            self._do(self._it.shed.faults.off)

    def typed(self) -> str | None:
        return self._quits if self._quits and "air off for" in self._shown else None


def options(*words: str) -> argparse.Namespace:
    return _parser().parse_args(["air-off-test", *words, "--by", "Wren"])


async def run(it: Night, person: Person, *words: str) -> asyncio.Task[int]:
    ask = over(it.folder / "data" / "control.sock", it.clock)
    task = asyncio.ensure_future(guide(options(*words), it.clock, ask, person))
    await it.until(task.done, 2400)
    return task


async def test_from_the_cautions_to_the_saved_figure(tmp_path: Path) -> None:
    async with night(tmp_path) as it:
        person = Stander(it, STAND, STIR, ("Save this?", "yes"))
        kept = Keeping(read_shed(tmp_path / "shed.toml"), it.clock, "Wren")
        task = asyncio.ensure_future(
            air_off(kept, person, "raceway", 10)
        )  # as a step of commissioning: kept as proof
        await it.until(task.done, 2400)
        assert task.result() == 0
        sheet = asyncio.ensure_future(kept.sheet())
        await it.until(sheet.done)
        assert [one.state for one in sheet.result().lines if one.item.key == "air-off:raceway"] == [State.PROVEN]
        assert person.left == []
        for words in (
            "for 10 minutes: every tank and the filter stand without it",
            "Put it back at once if animals gape",
            "with dry hands",
            "licensed electrician",
            "These wait: ", "Air supply stopped", "Every emergency calls",
            "The air is off. Watch the animals.",
            "PUT THE AIR BACK ON NOW (10 min have passed",
            "The air is back.",
            "The test of Nursery raceway is over: all is back as it was.",
            "its figures in the shed file come to 1.",
            "Saved: it counts from the next stop of the air on.",
        ):  # fmt: skip
            assert words in person.text, words
        said = re.search(r"the whole tank uses ([0-9.]+) g/h, within a factor of ([0-9.]+)", person.text)
        assert said
        found, factor = map(float, said.groups())
        # what was hidden from it: what the simulated animals and the water's own bacteria took meanwhile
        animals, bacteria = person.taken_g_h("animals"), person.taken_g_h("bacteria")
        assert animals > 1.0
        assert animals / factor < found < (animals + bacteria) * factor
        assert it.modem.sent == []


async def test_nothing_is_touched_unless_somebody_stands_by(tmp_path: Path) -> None:
    async with night(tmp_path) as it:
        person = Stander(it, ("Do you stand at the tanks", ""))
        assert (await run(it, person, "raceway")).result() == 1
        assert "Nothing was changed." in person.text
        assert it.daemon.overview().aside == ()
        assert it.daemon.overview().attended == ""


async def test_q_has_the_air_put_back_at_once(tmp_path: Path) -> None:
    async with night(tmp_path) as it:
        person = Stander(it, STAND, STIR, quits="q")
        assert (await run(it, person, "raceway")).result() == 1
        assert "PUT THE AIR BACK ON NOW (given up" in person.text
        assert "min of readings after the first" in person.text  # why nothing was measured
        assert it.modem.sent == []
        assert it.daemon.overview().aside == ()


async def test_a_command_broken_off_says_so_and_the_alarm_calls_if_the_air_stays_off(tmp_path: Path) -> None:
    async with night(tmp_path) as it:
        person = Stander(it, STAND, STIR)
        ask = over(it.folder / "data" / "control.sock", it.clock)
        task = asyncio.ensure_future(guide(options("raceway"), it.clock, ask, person))
        await it.until(lambda: "The air is off" in person.text, 120)
        person._do = lambda work: None  # type: ignore[method-assign]  # and the person runs away
        task.cancel()
        await it.until(task.done, 60)
        assert task.cancelled()
        assert "Broken off. PUT THE AIR BACK ON NOW" in person.text
        await it.until(lambda: it.texts("AIR STOPPED"), 150)


async def test_what_the_daemon_refuses_is_one_clear_error(tmp_path: Path) -> None:
    async with night(tmp_path) as it:
        task = await run(it, Stander(it, STAND, STIR), "header")
        with pytest.raises(BrinewatchError, match="'header' is no tank whose oxygen can be foretold"):
            task.result()
