"""Who watches the watch: `brinewatch lookout FILE`, the same program on another machine."""

from __future__ import annotations

import argparse
import asyncio
import signal
import sys
from pathlib import Path

from brinewatch.terminal import AddCommand


def register(add: AddCommand) -> None:
    """Add the command."""
    command = add("lookout", _lookout, "watch the watches of other sheds, and call when one is silent or ill")
    command.add_argument(
        "file", type=Path, metavar="FILE", help="the lookout's file (deploy/examples/lookout.toml)"
    )
    command.add_argument("--check", action="store_true", help="check the file and say what would be watched")


def _say(line: str) -> None:
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


def _lookout(options: argparse.Namespace) -> int:
    from brinewatch.clock import SystemClock
    from brinewatch.config.lookout import read_lookout
    from brinewatch.lookout.daemon import Lookout
    from brinewatch.paging import check_page

    file = read_lookout(options.file)
    for one in file.sheds:
        ways = [f"over the broker, silent after {one.silent_s:g} s"] if one.broker else []
        ways += [f"by SMS from {one.phone}, missing after {one.sms_silent_min:g} min"] if one.phone else []
        _say(f"{one.name} ({one.key}): signs of life {' and '.join(ways)}.")
    if options.check:
        for line in check_page(file.as_shed, SystemClock().now().utc):
            _say(line)
        _say(f"{options.file}: well formed; {len(file.as_shed.alarms)} alarms set.")
        return 0

    async def watch() -> int:
        clock = SystemClock(file.as_shed.zone)
        lookout = Lookout(file, clock, _say)
        loop = asyncio.get_running_loop()
        for one in (signal.SIGINT, signal.SIGTERM):
            loop.add_signal_handler(one, lookout.stop)
        _say(f"{file.own.name} looks out for {len(file.sheds)} shed{'s' if len(file.sheds) != 1 else ''}.")
        if file.page.enabled:
            _say(f"The page: {file.page.url}")
        _say(f"The data: {file.as_shed.data}. Stop with Ctrl-C or SIGTERM.")
        await lookout.run()
        _say("Stopped.")
        return 0

    return asyncio.run(watch())
