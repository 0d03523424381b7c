"""How the watch itself is: what is wrong first, with a shape and a word; what is well below, in plain ink."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass
from typing import Annotated

from fastapi import FastAPI
from fastapi.responses import HTMLResponse
from jinja2 import Environment

from brinewatch.page.access import Role, Visitor, at_least
from brinewatch.page.app import NEVER_KEPT
from brinewatch.page.menu import on_menu

_LOOK = at_least(Role.LOOK)


@dataclass(frozen=True, slots=True)
class Line:
    """One thing: what it is called, how it is, and what more there is to say. mark: "" when nothing is wrong, else
    which shape; word: what the shape means here."""

    name: str
    text: str
    notes: Sequence[str] = ()
    mark: str = ""
    word: str = ""


@dataclass(frozen=True, slots=True)
class HealthView:
    """abnormal: what wants a look, the worst first; sections: all else, under headings; missing: what this shed
    file does not set up."""

    shed: str
    at: str
    mark: str
    word: str
    headline: str
    abnormal: Sequence[Line]
    sections: Sequence[tuple[str, Sequence[Line]]]
    missing: str


def add_health(app: FastAPI, templates: Environment, tell: Callable[[], Awaitable[HealthView]]) -> None:
    """`/health`."""
    template = templates.get_template("health.html")
    on_menu(templates, "/health", "The watch itself: ways, store, probes")

    @app.get("/health")
    async def health(visitor: Annotated[Visitor, _LOOK]) -> HTMLResponse:
        return HTMLResponse(template.render(view=await tell()), headers=NEVER_KEPT)
