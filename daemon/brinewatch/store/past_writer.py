"""Readings of the past written into a store that no daemon keeps now; whoever uses it holds the store's lock."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from brinewatch.errors import StoreError
from brinewatch.ports import Clock
from brinewatch.readings import Reading
from brinewatch.store import schema
from brinewatch.store.history_file import HistoryFile, Written
from brinewatch.store.journal_file import JournalFile
from brinewatch.store.rows import Write, boot_id, put_remark

_HOURS_AT_ONCE = 500


class PastWriter:
    """Use it as a context manager, from one thread."""

    def __init__(self, folder: Path, clock: Clock) -> None:
        self._clock = clock
        self._boot = boot_id()
        self._path = folder / "history.sqlite"
        self._history = HistoryFile(self._path, clock)
        self._journal = JournalFile(folder / "journal.sqlite", clock, self._boot)
        self._remark = 0

    def __enter__(self) -> PastWriter:
        self._history.open()
        try:
            self._journal.open()
            found, _ = self._journal.take()
            self._remark = found.next_rows["remark"] if found else 1
        except BaseException:
            self._history.close()
            raise
        return self

    def __exit__(self, *_: object) -> None:
        self._history.close()
        self._journal.close()

    @property
    def notes(self) -> Sequence[str]:
        """What went wrong with the history's file, for people."""
        return self._history.notes

    def write(self, readings: Sequence[Reading]) -> Written:
        """All in one transaction. StoreError when nothing of it was written."""
        try:
            return self._history.write(readings)
        except Exception as error:
            raise schema.store_error(self._path, error) from error

    def note(self, kind: str, text: str) -> None:
        """A remark in the journal, on the disk on return."""
        write = Write([put_remark(self._remark, kind, text, self._clock.now(), self._boot)])
        try:
            self._journal.write([write])
        except Exception as error:
            raise schema.store_error(self._path.with_name("journal.sqlite"), error) from error
        if write.refused:
            raise StoreError(f"The journal cannot record this: {write.refused}.", "Report it: a fault here.")
        self._remark += 1

    def pack(self) -> bool:
        """Pack some hours or days that are over; False when there was nothing left to be packed."""
        try:
            now_us = round(self._clock.now().utc * 1_000_000)
            return bool(self._history.sum_up(now_us, _HOURS_AT_ONCE))
        except Exception as error:
            raise schema.store_error(self._path, error) from error
