"""One connection to a broker that listens and publishes, kept up: signs of life go out by it and come in."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Sequence

from brinewatch.broker.ear import Ear, OnMessage
from brinewatch.errors import BrinewatchError, NeedsPerson, NotifyError, RetryLater
from brinewatch.notify.mqtt_settings import MqttSettings
from brinewatch.ports import Clock
from brinewatch.secretfile import read_secret

log = logging.getLogger(__name__)

_FIRST_REDIAL_S, _LAST_REDIAL_S, _REFUSED_REDIAL_S = 1.0, 8.0, 30.0
_STEADY_S = 10.0


class Exchange:
    """Keeps one connection up until cancelled.

    will: (topic, payload) the broker publishes, retained, when the connection breaks; up: the payload that replaces
    it at every connection; on_message(topic, payload, retained); on_road(connected, why) whenever that changes.
    """

    def __init__(
        self, settings: MqttSettings, client_id: str, clock: Clock, topics: Sequence[str], will: tuple[str, str],
        up: str, on_message: OnMessage, on_road: Callable[[bool, str], None],
    ) -> None:  # fmt: skip
        self._settings = settings
        self._client_id = client_id
        self._clock = clock
        self._topics = tuple(topics)
        self._will, self._up = will, up
        self._on_message = on_message
        self._on_road = on_road
        self._link: Ear | None = None
        self._down = "not connected yet"
        self._said: tuple[bool, str] | None = None

    @property
    def connected(self) -> bool:
        return self._link is not None

    async def publish(self, topic: str, text: str, *, retain: bool = False, expiry_s: int | None = None) -> None:
        """Publish at QoS 1, confirmed. Raises NotifyError."""
        if self._link is None:
            raise RetryLater(f"Not connected to the broker: {self._down}")
        await self._link.publish(topic, text, retain=retain, expiry_s=expiry_s)

    async def run(self) -> None:
        """Connect, and connect again, until cancelled."""
        pause = _FIRST_REDIAL_S
        while True:
            dialled = self._clock.now().mono
            try:
                await self._session()
            except NotifyError as error:
                self._say(False, str(error))
                if isinstance(error, NeedsPerson):
                    pause = _REFUSED_REDIAL_S
            if self._clock.now().mono - dialled >= _STEADY_S:
                pause = _FIRST_REDIAL_S
            await self._clock.sleep(pause)
            pause = min(_LAST_REDIAL_S, pause * 2)

    async def _session(self) -> None:
        """One connection until it is lost."""
        password = None
        if self._settings.password_file is not None:
            try:
                password = read_secret(self._settings.password_file)
            except BrinewatchError as error:
                raise NeedsPerson(error.what, error.hint) from error
        link = await Ear.open(self._settings, self._client_id, password, self._will, self._clock)
        attending = asyncio.create_task(link.attend(), name="exchange attend")
        try:
            if self._topics:
                await link.listen(self._topics, self._on_message)
            await link.publish(self._will[0], self._up, retain=True)
            self._link = link
            self._say(True, "connected to the broker")
            why = await attending
        finally:
            self._link = None
            attending.cancel()
            await asyncio.gather(attending, return_exceptions=True)
            await link.close()
        raise RetryLater(f"Lost the broker: {why}.")

    def _say(self, well: bool, why: str) -> None:
        if not well:
            self._down = why
        if self._said != (well, why):
            self._said = (well, why)
            log.log(logging.INFO if well else logging.WARNING, "exchange %s: %s", self._client_id, why)
            self._on_road(well, why)
