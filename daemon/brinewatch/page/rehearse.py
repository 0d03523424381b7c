"""Limits tried before they may wake anybody: an alarm, its numbers and where they are from, what others would have
done, and whoever may keep the shed can put them in force. It works without a script.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Annotated, Protocol

from fastapi import FastAPI, HTTPException, Query, Request
from fastapi import Path as InPath
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from jinja2 import Environment

from brinewatch.errors import BrinewatchError
from brinewatch.page.access import Role, Visitor, at_least, form_of, visitor_of
from brinewatch.page.app import NEVER_KEPT
from brinewatch.page.limit_views import AlarmSheet, ChangedLine, Refused, StageLines, TrialView
from brinewatch.page.menu import on_menu

_LOOK, _TRY, _SAVE = at_least(Role.LOOK), at_least(Role.ACKNOWLEDGE), at_least(Role.KEEP)
_LONG = 160
_AGAIN_S = 3
_Number = Annotated[int, InPath(ge=1, le=2**31)]


class RehearsalDesk(Protocol):
    """What these pages ask of the daemon. BrinewatchError for what cannot be done."""

    shed: str

    def stages(self) -> Sequence[StageLines]: ...

    def changed(self) -> Sequence[ChangedLine]: ...

    def notes(self) -> Sequence[str]: ...

    def sheet(self, alarm: str) -> AlarmSheet | None: ...

    def start(self, alarm: str, typed: Mapping[str, str], by: str) -> int: ...

    def trial(self, number: int) -> TrialView | None: ...

    def running(self) -> int | None: ...

    def stop(self, number: int) -> None: ...

    async def save(self, number: int, why: str, confirmed: str, by: str) -> str: ...

    async def take_back(self, alarm: str, why: str, by: str) -> str: ...


def add_rehearsals(app: FastAPI, templates: Environment, desk: RehearsalDesk) -> None:
    """`/rehearse` the alarms, `/rehearse/alarm?name=` one of them, `/rehearse/run/3` what came of a rehearsal."""
    on_menu(templates, "/rehearse", "Limits: try them, change them")
    every, sheet, trial = (templates.get_template(f"{name}.html") for name in ("rehearse", "limits", "trial"))

    def listed(
        request: Request, fault: str = "", status: int = 200, filled: Mapping[str, str] | None = None
    ) -> HTMLResponse:
        visitor = visitor_of(request)
        text = every.render(
            shed=desk.shed, stages=desk.stages(), changed=desk.changed(), notes=desk.notes(), visitor=visitor,
            may_save=visitor.may(Role.KEEP), done=desk_line(request), fault=fault,
            filled=filled or {}, running=desk.running(),
        )  # fmt: skip
        return HTMLResponse(text, status, headers=NEVER_KEPT)

    def desk_line(request: Request) -> str:
        """What was done just now, told by the trial it was done for."""
        number = request.query_params.get("done", "")
        view = desk.trial(int(number)) if number.isascii() and number.isdecimal() and len(number) < 9 else None
        return view.kept if view is not None else "It is taken back." if number == "back" else ""

    def one(
        request: Request, alarm: str, typed: Mapping[str, str] | None = None,
        faults: Mapping[str, str] | None = None, status: int = 200,
    ) -> HTMLResponse:  # fmt: skip
        found = desk.sheet(alarm)
        if found is None:
            raise HTTPException(404, "There is no such alarm, or none of its numbers may be changed here.")
        visitor = visitor_of(request)
        text = sheet.render(
            shed=desk.shed, sheet=found, typed=typed or {}, faults=faults or {}, proof=visitor.proof,
            may_try=visitor.may(Role.ACKNOWLEDGE), may_save=visitor.may(Role.KEEP), running=desk.running(),
        )  # fmt: skip
        return HTMLResponse(text, status, headers=NEVER_KEPT)

    def result(
        request: Request, number: int, fault: str = "", status: int = 200, filled: Mapping[str, str] | None = None
    ) -> HTMLResponse:
        view = desk.trial(number)
        if view is None:
            raise HTTPException(404, "That rehearsal is not kept any more: they end with the daemon. Try it again.")
        visitor = visitor_of(request)
        text = trial.render(
            shed=desk.shed, trial=view, proof=visitor.proof, may_try=visitor.may(Role.ACKNOWLEDGE),
            may_save=visitor.may(Role.KEEP), fault=fault, filled=filled or {},
        )  # fmt: skip
        again = {"Refresh": str(_AGAIN_S)} if view.state == "running" else {}
        return HTMLResponse(text, status, headers={**NEVER_KEPT, **again})

    @app.get("/rehearse")
    async def alarms(request: Request, visitor: Visitor = _LOOK) -> Response:
        return listed(request)

    @app.get("/rehearse/alarm")
    async def alarm(
        request: Request, name: Annotated[str, Query(max_length=_LONG)] = "",
        run: Annotated[int, Query(ge=0, le=2**31)] = 0, visitor: Visitor = _LOOK,
    ) -> Response:  # fmt: skip
        before = desk.trial(run) if run else None
        return one(request, name, before.typed if before is not None and before.alarm == name else None)

    @app.post("/rehearse/alarm")
    async def begin(request: Request, visitor: Visitor = _TRY) -> Response:
        fields = await form_of(request)
        name = fields.get("alarm", "")[:_LONG]
        try:
            number = desk.start(name, fields, visitor.name)
        except Refused as error:
            return one(request, name, fields, error.faults, 422)
        except BrinewatchError as error:
            return one(request, name, fields, {"": str(error)}, 409)
        return RedirectResponse(f"/rehearse/run/{number}", 303, headers=NEVER_KEPT)

    @app.get("/rehearse/run/{number}")
    async def run(request: Request, number: _Number, visitor: Visitor = _LOOK) -> Response:
        return result(request, number)

    @app.post("/rehearse/run/{number}/stop")
    async def stop(request: Request, number: _Number, visitor: Visitor = _TRY) -> Response:
        await form_of(request)
        desk.stop(number)
        return RedirectResponse(f"/rehearse/run/{number}", 303, headers=NEVER_KEPT)

    @app.post("/rehearse/run/{number}/save")
    async def save(request: Request, number: _Number, visitor: Visitor = _SAVE) -> Response:
        fields = await form_of(request)
        try:
            await desk.save(number, fields.get("why", ""), fields.get("confirmed", ""), visitor.name)
        except BrinewatchError as error:
            return result(request, number, str(error), 422, fields)
        return RedirectResponse(f"/rehearse?done={number}", 303, headers=NEVER_KEPT)

    @app.post("/rehearse/take-back")
    async def take_back(request: Request, visitor: Visitor = _SAVE) -> Response:
        fields = await form_of(request)
        try:
            await desk.take_back(fields.get("alarm", "")[:_LONG], fields.get("why", ""), visitor.name)
        except BrinewatchError as error:
            return listed(request, str(error), 422, fields)
        return RedirectResponse("/rehearse?done=back", 303, headers=NEVER_KEPT)
