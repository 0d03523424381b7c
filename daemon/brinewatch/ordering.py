"""Commands that set alarms aside and bring them back, and that say somebody works in the shed.

brinewatch shelve, unshelve, service, attend, leave. Everything set aside ends by itself.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable, Mapping
from typing import Any

from brinewatch.moment import seconds_of
from brinewatch.terminal import AddCommand

_WHAT = "the alarm's number, its name (rule@point), or its rule where only one point has it"
_WHY_HELP = "why, for those who read it later"


def register(add: AddCommand) -> list[argparse.ArgumentParser]:
    """Add the commands. Returns those that want to know the shed file."""
    shelve = add("shelve", _shelve, "silence an alarm for a time; it is judged on, and calls again afterwards")
    shelve.add_argument("what", metavar="ALARM", help=_WHAT)
    shelve.add_argument("--for", dest="span", type=_span, metavar="SPAN", help="for how long: 30m, 2h, 3d")
    shelve.add_argument("--once", action="store_true", help="only until its condition has gone")
    shelve.add_argument("--why", default="", metavar="TEXT", help=_WHY_HELP)
    unshelve = add("unshelve", _plain("unshelve"), "end a shelving before its time")
    unshelve.add_argument("what", metavar="ALARM", help=f"{_WHAT}; or all")
    service = add("service", _service, "take an alarm out of service while something is mended, or put it back")
    service.add_argument("way", choices=("out", "in"), help="out or back in")
    service.add_argument("what", metavar="ALARM", help=f"{_WHAT}; or all, to put back in")
    service.add_argument("--for", dest="span", type=_span, metavar="SPAN", help="back at the latest after: 2h, 3d")
    service.add_argument("--why", default="", metavar="TEXT", help="why it is out; asked for")
    attend = add(
        "attend", _attend, "say that somebody works in the shed: alarms of that work do not call, loss of air does"
    )
    attend.add_argument(
        "--for", dest="span", type=_span, required=True, metavar="SPAN", help="for how long: 30m, 90m, 2h"
    )
    attend.add_argument("--why", default="", metavar="TEXT", help="what is done there")
    leave = add("leave", _plain("leave"), "say that nobody works in the shed any more")
    return [shelve, unshelve, service, attend, leave]


def _span(text: str) -> float:
    try:
        return seconds_of(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from None


def _shelve(options: argparse.Namespace) -> int:
    return _send(options, "shelve", for_s=options.span, once=options.once, why=options.why)


def _service(options: argparse.Namespace) -> int:
    if options.way == "in":
        return _send(options, "put back into service")
    return _send(options, "take out of service", for_s=options.span, why=options.why)


def _attend(options: argparse.Namespace) -> int:
    return _send(options, "attend", for_s=options.span, why=options.why)


def _plain(order: str) -> Callable[[argparse.Namespace], int]:
    return lambda options: _send(options, order)


def _send(options: argparse.Namespace, order: str, **more: Any) -> int:
    from brinewatch.config.lookout import read_any
    from brinewatch.control import ask

    by = os.environ.get("USER", "the command line")
    request: Mapping[str, Any] = {"do": order, "what": getattr(options, "what", None), "by": by, **more}
    for line in ask(read_any(options.shed).data / "control.sock", request)["lines"]:
        sys.stdout.write(f"{line}\n")
    return 0
