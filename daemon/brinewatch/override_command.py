"""`brinewatch override`: limits changed at the shed itself; one of them taken back."""

from __future__ import annotations

import argparse
import os
import sys
from datetime import datetime
from typing import TYPE_CHECKING

from brinewatch.terminal import AddCommand

if TYPE_CHECKING:
    from brinewatch.config import ShedFile

_ABOUT = """
Without words: every alarm that is changed here, by whom and why. Changes are tried and put in force on the page;
they lie in overrides.toml beside the shed's data, and the shed's own files are never touched. `back` takes one back
while the daemon runs: the alarm is then as the shed's own rules have it, at once. All of it is in the journal
(brinewatch journal). What is to last belongs into the shed file, as an [[override]].
"""


def register(add: AddCommand) -> argparse.ArgumentParser:
    """Make the command known; the caller adds --shed."""
    command = add("override", _work, "say which limits are changed here, by whom and why; take one back")
    command.epilog = _ABOUT
    command.add_argument("do", nargs="?", choices=("back",), metavar="DO", help="back: take a change back")
    command.add_argument("what", nargs="?", metavar="WHAT", help="the alarm, or the number of the change")
    command.add_argument("--why", default="", metavar="TEXT", help="why it is taken back")
    command.add_argument(
        "--by", metavar="NAME", default=os.environ.get("USER", "the command line"), help="who takes it back"
    )
    command.add_argument("--json", action="store_true", help="the changes there are, for programs")
    return command


def _work(options: argparse.Namespace) -> int:
    from brinewatch.config import read_shed
    from brinewatch.control import ask
    from brinewatch.errors import BrinewatchError

    if options.do is not None and options.what is None:
        raise BrinewatchError("Which change is to be taken back?", "Give its number: brinewatch override")
    shed = read_shed(options.shed)
    if options.do is None:
        return _list(shed, as_json=options.json)
    what = int(options.what) if options.what.isascii() and options.what.isdecimal() else options.what
    request = {"do": "override take back", "alarm": what, "why": options.why, "by": options.by}
    sys.stdout.write(f"{ask(shed.data / 'control.sock', request)['line']}\n")
    return 0


def _list(shed: ShedFile, *, as_json: bool) -> int:
    import json

    from brinewatch.moment import utc_of
    from brinewatch.overriding import listed
    from brinewatch.terminal import print_table

    rows = listed(shed.in_force)
    notes = [*shed.in_force.left_out, *map(str, shed.in_force.faults)]
    if as_json:
        json.dump({"overrides": rows, "notes": notes}, sys.stdout, indent=1, ensure_ascii=False)
        sys.stdout.write("\n")
        return 0
    if not rows:
        sys.stdout.write("No limit is changed here: every alarm is as the shed's own rules have it.\n")
    else:
        shown = [
            {**row, "differs": "; ".join(row["differs"]),
             "when": f"{datetime.fromtimestamp(utc_of(row['at'], shed.zone), shed.zone):%Y-%m-%d %H:%M}"}
            for row in rows
        ]  # fmt: skip
        print_table(("change", "alarm", "differs", "by", "when", "why"), shown)
    for note in notes:
        sys.stdout.write(f"{note}\n")
    return 0
