"""The journal: every alarm event, every message and what became of it, on the disk before anything is sent.

The rule is at least once, and hearing comes before recording. What the disk would not take is kept here in order
and written as soon as it will. The outbox lives in memory (tray.py): a commit that ends late sends nothing twice.
"""

from __future__ import annotations

import logging
import math
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, TypeVar

from brinewatch.alarms.events import AlarmEvent, Happening
from brinewatch.alarms.version import begin_text, version_of
from brinewatch.errors import StoreError
from brinewatch.messages import Delivery, DeliveryReport, Message
from brinewatch.moment import Moment
from brinewatch.ports import Clock
from brinewatch.signals.records import CalibrationRecord
from brinewatch.store import rows, schema
from brinewatch.store.chain import Head
from brinewatch.store.journal_file import Contents, JournalFile, expired_note
from brinewatch.store.owed import Owed
from brinewatch.store.rows import (
    MEASURED,
    Draft,
    Entry,
    Logged,
    Posted,
    Remark,
    Resumed,
    Statement,
    Write,
)
from brinewatch.store.thread import StoreThread
from brinewatch.store.tray import Tray

log = logging.getLogger(__name__)
T = TypeVar("T")

_OPEN_S = 120.0  # a check of the whole file on a slow card
_CLOSE_S = 10.0
_UNSEEN = 2**52
_EVER = 1e18  # seconds


class Journal:
    """The journal and the outbox of one shed. Open it first; use it from one event loop.

    commit_deadline_s: real seconds after which a write counts as failed. on_health(well, words) is called in the
    event loop whenever the file stops or begins to take writes. boot: the name of this boot, of the kernel's if "".
    """

    def __init__(
        self,
        path: Path,
        clock: Clock,
        commit_deadline_s: float = 2.0,
        on_health: Callable[[bool, str], None] = lambda well, words: None,
        boot: str = "",
    ) -> None:
        self._path = Path(path)
        self._clock = clock
        self._deadline_s = commit_deadline_s
        self._boot = boot or rows.boot_id()
        self._file = JournalFile(self._path, clock, self._boot)
        self._thread = StoreThread("journal", clock)
        self._tray = Tray(self._boot)
        self._owed = Owed(self._path, self._file, self._thread, commit_deadline_s, self._restate, on_health)
        self._next: dict[str, int] = {}
        self._memories: dict[str, Mapping[str, Any] | None] = {}
        self._calibrations: tuple[CalibrationRecord, ...] = ()
        self._rules: Mapping[str, str] = {}
        self._rules_before: Mapping[str, str] | None = None

    @property
    def head(self) -> Head | None:
        """The newest link of the chain that is on the disk; None before there is one. Given out, it proves later
        that nothing before it was changed."""
        return self._file.head

    # -- beginning and end --------------------------------------------------------------------------------------

    async def open(self) -> Resumed:
        """Open, make or mend the file.

        NewerStore when it must not be used. Any other StoreError: the disk does not answer or does not take it; the
        journal may then be used from memory all the same, and opens the file by itself when it can.
        """
        self._thread.start()
        try:
            await self._thread.run(self._file.open, _OPEN_S)
        except TimeoutError:
            raise self._from_memory(self._owed.silent(_OPEN_S)) from None
        except schema.NewerStore:
            await self._thread.stop(_CLOSE_S)
            raise
        except StoreError as error:
            raise self._from_memory(error) from None
        except BaseException:
            await self._thread.stop(_CLOSE_S)
            raise
        found, _ = self._file.take()
        assert found is not None
        self._next = found.next_rows
        self._memories = dict(found.memories)
        self._rules_before = found.rules
        return self._resume(found, self._clock.now())

    def _from_memory(self, error: StoreError) -> StoreError:
        """Row numbers that no file can hold yet, so that what is owed finds its place when the file opens."""
        base = _UNSEEN + round(self._clock.now().utc * 1000)
        self._next = dict.fromkeys(("event", "message", "remark", "entry"), base)
        self._owed.tell(False, str(error))
        return error

    def _resume(self, found: Contents, now: Moment) -> Resumed:
        for one in found.open:
            self._tray.load(one, now)
        for part in found.parts:
            self._tray.load_part(part)
        here = {one.id for one in found.calibrations}
        self._calibrations = (*found.calibrations, *(one for one in self._calibrations if one.id not in here))
        for one in found.expired:
            self._owed.add(Write(self._tray.expire(one, now)))
        if found.expired:
            found.notes.append(expired_note(found.expired))
        same = found.saved is not None and found.saved_boot == self._boot and found.saved.mono <= now.mono
        return Resumed(
            found.memories, found.saved, found.saved_boot, same, found.next_number, tuple(found.entries),
            len(found.open), tuple(found.notes),
        )  # fmt: skip

    async def close(self) -> None:
        """Write what is owed and let go of the file; a hanging disk is left to the kernel."""
        await self.reconcile()
        if not self._thread.stuck:
            try:
                await self._thread.run(self._file.close, _CLOSE_S)
            except (TimeoutError, RuntimeError):
                log.error("The journal could not be closed in time.")
        await self._thread.stop(_CLOSE_S)

    # -- writing ------------------------------------------------------------------------------------------------

    async def commit(
        self,
        events: Sequence[AlarmEvent],
        memories: Mapping[str, Mapping[str, Any] | None],
        messages: Sequence[Message],
        now: Moment,
    ) -> list[Message]:
        """Events, changed alarm memories (None: forgotten) and messages in one transaction, on the disk on return.

        Returns the messages as recorded, with their ids; they are due at once. StoreError when the disk did not
        take them within the deadline: then the caller sends the messages from memory, under the ids it gave them
        and with recorded=False, and may settle them like any other. Everything else stays owed and is written
        when the disk comes back; handing the same events in again makes no second event.
        """
        write = Write(self._remember(memories, now))
        ids: dict[int | None, int] = {}
        for event in events:
            ids[event.number] = row = self._row("event")
            write.statements.append(rows.put_event(row, event, self._boot))
            write.events += (row,)
            if event.happening is Happening.RAISED:
                write.statements.append(rows.put_meta("next_number", event.number + 1))
        numbered = [(self._row("message"), message) for message in messages]
        for row, message in numbered:
            write.statements.append(rows.put_message(row, message, ids.get(message.number), now, self._boot))
        self._owed.add(write)
        failure = await self._owed.pay()
        unrecorded = Write(
            [
                Statement("UPDATE message SET recorded = 0, due_utc = NULL WHERE id = ?", (row,))
                for row, _ in numbered
            ]
        )
        recorded = self._owed.decided(write, unrecorded)
        taken = [
            self._tray.take(row, message, ids.get(message.number), now, recorded=recorded)
            for row, message in numbered
        ]
        if not recorded:
            raise failure or StoreError(
                f"The journal cannot record this: {write.refused}.", "Report it: a fault here."
            )
        return taken

    async def keep(self, memories: Mapping[str, Mapping[str, Any] | None], now: Moment) -> bool:
        """Alarm memories without an event, such as when a condition began. False: still to be written."""
        return await self._owed.record(self._remember(memories, now))

    async def note(self, kind: str, text: str, now: Moment) -> bool:
        """A remark. False: kept in memory, still to be written."""
        return await self._owed.record([self._remark(kind, text, now)])

    async def begin(self, rules: Mapping[str, str], now: Moment, change: str = "") -> bool:
        """A watch begins with these rules: by alarm id, what its version stands for (alarms/version.py). Each is
        kept once, and a remark says what differs from the watch before, or `change` what does while it goes on."""
        self._rules = dict(rules)
        versions = {alarm: version_of(body) for alarm, body in rules.items()}
        said = ("override", change) if change else ("settings", begin_text(self._rules_before, versions))
        self._rules_before = versions
        return await self._owed.record([self._remark(*said, now), *self._rules_kept(now)])

    async def enter(self, point: str, value: float, by: str, now: Moment, corrects: int | None = None) -> Entry:
        """A value a person read or tested, in the quantity's unit; corrects: the id of the entry it replaces.

        StoreError when it could not be kept; then it does not count later either.
        """
        return (await self.enter_all([Draft(point, value, corrects=corrects)], by, now))[0]

    async def enter_all(self, drafts: Sequence[Draft], by: str, now: Moment) -> list[Entry]:
        """What a person enters at once, all of it or nothing; as `enter`."""
        entries, write, otherwise = [], Write(), Write()
        for one in drafts:
            if not math.isfinite(one.value):
                raise StoreError(f"{one.value} for {one.point} is no number to keep.", "Enter a number.")
            entry = Entry(
                self._row("entry"), one.point, float(one.value), rows.clean(by), now, self._boot, one.corrects,
                False, one.measured_utc, rows.clean(one.typed), rows.clean(one.note), one.photo, one.form,
            )  # fmt: skip
            entries.append(entry)
            write.statements.append(rows.put_entry(entry))
            otherwise.statements.append(rows.put_withdrawn(entry.id, now, self._boot))
        self._owed.add(write)
        failure = await self._owed.pay()
        if not self._owed.decided(write, otherwise):
            names = ", ".join(one.point for one in drafts)
            raise failure or StoreError(
                f"The entry for {names} cannot be kept: {write.refused}.", "Enter it again."
            )
        return entries

    async def take_back(self, entry: int, words: str, now: Moment) -> bool:
        """Say that an entry does not count; it stays to be seen. False: kept in memory, still to be written."""
        return await self._owed.record([rows.put_withdrawn(entry, now, self._boot, words)])

    async def calibrate(self, record: CalibrationRecord, now: Moment) -> bool:
        """Keep a calibration record for ever; it counts at once. False: the disk has not taken it yet.

        StoreError when its id is taken, or when no file can take it; then it does not count.
        """
        if any(one.id == record.id for one in self._calibrations):
            raise StoreError(f"There is a calibration record {record.id} already.", "Give this one its own id.")
        write = Write([rows.put_calibration(record, now, self._boot)])
        self._calibrations = (*self._calibrations, record)
        self._owed.add(write)
        await self._owed.pay()
        if write.refused:
            self._calibrations = tuple(one for one in self._calibrations if one is not record)
            raise StoreError(f"The record {record.id} cannot be kept: {write.refused}.", "Report it: a fault here.")
        return write.written

    async def reconcile(self) -> bool:
        """Write what the disk would not take before. True when nothing is owed any more."""
        if not self._owed.empty:
            await self._owed.pay()
        return self._owed.empty

    # -- outbox -------------------------------------------------------------------------------------------------

    async def due(self, way: str, now: Moment) -> Sequence[Message]:
        """Messages to be tried now, oldest first. Asked of memory: it answers whatever the disk does."""
        messages, statements = self._tray.due(way, now)
        if statements:
            log.error("%d messages by %s expired before they could be tried", len(statements), way)
            self._owed.add(Write(statements))
        await self.reconcile()
        return messages

    async def settle(
        self,
        message: Message,
        state: Delivery,
        now: Moment,
        *,
        references: Sequence[int] = (),
        detail: str = "",
        retry_at_utc: float | None = None,
    ) -> None:
        """How one try ended. With retry_at_utc it is due again then, recorded or not.

        Raises nothing: what the disk does not take is kept in memory and written when it will.
        """
        row = self._tray.row_of(message)
        standing = None if row is None else self._tray.standing(row)
        if standing is None:
            log.warning("Message %s to %s, now %s, had ended before.", message.id, message.to, state)
            return
        await self._owed.record(self._tray.settle(standing, state, now, references, detail, retry_at_utc))

    async def report(self, report: DeliveryReport) -> tuple[Message, Delivery] | None:
        """What the network said later: the message it is of, and how far that got by it. None: it fits no message
        yet; one settled within two minutes takes it."""
        found = self._tray.report(report)
        if found is None:
            return None
        standing, statements = found
        await self._owed.record(statements)
        return standing.message, standing.state

    def reached(self, message: Message) -> Delivery | None:
        """How far a message got; None when that is over and done with."""
        row = self._tray.row_of(message)
        standing = None if row is None else self._tray.standing(row)
        return None if standing is None else standing.state

    # -- asking -------------------------------------------------------------------------------------------------

    def calibrations(self) -> tuple[CalibrationRecord, ...]:
        """Every calibration record, from memory: the same object until one is added."""
        return self._calibrations

    async def recent(self, limit: int = 50) -> list[Logged]:
        """The newest events, newest first."""
        return await self._ask(lambda: self._file.recent(limit))

    async def events(self, since_utc: float, until_utc: float, limit: int = 10_000) -> list[Logged]:
        """Events detected from since to before until, newest first, at most `limit`."""
        return await self._ask(lambda: self._file.events(since_utc, until_utc, limit))

    async def outbox(self, limit: int = 50) -> list[Posted]:
        """The newest messages and what became of them, newest first."""
        return await self._ask(lambda: self._file.outbox(limit))

    async def entries(self, point: str | None = None, limit: int = 100) -> list[Entry]:
        """Manual entries, newest first, corrected ones too."""
        return await self._ask(lambda: self._file.entries(point, limit))

    async def entered(
        self, since_utc: float = -_EVER, until_utc: float = _EVER, points: Collection[str] = (), limit: int = 1000
    ) -> list[Entry]:
        """Entries measured from since to before until, the newest first, corrected and withdrawn ones too; points:
        only of these, () for all."""
        where, values = f"{MEASURED} >= ? AND {MEASURED} < ?", [since_utc, until_utc, *points]
        if points:
            where += f" AND point IN ({', '.join('?' * len(points))})"
        return await self._ask(lambda: self._file.entries_where(where, values, limit))

    async def entries_of(self, form: str) -> list[Entry]:
        """The entries that came with a form, in the order they were written."""
        found = await self._ask(lambda: self._file.entries_where("form = ?", [form], 1000))
        return sorted(found, key=lambda one: one.id)

    async def entry(self, key: int) -> Entry | None:
        """One entry; None when there is none of that number."""
        found = await self._ask(lambda: self._file.entries_where("id = ?", [key], 1))
        return found[0] if found else None

    async def remarks(self, limit: int = 100) -> list[Remark]:
        """Remarks, newest first."""
        return await self._ask(lambda: self._file.remarks(limit))

    async def _ask(self, work: Callable[[], T]) -> T:
        await self.reconcile()
        try:
            return await self._thread.run(lambda: self._file.attend(work), self._deadline_s)
        except TimeoutError:
            raise self._owed.silent(self._deadline_s) from None

    # -- what is owed to the disk -------------------------------------------------------------------------------

    def _row(self, table: str) -> int:
        row = self._next.setdefault(table, 1)
        self._next[table] = row + 1
        return row

    def _remember(self, memories: Mapping[str, Mapping[str, Any] | None], now: Moment) -> list[Statement]:
        statements = [rows.put_memory(alarm, memory) for alarm, memory in memories.items()]
        self._memories.update(memories)
        return [*statements, rows.put_meta("saved", (*rows.stamps(now), self._boot))]

    def _remark(self, kind: str, text: str, now: Moment) -> Statement:
        return rows.put_remark(self._row("remark"), kind, text, now, self._boot)

    def _rules_kept(self, now: Moment) -> list[Statement]:
        versions = {alarm: version_of(body) for alarm, body in self._rules.items()}
        kept = [rows.put_rule(versions[key], key, body, now, self._boot) for key, body in self._rules.items()]
        return [*kept, rows.put_meta("rules", versions)] if kept else []

    def _restate(self, found: Contents | None, notes: list[str]) -> None:
        """After the file was begun anew or opened late: take in what it held, write what only memory knows."""
        now = self._clock.now()
        if found is not None:
            notes += self._resume(found, now).notes
        statements = [rows.put_memory(alarm, memory) for alarm, memory in self._memories.items()]
        statements += [rows.put_calibration(one, now, self._boot) for one in self._calibrations]
        statements += self._rules_kept(now)
        for one in self._tray.open:
            statements.append(rows.put_message(one.row, replace(one.message), one.event, now, self._boot))
        statements += [self._remark("store", text, now) for text in notes]
        self._owed.add(Write(statements))


__all__ = ["Draft", "Entry", "Journal", "Logged", "Posted", "Remark", "Resumed"]
