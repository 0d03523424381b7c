"""A sheet in words, for the page, the terminal and a printed page."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from itertools import groupby
from pathlib import Path
from zoneinfo import ZoneInfo

from brinewatch.proving.desk import token
from brinewatch.proving.items import Line, Proof, Sheet, State

ADVICE = (
    "It says what people saw on a day; it promises nothing of the next. The tool advises and calls, it does not "
    "keep animals alive. Mains work is a licensed electrician's, and local codes decide."
)


@dataclass(frozen=True, slots=True)
class PointView:
    """One point as it is shown. mark: "" when settled, else the class of its colour and shape."""

    title: str
    state: str
    mark: str
    told: str
    how: str


@dataclass(frozen=True, slots=True)
class SheetView:
    """A sheet as it is shown. headline; changed: what is no longer as signed; groups: heading and points."""

    shed: str
    headline: str
    sentence: str
    mark: str
    changed: tuple[str, ...]
    groups: tuple[tuple[str, tuple[PointView, ...]], ...]
    open: tuple[str, ...]
    signed: str
    note: str
    about: tuple[str, ...]
    token: str
    advice: str


def when(utc: float, trusted: bool, zone: ZoneInfo) -> str:
    text = f"{datetime.fromtimestamp(utc, zone):%Y-%m-%d %H:%M}"
    return text if trusted else f"about {text}"


def proof_text(proof: Proof, zone: ZoneInfo) -> str:
    """Who, when, what was seen."""
    detail = f": {proof.detail}" if proof.detail else ""
    return f"{proof.by}, {when(proof.utc, proof.trusted, zone)}{detail}"


def view_of(sheet: Sheet, zone: ZoneInfo) -> SheetView:
    signed = sheet.signed
    if signed is None:
        headline, mark = "Not signed off", "person"
    elif sheet.changes:
        headline, mark = "Signed off, and changed since", "warning"
    elif sheet.open:
        headline, mark = "Signed off, with open points", "warning"
    else:
        headline, mark = "Signed off", ""
    groups = tuple(
        (group, tuple(_point(one, zone) for one in lines))
        for group, lines in groupby(sheet.lines, key=lambda one: one.item.group)
    )
    about = (
        f"Shed file SHA-256 {sheet.file}", f"Rules in force {sheet.rules}", f"Program {sheet.program}",
    )  # fmt: skip
    return SheetView(
        sheet.name, headline, sheet.sentence, mark, tuple(sheet.changes), groups,
        tuple(one.item.title for one in sheet.open),
        "" if signed is None else f"{signed.by}, {when(signed.utc, signed.trusted, zone)}",
        "" if signed is None else signed.note, about, token(sheet), ADVICE,
    )  # fmt: skip


def _point(line: Line, zone: ZoneInfo) -> PointView:
    mark = {State.FAILED: "danger", State.CHANGED: "warning", State.OPEN: "person"}.get(line.state, "")
    told = "" if line.proof is None else proof_text(line.proof, zone)
    return PointView(line.item.title, str(line.state), mark, told, line.item.how)


def sheet_text(sheet: Sheet, zone: ZoneInfo) -> list[str]:
    """The sheet as lines for a narrow terminal."""
    view = view_of(sheet, zone)
    lines = [f"{view.shed}: {view.headline}.", view.sentence]
    for group, points in view.groups:
        lines += ["", group]
        for one in points:
            lines.append(
                f"  {'[x]' if not one.mark else '[ ]'} {one.title}: {one.state.upper() if one.mark else one.state}"
            )
            lines.append(f"      {one.told or one.how}")
    lines += ["", *view.about]
    if view.signed:
        lines.append(f"Signed: {view.signed}{f' ({view.note})' if view.note else ''}")
    return [*lines, ADVICE]


def printable(view: SheetView) -> str:
    """The sheet as one HTML file that needs nothing from anywhere, to be printed and signed with a pen too."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    folder = Path(__file__).parent
    templates = Environment(
        loader=FileSystemLoader([folder]), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True,
    )  # fmt: skip
    return templates.get_template("sheet.html").render(view=view)
