"""What every test is held to: it leaves no task running, no port open and no thread behind."""

from __future__ import annotations

import asyncio
import functools
import inspect
import os
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

HERE = Path(__file__).parent
# folders of tests that take long, the longest first: they begin, so that no worker ends alone with one of them
LONG = ("faults", "scenarios", "rehearsal", "fuzz", "page", "replica", "lookout", "keeping", "importing", "store")


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Deal the long ones out to the workers: each begins with as many tests as the others, in one piece."""
    workers: int = getattr(config, "workerinput", {}).get("workercount", 1)
    if workers == 1:
        return  # in the order they are written
    rank = {name: place for place, name in enumerate(LONG)}
    folders = {item: item.path.relative_to(HERE).parts[0] for item in items}
    long = sorted((item for item in items if folders[item] in rank), key=lambda item: rank[folders[item]])
    short = [item for item in items if folders[item] not in rank]
    every = len(items)
    items.clear()
    for worker in range(workers):
        mine = long[worker::workers]
        room = max(0, (every - len(items)) // (workers - worker) - len(mine))
        items += [*mine, *short[:room]]
        del short[:room]
    items += short


def _leaves_no_task(test: Callable[..., Any]) -> Callable[..., Any]:
    @functools.wraps(test)
    async def watched(*args: Any, **kwargs: Any) -> None:
        had = asyncio.all_tasks()  # the test's own and those its fixtures keep
        await test(*args, **kwargs)
        for _ in range(3):
            await asyncio.sleep(0)
        left = asyncio.all_tasks() - had
        assert not left, f"tasks left running: {left}"

    return watched


@pytest.hookimpl(trylast=True)
def pytest_runtest_setup(item: pytest.Item) -> None:
    if isinstance(item, pytest.Function) and inspect.iscoroutinefunction(item.obj):
        item.obj = _leaves_no_task(item.obj)


def _ports() -> set[str]:
    """Sockets, pseudo-terminals and device files this process holds open."""
    found = set()
    for name in os.listdir("/proc/self/fd"):
        try:
            target = os.readlink(f"/proc/self/fd/{name}")
        except OSError:
            continue
        if target.startswith(("socket:", "/dev/pt", "/dev/tty")):
            found.add(f"{name} -> {target}")
    return found


@pytest.fixture(scope="session")
def chromium() -> Iterator[None]:
    """One browser for all tests of this process that need one."""
    from page.browser import running

    with running():
        yield


@pytest.fixture(autouse=True)
def leaves_nothing_open(request: pytest.FixtureRequest) -> Iterator[None]:
    if request.node.get_closest_marker("browser"):
        request.getfixturevalue("chromium")  # before anything is counted: it stays for the others
    ports, threads = _ports(), set(threading.enumerate())
    yield
    for thread in set(threading.enumerate()) - threads:
        thread.join(2.0)
        assert not thread.is_alive() or thread.name.startswith("asyncio_"), f"thread left running: {thread}"
    left = _ports() - ports
    assert not left, f"ports left open: {left}"
