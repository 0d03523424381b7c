"""`brinewatch report`: a night in lines or for programs, out of the store beside the daemon."""

from __future__ import annotations

import argparse
import sys

from brinewatch.terminal import AddCommand

_ABOUT = """
The night of DATE is the one that ends on the morning of that day. Ranges are of readings as they were taken for at
the time, those that passed their tests or were not tested; doubtful and failed ones, and hours without any, count
as missing. "watch" is the share of the night in which every critical alarm was provably able to call; time in which
the daemon did not run is not covered.
"""


def register(add: AddCommand) -> argparse.ArgumentParser:
    """Make the command known; the caller adds --shed."""
    command = add("report", _work, "tell a night: ranges, calls, what stands, how much of it was watched")
    command.epilog = _ABOUT
    command.add_argument(
        "--night", metavar="DATE", help="which: the day it ends on (default: the last whole night)"
    )
    command.add_argument("--json", action="store_true", help="for programs")
    return command


def _work(options: argparse.Namespace) -> int:
    import json

    from brinewatch.clock import SystemClock
    from brinewatch.config import read_shed
    from brinewatch.nights.read import last_night, night_of, read_night
    from brinewatch.nights.words import as_json, long_text

    shed = read_shed(options.shed)
    now = SystemClock(shed.zone).now()
    begin, end = last_night(shed, now) if options.night is None else night_of(shed, options.night)
    night = read_night(shed, begin, end, now.utc)
    if options.json:
        sys.stdout.write(json.dumps(as_json(night), indent=1, ensure_ascii=False) + "\n")
    else:
        sys.stdout.write(long_text(night, shed.shed.display) + "\n")
    return 0
