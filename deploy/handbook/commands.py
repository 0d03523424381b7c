"""Every command with its options, as the parser itself has them."""

from __future__ import annotations

import argparse
from collections.abc import Iterator

from cells import cell, rows

from brinewatch.cli import _parser


def commands() -> Iterator[str]:
    yield "## Commands"
    yield "`brinewatch COMMAND --help` says the same. Exit code 0: done; 1: it was not; 2: not understood."
    parser = _parser()
    yield from _options(parser)
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            for name, command in action.choices.items():
                yield from _command(f"brinewatch {name}", command)


def _command(name: str, command: argparse.ArgumentParser) -> Iterator[str]:
    inner = [one for one in command._actions if isinstance(one, argparse._SubParsersAction)]
    words = [_word(one) for one in command._actions if not one.option_strings and one not in inner]
    yield f"### {' '.join([name, *words])}"
    if command.description:
        yield cell(command.description)
    if command.epilog:
        yield cell(command.epilog)
    yield from _options(command)
    for one in inner:
        for key, each in one.choices.items():
            yield from _command(f"{name} {key}", each)


def _word(action: argparse.Action) -> str:
    name = action.metavar if isinstance(action.metavar, str) else action.dest.upper()
    return {"?": f"[{name}]", "*": f"[{name} ...]", "+": f"{name} ..."}.get(str(action.nargs), name)


def _options(command: argparse.ArgumentParser) -> Iterator[str]:
    found = []
    for one in command._actions:
        if one.help == argparse.SUPPRESS or isinstance(one, (argparse._HelpAction, argparse._SubParsersAction)):
            continue
        value = "" if one.nargs == 0 else f" {_word(one)}"
        name = f"{', '.join(one.option_strings)}{value}" if one.option_strings else _word(one)
        # argparse's own way of filling in a help text, without its layout, which differs between versions
        said = (one.help or "") % {**vars(one), "prog": command.prog}
        if one.choices and not isinstance(one, argparse._SubParsersAction):
            said += f" (one of {', '.join(map(str, one.choices))})"
        found.append((f"`{name}`", said))
    if found:
        yield rows(("option", "what it does"), found)
