"""What is owed to the disk: kept in memory in order, and written as soon as the disk will take it."""

from __future__ import annotations

import logging
import threading
from collections import deque
from collections.abc import Callable
from pathlib import Path

from brinewatch.errors import StoreError
from brinewatch.store import schema
from brinewatch.store.journal_file import Contents, JournalFile
from brinewatch.store.rows import Statement, Write
from brinewatch.store.thread import StoreThread

log = logging.getLogger(__name__)

# writes that wait in memory for the disk; beyond it the oldest are lost, and said to be
OWED = 20_000


class Owed:
    """The writes of one journal on their way to its file. Used from one event loop.

    restate(found, notes): called when the file was begun anew, opened late, or has missed writes for good; it says
    in writes of its own what only memory knows. on_health(well, words): whenever the file stops or begins to take
    writes.
    """

    def __init__(
        self,
        path: Path,
        file: JournalFile,
        thread: StoreThread,
        deadline_s: float,
        restate: Callable[[Contents | None, list[str]], None],
        on_health: Callable[[bool, str], None],
    ) -> None:
        self._path = path
        self._file = file
        self._thread = thread
        self._deadline_s = deadline_s
        self._restate = restate
        self._on_health = on_health
        self._lock = threading.Lock()
        self._writes: deque[Write] = deque()
        self._lost = 0
        self._well = True

    @property
    def empty(self) -> bool:
        return not self._writes

    def add(self, write: Write) -> None:
        with self._lock:
            self._writes.append(write)
            while len(self._writes) > OWED:
                self._writes.popleft()
                self._lost += 1

    async def record(self, statements: list[Statement]) -> bool:
        """False: still to be written."""
        write = Write(statements)
        self.add(write)
        await self.pay()
        return write.written

    def decided(self, write: Write, otherwise: Write) -> bool:
        """Whether a write is on the disk, once for all: when it is not, it may still be under way, and `otherwise`
        is owed after it."""
        with self._lock:
            if not write.written and not write.refused and otherwise.statements:
                self._writes.append(otherwise)
            return write.written

    async def pay(self) -> StoreError | None:
        """Have everything owed written now. Says what failed, and tells of a change for the better or worse."""
        try:
            await self._thread.run(self._write, self._deadline_s)
        except TimeoutError:
            failure = self.silent(self._deadline_s)
        except RuntimeError:
            failure = StoreError(f"{self._path} is not open.", "Open the journal first.")
        except Exception as error:  # noqa: BLE001 - whatever broke, the message must still go out
            failure = schema.store_error(self._path, error)
        else:
            found, notes = self._file.take()
            if self._lost:
                notes.append(f"{self._lost} records were lost while the journal could not be written.")
                self._lost = 0
            if found is None and not notes:
                self.tell(True, "")
                return None
            self._restate(found, notes)
            if notes:
                self.tell(False, notes[-1])
            return await self.pay()
        self.tell(False, str(failure))
        return failure

    def _write(self) -> None:
        """In the thread: the oldest first, all in one transaction; a late end counts like a timely one."""
        with self._lock:
            batch = list(self._writes)
        if not batch:
            return
        self._file.write(batch)
        with self._lock:
            for write in batch:
                write.written = not write.refused
            done = set(map(id, batch))
            self._writes = deque(write for write in self._writes if id(write) not in done)

    def silent(self, seconds: float) -> StoreError:
        return StoreError(
            f"{self._path} did not answer within {seconds:g} s.", "Look at the disk: it may be hanging."
        )

    def tell(self, well: bool, words: str) -> None:
        if well != self._well:
            self._well = well
            log.log(logging.INFO if well else logging.ERROR, "journal: %s", words or "takes writes again")
            self._on_health(well, words)
