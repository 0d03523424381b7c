"""Whether the lookout's own line reaches anybody: a TCP connection to a host of the keeper's choice."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable

from brinewatch.config.lookout import LineSettings
from brinewatch.ports import Clock

# one try may be lost for many reasons
_TRIES = 2


class LineCheck:
    """Tries the host until cancelled. on_line(well, why) is told after every try that counts."""

    def __init__(self, settings: LineSettings, clock: Clock, on_line: Callable[[bool, str], None]) -> None:
        self._settings, self._clock, self._on_line = settings, clock, on_line

    async def run(self) -> None:
        failed = 0
        while True:
            why = await self._try()
            failed = failed + 1 if why else 0
            if not failed:
                self._on_line(True, "")
            elif failed >= _TRIES:
                self._on_line(False, why)
            await self._clock.sleep(self._settings.every_s if not failed else min(5.0, self._settings.every_s))

    async def _try(self) -> str:
        host, port = self._settings.host, self._settings.port
        try:
            with self._clock.hold():
                async with self._clock.deadline(self._settings.answer_s):
                    _, writer = await asyncio.open_connection(host, port)
            writer.close()
            with contextlib.suppress(OSError):
                await writer.wait_closed()
        except TimeoutError:
            return f"{host}:{port} does not answer within {self._settings.answer_s:g} s"
        except OSError as error:
            return f"{host}:{port} is not reached: {error.strerror or error}"
        return ""
