"""Who is called: in which order now and in the coming nights, whether it reaches them, and what drills showed."""

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
class WayView:
    """One way to one person. mark: of what is wrong, "" for nothing; last: how the newest message fared."""

    name: str
    mark: str
    last: str


@dataclass(frozen=True, slots=True)
class PersonView:
    """One person of the roster. hears: for which alarms they are called; duty: when they are on duty."""

    name: str
    phone: str
    on_duty: bool
    duty: str
    hears: str
    ways: Sequence[WayView]


@dataclass(frozen=True, slots=True)
class NightView:
    """One night to come: its name, the hours of each watch, who stands it, and whether nobody does."""

    name: str
    watches: Sequence[tuple[str, str, bool]]


@dataclass(frozen=True, slots=True)
class CoverView:
    """How much of the last day every critical alarm could call. bar: an SVG path, in a box of 340 by 16, of what
    was not covered; hours: place and label; gaps: from, how long, why; nights: day, words and address of each
    report."""

    words: str
    mark: str
    bar: str
    hours: Sequence[tuple[float, str]]
    gaps: Sequence[tuple[str, str, str]]
    nights: Sequence[tuple[str, str, str]]


@dataclass(frozen=True, slots=True)
class DutyView:
    """first: who is called for a critical alarm now, as a sentence; look: what a keeper should look at; calls: for
    each priority after how long who is called; drills: when, and what came of it; due: of the next, as a
    sentence."""

    shed: str
    at: str
    first: str
    mark: str
    look: Sequence[str]
    calls: Sequence[tuple[str, Sequence[tuple[str, str]]]]
    nights: Sequence[NightView]
    people: Sequence[PersonView]
    cover: CoverView | None
    drills: Sequence[tuple[str, str]]
    due: str
    drill_mark: str
    note: str


def add_duty(app: FastAPI, templates: Environment, tell: Callable[[bool], Awaitable[DutyView]]) -> None:
    """`/people`. tell(whole): whether phone numbers are shown as they are."""
    template = templates.get_template("duty.html")
    on_menu(templates, "/people", "Who is called, and drills")

    @app.get("/people")
    async def people(visitor: Annotated[Visitor, _LOOK]) -> HTMLResponse:
        view = await tell(visitor.may(Role.KEEP))
        return HTMLResponse(template.render(view=view), headers=NEVER_KEPT)
