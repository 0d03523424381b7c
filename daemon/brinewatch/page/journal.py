"""The journal for people: what happened, the newest first, each row a sentence; and an incident from its first sign
to the all-clear. It pages by its address and prints as it is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated, Protocol

from fastapi import FastAPI, Query
from fastapi.responses import HTMLResponse, Response
from jinja2 import Environment

from brinewatch.errors import BrinewatchError, StoreError
from brinewatch.page.access import Role, Visitor, at_least
from brinewatch.page.app import NEVER_KEPT
from brinewatch.page.menu import on_menu

_LOOK = at_least(Role.LOOK)
_LONG = 100  # letters of what is asked for
_Text = Annotated[str, Query(max_length=_LONG)]
_Link = Annotated[int, Query(ge=0, le=2**62)]


@dataclass(frozen=True, slots=True)
class Asked:
    """What is asked of the journal, as typed; "" for anything. before: a link of its chain, 0 for the end."""

    since: str = ""
    until: str = ""
    kind: str = ""
    stage: str = ""
    alarm: str = ""
    person: str = ""
    text: str = ""
    before: int = 0


@dataclass(frozen=True, slots=True)
class JournalRow:
    """One record. called: whether people were called for it; incident: which it leads to, 0 for none."""

    time: str
    sentence: str
    called: bool
    incident: int


@dataclass(frozen=True, slots=True)
class JournalView:
    """days: of each day its rows, the newest first; older: address of what came before, "" at the end; searched:
    how far back was looked, "" when all was; kinds, stages: key and name of each choice; csv: address of the same
    rows."""

    shed: str
    asked: Asked
    days: Sequence[tuple[str, Sequence[JournalRow]]]
    older: str
    searched: str
    kinds: Sequence[tuple[str, str]]
    stages: Sequence[tuple[str, str]]
    people: Sequence[str]
    csv: str


@dataclass(frozen=True, slots=True)
class StepView:
    """at: time of the day, with the day when that is another than before; beside: no step of an alarm, but done
    meanwhile."""

    at: str
    text: str
    calls: Sequence[str]
    beside: bool


@dataclass(frozen=True, slots=True)
class StoryView:
    """One incident. beyond: how long each quantity was past its limit; rules: title and words of each in force
    then; history: address of the strips over that time."""

    heading: str
    over: bool
    summary: str
    steps: Sequence[StepView]
    end: Sequence[str]
    beyond: Sequence[str]
    rules: Sequence[tuple[str, str]]
    history: str


@dataclass(frozen=True, slots=True)
class IncidentView:
    shed: str
    number: int
    stories: Sequence[StoryView]
    told: str


class JournalDesk(Protocol):
    """What these pages ask of the daemon. whole: whether phone numbers and accounts are shown. BrinewatchError for
    what cannot be asked, StoreError for a store that cannot be read."""

    async def listed(self, asked: Asked, *, whole: bool) -> JournalView: ...

    async def lines(self, asked: Asked, *, whole: bool) -> str: ...

    async def incident(self, number: int, *, whole: bool) -> IncidentView | None: ...


def add_journal(app: FastAPI, templates: Environment, desk: JournalDesk) -> None:
    """`/journal` the rows, `/journal.csv` the same for a spreadsheet, `/journal/incident/12` one incident."""
    journal, incident = templates.get_template("journal.html"), templates.get_template("incident.html")
    on_menu(templates, "/journal", "Journal")

    @app.get("/journal")
    async def rows(
        visitor: Annotated[Visitor, _LOOK], since: _Text = "", until: _Text = "", kind: _Text = "",
        stage: _Text = "", alarm: _Text = "", person: _Text = "", text: _Text = "", before: _Link = 0,
    ) -> HTMLResponse:  # fmt: skip
        asked = Asked(since, until, kind, stage, alarm, person, text, before)
        try:
            view = await desk.listed(asked, whole=visitor.may(Role.KEEP))
        except StoreError:
            raise
        except BrinewatchError as error:
            # the form comes back as it was filled in
            view = await desk.listed(Asked(before=1), whole=False)
            said = journal.render(view=view, asked=asked, what=error.what, hint=error.hint)
            return HTMLResponse(said, 400, headers=NEVER_KEPT)
        return HTMLResponse(journal.render(view=view, asked=asked, what="", hint=""), headers=NEVER_KEPT)

    @app.get("/journal.csv")
    async def as_csv(
        visitor: Annotated[Visitor, _LOOK], since: _Text = "", until: _Text = "", kind: _Text = "",
        stage: _Text = "", alarm: _Text = "", person: _Text = "", text: _Text = "", before: _Link = 0,
    ) -> Response:  # fmt: skip
        asked = Asked(since, until, kind, stage, alarm, person, text, before)
        lines = await desk.lines(asked, whole=visitor.may(Role.KEEP))
        name = {"Content-Disposition": 'attachment; filename="journal.csv"'}
        return Response(lines, media_type="text/csv; charset=utf-8", headers={**NEVER_KEPT, **name})

    @app.get("/journal/incident/{number}")
    async def one(visitor: Annotated[Visitor, _LOOK], number: str) -> HTMLResponse:
        known = number.isascii() and number.isdecimal() and 0 < len(number) < 10
        view = await desk.incident(int(number), whole=visitor.may(Role.KEEP)) if known and int(number) else None
        text = incident.render(view=view, number=number[:_LONG])
        return HTMLResponse(text, 404 if view is None else 200, headers=NEVER_KEPT)
