"""The strip recorder: strips under one another on one axis of time, a table beside each. It works without a script,
prints as it is, and its address opens the same view again."""

from __future__ import annotations

import asyncio
import gzip
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass
from typing import Annotated

from fastapi import FastAPI, Query, Request
from fastapi.responses import HTMLResponse, Response
from jinja2 import Environment

from brinewatch.errors import BrinewatchError
from brinewatch.page.access import Role, at_least
from brinewatch.page.app import NEVER_KEPT
from brinewatch.page.menu import on_menu

_LOOK = at_least(Role.LOOK)
_MOST = 12  # strips of one page
_LONG = 60  # letters of a time or a span


@dataclass(frozen=True, slots=True)
class Strip:
    """One quantity. All shapes are SVG paths in a box of 340 by 100, y downwards, the time along 340.

    line: lowest to highest where all is well; doubt: where a reading was suspect; before: the period it is held
    against; limits: path of each and what it is; alarms: place, width and what; marks: place and what; top, bottom:
    what the edges stand for; far: limits beyond them; table: when, lowest, mean, highest, flags.
    """

    point: str
    name: str
    words: str
    line: str
    doubt: str
    before: str
    limits: Sequence[tuple[str, str, float]]
    alarms: Sequence[tuple[float, float, str]]
    marks: Sequence[tuple[float, str]]
    top: str
    bottom: str
    far: str
    table: Sequence[tuple[str, str, str, str, str]]


@dataclass(frozen=True, slots=True)
class ChartView:
    """What was asked, and what there is.

    nights: place and width of each; ticks: place and words; move, links: words and address, of the times beside
    this one and of others; choice: every point, its name, whether it is shown; against: the period held against,
    in words.
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
    since: str
    until: str
    csv: str
    note: str


@dataclass(frozen=True, slots=True)
class Wanted:
    """points: none for the usual ones; since, until: the shed's own time or a length of time, "" for the usual;
    against: "", "day", "week" or "year": the period before that is drawn too."""

    points: Sequence[str]
    since: str
    until: str
    against: str


def add_charts(
    app: FastAPI, templates: Environment, tell: Callable[[Wanted], Awaitable[ChartView]],
    lines: Callable[[Wanted], Awaitable[str]],
) -> None:  # fmt: skip
    """`/history` the strips, `/history.csv` what they show. tell and lines raise BrinewatchError for what cannot be
    shown."""
    template = templates.get_template("history.html")
    on_menu(templates, "/history", "History")

    def wanted(p: Sequence[str], since: str, until: str, against: str) -> Wanted:
        return Wanted(tuple(dict.fromkeys(one for one in p if one))[:_MOST], since, until, against)

    @app.get("/history", dependencies=[_LOOK])
    async def history(
        request: Request,
        p: Annotated[list[str], Query()] = [],  # noqa: B006 - never changed
        since: Annotated[str, Query(max_length=_LONG)] = "",
        until: Annotated[str, Query(max_length=_LONG)] = "",
        against: Annotated[str, Query(max_length=_LONG)] = "",
    ) -> HTMLResponse:
        try:
            view = await tell(wanted(p, since, until, against))
        except BrinewatchError as error:
            text = template.render(view=None, what=error.what, hint=error.hint)
            return HTMLResponse(text, 400, headers=NEVER_KEPT)
        text = template.render(view=view)
        if "gzip" not in request.headers.get("accept-encoding", ""):
            return HTMLResponse(text, headers=NEVER_KEPT)
        # a page of shapes is a tenth of its size packed; it holds no secret that its length could tell
        packed = await asyncio.to_thread(gzip.compress, text.encode(), 6)
        return HTMLResponse(packed, headers={**NEVER_KEPT, "Content-Encoding": "gzip", "Vary": "Accept-Encoding"})

    @app.get("/history.csv", dependencies=[_LOOK])
    async def as_csv(
        p: Annotated[list[str], Query()] = [],  # noqa: B006 - never changed
        since: Annotated[str, Query(max_length=_LONG)] = "",
        until: Annotated[str, Query(max_length=_LONG)] = "",
    ) -> Response:
        text = await lines(wanted(p, since, until, ""))
        name = {"Content-Disposition": 'attachment; filename="history.csv"'}
        return Response(text, media_type="text/csv; charset=utf-8", headers={**NEVER_KEPT, **name})
