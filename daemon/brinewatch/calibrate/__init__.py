"""`brinewatch calibrate`: holds a probe against the truth, step by step, at the terminal."""

from __future__ import annotations

import argparse
import os

from brinewatch.terminal import AddCommand


def register(add: AddCommand) -> argparse.ArgumentParser:
    """Make the command known; the caller adds --shed."""
    command = add("calibrate", _work, "hold a probe against the truth, step by step, and save it when you say yes")
    command.add_argument(
        "probe", nargs="?", metavar="PROBE", help="a probe's name, or one of its points: stage.quantity"
    )
    command.add_argument(
        "--check",
        action="store_true",
        help="read it before and after cleaning and in a standard; changes no numbers",
    )
    command.add_argument(
        "--list", action="store_true", help="list the records instead, of all probes without PROBE"
    )
    command.add_argument(
        "--since", metavar="DATE", help="let it count for the past too, from this day or minute (2026-09-01T14:00)"
    )
    command.add_argument("--replaces", metavar="ID", default="", help="an earlier record that was wrong, by its id")
    command.add_argument(
        "--by", metavar="NAME", default=os.environ.get("USER", "the command line"), help="who does it"
    )
    return command


def _work(options: argparse.Namespace) -> int:
    from brinewatch.calibrate.work import work

    return work(options)
