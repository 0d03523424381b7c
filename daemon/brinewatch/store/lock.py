"""One daemon to a store: the kernel's lock on the data folder, and a file in it that says who holds it.

The folder itself is locked, not the file: no one can admit a second daemon by tidying the file away.
"""

from __future__ import annotations

import fcntl
import os
from pathlib import Path
from types import TracebackType

from brinewatch.errors import StoreBusy, StoreError
from brinewatch.moment import Moment, utc_text

LOCK_NAME = "brinewatch.lock"


class StoreLock:
    """Held from `take` to `release`, or until the process dies: what a dead one left behind is no obstacle."""

    def __init__(self, folder: Path) -> None:
        self._folder = Path(folder)
        self._fd: int | None = None

    def take(self, shed: str, now: Moment) -> StoreLock:
        """Take the folder, making it if need be. StoreBusy names the one who has it."""
        told = self._folder / LOCK_NAME
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
            fd = os.open(self._folder, os.O_RDONLY | os.O_DIRECTORY)
            try:
                fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
                told.write_text(f"pid {os.getpid()}\nshed {shed}\nsince {utc_text(now.utc)}\n", encoding="utf-8")
            except BaseException:
                os.close(fd)
                raise
        except BlockingIOError as error:
            raise StoreBusy(
                f"{self._folder} is already kept by {_holder(told)}.",
                "Stop that one first, or name another data folder in the shed file.",
            ) from error
        except OSError as error:
            raise StoreError(
                f"The data folder {self._folder} cannot be written ({error.strerror}).",
                "Make the folder and let this program's user write to it, or name another.",
            ) from error
        self._fd = fd
        return self

    def release(self) -> None:
        if self._fd is not None:
            (self._folder / LOCK_NAME).unlink(missing_ok=True)
            os.close(self._fd)  # and the lock with it
            self._fd = None

    def __enter__(self) -> StoreLock:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.release()


def kept_by(folder: Path) -> str:
    """Who keeps the store in this folder, in words; "" when nobody does, or when there is none. Writes nothing."""
    try:
        fd = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    except OSError:
        return ""
    try:
        fcntl.flock(fd, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return _holder(folder / LOCK_NAME)
    finally:
        os.close(fd)
    return ""


def _holder(told: Path) -> str:
    try:
        text = told.read_text(encoding="utf-8", errors="replace")
    except OSError:
        text = ""
    known = dict(line.split(" ", 1) for line in text.splitlines() if " " in line)
    if not known.keys() >= {"pid", "shed", "since"}:
        return "another daemon"
    return f"the daemon of {known['shed']}, process {known['pid']}, since {known['since']}"
