"""The replica against a real InfluxDB 1.6, behind an nginx that asks for a token and fails as it is told."""

from __future__ import annotations

import asyncio
import signal
import subprocess
from collections.abc import AsyncIterator
from dataclasses import replace
from pathlib import Path

import pytest

from brinewatch.readings import Flag
from brinewatch.store.series.lines import body
from brinewatch.store.series.replica import Replica
from brinewatch.store.series.server import PersonNeeded, Server
from brinewatch.store.series.settings import SeriesSettings
from brinewatch.store.series.verify import verify
from broker import free_port
from replica.past import BEGAN, Shed
from replica.servers import TOKEN, Influx, Proxy

POINTS = ("raceway.temperature", "raceway.oxygen")


@pytest.fixture
async def shed(tmp_path: Path) -> AsyncIterator[Shed]:
    (tmp_path / "data").mkdir()
    async with Shed(tmp_path / "data").open() as one:
        yield one


@pytest.fixture
def db(influx: Influx, request: pytest.FixtureRequest) -> str:
    name = request.node.name
    influx.ask(f'CREATE DATABASE "{name}"')
    return str(name)


@pytest.fixture
def settings(shed: Shed, proxy: Proxy, db: str) -> SeriesSettings:
    return shed.settings(proxy.url, bucket=db, server="influxdb1")


async def begun(shed: Shed, settings: SeriesSettings, token: str = TOKEN) -> Replica:
    replica = shed.replica(settings, token)
    await replica.open()
    return replica


async def test_values_flags_and_instants_are_there_exactly(
    shed: Shed, settings: SeriesSettings, influx: Influx, db: str
) -> None:
    replica = await begun(shed, settings)
    readings = await shed.read(POINTS, 200, value=lambda i: None if i % 50 == 7 else 8.4137 * 1.0013 + i / 300)
    await shed.run(replica, 10)
    shed.history.revise(replace(readings[4], flag=Flag.SUSPECT, reason="a spike"))
    assert await shed.history.flush()
    await shed.run(replica, 120)
    rows = influx.rows(shed.key, db)
    assert rows == {point: shed.pairs(point) for point in POINTS}
    assert len(rows["raceway.oxygen"]) == 196
    flags = influx.rows(shed.key, db, "flag")["raceway.temperature"]
    assert [flag for _, flag in flags] == [1, 1, 3] + 197 * [1]
    types = influx.ask('SHOW FIELD KEYS FROM "reading"', db)[0]["values"]
    assert types == [["flag", "float"], ["raw", "float"], ["value", "float"]]
    tags = influx.ask('SHOW TAG KEYS FROM "reading"', db)[0]["values"]
    assert tags == [["quantity"], ["shed"], ["stage"]]


async def test_a_wrong_token_is_a_persons_business_and_loses_nothing(
    shed: Shed, settings: SeriesSettings, influx: Influx, db: str, proxy: Proxy
) -> None:
    replica = await begun(shed, settings, "wrong")
    await shed.read(POINTS, 20)
    await shed.run(replica, 1000.0)
    well, words = shed.health[-1]
    assert not well
    assert "401" in words
    assert "token_file" in words
    assert "wrong" not in words
    assert len(proxy.statuses()) == 2  # every ten minutes is often enough
    await shed.run(await begun(shed, settings), 10)
    assert influx.rows(shed.key, db) == {point: shed.pairs(point) for point in POINTS}


async def test_a_bucket_that_is_not_there_is_a_persons_business(shed: Shed, proxy: Proxy, influx: Influx) -> None:
    replica = await begun(shed, shed.settings(proxy.url, bucket="nowhere", server="influxdb1"))
    await shed.read(POINTS, 5)
    await shed.run(replica, 10)
    well, words = shed.health[-1]
    assert not well
    assert "404" in words
    influx.ask('CREATE DATABASE "nowhere"')
    await shed.run(replica, 10)
    assert shed.health[-1] == (True, "")
    assert influx.rows(shed.key, "nowhere") == {point: shed.pairs(point) for point in POINTS}


async def test_too_much_at_once_is_halved(
    shed: Shed, settings: SeriesSettings, influx: Influx, db: str, proxy: Proxy
) -> None:
    proxy.now(extra="client_max_body_size 1k;")
    replica = await begun(shed, settings)
    await shed.read(POINTS, 400)
    await shed.run(replica, 60)
    assert influx.rows(shed.key, db) == {point: shed.pairs(point) for point in POINTS}
    statuses = proxy.statuses()
    assert statuses.count(413) >= 2
    assert statuses[-1] == 204
    assert shed.health[-1] == (True, "")


@pytest.mark.parametrize("status", [429, 503])
async def test_it_waits_as_long_as_the_server_says(shed: Shed, proxy: Proxy, influx: Influx, status: int) -> None:
    influx.ask(f'CREATE DATABASE "busy{status}"')
    proxy.now(f"add_header Retry-After 90 always; return {status};")
    replica = await begun(shed, shed.settings(proxy.url, bucket=f"busy{status}", server="influxdb1"))
    await shed.read(POINTS, 20)
    await shed.run(replica, 100.0)
    assert proxy.statuses() == [status, status]  # at once, and after 90 s
    assert shed.health[-1][0] is True  # a day of it is no news for anybody
    proxy.now()
    await shed.run(replica, 1.0)
    assert influx.rows(shed.key, f"busy{status}") == {point: shed.pairs(point) for point in POINTS}


async def test_a_refused_point_is_named_and_holds_nothing_up(
    shed: Shed, settings: SeriesSettings, influx: Influx, db: str
) -> None:
    """Readings from before what the server keeps: it takes the others of the same batch, and says how many not."""
    influx.ask(f'CREATE RETENTION POLICY "short" ON "{db}" DURATION 1040w REPLICATION 1 DEFAULT')
    replica = await begun(shed, settings)
    old = await shed.read(["raceway.oxygen"], 3, began=BEGAN - 9e8)
    await shed.read(POINTS, 40)
    await shed.run(replica, 60)
    wanted = {point: shed.pairs(point) for point in POINTS}
    wanted["raceway.oxygen"] = wanted["raceway.oxygen"][3:]
    assert influx.rows(shed.key, db) == wanted
    with shed.file() as file:
        (span,) = file.refused()
        assert (span.point, span.n) == ("raceway.oxygen", 3)
        assert "retention" in span.reason
        assert [span.first_us, span.last_us] == [round(one.at.utc * 1e6) for one in (old[0], old[-1])]
    well, words = shed.health[-1]
    assert not well
    assert "3 readings were refused" in words
    server = Server(settings, TOKEN)
    try:  # what it has refused is not missed when it is compared
        day_us = round((BEGAN - 9e8) // 86400 * 86400e6)
        with shed.file() as file:
            spans = file.refused()
        zone = shed.clock.now().zone
        (plain,) = verify(shed.folder, zone, shed.key, server, day_us)
        assert (plain.missing, plain.same) == (3, False)
        assert all(one.same for one in verify(shed.folder, zone, shed.key, server, day_us, spans))
    finally:
        server.close()


async def test_a_server_that_refuses_everything_has_nothing_set_aside(
    shed: Shed, settings: SeriesSettings, influx: Influx, db: str, proxy: Proxy
) -> None:
    """A bucket in which `flag` has met whole numbers takes no reading at all: that is a person's business."""
    server = Server(settings, TOKEN)
    server.write(f"reading,quantity=oxygen,shed=s,stage=t flag=1i {round(BEGAN * 1000)}".encode())
    server.close()
    replica = await begun(shed, settings)
    await shed.read(POINTS, 40)
    await shed.run(replica, 30)
    well, words = shed.health[-1]
    assert not well
    assert "field type conflict" in words
    with shed.file() as file:
        assert file.refused() == []
    influx.ask(f'DROP DATABASE "{db}"')
    influx.ask(f'CREATE DATABASE "{db}"')
    await shed.run(replica, 30)
    assert influx.rows(shed.key, db) == {point: shed.pairs(point) for point in POINTS}
    assert shed.health[-1] == (True, "")
    assert 400 in proxy.statuses()


async def test_a_log_in_page_in_between_is_not_taken_for_the_server(
    shed: Shed, settings: SeriesSettings, influx: Influx, db: str, proxy: Proxy
) -> None:
    proxy.now("return 200 '<html>Welcome. Please log in.</html>';")
    replica = await begun(shed, settings)
    await shed.read(POINTS, 5)
    await shed.run(replica, 10)
    well, words = shed.health[-1]
    assert not well
    assert "200" in words
    proxy.now()
    await shed.run(replica, 10)
    assert influx.rows(shed.key, db) == {point: shed.pairs(point) for point in POINTS}


async def test_a_server_that_hangs_holds_nothing_up(
    shed: Shed, settings: SeriesSettings, influx: Influx, db: str
) -> None:
    settings = settings.model_copy(update={"answer_s": 0.3})
    replica = await begun(shed, settings)
    await shed.read(POINTS, 300)
    influx.signal(signal.SIGSTOP)
    try:
        task = asyncio.create_task(replica.run())
        await shed.clock.drive(shed.clock.now().mono + 20)
        # the history is written and read meanwhile
        await shed.read(POINTS, 10, began=BEGAN + 7200)
        assert len(await shed.history.read("raceway.oxygen", BEGAN, BEGAN + 8000)) == 310
    finally:
        influx.signal(signal.SIGCONT)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
    await shed.run(replica, 30)
    assert influx.rows(shed.key, db) == {point: shed.pairs(point) for point in POINTS}


async def test_over_tls_only_whom_it_should_trust(
    shed: Shed, proxy: Proxy, influx: Influx, db: str, tmp_path: Path
) -> None:
    for name in ("own", "other"):
        subprocess.run(
            ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "9", "-subj", f"/CN={name}",
             "-addext", "subjectAltName=IP:127.0.0.1", "-keyout", tmp_path / f"{name}.key", "-out",
             tmp_path / f"{name}.pem"], check=True, capture_output=True,
        )  # fmt: skip
    port = free_port()
    key, certificate = tmp_path / "own.key", tmp_path / "own.pem"
    proxy.now(extra=f"listen 127.0.0.1:{port} ssl; ssl_certificate {certificate}; ssl_certificate_key {key};")
    settings = shed.settings(f"https://127.0.0.1:{port}", bucket=db, server="influxdb1")
    await shed.read(POINTS, 5)
    for authority, trusted in (("other", False), ("own", True)):
        server = Server(settings, TOKEN, str(tmp_path / f"{authority}.pem"))
        try:
            if trusted:
                server.write(body(shed.told("raceway.oxygen")))
            else:
                with pytest.raises(PersonNeeded, match="not trusted"):
                    server.write(body(shed.told("raceway.oxygen")))
        finally:
            server.close()
    assert influx.rows(shed.key, db) == {"raceway.oxygen": shed.pairs("raceway.oxygen")}


async def test_what_a_server_lost_after_its_yes_is_found_and_sent_again(
    shed: Shed, settings: SeriesSettings, influx: Influx, db: str
) -> None:
    replica = await begun(shed, settings)
    day = (BEGAN // 86400 + 1) * 86400
    await shed.read(POINTS, 100, every=600.0, began=day)
    await shed.run(replica, 10)
    until = round(day * 1000) + 9_000_000
    influx.ask(f"DELETE FROM \"reading\" WHERE time < {until}ms AND quantity = 'oxygen'", db)
    assert len(influx.rows(shed.key, db)["raceway.oxygen"]) == 85
    await shed.run(replica, day + 86400 + 4 * 3600 - BEGAN)
    assert influx.rows(shed.key, db) == {point: shed.pairs(point) for point in POINTS}
    assert shed.health[-1] == (True, "")
