"""The socket between the command line and the daemon."""

from __future__ import annotations

import asyncio
import stat
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from brinewatch.clock import SystemClock
from brinewatch.control import ControlServer, ask
from brinewatch.errors import BrinewatchError


async def _answer(request: Mapping[str, Any]) -> Mapping[str, Any]:
    if request["do"] == "refuse":
        raise BrinewatchError("No alarm has number 7.", "See: brinewatch state.")
    return {"heard": request["do"]}


@pytest.fixture
async def served(tmp_path: Path) -> Path:
    path = tmp_path / "control.sock"
    task = asyncio.create_task(ControlServer(path, _answer, SystemClock()).run())
    while not path.exists():
        await asyncio.sleep(0.001)
    yield path  # type: ignore[misc]
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)
    assert not path.exists()


async def test_a_request_is_answered(served: Path) -> None:
    assert await asyncio.to_thread(ask, served, {"do": "state"}) == {"ok": True, "heard": "state"}
    assert stat.S_IMODE(served.stat().st_mode) == 0o600


async def test_a_refusal_carries_what_and_what_to_do(served: Path) -> None:
    with pytest.raises(BrinewatchError, match=r"No alarm has number 7\. See: brinewatch state\."):
        await asyncio.to_thread(ask, served, {"do": "refuse"})


@pytest.mark.parametrize(
    "line",
    [
        b"rubbish\n",
        b"[]\n",
        b'{"do": 3}\n',
        b"\xff\xfe\n",
        b"x" * 70000 + b"\n",
        b"",
        b"[" * 60000 + b"\n",
        b'{"do": "again", "by": "\\ud800"}\n',
        b'{"do": "again", "by": "\xed\xa0\x80"}\n',
        b'{"do": "again", "for_s": NaN}\n',
        b'{"do": "again", "for_s": ' + b"9" * 5000 + b"}\n",
    ],
)
async def test_rubbish_is_refused_and_the_next_request_served(served: Path, line: bytes) -> None:
    reader, writer = await asyncio.open_unix_connection(str(served))
    writer.write(line)
    writer.write_eof()
    answer = await reader.read()
    writer.close()
    assert b'"ok": true' not in answer
    assert (await asyncio.to_thread(ask, served, {"do": "again"}))["heard"] == "again"


def test_without_a_daemon_the_error_says_how_to_start_one(tmp_path: Path) -> None:
    with pytest.raises(BrinewatchError, match=r"No daemon is running.*bash deploy/run"):
        ask(tmp_path / "control.sock", {"do": "state"})
