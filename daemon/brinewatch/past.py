"""`brinewatch history POINT`: what a point has read, seen through the calibrations there are now.

The store is read as files, beside the daemon or without it: the history of years passes through no socket and
takes no time of the loop that must hear an alarm. A running daemon is only asked to write what it has in hand.
"""

from __future__ import annotations

import argparse
import csv
import json
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

from brinewatch.errors import BrinewatchError
from brinewatch.moment import seconds_of, utc_text
from brinewatch.quantities import QUANTITIES
from brinewatch.readings import Flag, Reading
from brinewatch.terminal import AddCommand, span_of

if TYPE_CHECKING:
    from brinewatch.config import ShedFile
    from brinewatch.signals.display import DisplayUnits
    from brinewatch.store.reader import StoreReader


# of a table at the terminal: so many rows at most, at one of these steps
_ROWS = 48
_STEPS_S = (
    1, 2, 5, 10, 30, 60, 120, 300, 600, 1800, 3600, 7200, 10800, 21600, 43200, 86400, 172800, 604800, 2592000,
)  # fmt: skip
_BARS, _SPARKS = 60, "▁▂▃▄▅▆▇█"


def register(add: AddCommand) -> argparse.ArgumentParser:
    """Make the command known; the caller adds --shed."""
    command = add("history", _work, "show what a point has read, by the calibrations there are now")
    command.add_argument("point", metavar="POINT", help="stage.quantity, for example raceway.oxygen")
    command.add_argument(
        "--since", default="24h", metavar="TIME", help="so long ago (24h, 7d), or a day or minute (default 24h)"
    )
    command.add_argument("--until", metavar="TIME", help="the same way (default now)")
    command.add_argument(
        "--every", metavar="SPAN", help="one row for each such span (10m): its last value, lowest and highest"
    )
    command.add_argument("--raw", action="store_true", help="also what the probe itself said, before calibration")
    form = command.add_mutually_exclusive_group()
    form.add_argument("--csv", action="store_true", help="every reading as comma-separated values, times in UTC")
    form.add_argument("--json", action="store_true", help="every reading for programs, times in UTC")
    return command


def _work(options: argparse.Namespace) -> int:
    from brinewatch.clock import SystemClock
    from brinewatch.config import read_shed
    from brinewatch.store.reader import StoreReader

    shed = read_shed(options.shed)
    now = SystemClock(shed.zone).now()
    since, until = span_of(options.since, options.until, now)
    have_written(shed)
    with StoreReader(shed.data, shed.zone) as store:
        readings = past(store, shed, options.point, since, until)
        if options.csv or options.json:
            every = _every(options.every) if options.every else None
            rows = (row_of(one, raw=options.raw) for one in stretches(readings, every))
            (_print_csv if options.csv else _print_json)(
                rows, columns_of(raw=options.raw, thinned=every is not None)
            )
        else:
            every = _every(options.every) if options.every else _step((until - since) / _ROWS)
            bars = max(1, min(_BARS, round((until - since) / every)))
            _print_table(list(stretches(readings, every)), options, shed, since, until, bars)
    return 0


def _every(text: str) -> float:
    try:
        return seconds_of(text)
    except ValueError as error:
        raise BrinewatchError(f"--every {error}.", "Write for example --every 10m.") from None


def _step(seconds: float) -> float:
    return next((float(step) for step in _STEPS_S if step >= seconds), seconds)


def have_written(shed: ShedFile) -> None:
    """Ask a running daemon to write what it has in hand; without one, the store is all there is."""
    from brinewatch.control import ask

    path = shed.data / "control.sock"
    if not path.exists():
        return
    try:
        ask(path, {"do": "write"})
    except BrinewatchError as error:
        sys.stderr.write(f"What was read last may be missing: {error.what}\n")


def past(store: StoreReader, shed: ShedFile, point: str, since: float, until: float) -> Iterator[Reading]:
    """The readings of a point from since to before until, as they should be seen now, one after another."""
    from brinewatch.views import inputs_of, seen

    known = store.points()
    if point not in known:
        raise BrinewatchError(
            f"There is no reading of {point!r}.", f"There are readings of: {', '.join(known) or 'nothing yet'}."
        )
    inputs = inputs_of(point, shed.derivations)
    before = _standing(store, inputs, {one.point: tuple(one.inputs.values()) for one in shed.derivations}, since)
    stored = store.readings([*inputs, point], since, until)
    accuracies = {name: channel.accuracy for name, (_, _, channel) in shed.channels().items()}
    views = seen(_joined(before, stored), store.calibrations(), accuracies, shed.derivations)
    return (one for one in views if one.point == point and one.at.utc >= since)


def _standing(
    store: StoreReader, points: Sequence[str], inputs: Mapping[str, Sequence[str]], since: float
) -> list[Reading]:
    """What stood when the span began: the last reading of each input, and what that one stood on in its turn."""
    found: dict[tuple[float, str], Reading] = {}

    def gather(point: str, until: float) -> None:
        one = store.last(point, until)
        if one is not None and (one.at.utc, point) not in found:
            found[one.at.utc, point] = one
            for source in inputs.get(point, ()):
                gather(source, one.at.utc)

    for point in points:
        gather(point, since)
    return [found[key] for key in sorted(found)]


def _joined(before: Iterable[Reading], stored: Iterable[Reading]) -> Iterator[Reading]:
    yield from before
    yield from stored


@dataclass(frozen=True, slots=True)
class Stretch:
    """One row. reading: the last usable one of its span, or the last; flag: the worst; readings: how many."""

    reading: Reading
    flag: Flag
    lowest: float | None
    highest: float | None
    readings: int


def stretches(readings: Iterable[Reading], every_s: float | None) -> Iterator[Stretch]:
    """One row a reading, or one for each span that has any. Spans begin at round times of the shed's own clock."""
    from brinewatch.signals.flags import worst

    row: Stretch | None = None
    place: float | None = None
    for one in readings:
        value = one.value if one.usable else None
        here = None if every_s is None else _place(one, every_s)
        if row is None or here is None or here != place:
            if row is not None:
                yield row
            row, place = Stretch(one, one.flag, value, value, 1), here
            continue
        row = Stretch(
            one if one.usable or not row.reading.usable else row.reading,
            worst((row.flag, one.flag)),
            min((x for x in (row.lowest, value) if x is not None), default=None),
            max((x for x in (row.highest, value) if x is not None), default=None),
            row.readings + 1,
        )
    if row is not None:
        yield row


def _place(one: Reading, every_s: float) -> float:
    offset = one.at.local.utcoffset()
    return (one.at.utc + (offset.total_seconds() if offset else 0.0)) // every_s


def columns_of(*, raw: bool, thinned: bool) -> list[str]:
    """Names of the columns for programs; numbers are in the quantity's own unit."""
    return [
        "time", "point", "value", *(["said"] if raw else []), "unit", "uncertainty", "flag", "reason",
        "calibration", "probe", *(["lowest", "highest", "readings"] if thinned else []),
    ]  # fmt: skip


def row_of(one: Stretch, *, raw: bool) -> dict[str, Any]:
    """All columns of one row."""
    reading = one.reading
    return {
        "time": utc_text(reading.at.utc), "point": reading.point, "value": reading.value,
        **({"said": reading.raw} if raw else {}), "unit": QUANTITIES[reading.quantity].unit,
        "uncertainty": reading.uncertainty, "flag": int(one.flag), "reason": reading.reason,
        "calibration": reading.calibration, "probe": reading.probe, "lowest": one.lowest, "highest": one.highest,
        "readings": one.readings,
    }  # fmt: skip


def _print_csv(rows: Iterable[Mapping[str, Any]], columns: Sequence[str]) -> None:
    writer = csv.DictWriter(sys.stdout, columns, extrasaction="ignore", lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)


def _print_json(rows: Iterable[Mapping[str, Any]], columns: Sequence[str]) -> None:
    write, before = sys.stdout.write, "[\n"
    for row in rows:
        write(before + json.dumps({key: row[key] for key in columns}, ensure_ascii=False))
        before = ",\n"
    write("[]\n" if before == "[\n" else "\n]\n")


def _print_table(
    rows: Sequence[Stretch], options: argparse.Namespace, shed: ShedFile, since: float, until: float, bars: int
) -> None:
    from brinewatch.terminal import print_table

    def when(utc: float) -> str:
        return f"{datetime.fromtimestamp(utc, shed.zone):%Y-%m-%d %H:%M:%S}"

    if not rows:
        sys.stdout.write(f"No reading of {options.point} from {when(since)} to {when(until)}.\n")
        return
    shown = [shown_row(one, shed.shed.display, when) for one in rows]
    wanted = ["time", "value", "said", "lowest", "highest", "uncertainty", "flag", "calibration", "reason"]
    columns = [
        name
        for name in wanted
        if (name != "said" or options.raw)
        and (name not in ("calibration", "reason", "uncertainty") or any(row[name] for row in shown))
        and (name not in ("lowest", "highest") or any(row.readings > 1 for row in rows))
    ]
    sys.stdout.write(f"{options.point} from {when(since)} to {when(until)}\n")
    print_table(columns, shown)
    line = spark([row.reading for row in rows], since, until, bars)
    if line.strip() and _can_print(line):
        sys.stdout.write(f"{line}\n")


def shown_row(one: Stretch, units: DisplayUnits, when: Callable[[float], str]) -> dict[str, str]:
    """One row for people, in the shed's display units."""
    from brinewatch.signals.display import convert, show
    from brinewatch.signals.status import flag_word

    reading = one.reading

    def text(value: float | None) -> str:
        return "" if value is None else show(reading.quantity, value, units)

    uncertainty = ""
    if reading.value is not None and reading.uncertainty is not None:
        there, here = (
            convert(reading.quantity, x, units)[0] for x in (reading.value + reading.uncertainty, reading.value)
        )
        uncertainty = f"±{abs(there - here):.2g}"
    return {
        "time": when(reading.at.utc), "value": text(reading.value) or "no value", "said": text(reading.raw),
        "lowest": text(one.lowest), "highest": text(one.highest), "uncertainty": uncertainty,
        "flag": f"{int(one.flag)} {flag_word(one.flag)}", "calibration": reading.calibration,
        "reason": reading.reason,
    }  # fmt: skip


def spark(readings: Iterable[Reading], since: float, until: float, width: int = _BARS) -> str:
    """The span as one line of bars from lowest to highest, empty where there is no usable value."""
    bins: dict[int, float] = {}
    for one in readings:
        if one.usable and one.value is not None:
            bins[min(width - 1, int((one.at.utc - since) / (until - since) * width))] = one.value
    if not bins:
        return ""
    low, high = min(bins.values()), max(bins.values())
    scale = (len(_SPARKS) - 1) / (high - low) if high > low else 0.0
    marks = {place: _SPARKS[round((value - low) * scale)] for place, value in bins.items()}
    return "".join(marks.get(place, " ") for place in range(width))


def _can_print(text: str) -> bool:
    try:
        text.encode(sys.stdout.encoding or "ascii")
    except UnicodeEncodeError:
        return False
    return True
