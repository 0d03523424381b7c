"""`brinewatch import`: earlier records into the history, judged as live readings are, waking nobody."""

from __future__ import annotations

import argparse
import csv
import json
import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext
from pathlib import Path
from typing import TYPE_CHECKING, Any

from brinewatch.errors import BrinewatchError
from brinewatch.terminal import AddCommand

if TYPE_CHECKING:
    from brinewatch.importing.tally import Tally
    from brinewatch.importing.work import Tell

_SHOWN = 20
_DONE, _LEFT_OUT, _STOPPED = 0, 3, 130
_EPILOG = (
    "Without --write nothing is written: it is shown what would be. Without a mapping or a --column one is guessed "
    "from the headings and printed, to be kept in a file, mended and named with --mapping. What is in the history "
    "stands, whatever the file says; the same file once more changes nothing, and goes on where a stop left off. "
    "Exit codes: 0 all of it is in the history (or would be), 3 so is all but rows that cannot be used or say "
    "otherwise, 1 it cannot be done, 130 stopped by Ctrl-C. See deploy/guides/importing.md."
)


def register(add: AddCommand) -> argparse.ArgumentParser:
    """Make the command known; the caller adds --shed."""
    command = add("import", _work, "take a file of earlier records into the history; shows first what it would do")
    command.epilog = _EPILOG.replace("%", "%%")
    command.add_argument("file", type=Path, metavar="FILE", help="CSV, also gzip")
    command.add_argument("--write", action="store_true", help="do it; without this it is only shown")
    command.add_argument("--mapping", type=Path, metavar="TOML", help="which column is which point; see the guide")
    command.add_argument(
        "--column", action="append", default=[], metavar="HEADING=POINT[:UNIT]",
        help="a column of values, for example 'Temp=raceway.temperature:degC'; again for each",
    )  # fmt: skip
    command.add_argument("--name", help="what its readings are kept under (default: the file's name)")
    command.add_argument(
        "--time", action="append", metavar="HEADING", help="column of times; twice for day and time"
    )
    command.add_argument("--time-format", metavar="FORMAT", help="as strptime has it (default: ISO 8601)")
    command.add_argument("--time-zone", metavar="ZONE", help="of times without one: an IANA name or -06:00")
    command.add_argument(
        "--ambiguous", choices=("refuse", "first", "second", "in order"),
        help="a local time that came twice when clocks went back (default: refuse the row)",
    )  # fmt: skip
    command.add_argument(
        "--decimal", choices=("point", "comma"), help="what stands before decimals (default: point)"
    )
    command.add_argument("--delimiter", metavar="SIGN", help="between cells: comma, semicolon, tab or a sign")
    command.add_argument("--encoding", help="of the text, like cp1252 (default: UTF-8)")
    command.add_argument(
        "--missing", action="append", metavar="TEXT", help="what stands for no value; again for each"
    )
    command.add_argument("--problems", type=Path, metavar="FILE", help="write what cannot be used to a CSV file")
    command.add_argument("--json", action="store_true", help="the summary for programs")
    return command


def _work(options: argparse.Namespace) -> int:
    from brinewatch.clock import SystemClock
    from brinewatch.config import read_shed
    from brinewatch.importing.guess import guess
    from brinewatch.importing.mapping import settings_of
    from brinewatch.importing.ways import way_into
    from brinewatch.importing.work import Import

    shed = read_shed(options.shed)
    if options.mapping is None and not options.column:
        if options.write:
            raise BrinewatchError(
                "Which column is which point was not said.", "Without --write a mapping is guessed, to be mended."
            )
        sys.stdout.write(guess(options.file, shed))
        sys.stderr.write(
            "Nothing was read in. Keep this in a file, mend it, then see what it would do:\n"
            f"  brinewatch import {options.file} --mapping FILE.toml\n"
        )
        return _DONE
    clock = SystemClock(shed.zone)
    settings = settings_of(options.mapping, _given(options), options.column)
    work = Import(options.file, settings, shed, clock, os.environ.get("USER", "the command line"))
    if not options.json:
        sys.stdout.write("".join(f"{line}\n" for line in work.tally.head()))
        sys.stdout.flush()
    opened = way_into(shed, clock, _say) if options.write else nullcontext()
    with _stopping() as stopped, opened as way, _progress("writing" if way else "looking") as tell:
        tally = work.go(way, tell, stopped)
    if options.problems:
        _write_problems(options.problems, tally)
    if options.json:
        sys.stdout.write(json.dumps(tally.as_json(), indent=2, ensure_ascii=False) + "\n")
    else:
        _show(tally, options)
    return _STOPPED if tally.stopped else _LEFT_OUT if tally.left_out else _DONE


def _given(options: argparse.Namespace) -> dict[str, Any]:
    """What the options say, under the keys of a mapping."""
    signs = {"comma": ",", "semicolon": ";", "tab": "\t", "point": "."}
    stem = options.file.name.removesuffix(".gz").rsplit(".", 1)[0]
    found = {
        "name": options.name or (None if options.mapping else stem),
        "time_column": options.time[0] if options.time and len(options.time) == 1 else options.time,
        "time_format": options.time_format,
        "time_zone": options.time_zone,
        "ambiguous": options.ambiguous,
        "decimal": signs.get(options.decimal or "", options.decimal),
        "delimiter": signs.get(options.delimiter or "", options.delimiter),
        "encoding": options.encoding,
        "missing": options.missing,
    }
    return {key: value for key, value in found.items() if value is not None}


def _show(tally: Tally, options: argparse.Namespace) -> None:
    from brinewatch.importing.there import State
    from brinewatch.phrases import one_line
    from brinewatch.terminal import print_table

    flags = [f"flag {flag}" for flag in (1, 2, 3, 4, 9) if any(row[f"flag {flag}"] for row in tally.rows())]
    states = [state.value for state in State if state is State.NEW or tally.count(state)]
    print_table(["point", "column", "unit", "lowest", "highest", *flags, *states], tally.rows())
    for line in tally.foot(_SHOWN):
        sys.stdout.write(f"{'  ' * line.startswith('  ')}{one_line(line)}\n")
    new = tally.count(State.NEW)
    if tally.written is None:
        sys.stdout.write(f"{new} readings are new. Nothing was written; to do it, add --write.\n"
                         if new else "Nothing in it is new.\n")  # fmt: skip
        return
    sys.stdout.write(f"{tally.written} readings written.\n")
    if lost := tally.handed - tally.written:
        sys.stdout.write(f"{lost} were not taken: of that time only the hours are kept, or somebody was sooner.\n")
    if tally.stopped:
        sys.stdout.write("Stopped; the same command goes on from there.\n")


def _say(line: str) -> None:
    sys.stderr.write(f"{line}\n")
    sys.stderr.flush()


def _write_problems(path: Path, tally: Tally) -> None:
    from brinewatch.importing.tally import problem_row

    try:
        with path.open("w", encoding="utf-8", newline="") as file:
            rows = csv.DictWriter(file, ("line", "column", "reason"))
            rows.writeheader()
            rows.writerows(problem_row(one) for one in tally.problems.first(len(tally.problems.listed)))
    except OSError as error:
        raise BrinewatchError(f"--problems {path} cannot be written: {error.strerror or error}.") from error


@contextmanager
def _stopping() -> Iterator[Callable[[], bool]]:
    """Ctrl-C is heard between two pieces of work; a second one breaks off at once."""
    asked = threading.Event()

    def heard(number: int, frame: object) -> None:
        if asked.is_set():
            raise KeyboardInterrupt
        asked.set()
        signal.signal(signal.SIGINT, heard)

    if threading.current_thread() is not threading.main_thread():
        yield asked.is_set
        return
    before = signal.signal(signal.SIGINT, heard)
    try:
        yield asked.is_set
    finally:
        signal.signal(signal.SIGINT, before)


@contextmanager
def _progress(what: str) -> Iterator[Tell]:
    """A bar at a terminal, elsewhere a line for each tenth."""
    if not sys.stderr.isatty():
        told = 0

        def line(done: int, total: int) -> None:
            nonlocal told
            if done * 10 // total > told:
                told = done * 10 // total
                _say(f"{what}: {told * 10} %")

        yield line
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn(what), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True)) as bar:
        task = bar.add_task(what)
        yield lambda done, total: bar.update(task, completed=done, total=total)
