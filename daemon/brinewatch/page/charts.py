"""The strip recorder: strips under one another on one axis of time, a table beside each. It works without a script,
prints as it is, and its address opens the same view again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Annotated, Protocol

from fastapi import Depends, FastAPI, Query, Request
from fastapi.responses import HTMLResponse, JSONResponse, Response
from jinja2 import Environment

from brinewatch.errors import BrinewatchError
from brinewatch.page.access import Role, at_least
from brinewatch.page.app import NEVER_KEPT
from brinewatch.page.menu import on_menu
from brinewatch.page.packing import packed_aside

_LOOK = at_least(Role.LOOK)
_MOST = 12  # strips of one page
_LONG = 60  # letters of a time or a span


@dataclass(frozen=True, slots=True)
class Strip:
    """One quantity. All shapes are SVG paths in a box of 340 by 100, y downwards, the time along 340.

    line: lowest to highest of each stretch; doubt: the same, hollow, where half or more was suspect, and small
    boxes along the top where less was; unsure: widened by one standard uncertainty, "" where none is known; before:
    the period it is held against; beyond: where limits are passed; limits: path of each, what it is, and where that
    is written; alarms: place, width and what; marks: path and what; top, bottom: what the edges stand for; far:
    limits beyond them; table: when, lowest, mean, highest, flags.
    """

    point: str
    name: str
    words: str
    line: str
    doubt: str
    unsure: str
    before: str
    beyond: str
    limits: Sequence[tuple[str, str, float]]
    alarms: Sequence[tuple[float, float, str]]
    marks: Sequence[tuple[str, str]]
    top: str
    bottom: str
    far: str
    table: Sequence[tuple[str, str, str, str, str]]


@dataclass(frozen=True, slots=True)
class ChartView:
    """What was asked, and what there is.

    nights: place and width of each; ticks: place and words; move, links: words and address, of the times beside
    this one and of others; choice: every point, its name, whether it is shown; against, against_words: the period
    held against, its key and in words; csv, picture, numbers: addresses of what is shown in other forms.
    """

    shed: str
    when: str
    strips: Sequence[Strip]
    nights: Sequence[tuple[float, float]]
    ticks: Sequence[tuple[float, str]]
    move: Sequence[tuple[str, str]]
    links: Sequence[tuple[str, str]]
    choice: Sequence[tuple[str, str, bool]]
    happened: Sequence[tuple[str, str]]
    against: str
    against_words: str
    since: str
    until: str
    csv: str
    picture: str
    numbers: str
    note: str


@dataclass(frozen=True, slots=True)
class Wanted:
    """points: none for the usual ones; since, until: the shed's own time or a length of time, "" for the usual;
    against: "", "day", "week" or "year": the period before that is drawn too."""

    points: Sequence[str]
    since: str
    until: str
    against: str


class Told(Protocol):
    """Who knows the past. All raise BrinewatchError for what cannot be shown."""

    async def tell(self, wanted: Wanted) -> ChartView: ...

    async def lines(self, wanted: Wanted) -> str: ...

    async def numbers(self, wanted: Wanted) -> bytes: ...


def _wanted(
    p: Annotated[list[str], Query()] = [],  # noqa: B006 - never changed
    since: Annotated[str, Query(max_length=_LONG)] = "",
    until: Annotated[str, Query(max_length=_LONG)] = "",
    against: Annotated[str, Query(max_length=_LONG)] = "",
) -> Wanted:
    return Wanted(tuple(dict.fromkeys(one for one in p if one))[:_MOST], since, until, against)


_ASKED = Depends(_wanted)


def add_charts(app: FastAPI, templates: Environment, told: Told) -> None:
    """`/history` the strips; `.csv` what they show, `.svg` a picture; `/history/numbers` is for the script."""
    # what is no character of XML would spoil the whole picture
    templates.filters["plain"] = lambda text: "".join(one for one in str(text) if one.isprintable())
    template, picture = templates.get_template("history.html"), templates.get_template("history.svg")
    on_menu(templates, "/history", "History")

    @app.get("/history", dependencies=[_LOOK])
    async def history(request: Request, wanted: Wanted = _ASKED) -> Response:
        try:
            view = await told.tell(wanted)
        except BrinewatchError as error:
            text = template.render(view=None, what=error.what, hint=error.hint)
            return HTMLResponse(text, 400, headers=NEVER_KEPT)
        return await packed_aside(
            request, template.render(view=view).encode(), NEVER_KEPT, "text/html; charset=utf-8"
        )

    @app.get("/history.csv", dependencies=[_LOOK])
    async def as_csv(wanted: Wanted = _ASKED) -> Response:
        text = await told.lines(replace(wanted, against=""))
        name = {"Content-Disposition": 'attachment; filename="history.csv"'}
        return Response(text, media_type="text/csv; charset=utf-8", headers={**NEVER_KEPT, **name})

    @app.get("/history.svg", dependencies=[_LOOK])
    async def as_picture(request: Request, wanted: Wanted = _ASKED) -> Response:
        text = picture.render(view=await told.tell(wanted))
        name = {"Content-Disposition": 'attachment; filename="history.svg"'}
        return await packed_aside(request, text.encode(), {**NEVER_KEPT, **name}, "image/svg+xml")

    @app.get("/history/numbers", dependencies=[_LOOK])
    async def numbers(request: Request, wanted: Wanted = _ASKED) -> Response:
        try:
            found = await told.numbers(wanted)
        except BrinewatchError as error:
            return JSONResponse({"detail": str(error)}, 400, headers=NEVER_KEPT)
        return await packed_aside(request, found, NEVER_KEPT, "application/octet-stream")
