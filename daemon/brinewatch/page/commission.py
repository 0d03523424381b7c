"""The commissioning sheet on the page: what was proven and what not, and the name under it. It prints as it is."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import Annotated, Any

from fastapi import FastAPI, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from jinja2 import Environment

from brinewatch.errors import BrinewatchError, StoreError
from brinewatch.page.access import Role, Visitor, at_least, form_of
from brinewatch.page.app import NEVER_KEPT
from brinewatch.page.menu import on_menu

_LOOK, _KEEP = at_least(Role.LOOK), at_least(Role.KEEP)
Sign = Callable[[str, str, str | None], Awaitable[str]]


def add_commission(app: FastAPI, templates: Environment, tell: Callable[[], Awaitable[Any]], sign: Sign) -> None:
    """`/commission` the sheet; POST signs it: note, seen, proof. tell: the sheet as it is shown, raises
    BrinewatchError; sign(by, note, seen) raises BrinewatchError for what cannot be signed."""
    template = templates.get_template("commission.html")
    on_menu(templates, "/commission", "Commissioning sheet")

    async def page(visitor: Visitor, status: int = 200, refused: str = "", note: str = "") -> HTMLResponse:
        try:
            sheet, fault = await tell(), ""
        except BrinewatchError as error:
            sheet, fault, status = None, str(error), 503
        text = template.render(
            sheet=sheet, fault=fault, refused=refused, note=note, may=visitor.may(Role.KEEP), visitor=visitor
        )
        return HTMLResponse(text, status, headers=NEVER_KEPT)

    @app.get("/commission")
    async def show(visitor: Annotated[Visitor, _LOOK]) -> HTMLResponse:
        return await page(visitor)

    @app.post("/commission")
    async def signs(request: Request, visitor: Annotated[Visitor, _KEEP]) -> Response:
        fields = await form_of(request)
        note = fields.get("note", "")
        try:
            await sign(visitor.name, note, fields.get("seen", ""))
        except BrinewatchError as error:
            return await page(visitor, 503 if isinstance(error, StoreError) else 409, str(error), note)
        return RedirectResponse("/commission", 303, headers=NEVER_KEPT)
