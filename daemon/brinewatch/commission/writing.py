"""The first shed file: asked for, checked as `brinewatch check` does, written only where there is none."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

from brinewatch.calibrate.console import Console
from brinewatch.calibrate.talk import yes
from brinewatch.commission.asker import Asker
from brinewatch.commission.draft import Draft
from brinewatch.commission.findings import Found
from brinewatch.commission.interview import interview
from brinewatch.commission.shedtext import shed_text
from brinewatch.config import read_shed
from brinewatch.errors import BrinewatchError, ConfigurationError
from brinewatch.ports import Clock
from brinewatch.wholefile import as_folder


async def write_shed(path: Path, console: Console, clock: Clock) -> int:
    """Ask, check, write. 0 when it was written. Never overwrites; what was answered is kept whatever happens."""
    if path.exists():
        raise BrinewatchError(
            f"{path} is there already, and is never overwritten.",
            "Change it with an editor, or name another file with --shed.",
        )
    draft = Draft.read(path)
    if draft.found is None:
        console.say("Nothing has been searched for yet (brinewatch commission find): the file will have no wires.")
        if not await yes(console, "Go on without?"):
            return 1
    console.say("Enter takes what stands in brackets; q stops, and what was answered is offered again next time.")
    plan = await interview(Asker(console, draft, clock), draft.found or Found(""), _folder(path))
    text = shed_text(plan, path.name)
    try:
        _write_checked(path, text)
    except ConfigurationError as error:
        console.say("What was answered makes no shed yet:")
        for fault in error.faults:
            console.say(f"  {replace(fault, file=path.name)}")
        console.say("Nothing was written; your answers are kept. Run it again and change what is wrong.")
        return 1
    console.say()
    console.say(f"Written and in order: {path}. Read it through once; every line says what it is for.")
    console.say(f"Next: brinewatch check {path}, start the watch, then: brinewatch commission wires --shed {path}")
    return 0


def _folder(path: Path) -> str:
    """Where the readings of a shed file go: for that of the service where its user may write (deploy/install)."""
    return "/var/lib/brinewatch" if path.absolute().parent == Path("/etc/brinewatch") else "data"


def _write_checked(path: Path, text: str) -> None:
    """Write it beside, check it there, and give it its name only when it is right and the name is free."""
    fresh = path.with_name(f".{path.name}.{os.getpid()}.toml")
    try:
        with fresh.open("x", encoding="utf-8") as file:
            as_folder(file.fileno(), path.absolute().parent)
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        read_shed(fresh)
        os.link(fresh, path)
    except FileExistsError as error:
        raise BrinewatchError(f"{path} has appeared meanwhile, and is not overwritten.") from error
    except OSError as error:
        raise BrinewatchError(
            f"{path} cannot be written: {error.strerror}.", "Name another with --shed."
        ) from error
    finally:
        fresh.unlink(missing_ok=True)
