"""`brinewatch journal`: what happened, who did what and why, and whether it still stands as it was written.

The file is read beside a running daemon or without one; nothing is ever written to it.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from brinewatch.errors import BrinewatchError
from brinewatch.terminal import AddCommand

if TYPE_CHECKING:
    from brinewatch.config import ShedFile
    from brinewatch.store.reader import StoreReader

_LISTED_SINCE = "7d"


def register(add: AddCommand) -> argparse.ArgumentParser:
    """Make the command known; the caller adds --shed."""
    command = add(
        "journal", _work, "list what happened and who did what, tell an incident, check that nothing changed"
    )
    command.add_argument(
        "--since",
        metavar="TIME",
        help=f"so long ago (24h, 7d), or a day or minute (a list: default {_LISTED_SINCE})",
    )
    command.add_argument("--until", metavar="TIME", help="the same way (default now)")
    command.add_argument("--alarm", metavar="ALARM", help="only of this alarm: rule@point, its rule, or its number")
    command.add_argument("--stage", metavar="STAGE", help="only of this stage")
    command.add_argument("--person", metavar="NAME", help="only what this person did or wrote")
    command.add_argument("--incident", type=int, metavar="N", help="tell one incident from its cause to its end")
    export = "write all fields and hashes: CSV when it ends in .csv, else one JSON value a line; - for the terminal"
    command.add_argument("--export", metavar="FILE", help=export)
    command.add_argument("--verify", action="store_true", help="check the chain of hashes from end to end")
    head = "with --verify: a head given out earlier, which must still be in the chain"
    command.add_argument("--head", action="append", default=[], metavar="N:HASH", help=head)
    return command


def _work(options: argparse.Namespace) -> int:
    from brinewatch.config.lookout import read_any
    from brinewatch.store.reader import StoreReader

    if options.head and not options.verify:
        raise BrinewatchError("--head goes with --verify.", "Write: brinewatch journal --verify --head N:HASH")
    if options.verify and (options.export or options.incident is not None):
        raise BrinewatchError("--verify stands alone.", "Ask one thing at a time.")
    shed = read_any(options.shed)
    with StoreReader(shed.data, shed.zone) as store:
        if options.verify:
            return _verify(options, shed, store)
        if options.export:
            return _export(options, shed, store)
        if options.incident is not None:
            return _incident(options, shed, store)
        return _list(options, shed, store)


def _verify(options: argparse.Namespace, shed: ShedFile, store: StoreReader) -> int:
    from brinewatch.chronicle.listing import checked_lines
    from brinewatch.store.chain import Head

    try:
        known = [Head.of(text) for text in options.head]
    except ValueError as error:
        raise BrinewatchError(f"--head {error}.", "Copy it as it was given out.") from None
    found = store.check_chain(known)
    for line in checked_lines(found, known):
        sys.stdout.write(f"{line}\n")
    return 1 if found.wrong else 0


def _export(options: argparse.Namespace, shed: ShedFile, store: StoreReader) -> int:
    from brinewatch.chronicle.listing import wanted
    from brinewatch.logbook.export import write_export
    from brinewatch.store.journal_tables import SEALED

    ask = wanted(options, shed, None)
    records = (one for one in store.records(tuple(SEALED), ask.since, ask.until) if ask.fits(one))
    if options.export == "-":
        write_export(records, sys.stdout, csv=False)
        return 0
    path = Path(options.export)
    if path.exists():
        raise BrinewatchError(f"There is a file {path} already.", "Name another, or take it away first.")
    part = path.with_name(f"{path.name}.part")
    try:
        with part.open("w", encoding="utf-8", newline="") as file:
            count = write_export(records, file, csv=path.suffix.lower() == ".csv")
        part.rename(path)
    except OSError as error:
        raise BrinewatchError(f"{path} cannot be written ({error}).", "Name another file.") from error
    finally:
        part.unlink(missing_ok=True)
    sys.stdout.write(f"{count} records in {path}.\n")
    return 0


def _incident(options: argparse.Namespace, shed: ShedFile, store: StoreReader) -> int:
    from brinewatch.chronicle.sentences import words_of
    from brinewatch.chronicle.timeline import timeline

    words = words_of(shed)
    try:
        events, calls = store.incident(options.incident)
    except ValueError as error:
        raise BrinewatchError(
            f"Incident {options.incident} cannot be read ({error}).", "See: brinewatch journal --verify"
        ) from error
    if not events:
        raise BrinewatchError(
            f"There is no incident {options.incident}.", "Its number stands in: brinewatch journal --since 30d"
        )
    for line in timeline(options.incident, events, calls, words):
        sys.stdout.write(f"{line}\n")
    return 0


def _list(options: argparse.Namespace, shed: ShedFile, store: StoreReader) -> int:
    from brinewatch.chronicle.listing import COLUMNS, LISTED, row_of, wanted
    from brinewatch.terminal import print_table

    ask = wanted(options, shed, _LISTED_SINCE)
    rows = [row_of(one, shed.shed.display, shed.zone) for one in store.records(LISTED, ask.since, ask.until)
            if ask.fits(one)]  # fmt: skip
    if not rows:
        sys.stdout.write("The journal holds nothing of that.\n")
        return 0
    print_table([name for name in COLUMNS if any(row[name] for row in rows)], rows)
    return 0
