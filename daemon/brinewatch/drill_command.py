"""`brinewatch drill`: people called as if an alarm held, marked DRILL; who answered, and after how long."""

from __future__ import annotations

import argparse
import asyncio
import os
import sys
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from brinewatch.terminal import AddCommand

if TYPE_CHECKING:
    from brinewatch.calibrate.held import Ask
    from brinewatch.config import ShedFile
    from brinewatch.ports import Clock

_EVERY_S = 1.0
_ABOUT = """
Tell people beforehand, or do not: both are worth knowing. Texts begin with DRILL; the ladder, the ways and the
waiting are those of a real call. It ends with the first answer, or after half an hour. Every alarm stays in force:
a real one calls meanwhile, without that mark. For the real thing, with the air off and somebody standing by, see
`brinewatch air-off-test`.
"""


def register(add: AddCommand) -> argparse.ArgumentParser:
    """Make the command known; the caller adds --shed."""
    command = add("drill", _work, "call people as if an alarm held, marked DRILL, and see who answers")
    command.epilog = _ABOUT
    command.add_argument(
        "--alarm", metavar="ALARM", help="which critical alarm, rule or rule@point (default: loss of air)"
    )
    command.add_argument(
        "--by", metavar="NAME", default=os.environ.get("USER", "the command line"), help="who holds it"
    )
    other = command.add_mutually_exclusive_group()
    other.add_argument("--stop", action="store_true", help="end the drill that is under way")
    other.add_argument("--list", action="store_true", help="the drills there have been, from the journal")
    return command


def _work(options: argparse.Namespace) -> int:
    from brinewatch.calibrate.held import over
    from brinewatch.clock import SystemClock
    from brinewatch.config import read_shed
    from brinewatch.drilled import outcome_of

    shed = read_shed(options.shed)
    clock = SystemClock(shed.zone)
    if options.list:
        return _list(shed)
    ask = over(shed.data / "control.sock", clock)
    if options.stop:
        told = asyncio.run(_ask(ask, {"do": "drill stop"}))
        sys.stdout.write(f"{outcome_of(told)}\n")
        return 0
    try:
        return asyncio.run(follow(options, clock, ask))
    except KeyboardInterrupt:
        sys.stdout.write("\nThe drill goes on. End it: brinewatch drill --stop\n")
        return 1


async def _ask(ask: Ask, request: Mapping[str, Any]) -> Mapping[str, Any]:
    return await ask(request)


async def follow(options: argparse.Namespace, clock: Clock, ask: Ask) -> int:
    """Begin a drill and say what becomes of it; 0 when somebody answered."""
    from brinewatch.drilled import outcome_of

    told = await ask({"do": "drill begin", "alarm": options.alarm, "by": options.by})
    sys.stdout.write(
        f"Drill {told['number']} ({told['title']}). Every real alarm is in force. Ctrl-C leaves it running.\n"
    )
    said: set[str] = set()
    while True:
        for name, minutes in told["told"].items():
            line = f"  {minutes:4.1f} min  {name} called"
            if name not in said:
                said.add(name)
                sys.stdout.write(f"{line}\n")
                sys.stdout.flush()
        if not told["running"]:
            sys.stdout.write(f"{outcome_of(told)}\n")
            return 0 if told["answered"] else 1
        await clock.sleep(_EVERY_S)
        told = await ask({"do": "drill look"})


def _list(shed: ShedFile) -> int:
    from brinewatch.drilled import past_drills
    from brinewatch.store.reader import StoreReader
    from brinewatch.terminal import print_table

    with StoreReader(shed.data, shed.zone) as store:
        rows = past_drills(shed, store)
    if not rows:
        sys.stdout.write("There has been no drill yet.\n")
        return 0
    print_table(("held", "by", "alarm", "called", "outcome"), rows)
    return 0
