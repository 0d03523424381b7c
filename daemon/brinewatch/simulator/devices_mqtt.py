"""A probe with a radio: it publishes what it measures to a broker, now and then and unasked."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable

from brinewatch.broker.link import Link
from brinewatch.broker.settings import BrokerSettings
from brinewatch.errors import NotifyError
from brinewatch.moment import Moment
from brinewatch.ports import Clock

_REDIAL_S = 1.0


class MqttSender:
    """Says `payload(now)` on a topic every so often, nothing while that is None.

    retain: whether the broker is to keep it for those who come later.
    """

    def __init__(
        self, settings: BrokerSettings, topic: str, clock: Clock, payload: Callable[[Moment], str | None], *,
        every_s: float = 10.0, retain: bool = False,
    ) -> None:  # fmt: skip
        self.retain = retain
        self._settings = settings
        self._topic = topic
        self._clock = clock
        self._payload = payload
        self._every_s = every_s
        self._task: asyncio.Task[None] | None = None

    def start(self) -> None:
        self._task = asyncio.get_running_loop().create_task(self._run(), name=f"sender on {self._topic}")

    async def stop(self) -> None:
        if self._task is not None:
            self._task.cancel()
            await asyncio.gather(self._task, return_exceptions=True)
            self._task = None

    async def _run(self) -> None:
        while True:
            with contextlib.suppress(NotifyError):
                await self._session()
            await self._clock.sleep(_REDIAL_S)

    async def _session(self) -> None:
        link = await Link.open(self._settings, "", None, None, self._clock)
        attending = asyncio.create_task(link.attend(), name=f"attend {self._topic}")
        try:
            while not attending.done():
                said = self._payload(self._clock.now())
                if said is not None:
                    await link.publish(self._topic, said, retain=self.retain)
                await self._clock.sleep(self._every_s)
        finally:
            attending.cancel()
            await asyncio.gather(attending, return_exceptions=True)
            await link.close()
