"""Wires proven by a hand: real files of the kernel, moved under the eyes of the command."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from brinewatch.clock import SteppingClock
from brinewatch.commission.keeping import Keeping
from brinewatch.commission.wires import prove_wires
from brinewatch.commission.wrong_wires import WRONG, hints
from brinewatch.config import read_shed
from brinewatch.errors import BrinewatchError
from brinewatch.proving.items import State
from brinewatch.proving.moves import MOVES, Seen, Watch, move_for
from brinewatch.quantities import QUANTITIES
from brinewatch.store.backup import PROOFS
from commission.places import Hand, Rack, Talker

A, B = "00000a1b2c01", "00000a1b2c02"
SHED = """
[shed]
key = "try"
name = "Try"
short_name = "TRY"
time_zone = "Etc/UTC"
altitude_m = 4
[page]
enabled = false
[[water]]
key = "tank"
name = "Tank"
kind = "animals"
watch = ["temperature"]
[[water]]
key = "header"
name = "Header"
kind = "header"
watch = ["temperature"]
[bus.w1]
kind = "onewire"
root = "w1"
[[bus.w1.probe]]
name = "tank-thermometer"
device = "28-00000a1b2c01"
channel = [{ point = "tank.temperature" }]
[[bus.w1.probe]]
name = "header-thermometer"
device = "28-00000a1b2c02"
channel = [{ point = "header.temperature" }]
[[rules]]
file = "watch.toml"
"""


@asynccontextmanager
async def place(folder: Path, text: str = SHED) -> AsyncIterator[tuple[Rack, Keeping]]:
    (folder / "shed.toml").write_text(text, encoding="utf-8")
    rack = Rack(folder / "w1", {A: Hand(12.0), B: Hand(11.5)})
    rack.show()
    clock = SteppingClock(1_790_200_800.0)
    driver = asyncio.create_task(clock.drive())
    try:
        yield rack, Keeping(read_shed(folder / "shed.toml"), clock, "Wren")
    finally:
        driver.cancel()
        await asyncio.gather(driver, return_exceptions=True)


class Mover(Talker):
    """Somebody who warms a thermometer as soon as it is said that it may be: (identity, degrees)."""

    def __init__(self, rack: Rack, moves: dict[str, float | None], rules: dict[str, str | list[str]]) -> None:
        super().__init__(dict(rules))
        self._rack, self._moves = rack, moves

    def say(self, text: str = "") -> None:
        super().say(text)
        if text == "  Now.":
            for identity, by in self._moves.items():
                if by is None:
                    (self._rack.root / f"28-{identity}" / "w1_slave").write_text("", encoding="ascii")
                else:
                    self._rack.hands[identity].celsius += by
                    self._rack.show()


YES = {"Was that you": "yes", "Write it down": "yes"}


async def states(keeping: Keeping) -> dict[str, State]:
    return {one.item.key: one.state for one in (await keeping.sheet()).lines if one.item.group == "Wires"}


async def test_a_wire_is_proven_by_the_hand_that_moved_it(tmp_path: Path) -> None:
    async with place(tmp_path) as (rack, keeping):
        mover = Mover(rack, {A: 4.0}, YES)
        assert await prove_wires(keeping, mover, ["tank.temperature"], 20) == 0, mover.text
        assert "Hold the probe in your warm hand" in mover.text
        assert "electricity kill" in mover.text
        assert "It moved: from 12.0 " in mover.text
        assert await states(keeping) == {
            "wire:tank.temperature": State.PROVEN, "wire:header.temperature": State.OPEN,
        }  # fmt: skip
        # begun again it asks only for what is left
        again = Mover(rack, {B: 4.0}, YES)
        assert await prove_wires(keeping, again, [], 20) == 0, again.text
        assert "1 of 2 wires are to be proven" in again.text
        done = Mover(rack, {}, YES)
        assert await prove_wires(keeping, done, [], 20) == 0
        assert "Every wire is proven" in done.text
        [first, second] = json.loads((keeping.shed.data / PROOFS).read_text(encoding="utf-8"))["proofs"]
        assert (first["by"], first["item"], second["item"]) == (
            "Wren", "wire:tank.temperature", "wire:header.temperature",
        )  # fmt: skip
        assert first["detail"].startswith("moved by hand from 12.0")


async def test_swapped_probes_are_seen_and_named(tmp_path: Path) -> None:
    async with place(tmp_path) as (rack, keeping):
        mover = Mover(rack, {B: 4.0}, YES)
        assert await prove_wires(keeping, mover, ["tank.temperature"], 20) == 1
        assert "NOT PROVEN: it stayed at 12.0" in mover.text
        assert "header.temperature moved instead" in mover.text
        assert "two probes are swapped" in mover.text
        assert (await states(keeping))["wire:tank.temperature"] is State.FAILED


@pytest.mark.parametrize(
    ("moves", "told", "hint"),
    [
        ({}, "it stayed at 12.0", "another number"),
        ({A: -4.0}, "moved the wrong way", ""),
        ({A: None}, "no value: The thermometer gave no answer", "pull-up resistor is missing"),
    ],
)
async def test_a_wire_that_is_wrong_says_how(
    tmp_path: Path, moves: dict[str, float | None], told: str, hint: str
) -> None:
    async with place(tmp_path) as (rack, keeping):
        mover = Mover(rack, moves, {"Write it down": ""})
        assert await prove_wires(keeping, mover, ["tank.temperature"], 10) == 1
        assert told in mover.text
        assert hint in mover.text
        assert (await states(keeping))["wire:tank.temperature"] is State.OPEN  # nothing was written down


async def test_what_moved_by_itself_proves_nothing(tmp_path: Path) -> None:
    async with place(tmp_path) as (rack, keeping):
        assert (
            await prove_wires(keeping, Mover(rack, {A: 4.0}, {"Was that you": "no"}), ["tank.temperature"], 10) == 1
        )
        assert (await states(keeping))["wire:tank.temperature"] is State.OPEN


async def test_another_probe_in_the_file_undoes_the_proof(tmp_path: Path) -> None:
    async with place(tmp_path) as (rack, keeping):
        assert await prove_wires(keeping, Mover(rack, {A: 4.0, B: 4.0}, YES), [], 20) == 0
        text = SHED.replace('"28-00000a1b2c01"', '"28-00000a1b2c03"')
        (tmp_path / "shed.toml").write_text(text, encoding="utf-8")
        after = Keeping(read_shed(tmp_path / "shed.toml"), keeping.clock, "Wren")
        assert await states(after) == {
            "wire:tank.temperature": State.CHANGED, "wire:header.temperature": State.PROVEN,
        }  # fmt: skip


async def test_a_point_no_wire_feeds_is_one_clear_error(tmp_path: Path) -> None:
    async with place(tmp_path) as (_, keeping):
        with pytest.raises(BrinewatchError, match=r"No wire feeds tank\.oxygen"):
            await prove_wires(keeping, Talker({}), ["tank.oxygen"], 10)


async def test_a_spoiled_file_of_proofs_is_one_clear_error(tmp_path: Path) -> None:
    async with place(tmp_path) as (_, keeping):
        keeping.shed.data.mkdir()
        for spoiled in ("{", '{"format": 7}', '{"format": 1, "proofs": [{"item": 1}], "signed": []}'):
            (keeping.shed.data / PROOFS).write_text(spoiled, encoding="utf-8")
            with pytest.raises(BrinewatchError, match="cannot be understood"):
                await keeping.sheet()


def test_noise_is_told_from_a_move() -> None:
    watch = Watch("tank.temperature")
    for value in (12.0, 13.0, 12.2):
        watch.take({"tank.temperature": value})
    assert watch.seen() is Seen.NOISY
    assert hints("modbus_rtu", Seen.NOISY, "")[0].wire.startswith("the cable runs beside mains")


def test_one_reading_shown_three_times_says_nothing_of_rest() -> None:
    watch = Watch("tank.temperature")
    for _ in range(5):
        watch.take({"tank.temperature": 12.0}, fresh=set())
    assert not watch.ready
    for value in (12.0, 12.1, 12.0):
        watch.take({"tank.temperature": value}, fresh={"tank.temperature"})
    assert watch.ready


@pytest.mark.parametrize("way", [1, -1])
def test_a_loop_with_its_span_the_wrong_way_round_is_told(way: int) -> None:
    watch = Watch("header.salinity")  # lifted into the air it must fall
    for value in (33.0, 33.0, 33.0, 33.0 + 10 * way):
        watch.take({"header.salinity": value})
    assert watch.seen(over=True) is (Seen.WRONG_WAY if way == 1 else Seen.MOVED)


def test_every_quantity_a_probe_measures_has_something_to_do() -> None:
    assert MOVES.keys() <= QUANTITIES.keys()
    for key, one in QUANTITIES.items():
        move = move_for(f"tank.{key}")
        assert move.do.endswith(".")
        # within the span of what can be read at all, and wider than the last digit shown
        assert 10.0**-one.decimals <= move.least <= one.high - one.low


def test_every_kind_of_bus_with_wires_says_what_a_wrong_one_looks_like() -> None:
    from typing import get_args

    from brinewatch.probes.build import BusSettings

    kinds = {get_args(one.model_fields["kind"].annotation)[0] for one in get_args(get_args(BusSettings)[0])}
    assert kinds - {"manual", "recorded", "board"} == WRONG.keys()
    assert hints("iio", Seen.SILENT, "The loop carries 0.00 mA")[0].wire.startswith("the loop is open")
    bad = hints("modbus_rtu", Seen.SILENT, "The checksum of the answer from address 3 is wrong.")
    assert {one.seen for one in bad} == {"bad answers"}
