"""The round on the whole daemon: entered, judged, corrected, and all of it there after a restart."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from brinewatch.alarms.events import State
from brinewatch.control import ask
from brinewatch.errors import BrinewatchError
from brinewatch.readings import Flag
from scenarios.night import EVENING, Night, night, shed_text

ROUND = """
[[round]]
stage = "raceway"
ask = ["tan", "nitrite", "feed_given"]

[[round]]
stage = "bed"
ask = ["refractometer_salinity"]
every_days = 300

[[round]]
stage = "raceway"
ask = ["deaths"]
every_days = 0.002

[[round]]
stage = "raceway"
ask = ["mean_weight"]
every_days = 14

[[override]]
rule = "round-overdue"
on_delay_s = 20
why = "nobody is to wait ten minutes here"

[[override]]
rule = "no-deaths-data"
on_delay_s = 60
why = "the same"

[[batch]]
key = "spring"
name = "Spring animals"
species = "Apostichopus japonicus"
stage = "raceway"
started = 2026-08-01
animals_in = 2000
mean_weight_g = 2.0
market_weight_g = 40
"""
FIELDS = {
    "raceway.tan": "0,12",
    "raceway.nitrite": "0.05",
    "raceway.deaths": "0",
    "raceway.feed_given": "120",
    "bed.refractometer_salinity": "32",
}
OVERDUE, NITRITE = "round-overdue@round.health", "cucumber-nitrite-high-critical@raceway.nitrite"


def text() -> str:
    return shed_text() + ROUND


async def asked(it: Night, do: str, **more: Any) -> Mapping[str, Any]:
    with it.clock.hold():
        return await asyncio.to_thread(ask, it.folder / "data" / "control.sock", {"do": do, "by": "Wren", **more})


def holds(it: Night, alarm: str) -> bool:
    """Whether an alarm's condition holds now; one that is over stands until somebody has seen it."""
    over = (State.RETURNED, State.LATCHED)
    return any(one.alarm == alarm and one.state not in over for one in it.daemon.overview().alarms)


async def history(it: Night, point: str) -> list[tuple[float, float | None, Flag, str]]:
    found = await it.daemon.history.read(point, EVENING - 86400, EVENING + 5 * 86400)
    return [(round(one.at.utc - EVENING), one.value, one.flag, one.reason) for one in found if one.raw is not None]


async def test_a_round_is_kept_judged_and_there_after_a_restart(tmp_path: Path) -> None:
    async with night(tmp_path, text(), begin=False) as it:
        await it.begin()
        await it.passes(60)
        assert holds(it, OVERDUE)
        done = await asked(it, "round save", fields=FIELDS, note="Feeding well.", about="raceway", form="form-0001")
        assert (done["faults"], done["doubts"], done["again"]) == ({}, {}, False)
        assert done["kept"][0] == "Nursery raceway, total ammonia as N: 0.12 mg/L N, 2026-09-23 22:01"
        # the same form again, as by a thumb that trembles
        again = await asked(
            it, "round save", fields=FIELDS, note="Feeding well.", about="raceway", form="form-0001"
        )
        assert again["again"]
        assert again["kept"] == done["kept"]
        rows = (await asked(it, "round list"))["rows"]
        assert len(rows) == 6
        assert [one["note"] for one in rows if one["note"]] == ["Feeding well."]
        assert it.daemon.keeper.latest["raceway.tan"].value == 0.12
        await it.passes(35)
        # weights are still owed, and say so in the one alarm
        assert "mean live weight" in it.daemon.overview().alarms[-1].shown
        await asked(it, "round save", fields={"raceway.mean_weight": "10 12 14"}, form="form-0002")
        await it.passes(35)
        assert not holds(it, OVERDUE)
        await it.end()
        await it.begin()
        await it.passes(60)
        assert it.daemon.keeper.latest["raceway.mean_weight"].value == 12.0
        assert len((await asked(it, "round list"))["rows"]) == 7
        assert (await asked(it, "round save", fields=FIELDS, form="form-0001"))["again"]
        assert not holds(it, OVERDUE)
        # nobody looks for the dead any more: a quarter more than its time, and it is said
        await it.passes(200)
        assert holds(it, OVERDUE)
        # one alarm for all: what each of them would say of itself has joined it
        await it.passes(70)
        assert not holds(it, "no-deaths-data@raceway.deaths")
        await it.end()


async def test_a_corrected_value_is_what_charts_and_rules_see(tmp_path: Path) -> None:
    async with night(tmp_path, text()) as it:
        held = await asked(it, "round save", fields={"raceway.nitrite": "5"})
        assert held["kept"] == []
        assert "Nitrite too high" in held["doubts"]["raceway.nitrite"][0]
        assert (await asked(it, "round list"))["rows"] == []
        await asked(it, "round save", fields={"raceway.nitrite": "5"}, anyway=True)
        await it.passes(10)
        assert holds(it, NITRITE)
        [row] = (await asked(it, "round list"))["rows"]
        nothing = await asked(it, "round correct", entry=row["number"], text="0.05")
        assert list(nothing["faults"]) == ["why"]
        done = await asked(it, "round correct", entry=row["number"], text="0.05", why="read the wrong line")
        assert done["kept"] == ["Nursery raceway, nitrite as N: 0.05 mg/L N, 2026-09-23 22:00"]
        await it.passes(10)
        assert it.daemon.keeper.latest["raceway.nitrite"].value == 0.05
        await it.passes(60)
        assert not holds(it, NITRITE)
        wrong, right = await history(it, "raceway.nitrite")
        assert wrong[1:3] == (5.0, Flag.FAIL)
        assert wrong[3] == "Corrected by Wren to 0.05 mg/L N: read the wrong line"
        assert right[1:3] == (0.05, Flag.PASS)
        new, old = (await asked(it, "round list"))["rows"]
        assert (new["corrects"], new["note"]) == (old["number"], "read the wrong line")
        assert old["state"].startswith("corrected to 0.05 mg/L N by Wren")
        with pytest.raises(BrinewatchError, match="was corrected already"):
            await asked(it, "round correct", entry=old["number"], text="0.1", why="again")


async def test_what_was_measured_earlier_does_not_stand_for_now(tmp_path: Path) -> None:
    async with night(tmp_path, text()) as it:
        await asked(it, "round save", fields={"raceway.tan": "0.2"})
        await asked(it, "round save", fields={"raceway.tan": "0.3"}, at="2026-09-23T08:00")
        await asked(it, "round save", fields={"raceway.tan": "0.4"}, at="2026-09-23T08:00")
        assert it.daemon.keeper.latest["raceway.tan"].value == 0.2
        # two of one minute are both charted
        assert [one[:2] for one in await history(it, "raceway.tan")] == [
            (-14 * 3600, 0.3), (-14 * 3600, 0.4), (pytest.approx(31, abs=5), 0.2)
        ]  # fmt: skip
        rows = (await asked(it, "round list"))["rows"]
        taken = await asked(it, "round correct", entry=rows[0]["number"], why="other tank", take_back=True)
        assert taken["kept"][0].endswith("taken back")
        assert it.daemon.keeper.latest["raceway.tan"].value == 0.4
        assert (await history(it, "raceway.tan"))[2][2:] == (Flag.FAIL, "Taken back by Wren: other tank")
        future = await asked(it, "round save", fields={"raceway.tan": "0.2"}, at="2026-09-24T08:00")
        assert "lies in the future" in future["faults"]["at"]


async def test_the_refractometer_is_held_against_the_probe(tmp_path: Path) -> None:
    async with night(tmp_path, text()) as it:
        probe = it.daemon.keeper.latest["header.salinity"].value
        assert probe is not None
        point = "bed.refractometer_salinity"
        done = await asked(it, "round save", fields={point: f"{probe + 6:.0f}"})
        assert "(Header tank, salinity)" in done["doubts"][point][-1]
        # the water of yesterday is not what the probe measures now
        assert (await asked(it, "round save", fields={point: f"{probe + 6:.0f}"}, at="2026-09-22T12:00"))["kept"]
        assert (await asked(it, "round save", fields={point: f"{probe:.0f}"}))["kept"]


@pytest.mark.parametrize(
    ("fields", "key", "words"),
    [
        ({"raceway.tan": "lots"}, "raceway.tan", "is no number"),
        ({"raceway.tan": "500"}, "raceway.tan", "Between 0 and 200 mg/L N was expected"),
        ({"raceway.tan": "0 4"}, "raceway.tan", "more than one number"),
        ({"raceway.deaths": "1.5"}, "raceway.deaths", "a whole number"),
        ({"raceway.oxygen": "8"}, "raceway.oxygen", "takes no values entered by hand"),
        ({}, "", "Nothing is filled in"),
    ],
)
async def test_nothing_of_a_form_with_a_fault_is_kept(
    tmp_path: Path, fields: dict[str, str], key: str, words: str
) -> None:
    async with night(tmp_path, text()) as it:
        both = {"raceway.nitrite": "0.05", **fields} if fields else {}
        done = await asked(it, "round save", fields=both)
        assert words in done["faults"][key]
        assert (await asked(it, "round list"))["rows"] == []


async def test_the_sheet_of_the_batch_counts_what_was_entered(tmp_path: Path) -> None:
    async with night(tmp_path, text()) as it:
        for day, weight, dead in (("2026-08-15", "2.4 2.6", "4"), ("2026-08-29", "3.1 3.3", "2")):
            fields = {"raceway.mean_weight": weight, "raceway.deaths": dead, "raceway.feed_given": "900"}
            await asked(it, "round save", fields=fields, at=f"{day}T09:00", anyway=True)
        [sheet] = (await asked(it, "batch", key="spring"))["batches"]
        figures = {one["key"]: one for one in sheet["figures"]}
        assert figures["deaths"]["value"] == 6
        assert figures["survival"]["value"] == pytest.approx(99.7)
        assert figures["present"]["value"] == 1994
        # 1.8 kg of feed for 1994 of 3.2 g less 2000 of 2.0 g
        assert figures["fcr"]["value"] == pytest.approx(1800 / (1994 * 3.2 - 4000))
        assert figures["days_to_market"]["note"]
        with pytest.raises(BrinewatchError, match="no batch 'autumn'"):
            await asked(it, "batch", key="autumn")
