"""`brinewatch backup` and `brinewatch restore`: the store on another disk, and back."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from brinewatch.errors import BrinewatchError, StoreError
from brinewatch.terminal import AddCommand

if TYPE_CHECKING:
    from brinewatch.store.backup import Copied


def register(add: AddCommand) -> argparse.ArgumentParser:
    """Make `backup` known; the caller adds --shed."""
    command = add(
        "backup", _back_up, "copy journal, history and limits changed here to another disk; the watch goes on"
    )
    command.add_argument("to", metavar="TO", help="a folder on another disk; a folder with the time is made in it")
    command.add_argument(
        "--keep", type=int, default=0, metavar="N", help="leave the newest N backups there (default: all)"
    )
    return command


def register_restore(add: AddCommand) -> argparse.ArgumentParser:
    """Make `restore` known; the caller adds --shed."""
    command = add(
        "restore", _restore, "put journal, history and changed limits of a backup in place of those there are"
    )
    command.add_argument("source", metavar="FROM", help="the folder of one backup, or the one it was made in")
    return command


def _back_up(options: argparse.Namespace) -> int:
    from brinewatch.clock import SystemClock
    from brinewatch.config import read_shed
    from brinewatch.store.backup import back_up_store
    from brinewatch.terminal import have_written

    if options.keep < 0:
        raise BrinewatchError(f"--keep {options.keep}: expected a number from 1 on.", "Leave it out to keep all.")
    shed = read_shed(options.shed)
    have_written(shed.data)
    shown = sys.stderr.isatty()

    def tell(name: str, done: int, pages: int) -> None:
        if shown and pages:
            sys.stderr.write(f"\r{name}: {100 * done // pages} %  ")
            sys.stderr.flush()

    now = SystemClock(shed.zone).now()
    folder, done = back_up_store(shed.data, Path(options.to), now, tell, options.keep)
    sys.stderr.write("\n" if shown else "")
    sys.stdout.write(f"{folder}\n{_lines(done)}")
    return 0


def _lines(done: list[Copied]) -> str:
    what = {"journal.sqlite": "records, the chain holds", "history.sqlite": "readings"}
    return "".join(f"  {one.name}: {one.bytes} bytes, {one.records} {what[one.name]}; read back\n" for one in done)


def _restore(options: argparse.Namespace) -> int:
    from brinewatch.clock import SystemClock
    from brinewatch.config import read_shed
    from brinewatch.store.backup import newest, restore_store
    from brinewatch.store.lock import StoreLock

    shed = read_shed(options.shed)
    source = Path(options.source)
    if not source.is_dir():
        raise StoreError(f"There is no folder {source}.", "Is the disk mounted there?")
    source = newest(source) or source
    now = SystemClock(shed.zone).now()
    with StoreLock(shed.data).take(shed.shed.key, now):  # refused while a daemon has it
        done, aside = restore_store(source, shed.data, now)
    sys.stdout.write(f"{shed.data} holds what {source} held:\n{_lines(done)}")
    for path in aside:
        sys.stdout.write(f"  what was there before: {path}\n")
    sys.stdout.write("Start the daemon again; what was read since the backup is not in it.\n")
    return 0
