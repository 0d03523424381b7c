"""The daemon of one shed, put together: the only place that knows every part.

Sampling, alarms and calls run on monotonic time in one event loop. Each bus and each way out has a worker of its
own, so that a hung one delays no other; a part that dies is started again alone, and says so.
"""

from __future__ import annotations

import asyncio
import logging
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING

from brinewatch.airtests import MARK, AirTests
from brinewatch.alarms.attending import AttendedSwitches
from brinewatch.alarms.calling import MARK as CALL_MARK
from brinewatch.alarms.events import AlarmEvent, Command, Happening
from brinewatch.alarms.memory import resume, shift_of
from brinewatch.alarms.version import body_of
from brinewatch.beside import MARKS, Beside
from brinewatch.calendar import Calendar
from brinewatch.calibrations import Calibrations
from brinewatch.callout import Callout
from brinewatch.condition.showing import Condition
from brinewatch.config import ShedFile
from brinewatch.config.plans import channels_of, stages_of, time_left
from brinewatch.control import ControlServer
from brinewatch.copying import nightly, series_of
from brinewatch.desk import Desk, event_line
from brinewatch.errors import StoreBusy, StoreError
from brinewatch.heartbeat import heartbeat_of
from brinewatch.keeping import Keeping
from brinewatch.messages import Delivery, DeliveryReport, Inbound, Message
from brinewatch.notify.worker import WayWorker
from brinewatch.overview import Overview, as_json
from brinewatch.paging import Paging, shed_page
from brinewatch.ports import Bus, Clock
from brinewatch.probes.build import build_bus
from brinewatch.probes.recorded import record_ends
from brinewatch.probes.worker import BusWorker
from brinewatch.readings import Sample
from brinewatch.recalling import CalibrationsDone, events_before, recall_tests, replay_history
from brinewatch.recorder import Recorder, Told
from brinewatch.rounds.keeping import Rounds
from brinewatch.starts import Starts
from brinewatch.store.history import History
from brinewatch.store.journal import Journal, Resumed
from brinewatch.store.lock import StoreLock
from brinewatch.store.schema import NewerStore
from brinewatch.supervising import GRACE_S, Part, Parts, Watched
from brinewatch.systemd import ServiceManager
from brinewatch.vitals import Facts
from brinewatch.waiting import news_or
from brinewatch.watchkeeper import FOLLOW_MARK, Outcome, Watchkeeper
from brinewatch.ways import WAY_OF, Heard, notifiers, publisher, reaching, rings, roster_warnings

if TYPE_CHECKING:
    from brinewatch.notify.mqtt import MqttNotifier

log = logging.getLogger(__name__)

Say = Callable[[str], None]

_ALIVE_EVERY_S = 60.0
_MARKS = (FOLLOW_MARK, MARK, CALL_MARK, *MARKS)
_CALLS_KEPT = 10_000
# alarms are stepped at every scan and at every due instant; this is for what neither foresees
_LOOK_EVERY_S = 30.0


class Daemon:
    """One shed under watch. `run()` returns after `stop()`, or when a replayed record has ended.

    say: one line for people per event; buses: made elsewhere, in place of those the shed file describes.
    """

    grace_s = GRACE_S  # how far past its deadline a wait of a part may be

    def __init__(
        self, shed: ShedFile, clock: Clock, say: Say = log.info, buses: Mapping[str, Bus] | None = None
    ) -> None:
        self.shed = shed
        self.clock = clock = Watched(clock, self.grace_s)
        self._running, self._starts = Parts(clock, say), Starts(None if shed.replay else shed.data)
        self._spawn = self._running.spawn
        self._looked: float | None = None
        self.called: deque[AlarmEvent] = deque(maxlen=_CALLS_KEPT)
        self._say = say
        self._stopping = asyncio.Event()
        self._changed = asyncio.Event()
        self._health: dict[str, tuple[bool | None, str]] = {
            stage.settings.key: (True, "") for stage in shed.stages if stage.path == "watch"
        }
        self.journal = Journal(shed.data / "journal.sqlite", clock, on_health=self._on_health("journal"))
        self.history = History(
            shed.data / "history.sqlite", clock, shed.store.batch_s, self._on_health("history"),
            raw_years=shed.store.raw_years,
        )  # fmt: skip
        self._series = series_of(shed, clock, self._on_health("series"))
        self.buses: Mapping[str, Bus] = buses or {
            name: build_bus(name, settings, clock, shed.folder) for name, settings in shed.buses.items()
        }
        self._calibrated = CalibrationsDone()
        self._switches = AttendedSwitches()
        self._time_left = time_left(shed)
        self._workers: dict[str, WayWorker] = {}
        self._mqtt: MqttNotifier | None = None
        self._of_lookout: Callable[[Inbound], bool] = lambda inbound: False
        self.keeper: Watchkeeper
        self._callout: Callout
        self._recorder: Recorder
        self._calibrations: Calibrations
        self._air_tests: AirTests
        self._beside: Beside
        self._desk: Desk

    # -- life ---------------------------------------------------------------------------------------------------

    def stop(self) -> None:
        self._stopping.set()

    async def run(self) -> None:
        """Open the store, resume what stood, watch until told to stop. Raises StoreBusy when another watches."""
        with self._lock():
            await self._open()
            manager = ServiceManager()
            keeping = Keeping(self._running, self.clock, manager, lambda: self._looked,
                              lambda: self.overview().sentence)  # fmt: skip
            parts = self._parts()
            self._running.start(parts if self.shed.replay else [*parts, ("keeping", keeping.run)])
            try:
                await self._stopping.wait()
            finally:
                manager.stopping()
                # the ways out last of all parts: what the others still say should leave
                await self._running.end()
                self._beside.close()
                await self._recorder.commit()
                await self.journal.keep(self.keeper.remembered(), self.clock.now())
                await self.history.close()
                await self.journal.close()
                self._starts.end()

    def _lock(self) -> AbstractContextManager[object]:
        try:
            return StoreLock(self.shed.data).take(self.shed.shed.name, self.clock.now())
        except StoreBusy:
            raise
        except StoreError as error:
            # a card gone read-only must not end the watch: calling people needs no disk
            self._say(f"The store cannot be written: {error} The watch goes on from memory.")
            return nullcontext()

    async def _open(self) -> None:
        now = self.clock.now()
        try:
            resumed = await self.journal.open()
        except NewerStore:
            raise
        except StoreError as error:
            resumed = Resumed.nothing(f"{error} The watch goes on from memory.")
            self._health["journal"] = (False, error.what)
        for note in (*resumed.notes, *roster_warnings(self.shed)):
            self._say(note)
        saved = resumed.saved
        kept = {key: one for key, one in resumed.memories.items() if key.startswith(_MARKS)}
        utc = saved.utc if saved and saved.trusted else None
        slept = (saved.mono if saved else now.mono, utc, resumed.same_boot, now)
        memory = resume({key: one for key, one in resumed.memories.items() if key not in kept}, *slept)
        self.keeper = Watchkeeper(
            self.shed.shed.name, stages_of(self.shed), channels_of(self.shed), self.shed.derivations,
            self.shed.alarms, self.shed.shed.display, now, memory, self.shed.follows,
            self.shed.cross,
        )  # fmt: skip
        self._air_tests = AirTests(
            self._time_left, self.keeper, self.shed.alarms, self.journal, self.clock,
            lambda orders: self._look(commands=orders), partial(self._note, kind="air-off test"),
        )  # fmt: skip
        for note in (*self.keeper.recall(kept, resumed.same_boot, now), *self._air_tests.recall(kept)):
            self._say(note)
        topic = self.shed.broker.topic(self.shed.shed.key) if self.shed.broker else None
        self._callout = Callout(
            self.keeper, self.shed.shed.short_name, self.shed.contacts, self.shed.calling, texts=self.shed.texts,
            ways=reaching(self.shed), rings=rings(self.shed), topic=topic, left=self._time_left.short,
        )  # fmt: skip
        self._recorder = Recorder(self.journal, self.clock, self._release)
        rounds = Rounds(self.shed, self.keeper, self.journal, self.history, self.buses, self.clock, self._look)
        self._beside = Beside(
            self.shed, self.keeper, self.journal, self.clock, self._callout.marked,
            partial(self._recorder.add, (), {}), self._note,
            lambda kind, text: self._spawn(self.journal.note(kind, text, self.clock.now())), rounds,
            self._time_left, self._look, self._spawn,
        )  # fmt: skip
        self._beside.condition = Condition(
            self.shed, self.clock, self.keeper, self.journal, self._running, self.overview
        )
        for note in (*self._callout.recall(kept, shift_of(*slept)[0]), *await self._beside.recall(kept, now)):
            self._say(note)
        self._calibrations = Calibrations(self.shed, self.keeper, self.journal, self.clock, self._note)
        self._desk = Desk(
            self.keeper, self._callout, self._recorder, self.journal, self.history, self._calibrations,
            self._air_tests, self._beside, self.clock, self._look, self.overview, self._say,
        )  # fmt: skip
        rounds.restore(resumed.entries)
        await self.history.open()
        await self.journal.begin({alarm.id: body_of(alarm) for alarm in self.shed.alarms}, now)
        self._callout.nuisance.restore(await events_before(self.journal, resumed.same_boot, now))
        for note in (
            *(await self._series.open() if self._series else ()),
            *await recall_tests(self.keeper, self.shed.follows, self.journal),
            *await replay_history(self.keeper, self.history, now),
        ):
            self._say(note)
        for note in self._starts.begin(now):
            self._note(note, kind="start")
        if memory.standing or resumed.waiting:
            self._say(f"Resumed: {len(memory.standing)} alarms standing, {resumed.waiting} messages to send.")

    def _parts(self) -> list[tuple[str, Part]]:
        parts: list[tuple[str, Part]] = []
        heard = Heard(self._on_inbound, self._on_report, self._on_health, lambda: as_json(self.overview()))
        made = notifiers(self.shed, self.clock, heard)
        self._mqtt = publisher(made)
        for notifier in made:
            worker = WayWorker(notifier, Told(self.journal, self._settled), self.clock, self._on_trouble)
            self._workers[notifier.way] = worker
            parts += [(f"{notifier.way} line", notifier.run), (f"{notifier.way} outbox", worker.run)]
        parts += [
            ("recorder", self._recorder.run),
            ("sign of life", self._sign_of_life),
            ("history", self.history.run),
            ("alarms", self._watch),
        ]
        for name, settings in self.shed.buses.items():
            parts.append(
                (f"bus {name}", BusWorker(self.buses[name], settings.probe, self.clock, self._deliver).run)
            )
        if self.shed.replay:
            return [*parts, ("record", self._until_record_ends)]
        parts.append(("calendar", self._calendar().run))
        parts += [("time-series server", self._series.run)] if self._series else []
        if self.shed.lookout:
            parts.append(("heartbeat", self._heartbeat))
        parts.append(("control", ControlServer(self.shed.data / "control.sock", self._desk.answer, self.clock).run))
        if self.shed.page.enabled:
            parts.append(("page", self._page))
        return parts

    async def _sign_of_life(self) -> None:
        """Keep in the journal when the watch was last awake: after a stop, that tells how long it was."""
        every = max(_ALIVE_EVERY_S, self.shed.store.batch_s)
        while True:
            await self.clock.sleep(every)
            await self.journal.keep(self.keeper.remembered(), self.clock.now())

    def _calendar(self) -> Calendar:
        calendar = Calendar(self.clock)
        calendar.at("history care", self.history.tidy, hour=3, minute=40)
        self._beside.plan(calendar)
        if self.shed.store.backup_to is not None:
            work = nightly(self.shed, self.clock, self.history.flush, self._on_health("backup"))
            calendar.at("backup", work, hour=4, minute=20)
        return calendar

    async def _page(self) -> None:
        pages = self._beside.asking(self._desk.answer)
        await self._paging().run(partial(shed_page, self.overview, pages, ask=self._desk.answer))

    def _paging(self) -> Paging:
        health = self._on_health("page") if "page" in self._health else lambda well, why: None
        return Paging(self.shed, self.clock, self._desk.answer, self._say, partial(self._note, kind="account"),
                      partial(self._recorder.add, (), {}), health)  # fmt: skip

    async def _heartbeat(self) -> None:
        facts = Facts(self.shed, self.keeper, self.journal, self._health)
        send, note = partial(self._recorder.add, (), {}), partial(self._note, kind="lookout")
        beating = heartbeat_of(self.shed, self.clock, facts, send, self._health, note,
                               lambda order: self._look(commands=[order]).events)  # fmt: skip
        self._of_lookout = beating.text
        await beating.run()

    async def _until_record_ends(self) -> None:
        assert self.shed.replay is not None
        name = self.shed.replay.bus
        await record_ends(self.buses[name], min(one.every for one in self.shed.buses[name].probe), self.clock)
        self.stop()

    # -- the one way of a reading -------------------------------------------------------------------------------

    def _deliver(self, samples: Sequence[Sample]) -> None:
        self._look(samples)

    def _look(self, samples: Sequence[Sample] = (), commands: Sequence[Command] = ()) -> Outcome:
        """Judge what came in, or that time has passed; queue what it brought. Never waits."""
        now = self.clock.now()
        records = self.journal.calibrations()
        self.keeper.calibrate(records)
        self.keeper.note(self._calibrated.news(records, now))
        if "calibration" in self._health:
            self._health["calibration"] = self._calibrations.health(now)
        self._health |= {"alarms": self._callout.health(now), **self._starts.health(now)}
        if "parts" in self._health:
            self._health |= self._running.health(now)
        self._beside.before(self._health, now)
        self.keeper.note_health(self._health, now)
        outcome = self.keeper.take(samples, now, commands)
        orders = self._air_tests.take(outcome.readings, now)
        self._calibrations.hear(outcome.readings, now)
        self.history.add([*outcome.readings, *self._beside.after(self._health, now)])
        for verdict in outcome.revised:
            self.history.revise(verdict)
        messages = self._callout.messages(outcome.events, now)
        kept = {**outcome.changed, **self._callout.changed(), **self._beside.changed()}
        self._recorder.add(outcome.events, kept, messages)
        for event in outcome.events:
            self._say(event_line(event, self.keeper))
            if event.happening in (Happening.RAISED, Happening.REPEATED):
                self.called.append(event)
        if outcome.events and self._mqtt is not None:
            self._mqtt.publish_state()
        self._looked = now.mono
        self._changed.set()
        if orders := [*orders, *self._switches.orders(outcome.readings, self.keeper.memory, now)]:
            self._look(commands=orders)
        return outcome

    async def _watch(self) -> None:
        """Let time alone pass for the alarms: delays run out and readings grow old between scans."""
        scans = [probe.every for bus in self.shed.buses.values() for probe in bus.probe]
        every = max(_LOOK_EVERY_S, min(scans, default=_LOOK_EVERY_S))
        while True:
            now = self.clock.now()
            dues = (self.keeper.due(now), self._callout.due(now), self._beside.drills.due(now))
            until = min([now.mono + every, *(due for due in dues if due is not None)])
            self._changed.clear()
            await news_or(self._changed, self.clock, until)  # a scan may have brought a nearer one
            if self.clock.now().mono >= until:
                self._look()

    def _release(self, messages: Sequence[Message]) -> None:
        for message in messages:
            worker = self._workers[message.way]
            worker.wake() if message.recorded else worker.push(message)

    def overview(self) -> Overview:
        """The shed as it is now."""
        view = self.keeper.overview(self.clock.now(), self._callout.told)
        return replace(view, left=self._time_left.words(), notes=(*view.notes, *self.shed.in_force.told))

    # -- what comes from outside --------------------------------------------------------------------------------

    def _on_health(self, part: str) -> Callable[[bool, str], None]:
        def heard(well: bool, reason: str) -> None:
            before = self._health.get(part)
            self._health[part] = (well, reason)
            if before is not None and before[0] != well:
                self._say(f"{part}: {'well' if well else 'FAILING'}{': ' + reason if reason else ''}")
                self._spawn(self._look_soon())
            if well and part in WAY_OF:
                # what waits only because the way was down need not sit out its back-off
                self._workers[WAY_OF[part]].retry_now()

        return heard

    async def _look_soon(self) -> None:
        self._look()

    def _note(self, text: str, kind: str = "calibration") -> None:
        """One line for people, kept in the journal too."""
        now = self.clock.now()
        self._say(f"{now.local:%H:%M:%S} {text}")
        self._spawn(self.journal.note(kind, text, now))

    def _on_trouble(self, way: str, reason: str) -> None:
        self._say(f"{way}: {reason}")

    def _on_report(self, report: DeliveryReport) -> None:
        self._spawn(self._report(report))

    async def _report(self, report: DeliveryReport) -> None:
        found = await self.journal.report(report)
        if found is None:
            log.info("A delivery report for %s fits no message: %s", report.to, report.detail)
        else:
            self._settled(*found)

    def _settled(self, message: Message, state: Delivery) -> None:
        self._callout.settled(message, state)
        self._beside.drills.settled(message, state)

    def _on_inbound(self, inbound: Inbound) -> None:
        if not self._of_lookout(inbound):
            self._spawn(self._desk.inbound(inbound))
