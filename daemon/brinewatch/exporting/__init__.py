"""`brinewatch export FILE POINT...`: readings for other programs, in three forms."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from brinewatch.errors import BrinewatchError
from brinewatch.moment import seconds_of
from brinewatch.phrases import span_of
from brinewatch.terminal import AddCommand, have_written

_KINDS = {".csv": "csv", ".csv.gz": "csv", ".parquet": "parquet", ".nc": "netcdf"}


def register(add: AddCommand) -> argparse.ArgumentParser:
    """Make the command known; the caller adds --shed."""
    command = add("export", _work, "write readings to a file for other programs: CSV, Parquet or NetCDF")
    command.add_argument(
        "file", metavar="FILE", help=f"where to; its end says how: {', '.join(_KINDS)}; - for CSV on the terminal"
    )
    command.add_argument("point", metavar="POINT", nargs="*", help="stage.quantity, several; none for every point")
    command.add_argument(
        "--since", default="24h", metavar="TIME", help="so long ago (24h, 7d), or a day or minute (default 24h)"
    )
    command.add_argument("--until", metavar="TIME", help="the same way (default now)")
    command.add_argument(
        "--side-by-side", metavar="SPAN",
        help="CSV only: one row every SPAN (10m) with a column for each point and its flag",
    )  # fmt: skip
    return command


def _work(options: argparse.Namespace) -> int:
    from brinewatch.clock import SystemClock
    from brinewatch.config import read_shed
    from brinewatch.exporting.work import export
    from brinewatch.querying.asking import how
    from brinewatch.querying.past import Past
    from brinewatch.store.reader import StoreReader

    path, kind = _where(options.file)
    every = _every(options.side_by_side)
    if every is not None and kind != "csv":
        raise BrinewatchError("--side-by-side goes with CSV.", "Name a file that ends in .csv or .csv.gz.")
    shed = read_shed(options.shed)
    since, until = span_of(options.since, options.until, SystemClock(shed.zone).now())
    have_written(shed.data)
    with StoreReader(shed.data, shed.zone) as store:
        past = Past(store, how(shed))
        points = options.point or list(past.points)
        for point in points:
            past.quantity(point)
        if not points:
            raise BrinewatchError("There are no readings yet.", "Let the daemon run for a while.")
        count = export(shed, past, list(dict.fromkeys(points)), since, until, path, kind, every)
    if path is not None:
        what = "row" if every else "reading"
        sys.stdout.write(f"{count} {what}{'' if count == 1 else 's'} in {path}.\n")
    return 0


def _where(text: str) -> tuple[Path | None, str]:
    if text == "-":
        return None, "csv"
    path = Path(text)
    kind = next((kind for end, kind in _KINDS.items() if path.name.lower().endswith(end)), None)
    if kind is None:
        raise BrinewatchError(f"{path}: nobody knows what to write there.", f"Let it end in {', '.join(_KINDS)}.")
    if path.exists():
        raise BrinewatchError(f"There is a file {path} already.", "Name another, or take it away first.")
    if not path.parent.is_dir():
        raise BrinewatchError(f"There is no folder {path.parent}.", "Make it, or name another file.")
    return path, kind


def _every(text: str | None) -> float | None:
    if text is None:
        return None
    try:
        return seconds_of(text)
    except ValueError as error:
        raise BrinewatchError(f"--side-by-side {error}.", "Write for example --side-by-side 10m.") from None
