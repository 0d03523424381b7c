"""The replica against a real VictoriaMetrics. It answers yes to everything: only what is read back counts."""

from __future__ import annotations

from collections.abc import AsyncIterator
from dataclasses import replace
from pathlib import Path

import pytest

from brinewatch.readings import Flag
from broker import free_port
from replica.past import BEGAN, Shed
from replica.servers import Victoria, running

POINTS = ("raceway.temperature", "raceway.oxygen")


@pytest.fixture
async def shed(tmp_path: Path, request: pytest.FixtureRequest) -> AsyncIterator[Shed]:
    one = Shed(tmp_path / "data", key=request.node.name.replace("[", "-").strip("]").replace("_", "-")[:60])
    (tmp_path / "data").mkdir()
    async with one.open():
        yield one


async def test_what_is_read_from_the_start_on_is_there_exactly(shed: Shed, victoria: Victoria) -> None:
    replica = shed.replica(shed.settings(victoria.url))
    assert await replica.open() == ()
    await shed.read(POINTS, 300, value=lambda i: 8.4137 * 1.0013 + i / 300)
    await shed.run(replica, 10)
    rows = victoria.rows(shed.key)
    assert set(rows) == set(POINTS)
    for point in POINTS:
        assert rows[point] == shed.pairs(point)
        assert len(rows[point]) == 300
        assert all(ms % 100 == 0 for ms, _ in rows[point])
    assert victoria.rows(shed.key, "flag")["raceway.oxygen"][0][1] == 1.0
    assert shed.health == [(True, "")]


async def test_a_server_away_for_weeks_gets_all_of_it_when_it_is_back(shed: Shed, tmp_path: Path) -> None:
    server = Victoria(tmp_path / "victoria", free_port())
    replica = shed.replica(shed.settings(server.url))
    await replica.open()
    with running(server):
        await shed.read(POINTS, 20)
        await shed.run(replica, 10)
        assert len(server.rows(shed.key)["raceway.oxygen"]) == 20
        server.stop()
    for day in range(21):  # nobody there for three weeks, a scan an hour
        await shed.read(POINTS, 24, value=lambda i: 20.0 - i / 10, every=3600.0)
        await shed.history.sum_up()
        await shed.run(replica, 86400.0)
        if day == 0:
            assert [well for well, _ in shed.health][-1] is True
    well, words = shed.health[-1]
    assert not well
    assert "behind" in words
    with running(server):
        await shed.run(replica, 30.0)
        rows = server.rows(shed.key)
        for point in POINTS:
            assert rows[point] == shed.pairs(point)
            assert len(rows[point]) == 20 + 21 * 24
        await shed.run(replica, 1200.0)  # and yesterday is compared
    assert shed.health[-1] == (True, "")


async def test_a_stop_in_the_middle_loses_nothing_and_repeats_nothing_wrong(shed: Shed, victoria: Victoria) -> None:
    settings = shed.settings(victoria.url, batch=50)
    first = shed.replica(settings)
    await first.open()
    await shed.read(POINTS, 400)
    await shed.run(first, 1.0)  # four breaths: a few batches of fifty
    some = sum(map(len, victoria.rows(shed.key).values()))
    assert 0 < some < 800
    for _ in range(20):  # started and stopped again and again
        replica = shed.replica(settings)
        assert await replica.open() == ()
        await shed.run(replica, 0.6)
    rows = victoria.rows(shed.key)
    for point in POINTS:
        assert rows[point] == shed.pairs(point)


async def test_a_late_reading_and_a_verdict_in_hindsight_reach_it(shed: Shed, victoria: Victoria) -> None:
    replica = shed.replica(shed.settings(victoria.url))
    await replica.open()
    readings = await shed.read(["raceway.oxygen"], 10)
    await shed.run(replica, 10)
    await shed.read(["raceway.oxygen"], 1, began=BEGAN - 7200.0, value=lambda i: 5.5)
    shed.history.revise(replace(readings[4], flag=Flag.SUSPECT, reason="a spike"))
    assert await shed.history.flush()
    await shed.run(replica, 120)
    assert victoria.rows(shed.key)["raceway.oxygen"] == shed.pairs("raceway.oxygen")
    # of two flags at one instant this server keeps either
    flags = [flag for _, flag in victoria.rows(shed.key, "flag")["raceway.oxygen"]]
    assert flags[5] in (1, 3)
    assert flags[:5] + flags[6:] == 10 * [1]


async def test_a_shed_with_a_past_is_sent_what_is_new_and_says_so(shed: Shed, victoria: Victoria) -> None:
    await shed.read(["raceway.oxygen"], 30)
    replica = shed.replica(shed.settings(victoria.url))
    (note,) = await replica.open()
    assert "backfill" in note
    await shed.read(["raceway.oxygen"], 5, began=BEGAN + 3600)
    await shed.run(replica, 10)
    assert victoria.rows(shed.key)["raceway.oxygen"] == shed.pairs("raceway.oxygen")[30:]


async def test_two_sheds_share_a_server(tmp_path: Path, victoria: Victoria) -> None:
    for number, key in enumerate(("gannet-quay-1", "gannet-quay-2")):
        (tmp_path / key).mkdir()
        async with Shed(tmp_path / key, key=key).open() as shed:
            replica = shed.replica(shed.settings(victoria.url))
            await replica.open()
            await shed.read(POINTS, 40, value=lambda i, n=number: 10.0 * (n + 1) + i / 100)  # type: ignore[misc]
            await shed.run(replica, 10)
            assert victoria.rows(key) == {point: shed.pairs(point) for point in POINTS}
    assert {value for _, value in victoria.rows("gannet-quay-1")["raceway.oxygen"]}.isdisjoint(
        value for _, value in victoria.rows("gannet-quay-2")["raceway.oxygen"]
    )


async def test_a_history_begun_anew_or_put_back_is_sent_whole(shed: Shed, victoria: Victoria) -> None:
    settings = shed.settings(victoria.url)
    replica = shed.replica(settings)
    await replica.open()
    await shed.read(["raceway.oxygen"], 10)
    await shed.run(replica, 10)
    await shed.history.close()
    for tail in ("", "-wal", "-shm"):
        (shed.folder / f"history.sqlite{tail}").unlink(missing_ok=True)
    other = Shed(shed.folder, key=shed.key, began=BEGAN + 86400)
    async with other.open():
        await other.read(["raceway.oxygen"], 7, value=lambda i: 3.25)
        replica = other.replica(settings)
        (note,) = await replica.open()
        assert "another file" in note
        await other.run(replica, 10)
        assert victoria.rows(shed.key)["raceway.oxygen"][10:] == other.pairs("raceway.oxygen")
    await shed.history.open()
