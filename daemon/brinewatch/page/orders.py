"""Alarms taken over from the page: one button, one order, as a text or the command line gives it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated

from fastapi import Depends, FastAPI, HTTPException, Request
from fastapi.responses import RedirectResponse

from brinewatch.alarms.events import Order
from brinewatch.errors import BrinewatchError
from brinewatch.overview import Overview
from brinewatch.page.access import NEEDS, Ask, Visitor, form_of, visitor_of
from brinewatch.page.words import tell

_HERE = (Order.ACKNOWLEDGE, Order.RESET)


def add_orders(app: FastAPI, ask: Ask, view: Callable[[], Overview]) -> None:
    """`POST /order` with do (acknowledge or reset), number and proof; then back to the first page."""

    @app.post("/order")
    async def order(request: Request, visitor: Annotated[Visitor, Depends(visitor_of)]) -> RedirectResponse:
        fields = await form_of(request)
        try:
            what, number = Order(fields.get("do", "")), int(fields.get("number", ""))
        except ValueError:
            raise HTTPException(400, "Which alarm, and what is to be done? Go back and press again.") from None
        if what not in _HERE:
            raise HTTPException(400, f"To {what} is not done with this button.")
        if not visitor.may(NEEDS[what]):
            raise HTTPException(403, f"{visitor.name} may look, and not {what}. Ask a keeper for the right to.")
        try:
            await ask({"do": str(what), "what": number, "by": visitor.name})
        except BrinewatchError:
            # pressed twice, or somebody else was quicker: then what was wanted is done
            if any(one.number == number and one.answer for one in tell(view()).alarms):
                raise
        return RedirectResponse("/", 303, headers={"Cache-Control": "no-store"})
