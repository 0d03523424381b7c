"""`brinewatch round` and `brinewatch batch`: the round from the terminal, with the checks of the page."""

from __future__ import annotations

import argparse
import json
import os
import secrets
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from brinewatch.errors import BrinewatchError
from brinewatch.terminal import AddCommand

_ABOUT = """
Without anything: what is asked, and what is due. `brinewatch round raceway.tan=0.4 raceway.deaths=0` enters it. A
value unlike those before it, or beyond a limit, is told and not kept; say --anyway when it is right. Of several
animals: raceway.mean_weight="12.1 13.4 11.9".
"""


def register(add: AddCommand) -> list[argparse.ArgumentParser]:
    """Add the commands. Returns those that want to know the shed file."""
    one = add("round", _round, "what is due on the round; enter it, correct it")
    one.epilog = _ABOUT
    one.add_argument("values", nargs="*", metavar="POINT=VALUE", help="measured or done: raceway.tan=0.4")
    one.add_argument(
        "--at", default="", metavar="TIME", help="when it was measured: 2026-09-01T14:00 (default: now)"
    )
    one.add_argument("--note", default="", metavar="TEXT", help="a note; say of which stage with --about")
    one.add_argument("--about", default="", metavar="STAGE", help="the stage that note and photo are of")
    one.add_argument("--photo", type=Path, metavar="FILE", help="a JPEG or PNG picture on this computer")
    one.add_argument("--anyway", action="store_true", help="keep what is unlike the values before it")
    one.add_argument(
        "--by", default=os.environ.get("USER", "the command line"), metavar="NAME", help="who measured"
    )
    other = one.add_mutually_exclusive_group()
    other.add_argument("--list", action="store_true", help="what was entered, the newest first")
    other.add_argument("--correct", type=int, metavar="ENTRY", help="put an entry right: one VALUE, and --why")
    other.add_argument("--take-back", type=int, metavar="ENTRY", help="say that an entry should not be; with --why")
    one.add_argument("--why", default="", metavar="TEXT", help="why an entry is corrected")
    one.add_argument("--json", action="store_true", help="for programs")
    batch = add("batch", _batch, "the sheets of batches: animals, feed, growth, loss, yield, days to market")
    batch.add_argument("key", nargs="?", help="one batch (default: all)")
    batch.add_argument("--json", action="store_true", help="for programs")
    return [one, batch]


def _ask(options: argparse.Namespace, do: str, **more: Any) -> Mapping[str, Any]:
    from brinewatch.config import read_shed
    from brinewatch.control import ask

    return ask(read_shed(options.shed).data / "control.sock", {"do": do, "by": options.by, **more})


def _round(options: argparse.Namespace) -> int:
    if options.list:
        return _list(options)
    if options.correct is not None or options.take_back is not None:
        return _correct(options)
    if options.values or options.note or options.photo:
        photo = str(options.photo.resolve()) if options.photo else ""
        told = _ask(
            options, "round save", fields=_fields(options.values), at=options.at, note=options.note,
            about=options.about, photo=photo, form=secrets.token_urlsafe(12), anyway=options.anyway,
        )  # fmt: skip
        return _outcome(options, told)
    return _due(options)


def _fields(values: list[str]) -> dict[str, str]:
    found: dict[str, str] = {}
    for one in values:
        point, between, text = one.partition("=")
        if not between or not point:
            raise BrinewatchError(f"{one!r} is no POINT=VALUE.", "Write it like raceway.tan=0.4.")
        if point in found:
            raise BrinewatchError(f"{point} is given twice.", "Give each point once.")
        found[point] = text
    return found


def _correct(options: argparse.Namespace) -> int:
    if options.take_back is not None:
        if options.values:
            raise BrinewatchError(
                "An entry that is taken back has no value.", "Leave the value out, or --correct it."
            )
        told = _ask(options, "round correct", entry=options.take_back, take_back=True, why=options.why)
        return _outcome(options, told)
    if len(options.values) != 1:
        raise BrinewatchError("A correction is one value.", "Write: brinewatch round --correct 12 0.4 --why TEXT")
    told = _ask(
        options, "round correct", entry=options.correct, text=options.values[0].rpartition("=")[2], at=options.at,
        why=options.why, form=secrets.token_urlsafe(12), anyway=options.anyway,
    )  # fmt: skip
    return _outcome(options, told)


def _outcome(options: argparse.Namespace, told: Mapping[str, Any]) -> int:
    if options.json:
        sys.stdout.write(f"{json.dumps(told, indent=2)}\n")
        return 0 if told["kept"] else 1
    for line in told["kept"]:
        sys.stdout.write(f"Kept: {line}.\n")
    if told["kept"]:
        return 0
    for key, text in told["faults"].items():
        sys.stdout.write(f"{key}: {text}\n" if key else f"{text}\n")
    for key, lines in told["doubts"].items():
        for text in lines:
            sys.stdout.write(f"{key}: {text}\n")
    if told["faults"]:
        sys.stdout.write("Nothing was kept.\n")
    else:
        sys.stdout.write("Nothing was kept yet. If it is right, give the same again with --anyway.\n")
    return 1


def _due(options: argparse.Namespace) -> int:
    asked = _ask(options, "round")["asked"]
    if options.json:
        sys.stdout.write(f"{json.dumps(asked, indent=2)}\n")
        return 0
    if not asked:
        sys.stdout.write("The shed file asks for nothing: write [[round]], or a bus of kind manual.\n")
        return 0
    from brinewatch.terminal import print_table

    rows = [
        {
            "point": one["point"], "what": one["name"], "unit": one["unit"] or "done or not",
            "last": f"{one['last']}, {one['age']} ago" if one["last"] else "never entered",
            "every": one["every"], "due": {"overdue": "OVERDUE", "due": "due"}.get(one["urgency"], ""),
        }
        for one in asked
    ]  # fmt: skip
    print_table(("due", "point", "what", "unit", "last", "every"), rows)
    return 0


def _list(options: argparse.Namespace) -> int:
    rows = _ask(options, "round list")["rows"]
    if options.json:
        sys.stdout.write(f"{json.dumps(rows, indent=2)}\n")
        return 0
    if not rows:
        sys.stdout.write("Nothing was entered yet.\n")
        return 0
    from brinewatch.terminal import print_table

    for one in rows:
        one["note"] = "; ".join(part for part in (one["note"], one["state"]) if part)
    print_table(("number", "measured", "what", "value", "by", "note"), rows)
    return 0


def _batch(options: argparse.Namespace) -> int:
    """Out of the store: it needs no daemon."""
    from dataclasses import asdict

    from brinewatch.clock import SystemClock
    from brinewatch.config import read_shed
    from brinewatch.rounds.showing import named_batches, stored_sheets

    shed = read_shed(options.shed)
    made = stored_sheets(shed, named_batches(shed, options.key), SystemClock(shed.zone).now())
    if options.json:
        sys.stdout.write(f"{json.dumps([asdict(one) for one in made], indent=2)}\n")
        return 0
    for place, sheet in enumerate(made):
        when = f"ended {sheet.ended}" if sheet.ended else f"day {sheet.day:.0f}"
        between = "\n" if place else ""
        sys.stdout.write(f"{between}{sheet.name} ({sheet.species}), since {sheet.started}: {when}\n")
        width = max(len(one.name) for one in sheet.figures)
        for one in sheet.figures:
            sys.stdout.write(f"  {one.name:{width}}  {one.text}\n")
            if one.note:
                sys.stdout.write(f"  {'':{width}}  {one.note}\n")
    return 0
