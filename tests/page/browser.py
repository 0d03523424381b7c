"""A real browser without a window, driven over its debugging pipe: the page as a phone lays it out."""

from __future__ import annotations

import asyncio
import base64
import contextlib
import json
import os
import shutil
import tempfile
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

CHROMIUM = shutil.which("chromium") or "/usr/bin/chromium"
_FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync", "--remote-debugging-pipe",
)  # fmt: skip


class Phone:
    """One tab with the size of a phone."""

    def __init__(self, reader: asyncio.StreamReader, down: int) -> None:
        self._reader = reader
        self._down = down
        self._count = 0
        self._session: str | None = None

    async def tell(self, method: str, **arguments: Any) -> dict[str, Any]:
        """One command of the DevTools protocol and its answer."""
        self._count += 1
        command: dict[str, Any] = {"id": self._count, "method": method, "params": arguments}
        if self._session:
            command["sessionId"] = self._session
        os.write(self._down, json.dumps(command).encode() + b"\0")
        async with asyncio.timeout(30):
            while True:
                answer = json.loads((await self._reader.readuntil(b"\0"))[:-1])
                if answer.get("id") == self._count:
                    assert "error" not in answer, answer
                    result: dict[str, Any] = answer["result"]
                    return result

    async def begin(self, width: int, height: int) -> None:
        target = (await self.tell("Target.createTarget", url="about:blank"))["targetId"]
        attached = await self.tell("Target.attachToTarget", targetId=target, flatten=True)
        self._session = attached["sessionId"]
        await self.size(width, height)

    async def size(self, width: int, height: int) -> None:
        await self.tell(
            "Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1.5, mobile=True
        )

    async def scheme(self, light_or_dark: str) -> None:
        features = [{"name": "prefers-color-scheme", "value": light_or_dark}]
        await self.tell("Emulation.setEmulatedMedia", features=features)

    async def go(self, url: str) -> None:
        await self.tell("Page.navigate", url=url)
        await self.until(f"document.readyState === 'complete' && location.href === {url!r}")

    async def value(self, expression: str) -> Any:
        result = await self.tell("Runtime.evaluate", expression=expression, returnByValue=True)
        assert "exceptionDetails" not in result, result
        return result["result"].get("value")

    async def until(self, expression: str, within: float = 15.0) -> None:
        async with asyncio.timeout(within):
            while not await self.value(expression):
                await asyncio.sleep(0.05)

    async def picture(self, path: Path) -> None:
        shot = await self.tell("Page.captureScreenshot", format="png")
        path.write_bytes(base64.b64decode(shot["data"]))


@contextlib.asynccontextmanager
async def phone(width: int = 360, height: int = 800) -> AsyncIterator[Phone]:
    """A fresh browser with one tab; nothing of it stays."""
    theirs_in, ours_out = os.pipe()
    ours_in, theirs_out = os.pipe()
    reader = asyncio.StreamReader(limit=2**25)
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as home, open(ours_in, "rb", 0) as pipe:
        # the browser reads commands from 3 and answers on 4
        wrapped = f'exec "$@" 3<&{theirs_in} 4>&{theirs_out}'
        process = await asyncio.create_subprocess_exec(
            "bash", "-c", wrapped, "browser", CHROMIUM, *_FLAGS, f"--user-data-dir={home}", "about:blank",
            pass_fds=(theirs_in, theirs_out), stdin=asyncio.subprocess.DEVNULL, stdout=asyncio.subprocess.DEVNULL,
            stderr=asyncio.subprocess.DEVNULL,
        )  # fmt: skip
        os.close(theirs_in)
        os.close(theirs_out)
        loop = asyncio.get_running_loop()
        transport, _ = await loop.connect_read_pipe(lambda: asyncio.StreamReaderProtocol(reader), pipe)
        one = Phone(reader, ours_out)
        try:
            await one.begin(width, height)
            yield one
            one._session = None
            await one.tell("Browser.close")
            async with asyncio.timeout(10):
                await process.wait()
        finally:
            if process.returncode is None:
                process.kill()
                await process.wait()
            transport.close()
            os.close(ours_out)
