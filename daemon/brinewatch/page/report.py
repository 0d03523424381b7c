"""A night on a page: sentences, one strip a quantity, and a table beside each. It prints as it is."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import dataclass

from fastapi import FastAPI
from fastapi.responses import HTMLResponse
from jinja2 import Environment

from brinewatch.errors import BrinewatchError
from brinewatch.page.app import NEVER_KEPT
from brinewatch.page.menu import on_menu


@dataclass(frozen=True, slots=True)
class StripView:
    """One quantity of one night. band: an SVG path in a box of 340 by 80, y downwards; top, bottom: what its upper
    and lower edge stand for; hours: place from the left and label of each line; table: hour, lowest, highest."""

    name: str
    words: str
    band: str
    top: str
    bottom: str
    hours: tuple[tuple[float, str], ...]
    table: tuple[tuple[str, str, str], ...]


@dataclass(frozen=True, slots=True)
class ReportView:
    """A night as it is shown. mark: of the headline, "" when all was well; calls, waited: each in words, and its
    incident, 0 for none; before, after: days of the nights beside it, "" for none."""

    shed: str
    when: str
    headline: str
    mark: str
    watch: str
    gaps: tuple[str, ...]
    air: str
    calls: tuple[tuple[str, int], ...]
    waited: tuple[tuple[str, int], ...]
    strips: tuple[StripView, ...]
    before: str
    after: str
    told: str
    notes: tuple[str, ...] = ()


def add_report(app: FastAPI, templates: Environment, tell: Callable[[str | None], Awaitable[ReportView]]) -> None:
    """`/report` the last whole night, `/report/2026-09-24` the one that ends on a day. tell raises BrinewatchError
    for a day that is none or a store that cannot be read."""
    template = templates.get_template("report.html")
    on_menu(templates, "/report", "Night report")

    async def answer(day: str | None) -> HTMLResponse:
        try:
            night = await tell(day)
        except BrinewatchError as error:
            text = template.render(night=None, what=error.what, hint=error.hint)
            return HTMLResponse(text, 404 if day is not None else 503, headers=NEVER_KEPT)
        return HTMLResponse(template.render(night=night), headers=NEVER_KEPT)

    @app.get("/report")
    async def last() -> HTMLResponse:
        return await answer(None)

    @app.get("/report/{day}")
    async def of_day(day: str) -> HTMLResponse:
        return await answer(day)
