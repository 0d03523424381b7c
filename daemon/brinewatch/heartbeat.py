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
import json
import logging
import shutil
from collections.abc import Callable, Mapping, MutableMapping, Sequence
from pathlib import Path

from brinewatch import __version__
from brinewatch.alarms.events import Priority, State
from brinewatch.config import ShedFile
from brinewatch.errors import BrinewatchError, NotifyError
from brinewatch.messages import Delivery, Inbound, Message
from brinewatch.moment import Moment, span_text
from brinewatch.notify.exchange import Exchange
from brinewatch.notify.secrets import read_secret
from brinewatch.ports import Clock
from brinewatch.readings import quantity_of
from brinewatch.remote import Obey, Remote
from brinewatch.sentry.beats import CRITICAL_S, CYCLE_S, HEARD, Beat, heard_of, short_text
from brinewatch.sentry.doubts import Doubts
from brinewatch.sentry.settings import LookoutSettings
from brinewatch.signing import BadSignature, checked_secret, opened, opened_text, sealed, sealed_text
from brinewatch.store.journal import Journal
from brinewatch.watchkeeper import Watchkeeper

log = logging.getLogger(__name__)

Health = Mapping[str, tuple[bool | None, str]]

_FAREWELL_S = 2.0
_OUTBOX = 500
_FIRST_TEXT_S = 90.0
# texts take their time, both ways
_ANSWER_S = 900.0
UP, GONE = '{"line":"up"}', '{"line":"gone"}'
_STARTS = "heartbeat.json"
# what may be older is no probe but entered by people
_BY_HAND_S = 3600.0
# a start with a smaller number was counted, not read from a calendar
_YEAR_2020 = 1_577_836_800


class Numbers:
    """Numbers for beats that only ever rise, over restarts too: of a start, and within it."""

    def __init__(self, folder: Path, now: Moment) -> None:
        self._file = folder / _STARTS
        self.n = 0
        self.obeyed: tuple[int, int] = (-1, -1)
        before = 0
        try:
            kept = json.loads(self._file.read_text(encoding="utf-8"))
            before = int(kept["start"])
            self.obeyed = (int(kept["obeyed"][0]), int(kept["obeyed"][1]))
        except (OSError, ValueError, KeyError, TypeError, IndexError):
            log.debug("No number of an earlier start in %s", self._file)
        # seconds of the calendar outdo any count that was lost with its card
        self.start = max(before + 1, int(now.utc) if now.trusted else 0)
        self._keep()

    def next(self, now: Moment) -> tuple[int, int]:
        if self.start < _YEAR_2020 and now.trusted:
            # the clock was set meanwhile: a lookout that knew greater numbers hears us again
            self.start, self.n = int(now.utc), 0
            self._keep()
        self.n += 1
        return self.start, self.n

    def obey(self, number: tuple[int, int]) -> None:
        """Remember the newest order obeyed."""
        self.obeyed = number
        self._keep()

    def _keep(self) -> None:
        try:
            self._file.parent.mkdir(parents=True, exist_ok=True)
            fresh = self._file.with_suffix(".new")
            fresh.write_text(json.dumps({"start": self.start, "obeyed": self.obeyed}), encoding="utf-8")
            fresh.replace(self._file)
        except OSError as error:
            log.warning("The number of this start cannot be kept: %s", error)


class Facts:
    """What a watch says of itself, gathered from its parts."""

    def __init__(self, shed: ShedFile, keeper: Watchkeeper, journal: Journal, health: Health) -> None:
        self._shed, self._keeper, self._journal, self._health = shed, keeper, journal, health
        # health is set by the watch itself at every look: it proves nothing of the probes; nor does what is entered
        self._critical = {
            alarm.point: max(CRITICAL_S, 2 * alarm.max_age_s)
            for alarm in shed.alarms
            if alarm.rule.priority is Priority.CRITICAL
            and quantity_of(alarm.point) not in ("health", "shed_sign")
            and alarm.max_age_s <= _BY_HAND_S
        }
        fastest = min((probe.every for bus in shed.buses.values() for probe in bus.probe), default=CYCLE_S)
        self._cycle_s = max(CYCLE_S, 3 * fastest)
        self._good: dict[str, float] = {}

    async def beat(
        self, order: tuple[int, int], every_s: float, now: Moment, until_utc: float | None = None
    ) -> Beat:
        view = self._keeper.overview(now)
        checked = None if view.checked is None else now.mono - view.checked.mono
        oldest, allowed, which = self._oldest_good(now)
        mains = [one for point, one in self._keeper.latest.items() if quantity_of(point) == "mains" and one.usable]
        return Beat(
            self._shed.shed.key, order[0], order[1], now.utc, now.trusted, every_s, __version__,
            cycle_age_s=checked, cycle_allowed_s=self._cycle_s, critical_age_s=oldest,
            critical_allowed_s=allowed, critical=which, outbox_age_s=await self._outbox_age(now),
            failing=tuple(sorted(part for part, (well, _) in self._health.items() if well is False)),
            mains=all(one.value for one in mains) if mains else None, disk_free_percent=self._disk(),
            standing=len(view.alarms),
            unanswered=sum(one.state is State.UNACKNOWLEDGED for one in view.alarms), until_utc=until_utc,
        )  # fmt: skip

    def _oldest_good(self, now: Moment) -> tuple[float | None, float, str]:
        """Age, allowed age and point of the good reading that is oldest for what it may be."""
        held = self._keeper.held(now)
        for point in self._critical:
            reading = self._keeper.latest.get(point)
            if point in held:
                self._good[point] = now.mono  # somebody is at that probe, for a bounded time
            elif reading is not None and reading.usable:
                self._good[point] = reading.at.mono
        never = [point for point in self._critical if point not in self._good]
        if never:
            return None, self._critical[never[0]], never[0]
        if not self._critical:
            return None, CRITICAL_S, ""
        which = max(self._critical, key=lambda point: (now.mono - self._good[point]) / self._critical[point])
        return now.mono - self._good[which], self._critical[which], which

    async def _outbox_age(self, now: Moment) -> float | None:
        try:
            waiting = [
                one
                for one in await self._journal.outbox(_OUTBOX)
                if one.state in (Delivery.WAITING, Delivery.UNKNOWN)
            ]
        except BrinewatchError:
            return None  # that the journal fails is said by its own part
        return max((now.utc - one.message.created_utc for one in waiting), default=None)

    def _disk(self) -> float | None:
        try:
            usage = shutil.disk_usage(self._shed.data)
        except OSError:
            return None
        return 100.0 * usage.free / usage.total


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
        waits = [asyncio.ensure_future(self._clock.sleep(seconds)), asyncio.ensure_future(self._soon.wait())]
        try:
            await asyncio.wait(waits, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for wait in waits:
                wait.cancel()
            await asyncio.gather(*waits, return_exceptions=True)

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
            self._on_lookout(True, "")
        elif heard:
            if now.mono - self._opened > limit:
                self._on_lookout(False, f"the lookout {self._settings.key} is there and does not hear this shed")
        elif not self._exchange.connected:
            self._on_lookout(None, f"the lookout cannot be heard: {self._road_why}")
        elif now.mono - max(self._opened, self._heard or self._opened) > limit:
            since = "since this watch began" if self._heard is None else f"for {span_text(now.mono - self._heard)}"
            self._on_lookout(False, f"the lookout {self._settings.key} is silent {since}")

    def _judge_by_text(self, now: Moment) -> None:
        """Where there is no broker the lookout answers each text."""
        limit = 60.0 * self._settings.sms_every_min + _ANSWER_S
        since = self._opened if self._heard is None else self._heard
        if now.mono - since > limit:
            why = f"the lookout {self._settings.key} has answered no text for {span_text(now.mono - since)}"
            self._on_lookout(False, why)
        elif self._heard is not None:
            self._on_lookout(True, "")


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
