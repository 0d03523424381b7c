"""`--csv`: the results of a command appended to every row of a file, one row at a time."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from brinewatch.errors import BrinewatchError
from brinewatch.water.columns import Columns, Job
from brinewatch.water.records import Record, joined, open_records
from brinewatch.water.rows import Rows, Tally


def work_on(job: Job, source: str, output: str | None) -> list[str]:
    """Append the results to a file; returns what to say afterwards.

    Nothing is written when the file lacks a column that is needed (BrinewatchError).
    """
    with open_records(source) as records:
        header = records.read_header()
        columns = Columns(job, records.name, header.cells)
        rows = Rows(columns)
        with writer(source, output) as write:
            write(_appended(header, columns.new_columns))
            for record in records:
                write(rows.row(record))
    return columns.say + _summary(records.name, rows.tally)


def _summary(name: str, tally: Tally) -> list[str]:
    rows = "1 row" if tally.rows == 1 else f"{tally.rows} rows"
    lines = [f"{name}: {rows}, {tally.with_reason or 'none'} with empty results (see the last column)."]
    for kind, (count, example) in tally.notes.items():
        where = "1 row" if count == 1 else f"{count} rows"
        lines.append(f"In {where}{'' if example == kind or count == 1 else ', for example'}: {example}")
    return lines


def _appended(header: Record, names: Sequence[str]) -> str:
    return f"{header.text},{joined(names)}{header.end or os.linesep}"


@contextmanager
def writer(source: str, output: str | None) -> Iterator[Callable[[str], None]]:
    """Writes text as bytes: to standard output row by row, or to a file that appears when all is done."""
    if output in (None, "-"):
        stdout = sys.stdout.buffer
        at_once = source == "-"

        def write(text: str) -> None:
            stdout.write(text.encode("utf-8", "surrogateescape"))
            if at_once:
                stdout.flush()

        sys.stdout.flush()
        yield write
        stdout.flush()
        return
    path = Path(output)
    if source != "-" and path.exists() and path.samefile(source):
        raise BrinewatchError(f"--output {output} is the file that is read.", "Give it another name.")
    # a device or a pipe is written as it is; a file appears under its name only when it is whole
    whole = path.exists() and not path.is_file()
    part = path if whole else path.with_name(f"{path.name}.part")
    try:
        with part.open("wb") as file:
            yield lambda text: _put(file.write, text)
        if not whole:
            part.replace(path)
    except OSError as error:
        raise BrinewatchError(f"{output} cannot be written: {error.strerror or error}.") from error
    finally:
        if not whole:
            part.unlink(missing_ok=True)


def _put(write: Callable[[bytes], object], text: str) -> None:
    write(text.encode("utf-8", "surrogateescape"))
