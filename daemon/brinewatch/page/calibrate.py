"""The guided calibration: choose a probe, then one question after another. It works without a script: while the
signal comes to rest the page looks again by itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Protocol

from fastapi import FastAPI, HTTPException, Query, Request
from fastapi import Path as InPath
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from jinja2 import Environment

from brinewatch.errors import BrinewatchError
from brinewatch.page.access import Role, Visitor, at_least, form_of, visitor_of
from brinewatch.page.app import NEVER_KEPT
from brinewatch.page.menu import on_menu
from brinewatch.page.talk_views import ProbeLine, TalkView

_LOOK, _KEEP = at_least(Role.LOOK), at_least(Role.KEEP)
_AGAIN_S = 2
_LONG = 80
_Number = Annotated[int, InPath(ge=1, le=2**31)]


class CalibrationDesk(Protocol):
    """What these pages ask of the daemon. BrinewatchError for what cannot be done."""

    shed: str

    async def probes(self) -> Sequence[ProbeLine]: ...

    def points(self, probe: str) -> Sequence[tuple[str, str]]: ...

    def begin(self, point: str, kind: str, since: str, by: str) -> int: ...

    def talk(self, number: int, by: str) -> TalkView | None: ...

    def answer(self, number: int, step: int, text: str, by: str) -> None: ...

    def give_up(self, number: int, by: str) -> None: ...


def add_calibrations(app: FastAPI, templates: Environment, desk: CalibrationDesk) -> None:
    """`/calibrate` the probes, `/calibrate/probe?name=` what to do with one, `/calibrate/talk/3` the talk."""
    on_menu(templates, "/calibrate", "Calibrate a probe")
    every, one, talk = (templates.get_template(f"{name}.html") for name in ("calibrate", "probe", "talk"))

    def probe(request: Request, name: str, fault: str = "", status: int = 200, since: str = "") -> HTMLResponse:
        points = desk.points(name)
        if not points:
            raise HTTPException(404, "There is no such probe, or it takes no calibration.")
        text = one.render(
            shed=desk.shed, probe=name, points=points, proof=visitor_of(request).proof, fault=fault, since=since
        )
        return HTMLResponse(text, status, headers=NEVER_KEPT)

    @app.get("/calibrate")
    async def probes(request: Request, visitor: Visitor = _LOOK) -> Response:
        text = every.render(shed=desk.shed, probes=await desk.probes(), may=visitor.may(Role.KEEP))
        return HTMLResponse(text, headers=NEVER_KEPT)

    @app.get("/calibrate/probe")
    async def choose(
        request: Request, name: Annotated[str, Query(max_length=_LONG)] = "", visitor: Visitor = _KEEP
    ) -> Response:
        return probe(request, name)

    @app.post("/calibrate/probe")
    async def begin(request: Request, visitor: Visitor = _KEEP) -> Response:
        fields = await form_of(request)
        name, since = fields.get("probe", "")[:_LONG], fields.get("since", "")[:_LONG]
        try:
            number = desk.begin(fields.get("point", "")[:_LONG], fields.get("kind", ""), since, visitor.name)
        except BrinewatchError as error:
            return probe(request, name, str(error), 422, since)
        return RedirectResponse(f"/calibrate/talk/{number}", 303, headers=NEVER_KEPT)

    @app.get("/calibrate/talk/{number}")
    async def go_on(request: Request, number: _Number, visitor: Visitor = _LOOK) -> Response:
        view = desk.talk(number, visitor.name)
        if view is None:
            raise HTTPException(
                404, "That calibration is not known any more. Nothing of it was saved unless it said so."
            )
        again = {"Refresh": str(_AGAIN_S)} if view.state == "waits" else {}
        text = talk.render(shed=desk.shed, talk=view, proof=visitor.proof)
        return HTMLResponse(text, headers={**NEVER_KEPT, **again})

    @app.post("/calibrate/talk/{number}")
    async def answer(request: Request, number: _Number, visitor: Visitor = _KEEP) -> Response:
        fields = await form_of(request)
        if "give_up" in fields:
            desk.give_up(number, visitor.name)
        else:
            step = fields.get("step", "")
            known = int(step) if step.isascii() and step.isdecimal() and len(step) < 9 else 0
            desk.answer(number, known, fields.get("answer", "")[:_LONG], visitor.name)
        return RedirectResponse(f"/calibrate/talk/{number}", 303, headers=NEVER_KEPT)
