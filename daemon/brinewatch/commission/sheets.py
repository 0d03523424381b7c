"""The sheet on the terminal, as a file to print, and signed."""

from __future__ import annotations

import json
import sys
from pathlib import Path

from brinewatch.calibrate.console import Console
from brinewatch.calibrate.talk import line, yes
from brinewatch.commission.keeping import Keeping
from brinewatch.commission.wall import wall_page
from brinewatch.config import ShedFile
from brinewatch.errors import BrinewatchError
from brinewatch.proving.desk import sheet_json, token
from brinewatch.proving.words import printable, sheet_text, view_of


async def show_sheet(keeping: Keeping, console: Console, as_json: bool, html: Path | None) -> int:
    """Say how everything stands; 0 when nothing is open and it is signed as it is."""
    sheet = await keeping.sheet()
    if as_json:
        sys.stdout.write(json.dumps(sheet_json(sheet), indent=2, ensure_ascii=False) + "\n")
    else:
        for told in sheet_text(sheet, keeping.shed.zone):
            console.say(told)
    if html is not None:
        _write(html, printable(view_of(sheet, keeping.shed.zone)))
        if not as_json:
            console.say(f"Written to {html}: print it from a browser.")
    return 0 if sheet.signed is not None and not sheet.changes and not sheet.open else 1


async def sign_sheet(keeping: Keeping, console: Console) -> int:
    """Show the sheet and put a name under it, by the daemon, which journals it. 0 when it was signed."""
    if not await keeping.running():
        raise BrinewatchError(
            "A sheet is signed while the watch runs: its signature goes into the journal.", "Start the watch first."
        )
    answer = (await keeping.ask({"do": "commission sheet"}))["sheet"]
    sheet = await keeping.sheet()
    if answer["file_sha256"] != sheet.file:
        raise BrinewatchError(
            "The shed file on the disk is not the one the watch runs on.",
            "Restart the watch with it (sudo systemctl restart brinewatch), then sign.",
        )
    for told in sheet_text(sheet, keeping.shed.zone):
        console.say(told)
    note = ""
    if sheet.open:
        console.say(f"{len(sheet.open)} points are not proven. Why is the shed left with them, and until when?")
        note = await line(console, "Note:")
    if not await yes(console, f"Does {keeping.by} sign the sheet as it stands?"):
        console.say("Not signed.")
        return 1
    console.say(str((await keeping.sign(note, token(sheet)))["line"]))
    return 0


def write_wall(shed: ShedFile, console: Console, html: Path | None) -> int:
    """Write the page for the wall. BrinewatchError when nobody said where."""
    if html is None:
        raise BrinewatchError("Where is the page for the wall to be written?", "Say it: --html wall.html")
    _write(html, wall_page(shed))
    console.say(f"Written to {html}: print it from a browser, fill in the lines, hang it beside the door.")
    return 0


def _write(path: Path, text: str) -> None:
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise BrinewatchError(f"{path} cannot be written: {error.strerror}.", "Name another file.") from error
