"""MQTT: alarm messages out, and the state of the shed kept on the broker for whoever asks.

Everything is JSON in UTF-8, QoS 1, below `<base>/<shed>/`; instants are ISO 8601 UTC.

| topic | retained | fields |
|---|---|---|
| `life` | yes | `life`: "up", "stopped" (stopped on purpose) or "gone" (the broker's last will: it vanished); `shed`; `since`: when this began (for "gone": when the lost connection was made); `started`: when the daemon started watching |
| `state` | yes | the overview, field by field as on the page's `/state.json`; anew at least every `refresh_s` |
| any other | no | one alarm message: the payload given, else `id`, `number`, `text`, `created`, `expires` |

Every alarm message carries the MQTT 5 user property `id`; delivery is at least once, so a listener drops an id it has
seen. Retained values older than the newest `life` stand for a past: read `life` first.
"""  # noqa: E501 - a table keeps its rows

from __future__ import annotations

import asyncio
import json
import logging
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from brinewatch.broker.link import Link
from brinewatch.errors import BrinewatchError, NeedsPerson, NotifyError, RetryLater
from brinewatch.messages import Message, Receipt
from brinewatch.moment import Moment, utc_text
from brinewatch.notify.mqtt_settings import MqttSettings
from brinewatch.ports import Clock
from brinewatch.secretfile import read_secret

log = logging.getLogger(__name__)

OnHealth = Callable[[bool, str], None]

_FIRST_REDIAL_S = 1.0
_LAST_REDIAL_S = 8.0
# a refused login is the same a second later; this is soon enough after a person has mended it
_REFUSED_REDIAL_S = 30.0
_STEADY_S = 10.0
_SHORT_LIVES = 2
_FAREWELL_S = 2.0
_OURS = ("life", "state")


class MqttNotifier:
    """Keeps one connection to the broker, the retained `life` and `state` on it, and hands alarm messages over.

    shed_key: the shed's part of the topics; snapshot: the state as plain JSON values, asked when it is published;
    on_health(well, reason): told whenever the way comes up or goes down; folder: where file names in the settings
    start from. Raises BrinewatchError at once for a
    password file that cannot be used.
    """

    way = "mqtt"

    def __init__(
        self,
        settings: MqttSettings,
        shed_key: str,
        clock: Clock,
        snapshot: Callable[[], Mapping[str, Any]],
        on_health: OnHealth,
        *,
        folder: Path = Path(),
    ) -> None:
        settings = settings.from_folder(folder)
        if settings.password_file is not None:
            read_secret(settings.password_file)
        self._settings = settings
        self._shed = shed_key
        self._clock = clock
        self._snapshot = snapshot
        self._on_health = on_health
        self._root = settings.topic(shed_key)
        self._broker = f"{settings.host}:{settings.port_in_use}"
        self._client_id = settings.client_id or f"brinewatch-{shed_key}"
        self._link: Link | None = None
        self._changed = asyncio.Event()
        self._started: Moment | None = None
        self._health: tuple[bool, str] | None = None
        self._down = "not connected yet"

    async def run(self) -> None:
        """Connect, and connect again, until cancelled; then say "stopped" and take leave."""
        self._started = self._clock.now()
        pause, short = _FIRST_REDIAL_S, 0
        while True:
            dialled = self._clock.now()
            try:
                link = await self._dial(dialled)
            except NotifyError as error:
                self._say(False, str(error))
                if isinstance(error, NeedsPerson):
                    pause = _REFUSED_REDIAL_S
            else:
                said = f"Lost the broker {self._broker}: {await self._serve(link)}."
                if self._clock.now().mono - dialled.mono >= _STEADY_S:
                    pause, short = _FIRST_REDIAL_S, 0
                else:
                    short += 1
                if short >= _SHORT_LIVES:
                    # brokers need not say who took a session over; two of one id throw each other out for ever
                    said += f" It keeps ending soon after login: does a second daemon use the id {self._client_id}?"
                self._say(False, said)
            await self._clock.sleep(pause)
            pause = min(_LAST_REDIAL_S, pause * 2)

    async def _dial(self, now: Moment) -> Link:
        password = None
        if self._settings.password_file is not None:
            try:
                # read each time: a password mended on disk is used at the next try
                password = read_secret(self._settings.password_file)
            except BrinewatchError as error:
                raise NeedsPerson(error.what, error.hint) from error
        will = (self._topic("life"), self._life("gone", now))
        return await Link.open(self._settings, self._client_id, password, will, self._clock)

    async def _serve(self, link: Link) -> str:
        """Use one connection until it is lost; returns why."""
        self._link = link
        attending = asyncio.create_task(link.attend(), name="mqtt attend")
        publishing = asyncio.create_task(self._keep_retained(link), name="mqtt retained")
        tasks: list[asyncio.Task[Any]] = [attending, publishing]
        try:
            await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
            if not attending.done():
                publishing.result()  # only a fault of ours ends it; let it be seen
            return attending.result()
        finally:
            self._link = None
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)
            await self._farewell(link)

    async def _farewell(self, link: Link) -> None:
        try:
            async with self._clock.deadline(_FAREWELL_S):
                await link.publish(self._topic("life"), self._life("stopped", self._clock.now()), retain=True)
        except (NotifyError, TimeoutError) as error:
            log.info("mqtt: leaving without a confirmed farewell: %s", error)
        finally:
            await link.close()

    async def _keep_retained(self, link: Link) -> None:
        """Life at once, then the state after every change and now and then unasked, with a pause between."""
        up = self._life("up", self._clock.now())
        while not await self._retain(link, "life", up):
            await self._clock.sleep(self._settings.state_every_s)
        self._say(True, f"Connected to the broker {self._broker}.")
        last = ""
        while True:
            self._changed.clear()
            text = self._state_text()
            if text and text != last and await self._retain(link, "state", text):
                last = text
            told = self._clock.now().mono
            while True:
                await self._clock.sleep(self._settings.state_every_s)
                if self._changed.is_set() or self._clock.now().mono - told >= self._settings.refresh_s:
                    break

    async def _retain(self, link: Link, name: str, text: str) -> bool:
        try:
            await link.publish(self._topic(name), text, retain=True)
        except NeedsPerson as error:
            self._say(False, f"{self._topic(name)}: {error}")
            return False
        except NotifyError as error:
            log.warning("mqtt: %s not published: %s", name, error)
            return False
        return True

    def _state_text(self) -> str:
        try:
            return json.dumps(self._snapshot(), ensure_ascii=False, allow_nan=False, separators=(",", ":"))
        except Exception:
            # the alarm messages must go on even if the state cannot be told
            log.exception("mqtt: the state could not be put into words")
            return ""

    def _life(self, life: str, since: Moment) -> str:
        started = self._started or since
        fields = {"life": life, "shed": self._shed, "since": utc_text(since.utc), "started": utc_text(started.utc)}
        return json.dumps(fields, ensure_ascii=False)

    def _topic(self, name: str) -> str:
        return f"{self._root}/{name}"

    def publish_state(self) -> None:
        """The state has changed: publish it within the shortest pause."""
        self._changed.set()

    async def send(self, message: Message) -> Receipt:
        """Publish one alarm message to `message.to` below `<base>/<shed>/`; a receipt only for a confirmed one."""
        link = self._link
        if link is None:
            raise RetryLater(f"Not connected to the broker {self._broker}: {self._down}")
        now = self._clock.now()
        expiry = None if message.expires_utc is None else max(1, round(message.expires_utc - now.utc))
        topic, payload = self._address(message.to), message.payload
        if payload is None:
            payload = self._plain(message)
        reference = await link.publish(topic, payload, expiry_s=expiry, key=message.id)
        return Receipt((reference,), self._clock.now())

    def _address(self, to: str) -> str:
        name = to.removeprefix(f"{self._root}/").strip("/")
        if not name or name in _OURS or any(sign in name for sign in "+#\0"):
            raise NeedsPerson(
                f"{to!r} is no topic for alarm messages.",
                f"Give the contact a topic below {self._root}/ without + or #, other than {' and '.join(_OURS)}.",
            )
        return self._topic(name)

    @staticmethod
    def _plain(message: Message) -> str:
        fields = {"id": message.id, "number": message.number, "text": message.text,
                  "created": utc_text(message.created_utc),
                  "expires": None if message.expires_utc is None else utc_text(message.expires_utc)}  # fmt: skip
        return json.dumps(fields, ensure_ascii=False)

    def _say(self, well: bool, reason: str) -> None:
        if not well:
            self._down = reason
        if (well, reason) == self._health:
            return
        self._health = (well, reason)
        log.log(logging.INFO if well else logging.WARNING, "mqtt: %s", reason)
        self._on_health(well, reason)
