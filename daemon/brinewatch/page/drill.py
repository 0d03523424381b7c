"""A drill from the page: begun in two steps, followed to its answer, and those there have been. It works without a
script: while one is under way the page looks again by itself.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Protocol

from fastapi import FastAPI, HTTPException, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from jinja2 import Environment

from brinewatch.errors import BrinewatchError
from brinewatch.page.access import Role, Visitor, at_least, form_of, visitor_of
from brinewatch.page.app import NEVER_KEPT
from brinewatch.page.menu import on_menu

_LOOK, _ANSWER, _KEEP = at_least(Role.LOOK), at_least(Role.ACKNOWLEDGE), at_least(Role.KEEP)
_AGAIN_S = 3
_LONG = 160


class DrillDesk(Protocol):
    """What this page asks of the daemon. BrinewatchError for what cannot be done."""

    shed: str

    def choices(self) -> Sequence[tuple[str, str]]: ...

    async def now(self) -> Mapping[str, Any] | None: ...

    async def past(self) -> Sequence[Mapping[str, str]]: ...

    async def order(self, do: str, by: str, what: str = "") -> None: ...


def add_drills(app: FastAPI, templates: Environment, desk: DrillDesk) -> None:
    """`/drill`, and the orders of its forms: begin, answer, stop."""
    on_menu(templates, "/drill", "Drill: a planned call")
    template = templates.get_template("drill.html")

    async def page(request: Request, fault: str = "", status: int = 200, chosen: str = "") -> HTMLResponse:
        visitor, drill = visitor_of(request), await desk.now()
        try:
            past, lost = list(reversed(await desk.past())), ""
        except BrinewatchError as error:
            past, lost = [], str(error)
        running = drill is not None and bool(drill["running"])
        text = template.render(
            shed=desk.shed, drill=drill, running=running, past=past, lost=lost, choices=desk.choices(), fault=fault,
            chosen=chosen, proof=visitor.proof, may_begin=visitor.may(Role.KEEP),
            may_answer=visitor.may(Role.ACKNOWLEDGE),
        )  # fmt: skip
        return HTMLResponse(text, status, headers={**NEVER_KEPT, **({"Refresh": str(_AGAIN_S)} if running else {})})

    async def done(request: Request, do: str, visitor: Visitor, what: str = "") -> Response:
        try:
            await desk.order(do, visitor.name, what)
        except BrinewatchError as error:
            return await page(request, str(error), 409, what)
        return RedirectResponse("/drill", 303, headers=NEVER_KEPT)

    @app.get("/drill")
    async def drills(request: Request, visitor: Visitor = _LOOK) -> Response:
        return await page(request)

    @app.post("/drill/begin")
    async def begin(request: Request, visitor: Visitor = _KEEP) -> Response:
        fields = await form_of(request)
        alarm = fields.get("alarm", "")[:_LONG]
        if fields.get("sure") != "yes":
            return await page(request, "Nobody was called: tick that people are to be called now.", 422, alarm)
        return await done(request, "drill begin", visitor, alarm)

    @app.post("/drill/answer")
    async def answer(request: Request, visitor: Visitor = _ANSWER) -> Response:
        fields = await form_of(request)
        number = fields.get("number", "")
        if not (number.isascii() and number.isdecimal() and len(number) < 5):
            raise HTTPException(400, "Which drill? Go back and press again.")
        return await done(request, "acknowledge", visitor, number)

    @app.post("/drill/stop")
    async def stop(request: Request, visitor: Visitor = _KEEP) -> Response:
        await form_of(request)
        return await done(request, "drill stop", visitor)
