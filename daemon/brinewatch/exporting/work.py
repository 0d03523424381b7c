"""Readings out of the store into a file: a part of it at a time, the file under its name only when it is whole."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING

from brinewatch.config import ShedFile
from brinewatch.errors import BrinewatchError
from brinewatch.exporting.writers import CsvWriter, NetcdfWriter, ParquetWriter, Writer, print_side_by_side
from brinewatch.querying.asking import max_age_s
from brinewatch.querying.past import Past
from brinewatch.readings import Reading

if TYPE_CHECKING:
    from rich.progress import Progress, TaskID

_AT_ONCE = 20_000
_WRITERS: dict[str, type[Writer]] = {"csv": CsvWriter, "parquet": ParquetWriter, "netcdf": NetcdfWriter}


def export(
    shed: ShedFile, past: Past, points: Sequence[str], since: float, until: float, path: Path | None, kind: str,
    every: float | None,
) -> int:  # fmt: skip
    """Write all readings of these points; returns how many rows. path: None for the terminal. A file that could not
    be finished, or was given up with Ctrl-C, is taken away again."""
    if path is None:
        return _rows(shed, past, points, since, until, CsvWriter(None), every, None)
    part = path.with_name(f"{path.name}.part")
    try:
        with ExitStack() as stack:
            bar = _progress(stack)
            writer = _WRITERS[kind](part, gzipped=path.suffix.lower() == ".gz")
            count = _rows(shed, past, points, since, until, writer, every, bar)
        part.rename(path)
    except OSError as error:
        raise BrinewatchError(f"{path} cannot be written ({error}).", "Name another file.") from error
    finally:
        part.unlink(missing_ok=True)
    return count


def _rows(
    shed: ShedFile, past: Past, points: Sequence[str], since: float, until: float, writer: Writer,
    every: float | None, bar: Progress | None,
) -> int:  # fmt: skip
    count = 0
    with writer:
        if every is not None:
            assert isinstance(writer, CsvWriter)
            ages = {point: max_age_s(shed, point) for point in points}
            return print_side_by_side(writer, past, points, since, until, every, ages)
        writer.begin(shed, past, points)
        for point in points:
            task = None if bar is None else bar.add_task(point, total=until - since)
            for some in _batches(past.readings([point], since, until)):
                writer.write(point, some)
                count += len(some)
                _show(bar, task, some[-1].at.utc - since)
            _show(bar, task, until - since)
    return count


def _batches(readings: Iterator[Reading]) -> Iterator[list[Reading]]:
    while some := list(islice(readings, _AT_ONCE)):
        yield some


def _show(bar: Progress | None, task: TaskID | None, done: float) -> None:
    if bar is not None and task is not None:
        bar.update(task, completed=done)


def _progress(stack: ExitStack) -> Progress | None:
    if not sys.stderr.isatty():
        return None
    from rich.console import Console
    from rich.progress import Progress

    return stack.enter_context(Progress(console=Console(stderr=True), transient=True))
