"""The servers the replica is tried on, and shed histories with something in them."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from broker import free_port
from replica.servers import Influx, Proxy, Victoria, running

REAL_2 = ("BRINEWATCH_TEST_SERIES_URL", "BRINEWATCH_TEST_SERIES_TOKEN", "BRINEWATCH_TEST_SERIES_ORG",
          "BRINEWATCH_TEST_SERIES_BUCKET")  # fmt: skip


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """What needs a real InfluxDB 2 is run where one is named, and left out where none is."""
    if all(os.environ.get(name) for name in REAL_2):
        return
    left = [item for item in items if item.get_closest_marker("influxdb2")]
    if left:
        config.hook.pytest_deselected(items=left)
        items[:] = [item for item in items if item not in left]


@pytest.fixture(scope="session")
def victoria(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Victoria]:
    """Tests share it: each has a shed of its own in it."""
    one = Victoria(tmp_path_factory.mktemp("victoria"), free_port())
    with running(one):
        yield one


@pytest.fixture(scope="session")
def influx(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Influx]:
    """Tests share it: each has a database of its own in it."""
    one = Influx(tmp_path_factory.mktemp("influx"), free_port())
    with running(one):
        yield one


@pytest.fixture
def proxy(influx: Influx, tmp_path: Path) -> Iterator[Proxy]:
    one = Proxy(tmp_path / "nginx", free_port(), behind=influx.port)
    with running(one):
        yield one
