"""`brinewatch roster`: who would be called, in which order and by which ways, at any time; without a daemon."""

from __future__ import annotations

import argparse
import json
import sys
from typing import TYPE_CHECKING

from brinewatch.terminal import AddCommand

if TYPE_CHECKING:
    from brinewatch.config import ShedFile
    from brinewatch.moment import Moment

_ABOUT = """
A critical alarm calls the first person on duty; without an answer the second, then all, on duty or not. Less urgent
ones call everybody on duty who hears them; when nobody is on duty, everybody who hears them. What may wait is
called in the morning if it still stands.
"""


def register(add: AddCommand) -> argparse.ArgumentParser:
    """Make the command known; the caller adds --shed."""
    command = add("roster", _work, "say who would be called, in which order and by which ways")
    command.epilog = _ABOUT
    command.add_argument(
        "--at", metavar="TIME", help="a day or minute, for example 2026-09-26T03:00 (default: now)"
    )
    command.add_argument("--json", action="store_true", help="for programs")
    return command


def _work(options: argparse.Namespace) -> int:
    from brinewatch.clock import SystemClock
    from brinewatch.config.lookout import read_any
    from brinewatch.duty.plan import planned
    from brinewatch.terminal import print_table
    from brinewatch.ways import roster_warnings

    shed = read_any(options.shed)
    now = SystemClock(shed.zone).now()
    at = now if options.at is None else _instant(options.at, shed, now)
    plan = planned(shed, at)
    if options.json:
        sys.stdout.write(json.dumps({"at": at.local.isoformat(), "calls": plan}, indent=1) + "\n")
        return 0
    sys.stdout.write(f"{shed.shed.name}, {at.local:%A %Y-%m-%d %H:%M}\n")
    rows = [
        {
            "priority": one["priority"],
            "after": one["after"],
            "who": ", ".join(f"{who['name']} ({', '.join(who['ways'])})" for who in one["who"]) or "nobody",
        }
        for one in plan
    ]
    print_table(("priority", "after", "who"), rows)
    sys.stdout.writelines(f"{line}\n" for line in roster_warnings(shed))
    return 0


def _instant(text: str, shed: ShedFile, now: Moment) -> Moment:
    from brinewatch.errors import BrinewatchError
    from brinewatch.moment import Moment, utc_of

    try:
        utc = utc_of(text, shed.zone)
    except ValueError as error:
        raise BrinewatchError(f"--at {error}.", "Write it like 2026-09-26T03:00.") from None
    return Moment(now.mono, utc, True, shed.zone)
