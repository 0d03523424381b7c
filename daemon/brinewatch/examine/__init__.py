"""`brinewatch quality`: the quality flags of a record in a file, live or in hindsight, row by row."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Mapping
from pathlib import Path

from brinewatch.terminal import AddCommand

# columns examined, each in its quantity's own unit
COLUMNS: Mapping[str, str] = {
    "temperature_C": "temperature",
    "salinity": "salinity",
    "station_pressure_hPa": "barometric_pressure",
    "oxygen_mg_per_L": "oxygen",
    "oxygen_percent": "oxygen_saturation",
    "conductivity_mS_per_cm": "conductivity",
    "specific_conductance_mS_per_cm": "specific_conductance",
    "ph": "ph",
    "tan_mgN_per_L": "tan",
    "turbidity_FNU": "turbidity",
    "depth_m": "depth",
}
TIMES = ("time", "time_utc", "timestamp", "datetime", "date_time", "utc")

_EPILOG = (
    "FILE needs a column of times (ISO 8601, UTC unless an offset is given, or seconds since 1970) and any of: "
    f"{', '.join(COLUMNS)}. To each, COLUMN_flag and COLUMN_reason are appended: 1 good, 3 suspect, 4 bad, 9 "
    "missing. Without --live a flag is the final one: what came later is taken in, and rows are held back for up "
    "to three days of record. --settings is a TOML file with a table for a column, [temperature_C] for example, "
    "and in it what the `quality` of a channel takes in a shed file; it stands instead of that column's limits, "
    "which are those of a sonde in shallow tidal water. time_zone there names the calendar of the seasons."
)


def register(add: AddCommand) -> None:
    """Hook `quality` into the command line."""
    command = add("quality", _work, "flag the values of a record in a file: good, suspect, bad, missing")
    command.epilog = _EPILOG.replace("%", "%%")
    command.add_argument("--csv", required=True, metavar="FILE", help="the record; - for standard input")
    command.add_argument("--output", metavar="FILE", help="where to write (default: standard output)")
    command.add_argument("--settings", type=Path, metavar="FILE", help="limits of the tests, by column")
    command.add_argument("--time", metavar="COLUMN", help=f"column of times (default: {', '.join(TIMES)})")
    command.add_argument("--live", action="store_true", help="the flag as it would have been given at the time")


def _work(options: argparse.Namespace) -> int:
    from brinewatch.examine.limits import limits_of
    from brinewatch.examine.sheet import examine

    limits, zone = limits_of(options.settings)
    for line in examine(options.csv, options.output, limits, zone, time=options.time, live=options.live):
        sys.stderr.write(f"{line}\n")
    return 0
