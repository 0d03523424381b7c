"""`brinewatch relay`: what the siren, the lamp and the stand-by air do now; a pump tried, or rested."""

from __future__ import annotations

import argparse
import os

from brinewatch.terminal import AddCommand

_ABOUT = """
Without words: all relays. `rest KEY` ends what the stand-by air began when the air was lost: look first that the
blower runs. If the loss still holds, it starts again at once. `prove KEY` runs it for a minute and looks whether it
runs. A siren and a lamp end with the alarms they are for.
"""


def register(add: AddCommand) -> argparse.ArgumentParser:
    """Make the command known; the caller adds --shed."""
    command = add("relay", _work, "say what siren, lamp and stand-by air do; try or rest the stand-by air")
    command.epilog = _ABOUT
    command.add_argument("do", nargs="?", choices=("rest", "prove"), metavar="DO", help="rest or prove")
    command.add_argument("key", nargs="?", metavar="KEY", help="which relay")
    command.add_argument(
        "--by", metavar="NAME", default=os.environ.get("USER", "the command line"), help="who does it"
    )
    return command


def _work(options: argparse.Namespace) -> int:
    from brinewatch.config import read_shed
    from brinewatch.control import ask
    from brinewatch.errors import BrinewatchError
    from brinewatch.moment import Moment
    from brinewatch.terminal import print_table

    if options.do is not None and options.key is None:
        raise BrinewatchError(f"Which relay to {options.do}?", "Give its key: brinewatch relay lists them.")
    shed = read_shed(options.shed)
    if not shed.relays:
        raise BrinewatchError("This shed drives no relay.", "Add a [[relay]] to the shed file.")
    request = {"do": f"relay {options.do or 'list'}", "key": options.key, "by": options.by}
    relays = ask(shed.data / "control.sock", request)["relays"]
    rows = []
    for one in relays:
        proven = ""
        if one["proven_utc"] is not None:
            proven = f"{Moment(0.0, one['proven_utc'], True, shed.zone).local:%Y-%m-%d %H:%M}"
        works = {True: "ON", False: "at rest", None: "not known yet"}[one["works"]]
        works += " (being tried)" if one["proving"] else ""
        rows.append(
            {
                "relay": one["key"], "does": one["does"], "now": works, "proven": proven, "trouble": one["fault"],
            }
        )  # fmt: skip
    print_table(("relay", "does", "now", "proven", "trouble"), rows)
    return 0
