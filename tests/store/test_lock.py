"""One daemon to a store."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from brinewatch.errors import StoreBusy, StoreError
from brinewatch.store.lock import LOCK_NAME, StoreLock
from store.made import NOW

HOLDER = """
import sys
from pathlib import Path
from brinewatch.moment import Moment
from brinewatch.store.lock import StoreLock
lock = StoreLock(Path(sys.argv[1])).take("Gannet Quay", Moment(1.0, 1_795_600_000.25, True))
print("held", flush=True)
sys.stdin.read()
lock.release()
"""


@contextmanager
def holder(folder: Path) -> Iterator[subprocess.Popen[str]]:
    with subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(folder)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "held\n"
        try:
            yield process
        finally:
            process.kill()


def test_second_daemon_is_refused_and_told_who_is_first(tmp_path: Path) -> None:
    with holder(tmp_path) as first, pytest.raises(StoreBusy) as refusal:
        StoreLock(tmp_path).take("Other Shed", NOW)
    assert f"process {first.pid}" in str(refusal.value)
    assert "Gannet Quay" in str(refusal.value)
    # 1 795 600 000 s after 1970-01-01 is 2026-11-25 09:46:40 UTC (GNU date -u -d @1795600000)
    assert "since 2026-11-25T09:46:40.250Z" in str(refusal.value)


def test_two_locks_in_one_process_exclude_each_other_too(tmp_path: Path) -> None:
    with StoreLock(tmp_path).take("Gannet Quay", NOW), pytest.raises(StoreBusy, match=f"process {os.getpid()}"):
        StoreLock(tmp_path).take("Gannet Quay", NOW)


def test_file_of_a_killed_daemon_is_no_obstacle(tmp_path: Path) -> None:
    with holder(tmp_path) as first:
        first.send_signal(signal.SIGKILL)
        first.wait()
        assert "Gannet Quay" in (tmp_path / LOCK_NAME).read_text()
        with StoreLock(tmp_path).take("Gannet Quay", NOW):
            assert f"pid {os.getpid()}" in (tmp_path / LOCK_NAME).read_text()


def test_released_lock_can_be_taken_again_and_a_missing_folder_is_made(tmp_path: Path) -> None:
    lock = StoreLock(tmp_path / "new" / "data")
    with lock.take("Gannet Quay", NOW):
        pass
    with lock.take("Gannet Quay", NOW):
        pass


def test_removing_the_file_does_not_admit_a_second(tmp_path: Path) -> None:
    with StoreLock(tmp_path).take("Gannet Quay", NOW):
        (tmp_path / LOCK_NAME).unlink()
        with pytest.raises(StoreBusy, match="already kept by another daemon"):
            StoreLock(tmp_path).take("Gannet Quay", NOW)


@contextmanager
def nobody(folder: Path) -> Iterator[None]:
    """Root may write anywhere; be somebody else for a moment."""
    folder.chmod(0o555)
    root = os.geteuid() == 0
    if root:
        os.seteuid(65534)
    try:
        yield
    finally:
        if root:
            os.seteuid(0)
        folder.chmod(0o755)


def test_folder_that_cannot_be_written_is_refused_in_words() -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        folder.chmod(0o755)
        with nobody(folder), pytest.raises(StoreError, match=r"cannot be written .* let this program's user write"):
            StoreLock(folder).take("Gannet Quay", NOW)
