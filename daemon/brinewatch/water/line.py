"""The options of `brinewatch water`, made from the table of works."""

from __future__ import annotations

import argparse
import math
import re

from brinewatch.terminal import AddCommand
from brinewatch.water.commands import COMMANDS
from brinewatch.water.given import INPUTS
from brinewatch.water.helptext import epilog, escaped, input_help
from brinewatch.water.words import wrapped
from brinewatch.water.work import MOST_POINTS, Axis, Command

_ABOUT = (
    "Published equations of seawater, at the terminal or on a whole CSV file (--csv). Every result has its "
    "standard uncertainty and the limits of its source; --source names the publications. The numbers are "
    "guidance: where people or animals depend on one, measure it a second way."
)


def register(add: AddCommand) -> None:
    """Hook `water` and its subcommands into the command line."""
    parent = add("water", _work, "work out seawater: oxygen, ammonia, salinity and more")
    parent.description = wrapped(_ABOUT)
    parent.formatter_class = argparse.RawDescriptionHelpFormatter
    commands = parent.add_subparsers(dest="of", required=True, metavar="WHAT")
    for command in COMMANDS.values():
        _options(commands.add_parser(
            command.name, help=command.text, description=wrapped(command.about), epilog=epilog(command),
            formatter_class=argparse.RawDescriptionHelpFormatter, allow_abbrev=False,
        ), command)  # fmt: skip


def _options(parser: argparse.ArgumentParser, command: Command) -> None:
    given = parser.add_argument_group("what is given")
    for key in command.inputs():
        one = INPUTS[key]
        given.add_argument(
            one.option, dest=key, type=_number, metavar="NUMBER", help=escaped(input_help(command, one))
        )
    for name, choice in command.choices.items():
        names = "; ".join(f"{key}: {text}" for key, text in choice.names.items())
        parser.add_argument(
            f"--{name.replace('_', '-')}", dest=name, choices=list(choice.names), metavar="NAME",
            default=choice.default, help=escaped(f"{choice.text} (default {choice.default}). {names}"),
        )  # fmt: skip
    parser.add_argument(
        "--uncertainty", action="append", default=[], metavar="NAME=NUMBER", type=_uncertainty,
        help="standard uncertainty of something given, for example temperature_C=0.1 or tan_mgN_per_L=5%%; may be "
        "repeated",
    )  # fmt: skip
    parser.add_argument("--source", action="store_true", help="name the publications; alone: of every result here")
    parser.add_argument("--json", action="store_true", help="for programs: full precision")
    parser.add_argument(
        "--table", action="append", default=[], type=_axis, metavar="NAME=FROM:TO:STEP",
        help="a table over a range, for example temperature_C=0:30:5; twice for rows and columns",
    )  # fmt: skip
    parser.add_argument("--show", default="", metavar="RESULT", help="which result a table shows")
    if command.appended:
        parser.add_argument("--csv", metavar="FILE", help="work on a whole file, - for standard input; see below")
        parser.add_argument("--output", metavar="FILE", help="write there instead of standard output (with --csv)")


def _number(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        hint = f"; write {text.replace(',', '.')}" if "," in text else ""
        raise argparse.ArgumentTypeError(f"{text!r} is not a number{hint}") from None
    if not math.isfinite(value):
        raise argparse.ArgumentTypeError(f"{text!r} is not a finite number")
    return value


def _uncertainty(text: str) -> tuple[str, float, bool]:
    name, _, number = text.partition("=")
    if name not in INPUTS or not number:
        raise argparse.ArgumentTypeError(
            f"{text!r}: write NAME=NUMBER or NAME=NUMBER%, for example temperature_C=0.1"
        )
    value = _number(number.removesuffix("%"))
    if value < 0.0:
        raise argparse.ArgumentTypeError(f"{text!r}: an uncertainty is not negative")
    return name, value, number.endswith("%")


def _axis(text: str) -> Axis:
    match = re.fullmatch(r"([A-Za-z0-9_]+)=([^:]+):([^:]+):([^:]+)", text)
    if match is None or match[1] not in INPUTS:
        raise argparse.ArgumentTypeError(
            f"{text!r}: write NAME=FROM:TO:STEP, for example temperature_C=0:30:5; NAME as in the options, with "
            "underscores"
        )
    low, high, step = (_number(part) for part in match.groups()[1:])
    if step <= 0.0 or high < low:
        raise argparse.ArgumentTypeError(f"{text!r}: FROM is not above TO, and STEP is above 0")
    count = math.floor((high - low) / step + 1e-9) + 1
    if count > MOST_POINTS:
        raise argparse.ArgumentTypeError(f"{text!r} makes {count} points; at most {MOST_POINTS} are shown")
    return match[1], [round(low + number * step, 10) for number in range(count)]


def _work(options: argparse.Namespace) -> int:
    from brinewatch.water.answer import answer

    return answer(options)
