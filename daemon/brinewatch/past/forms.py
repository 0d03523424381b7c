"""The past as rows: for programs every reading, for people what a screen holds."""

from __future__ import annotations

import csv
import json
import sys
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Any

from brinewatch.errors import BrinewatchError
from brinewatch.moment import span_text
from brinewatch.past.bars import can_print, spark, spark_of
from brinewatch.quantities import QUANTITIES
from brinewatch.querying.asking import max_age_s
from brinewatch.querying.buckets import buckets, days_of, edges_for
from brinewatch.querying.figures import exceedance, percentiles
from brinewatch.querying.past import Past
from brinewatch.querying.rows import Stretch, record_of, stretches
from brinewatch.readings import Flag
from brinewatch.signals.display import DisplayUnits, convert, show
from brinewatch.signals.status import flag_word
from brinewatch.terminal import print_table

if TYPE_CHECKING:
    from brinewatch.config import ShedFile

_FLAGS = (("untested", Flag.NOT_EVALUATED), ("suspect", Flag.SUSPECT), ("failed", Flag.FAIL),
          ("missing", Flag.MISSING))  # fmt: skip


# -- for programs -------------------------------------------------------------------------------------------------


def columns_of(*, raw: bool, thinned: bool) -> list[str]:
    """Names of the columns for programs; numbers are in the quantity's own unit."""
    return [
        "time", "point", "value", *(["said"] if raw else []), "unit", "uncertainty", "flag", "reason",
        "calibration", "probe", *(["lowest", "highest", "readings"] if thinned else []),
    ]  # fmt: skip


def row_of(one: Stretch) -> dict[str, Any]:
    """All columns of one row."""
    return {
        **record_of(one.reading), "flag": int(one.flag), "lowest": one.lowest, "highest": one.highest,
        "readings": one.readings,
    }  # fmt: skip


def print_rows(
    past: Past, points: Sequence[str], since: float, until: float, every: float | None, *, raw: bool, as_csv: bool
) -> None:
    """Every reading, or one row a span: of one point in order of time, of several one point after another when they
    are thinned and all in order of time when they are not."""
    if every is None:
        rows = stretches(past.readings(points, since, until), None)
    else:
        rows = (row for point in points for row in stretches(past.readings([point], since, until), every))
    told, columns = (row_of(one) for one in rows), columns_of(raw=raw, thinned=every is not None)
    if as_csv:
        writer = csv.DictWriter(sys.stdout, columns, extrasaction="ignore", lineterminator="\n")
        writer.writeheader()
        writer.writerows(told)
        return
    before = "[\n"
    for row in told:
        sys.stdout.write(before + json.dumps({key: row[key] for key in columns}, ensure_ascii=False))
        before = ",\n"
    sys.stdout.write("[]\n" if before == "[\n" else "\n]\n")


# -- for people ---------------------------------------------------------------------------------------------------


def _when(shed: ShedFile) -> Callable[[float], str]:
    return lambda utc: f"{datetime.fromtimestamp(utc, shed.zone):%Y-%m-%d %H:%M:%S}"


def _text(past: Past, shed: ShedFile, point: str, value: float | None) -> str:
    return "" if value is None else show(past.quantity(point), value, shed.shed.display)


def print_table_of(
    past: Past, shed: ShedFile, point: str, since: float, until: float, every: float, bars: int, *, raw: bool
) -> None:
    """One row a span, and the whole as a line of bars."""
    when = _when(shed)
    rows = list(stretches(past.readings([point], since, until), every))
    if not rows:
        sys.stdout.write(f"No reading of {point} from {when(since)} to {when(until)}.\n")
        return
    shown = [shown_row(one, shed.shed.display, when) for one in rows]
    wanted = ["time", "value", "said", "lowest", "highest", "uncertainty", "flag", "calibration", "reason"]
    columns = [
        name
        for name in wanted
        if (name != "said" or raw)
        and (name not in ("calibration", "reason", "uncertainty") or any(row[name] for row in shown))
        and (name not in ("lowest", "highest") or any(row.readings > 1 for row in rows))
    ]
    sys.stdout.write(f"{point} from {when(since)} to {when(until)}\n")
    print_table(columns, shown)
    line = spark([row.reading for row in rows], since, until, bars)
    if line.strip() and can_print(line):
        sys.stdout.write(f"{line}\n")


def shown_row(one: Stretch, units: DisplayUnits, when: Callable[[float], str]) -> dict[str, str]:
    """One row for people, in the shed's display units."""
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


def print_lines(past: Past, shed: ShedFile, points: Sequence[str], since: float, until: float, width: int) -> None:
    """One row a point: the span as a line of bars, its lowest, highest and last value."""
    when, rows = _when(shed), []
    # so many stretches that a bar is never wider than its share of the line
    edges = edges_for(since, until, width + 2)
    for point in points:
        found = buckets(past, point, edges)
        last = past.last(point, until)
        rows.append({
            "point": point, "lowest": _text(past, shed, point, _least(found.low)),
            "highest": _text(past, shed, point, _most(found.high)),
            "last": "no value" if last is None or last.value is None else _text(past, shed, point, last.value),
            "read": "" if last is None else f"{span_text(until - last.at.utc)} before the end",
            "curve": line if can_print(line := spark_of(found.mean)) else "",
        })  # fmt: skip
    sys.stdout.write(f"From {when(since)} to {when(until)}\n")
    print_table([name for name in ("point", "lowest", "highest", "last", "read", "curve")
                 if any(row[name] for row in rows)], rows)  # fmt: skip


def _least(values: Iterable[float | None]) -> float | None:
    return min((one for one in values if one is not None), default=None)


def _most(values: Iterable[float | None]) -> float | None:
    return max((one for one in values if one is not None), default=None)


def print_days(past: Past, shed: ShedFile, points: Sequence[str], since: float, until: float) -> None:
    """One row a day and point, whole days of the shed's calendar."""
    days, edges = days_of(since, until, shed.zone)
    for point in points:
        found = buckets(past, point, edges)
        sys.stdout.write(f"{point}, by day ({shed.shed.time_zone})\n")
        rows: list[Mapping[str, Any]] = [
            {
                "day": f"{day}", "lowest": _text(past, shed, point, found.low[n]),
                "mean": _text(past, shed, point, found.mean[n]), "highest": _text(past, shed, point, found.high[n]),
                "readings": found.readings[n], "usable": found.passed[n] + found.suspect[n],
                "untested": found.untested[n] or None, "suspect": found.suspect[n] or None,
                "failed": found.failed[n] or None, "missing": found.missing[n] or None,
            }
            for n, day in enumerate(days)
        ]  # fmt: skip
        flags = [name for name, _ in _FLAGS if any(row[name] for row in rows)]
        print_table(["day", "lowest", "mean", "highest", "readings", "usable", *flags], rows)


def print_percent(
    past: Past, shed: ShedFile, points: Sequence[str], since: float, until: float, wanted: Sequence[float]
) -> None:
    """One row a point: between what most of its usable readings lay."""
    rows = []
    for point in points:
        count, found = percentiles(past, point, since, until, wanted)
        told = {f"{one:g} %": _text(past, shed, point, value) for one, value in zip(wanted, found, strict=True)}
        rows.append({"point": point, "usable readings": f"{count}", **told})
    when = _when(shed)
    sys.stdout.write(f"From {when(since)} to {when(until)}: so many percent of the usable readings lie below\n")
    print_table(["point", "usable readings", *(f"{one:g} %" for one in wanted)], rows)


def print_beyond(
    past: Past, shed: ShedFile, points: Sequence[str], since: float, until: float, limit: float, *, above: bool
) -> None:
    """A sentence a point. limit: in the unit people are shown the quantity in."""
    for point in points:
        own = _own(past, shed, point, limit)
        found = exceedance(past, point, since, until, own, above=above, max_age_s=max_age_s(shed, point))
        side = "above" if above else "below"
        head = f"{point} was {side} {_text(past, shed, point, own)}"
        unknown = found.span_s - found.known_s
        gap = f" For {span_text(unknown)} nothing is known." if unknown >= 1.0 else ""
        if found.share is None:
            sys.stdout.write(f"{point}: no usable reading in that time.\n")
        elif not found.times:
            sys.stdout.write(f"{point} was never {side} {_text(past, shed, point, own)}.{gap}\n")
        else:
            wide, unit = _scale(past, shed, point)
            often = "once" if found.times == 1 else f"{found.times} times"
            sys.stdout.write(
                f"{head} for {span_text(found.over_s)}"
                f" ({100 * found.share:.3g} % of the time there are readings of),"
                f" {often}, {span_text(found.longest_s)} at most,"
                f" furthest {_text(past, shed, point, found.furthest)}; "
                f"{wide * found.beyond:.3g} {unit} h beyond it.{gap}\n"
            )


def _own(past: Past, shed: ShedFile, point: str, shown: float) -> float:
    """A number as people are shown the quantity, in the quantity's own unit."""
    key, units = past.quantity(point), shed.shed.display
    quantity = QUANTITIES[key]
    if key == "salinity" and units.salinity != "practical":
        raise BrinewatchError(
            "A limit is given in practical salinity, and this shed shows specific gravity.",
            "Set salinity in display of the shed file to practical.",
        )
    zero, one = (convert(key, x, units)[0] for x in (0.0, 1.0))
    return (shown - zero) / (one - zero) if quantity.unit in ("degC", "kPa") else shown


def _scale(past: Past, shed: ShedFile, point: str) -> tuple[float, str]:
    """How much wider a difference is in the unit people are shown, and that unit."""
    key = past.quantity(point)
    (zero, unit, _), (one, _, _) = (convert(key, x, shed.shed.display) for x in (0.0, 1.0))
    return abs(one - zero), unit
