"""`brinewatch history POINT...`: what points have read, seen through the calibrations there are now.

The store is read as files, beside the daemon or without it: the history of years passes through no socket and
takes no time of the loop that must hear an alarm. A running daemon is only asked to write what it has in hand.
"""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from brinewatch.errors import BrinewatchError
from brinewatch.moment import seconds_of
from brinewatch.phrases import span_of
from brinewatch.terminal import AddCommand, have_written

if TYPE_CHECKING:
    from brinewatch.config import ShedFile
    from brinewatch.querying.past import Past

_ROWS, _BARS = 48, 60  # of a table, and of a line of bars, at most


def register(add: AddCommand) -> argparse.ArgumentParser:
    """Make the command known; the caller adds --shed."""
    command = add("history", _work, "show what points have read, by the calibrations there are now")
    command.add_argument(
        "point", metavar="POINT", nargs="*",
        help="stage.quantity, for example raceway.oxygen; several give a line of bars each, none lists them all",
    )  # fmt: skip
    command.add_argument(
        "--since", default="24h", metavar="TIME", help="so long ago (24h, 7d), or a day or minute (default 24h)"
    )
    command.add_argument("--until", metavar="TIME", help="the same way (default now)")
    command.add_argument(
        "--every", metavar="SPAN", help="one row for each such span (10m): its last value, lowest and highest"
    )
    command.add_argument("--raw", action="store_true", help="also what the probe itself said, before calibration")
    form = command.add_mutually_exclusive_group()
    form.add_argument("--plot", action="store_true", help="a curve with the limits there were, and alarms below it")
    form.add_argument("--days", action="store_true", help="one row a day: lowest, mean, highest, flags")
    form.add_argument("--percent", metavar="P,P", help="values below which so many percent lie, such as 5,50,95")
    form.add_argument("--above", metavar="VALUE", type=float, help="how long it was above it, in the unit shown")
    form.add_argument("--below", metavar="VALUE", type=float, help="how long it was below it, in the unit shown")
    form.add_argument("--csv", action="store_true", help="every reading as comma-separated values, times in UTC")
    form.add_argument("--json", action="store_true", help="every reading for programs, times in UTC")
    return command


def _work(options: argparse.Namespace) -> int:
    from brinewatch.clock import SystemClock
    from brinewatch.config import read_shed
    from brinewatch.querying.asking import how
    from brinewatch.querying.past import Past
    from brinewatch.store.reader import StoreReader

    _check(options)
    shed = read_shed(options.shed)
    now = SystemClock(shed.zone).now()
    since, until = span_of(options.since, options.until, now)
    every = _every(options.every) if options.every else None
    have_written(shed.data)
    with StoreReader(shed.data, shed.zone) as store:
        past = Past(store, how(shed))
        for point in options.point:
            past.quantity(point)
        _show(options, shed, past, since, until, every)
    return 0


def _check(options: argparse.Namespace) -> None:
    """Options that say nothing where they stand are a mistake. BrinewatchError."""
    table = len(options.point) == 1 and not (
        options.plot or options.days or options.percent or options.above is not None or options.below is not None
    )
    for given, name in ((options.every, "--every"), (options.raw, "--raw")):
        if given and not (table or options.csv or options.json):
            raise BrinewatchError(f"{name} goes with the table of one point, --csv or --json.", "Leave it out.")


def _show(
    options: argparse.Namespace, shed: ShedFile, past: Past, since: float, until: float, every: float | None
) -> None:
    from brinewatch.past import forms, plot
    from brinewatch.querying.buckets import STEPS_S

    points = options.point
    if options.csv or options.json:
        forms.print_rows(past, _named(points), since, until, every, raw=options.raw, as_csv=options.csv)
    elif options.days:
        forms.print_days(past, shed, _named(points), since, until)
    elif options.percent:
        forms.print_percent(past, shed, _named(points), since, until, _percentages(options.percent))
    elif options.above is not None or options.below is not None:
        limit = options.above if options.above is not None else options.below
        forms.print_beyond(past, shed, _named(points), since, until, limit, above=options.above is not None)
    elif options.plot:
        for point in _named(points):
            plot.print_plot(past, shed, point, since, until)
    elif len(points) == 1:
        step = every or next((float(one) for one in STEPS_S if one >= (until - since) / _ROWS), until - since)
        bars = max(1, min(_BARS, round((until - since) / step)))
        forms.print_table_of(past, shed, points[0], since, until, step, bars, raw=options.raw)
    else:
        forms.print_lines(past, shed, points or list(past.points), since, until, _BARS)


def _named(points: list[str]) -> list[str]:
    if not points:
        raise BrinewatchError("Of which point?", "Name one or more; brinewatch history alone lists them.")
    return points


def _every(text: str) -> float:
    try:
        return seconds_of(text)
    except ValueError as error:
        raise BrinewatchError(f"--every {error}.", "Write for example --every 10m.") from None


def _percentages(text: str) -> list[float]:
    try:
        found = [float(one) for one in text.replace("%", "").split(",")]
    except ValueError:
        found = [-1.0]
    if not all(0.0 <= one <= 100.0 for one in found):
        raise BrinewatchError(
            f"--percent {text!r} is no list of percentages.", "Write for example --percent 5,50,95."
        )
    return found
