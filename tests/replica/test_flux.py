"""Reading back from InfluxDB 2. Debian has no server of it: what is checked here by default is that an answer is
understood, an annotated CSV as in docs.influxdata.com/influxdb/v2/reference/syntax/annotated-csv. Where variables
name a real server, the whole way is tried on it."""

from __future__ import annotations

import asyncio
import os
import urllib.parse
from pathlib import Path

import pytest

from brinewatch.store.series.server import PersonNeeded, Server
from brinewatch.store.series.settings import SeriesSettings
from broker import free_port
from replica.conftest import REAL_2
from replica.past import BEGAN, Shed
from replica.servers import Proxy, running

_ANSWER = """#group,false,false,false,true,false
#datatype,string,long,dateTime:RFC3339,string,double
#default,_result,,,,
,result,table,_time,_field,_value
,,0,2024-05-28T20:26:40Z,flag,1
,,0,2024-05-28T20:26:40.1Z,flag,3
,,1,2024-05-28T20:26:40Z,value,8.425070963
,,1,2024-05-28T20:26:40.1Z,value,-1.5e-05
"""


def canned(folder: Path, answer: str) -> Proxy:
    text = answer.replace("\n", "\r\n")
    return Proxy(
        folder / "nginx", free_port(), behind=9,
        extra=f"location = /api/v2/query {{ default_type text/csv; return 200 '{text}'; }}",
    )  # fmt: skip


def test_an_annotated_answer_is_understood(tmp_path: Path) -> None:
    with running(proxy := canned(tmp_path, _ANSWER)):
        server = Server(SeriesSettings(url=proxy.url, bucket="sheds"), "t")
        try:
            values, flags = server.kept("gannet-quay", "raceway.oxygen", 1, 2)
        finally:
            server.close()
    assert values == {1_716_928_000_000: {8.425070963}, 1_716_928_000_100: {-1.5e-05}}
    assert flags == {1_716_928_000_000: {1.0}, 1_716_928_000_100: {3.0}}


def test_another_answer_is_a_persons_business(tmp_path: Path) -> None:
    with running(proxy := canned(tmp_path, "<html>Welcome. Please log in.</html>\n")):
        server = Server(SeriesSettings(url=proxy.url, bucket="sheds"), "t")
        try:
            with pytest.raises(PersonNeeded, match=r"something else than readings"):
                server.kept("gannet-quay", "raceway.oxygen", 1, 2)
        finally:
            server.close()


@pytest.mark.influxdb2
def test_the_whole_way_on_a_real_one(tmp_path: Path) -> None:
    """Named by BRINEWATCH_TEST_SERIES_URL, _TOKEN, _ORG and _BUCKET; it is given a shed of its own."""
    url, token, org, bucket = (os.environ[name] for name in REAL_2)
    key = f"test-{os.getpid()}-{urllib.parse.urlsplit(url).port or 0}"
    shed = Shed(tmp_path, key=key)
    settings = shed.settings(url, bucket=bucket, org=org, server="influxdb2", answer_s=20.0)

    async def sent() -> None:
        async with shed.open():
            replica = shed.replica(settings, token)
            await replica.open()
            await shed.read(["raceway.oxygen"], 300, value=lambda i: 8.4137 * 1.0013 + i / 300)
            await shed.run(replica, 30)
            assert shed.health[-1] == (True, "")

    asyncio.run(sent())
    server = Server(settings, token)
    try:
        values, flags = server.kept(key, "raceway.oxygen", round((BEGAN - 60) * 1000), round((BEGAN + 9000) * 1000))
    finally:
        server.close()
    assert sorted((ms, *found) for ms, found in values.items()) == shed.pairs("raceway.oxygen")
    assert all(found == {1.0} for found in flags.values())
