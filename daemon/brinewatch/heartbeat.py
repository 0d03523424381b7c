"""Signs of life to the lookout, and the ear for the lookout's own.

Topics below `<base>/<shed>/`, JSON signed with the secret shared with the lookout (see signing.py):

| topic | retained | what |
|---|---|---|
| `beat` | yes | one sign of life: the fields of `sentry.beats.Beat`; that of a clean stop with `until_utc` |
| `beat/line` | yes | `{"line": "up"}`, or "gone", the broker's last will: unsigned, it can only alarm sooner |
| `order`, `done` | no | orders of the lookout and the shed's word on them: see remote.py |
| `lookout/<key>` | yes | the lookout's own sign of life, and which beat of this shed it heard last |
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, MutableMapping, Sequence

from brinewatch.config import ShedFile
from brinewatch.errors import BrinewatchError, NotifyError
from brinewatch.messages import Inbound, Message
from brinewatch.moment import Moment, span_text
from brinewatch.notify.exchange import Exchange
from brinewatch.ports import Clock
from brinewatch.remote import Obey, Remote
from brinewatch.secretfile import read_secret
from brinewatch.sentry.beats import HEARD, heard_of, short_text
from brinewatch.sentry.doubts import Doubts
from brinewatch.sentry.settings import LookoutSettings
from brinewatch.signing import BadSignature, checked_secret, opened, opened_text, sealed, sealed_text
from brinewatch.vitals import Facts, Numbers
from brinewatch.waiting import news_or

log = logging.getLogger(__name__)

_FAREWELL_S = 2.0
_FIRST_TEXT_S = 90.0
# texts take their time, both ways
_ANSWER_S = 900.0
UP, GONE = '{"line":"up"}', '{"line":"gone"}'


class Heartbeat:
    """Runs beside the watch until cancelled; then says that the stop is on purpose, and until when.

    send(messages): hand texts to the outbox; on_lookout(well, why): how the lookout is, None when it cannot be
    told; note(text): a line for the journal; obey: one step of the watch with an
    order of the lookout.
    """

    def __init__(
        self, shed: ShedFile, settings: LookoutSettings, clock: Clock, facts: Facts,
        send: Callable[[Sequence[Message]], None], on_lookout: Callable[[bool | None, str], None],
        note: Callable[[str], None], obey: Obey,
    ) -> None:  # fmt: skip
        self._shed, self._settings, self._clock, self._facts = shed, settings, clock, facts
        self._send, self._on_lookout, self._note = send, on_lookout, note
        where = shed.folder / settings.secret_file
        self._secret = checked_secret(
            read_secret(where, "Secret", "the secret shared with the lookout"), str(where)
        )
        self._numbers = Numbers(shed.data, clock.now())
        self._exchange: Exchange | None = None
        self._root = ""
        self._doubts = Doubts()
        self._remote: Remote | None = None
        self._answering: set[asyncio.Task[None]] = set()
        if settings.broker and shed.broker is not None:
            self._root = shed.broker.topic(shed.shed.key)
            self._remote = Remote(
                self._root, self._secret, obey, self._doubt, self._numbers.obeyed, self._numbers.obey,
                allowed=settings.acknowledge,
            )  # fmt: skip
            client = f"{shed.broker.client_id or f'brinewatch-{shed.shed.key}'}-beat"
            self._exchange = Exchange(
                shed.broker.from_folder(shed.folder), client, clock,
                [f"{self._root}/lookout/{settings.key}", self._remote.topic], (f"{self._root}/beat/line", GONE), UP,
                self._on_message, self._on_road,
            )  # fmt: skip
        self._road_why = "not connected yet"
        self._opened = clock.now().mono
        self._heard: float | None = None
        self._hears_us: bool = True
        self._order: tuple[int, int] = (-1, -1)
        self._answered: tuple[int, int] = (-1, -1)
        self._soon = asyncio.Event()

    async def run(self) -> None:
        parts = [self._beats()]
        if self._exchange is not None:
            parts.append(self._exchange.run())
        if self._settings.phone is not None:
            parts.append(self._texts(self._settings.phone))
        tasks = [asyncio.ensure_future(part) for part in parts]
        try:
            done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_EXCEPTION)
            for task in done:
                task.result()
        except asyncio.CancelledError:
            await self._farewell()
            raise
        finally:
            for task in [*tasks, *self._answering]:
                task.cancel()
            await asyncio.gather(*tasks, *self._answering, return_exceptions=True)

    # -- out ------------------------------------------------------------------------------------------------------

    async def _beats(self) -> None:
        while True:
            self._judge()
            if self._exchange is not None and self._exchange.connected:
                try:
                    await self._say()
                except NotifyError as error:
                    log.info("A sign of life did not go out: %s", error)
            self._soon.clear()
            await self._pause(self._settings.every_s)

    async def _pause(self, seconds: float) -> None:
        """Until the next is due, or the road has opened."""
        await news_or(self._soon, self._clock, self._clock.now().mono + seconds)

    async def _say(self, until_utc: float | None = None) -> None:
        assert self._exchange is not None
        now = self._clock.now()
        beat = await self._facts.beat(self._numbers.next(now), self._settings.every_s, now, until_utc)
        text = sealed(f"{self._root}/beat", beat.fields(), self._secret)
        await self._exchange.publish(f"{self._root}/beat", text, retain=True)

    async def _farewell(self) -> None:
        if self._exchange is None or not self._exchange.connected:
            return
        until = self._clock.now().utc + 60.0 * self._settings.stop_min
        try:
            async with self._clock.deadline(_FAREWELL_S):
                await self._say(until)
        except (NotifyError, TimeoutError, BrinewatchError) as error:
            log.info("The lookout could not be told of this stop: %s", error)

    async def _texts(self, phone: str) -> None:
        every = 60.0 * self._settings.sms_every_min
        # what a watch says before it has read everything once would stand for an hour
        await self._clock.sleep(_FIRST_TEXT_S)
        while True:
            now = self._clock.now()
            beat = await self._facts.beat(self._numbers.next(now), every, now)
            text = sealed_text(short_text(beat), self._secret)
            expires = now.utc + every if now.trusted else None  # the next one says it better
            self._send([Message(f"memory-beat-{beat.n}", "sms", phone, text, None, now.utc, expires)])
            await self._clock.sleep(every)

    # -- in -------------------------------------------------------------------------------------------------------

    def _on_road(self, connected: bool, why: str) -> None:
        self._road_why = why
        if connected:
            self._opened = self._clock.now().mono
            self._soon.set()
        self._judge()

    def text(self, inbound: Inbound) -> bool:
        """A text that may be the lookout's answer to a sign of life. False: somebody else's to read."""
        if inbound.sender != self._settings.phone or not inbound.text.startswith(HEARD):
            return False
        try:
            watch, order = heard_of(opened_text(inbound.text, self._secret))
        except (BadSignature, ValueError) as error:
            self._doubt(
                "forged text", f"text from {inbound.sender}: an answer of the lookout that is none: {error}"
            )
            return True
        if watch != self._shed.shed.key or order <= self._answered:
            self._doubt("old text", f"text from {inbound.sender}: an old answer of the lookout came again")
            return True
        self._answered, self._heard = order, self._clock.now().mono
        self._judge()
        return True

    def _doubt(self, kind: str, text: str) -> None:
        if (line := self._doubts.note("lookout", kind, text, self._clock.now())) is not None:
            self._note(line)

    def _on_message(self, topic: str, payload: bytes, retained: bool) -> None:
        now = self._clock.now()
        if self._remote is not None and topic == self._remote.topic:
            if (answer := self._remote.hear(payload, retained, now)) is not None:
                task = asyncio.get_running_loop().create_task(self._publish(self._remote.answers, answer))
                self._answering.add(task)
                task.add_done_callback(self._answering.discard)
            return
        try:
            fields = opened(topic, payload, self._secret)
            order = int(fields["start"]), int(fields["n"])
            hears = fields.get("heard_age_s")
        except (BadSignature, KeyError, TypeError, ValueError) as error:
            self._doubt("forged sign", f"{topic}: a sign of life of the lookout that is none: {error}")
            return
        if order <= self._order:
            if order < self._order:
                self._doubt("old sign", f"{topic}: an old sign of life of the lookout came again")
            return
        self._order = order
        if retained:
            return
        self._heard = now.mono
        self._hears_us = isinstance(hears, (int, float)) and hears <= self._settings.silent_s
        self._judge()

    async def _publish(self, topic: str, text: str) -> None:
        assert self._exchange is not None
        try:
            await self._exchange.publish(topic, text)
        except NotifyError as error:
            log.info("An answer to the lookout did not go out: %s", error)

    def _judge(self) -> None:
        now, limit = self._clock.now(), self._settings.silent_s
        if self._exchange is None:
            self._judge_by_text(now)
            return
        heard = self._heard is not None and now.mono - self._heard <= limit
        if heard and self._hears_us:
            self._on_lookout(True, self._last_sign(now))
        elif heard:
            if now.mono - self._opened > limit:
                self._on_lookout(False, f"the lookout {self._settings.key} is there and does not hear this shed")
        elif not self._exchange.connected:
            self._on_lookout(None, f"the lookout cannot be heard: {self._road_why}")
        elif now.mono - max(self._opened, self._heard or self._opened) > limit:
            since = "since this watch began" if self._heard is None else f"for {span_text(now.mono - self._heard)}"
            self._on_lookout(False, f"the lookout {self._settings.key} is silent {since}")

    def _last_sign(self, now: Moment) -> str:
        assert self._heard is not None
        at = now.later(self._heard - now.mono).local
        return f"last sign of {self._settings.key} at {at:%H:%M:%S}"

    def _judge_by_text(self, now: Moment) -> None:
        """Where there is no broker the lookout answers each text."""
        limit = 60.0 * self._settings.sms_every_min + _ANSWER_S
        since = self._opened if self._heard is None else self._heard
        if now.mono - since > limit:
            why = f"the lookout {self._settings.key} has answered no text for {span_text(now.mono - since)}"
            self._on_lookout(False, why)
        elif self._heard is not None:
            self._on_lookout(True, self._last_sign(now))


def heartbeat_of(
    shed: ShedFile, clock: Clock, facts: Facts, send: Callable[[Sequence[Message]], None],
    health: MutableMapping[str, tuple[bool | None, str]], note: Callable[[str], None], obey: Obey,
) -> Heartbeat:  # fmt: skip
    """The heartbeat of a shed that has a lookout. How the lookout is, is kept in health; what keeps the heartbeat
    from starting is told there as a failing lookout, and raised."""
    assert shed.lookout is not None

    def on_lookout(well: bool | None, why: str) -> None:
        health["lookout"] = (well, why)

    try:
        return Heartbeat(shed, shed.lookout, clock, facts, send, on_lookout, note, obey)
    except BrinewatchError as error:
        on_lookout(False, error.what)
        raise
