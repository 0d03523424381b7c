"""Runs the measurements asked for and prints one table of all of them. Exit code 1 when a goal is missed."""

from __future__ import annotations

import argparse
import importlib
import json
import sys
import time

from row import Measure, Row

# name: what it measures; the module of the same name has `measure(quick) -> rows`
NAMES = {
    "engine": "one step of the alarm engine, against a plain loop of comparisons",
    "faults": "every trouble with the loss of air in its midst, and 10,000 kills: promises broken",
    "fleet": "1,000 sheds, a broker, a lookout, a time-series server: shares of a core; when a dead one is alarmed",
    "fuzz": "spoiled inputs to every parser: crashes, wrong values, time an input against the making of it",
    "latency": "from the loss of air to the text in the modem",
    "memory": "the daemon with 20 channels at 1 Hz: memory, processor, open files",
    "page": "the page on a poor line: bytes, seconds until it can be read; a year of one channel",
    "rehearsal": "a month of readings through rules, against stepping every one of them",
    "soak": "weeks with troubles by chance at the wire, a year of readings: promises broken, memory",
    "storage": "a year of readings on the card: size, blocks written, questions, against rows and DuckDB",
}


def main() -> int:
    parser = argparse.ArgumentParser(prog="bash deploy/bench", description="Measures speed and size as ratios.")
    parser.add_argument("--only", action="append", choices=sorted(NAMES), metavar="NAME", help="one name")
    parser.add_argument("--quick", action="store_true", help="smaller work, at most 50 s a name")
    parser.add_argument("--json", action="store_true", help="for programs")
    parser.add_argument("--list", action="store_true", help="what can be measured")
    options = parser.parse_args()
    if options.list:
        for name, what in NAMES.items():
            print(f"{name:12} {what}")
        return 0
    rows: list[Row] = []
    for name in options.only or NAMES:
        began = time.perf_counter()
        measure: Measure = importlib.import_module(name).measure
        rows += measure(options.quick)
        print(f"{name}: {time.perf_counter() - began:.1f} s", file=sys.stderr)
    if options.json:
        print(json.dumps([row.as_json() for row in rows], indent=2))
    else:
        show(rows)
    return 1 if any(row.met is False for row in rows) else 0


def show(rows: list[Row]) -> None:
    from rich import box
    from rich.console import Console
    from rich.table import Table

    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for column in ("name", "what", "value", "unit", "reference", "against", "ratio", "goal", "met"):
        table.add_column(column, overflow="fold")
    for row in rows:
        table.add_row(
            row.name, row.what, f"{row.value:.4g}", row.unit,
            "" if row.reference is None else f"{row.reference:.4g}", row.against,
            "" if row.ratio is None else f"{row.ratio:.3g}",
            "" if row.goal is None else f"at most {row.goal:.3g}",
            {None: "", True: "yes", False: "NO"}[row.met],
        )  # fmt: skip
    Console(width=None if sys.stdout.isatty() else 160, highlight=False).print(table)


if __name__ == "__main__":
    sys.exit(main())
