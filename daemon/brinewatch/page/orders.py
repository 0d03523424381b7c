"""What people tell alarms from the page: taken over with one button; shelved, taken out, attended by a form."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Annotated, Any

from fastapi import Depends, FastAPI, HTTPException, Request
from fastapi.responses import HTMLResponse, RedirectResponse
from jinja2 import Environment

from brinewatch.alarms.events import Order, State
from brinewatch.errors import BrinewatchError
from brinewatch.overview import AlarmView, AsideView, Overview
from brinewatch.page.access import NEEDS, Ask, Role, Visitor, at_least, form_of, visitor_of
from brinewatch.page.menu import on_menu
from brinewatch.page.words import tell, when

_KEPT = {"Cache-Control": "no-store"}
_BACK = ("/", "/alarms")
_TIMED = (Order.SHELVE, Order.REMOVE, Order.ATTEND)
_WHOLE_SHED = (Order.ATTEND, Order.LEAVE)
_LOOK = at_least(Role.LOOK)


@dataclass(frozen=True, slots=True)
class _Row:
    """An alarm as it can be told something: what, what it is called, how it stands, and what may be ordered."""

    what: str
    title: str
    place: str
    state: str
    orders: tuple[str, ...]


def add_orders(app: FastAPI, templates: Environment, ask: Ask, view: Callable[[], Overview]) -> None:
    """`POST /order` with do, what (an alarm's number or name), minutes, why, back, proof; `/alarms` the forms."""
    template = templates.get_template("alarms.html")
    on_menu(templates, "/alarms", "Alarms: shelve, out of service, work in the shed")

    @app.get("/alarms")
    async def alarms(visitor: Annotated[Visitor, _LOOK]) -> HTMLResponse:
        now = view()
        names = {one.key: one.name for one in now.stages}
        text = template.render(
            shed=now.shed, visitor=visitor, standing=[_standing(one, visitor, names) for one in now.alarms],
            aside=[_aside(one, visitor, names, now) for one in now.aside], attended=now.attended,
            may_attend=visitor.may(NEEDS[Order.ATTEND]),
        )  # fmt: skip
        return HTMLResponse(text, headers=_KEPT)

    @app.post("/order")
    async def order(request: Request, visitor: Annotated[Visitor, Depends(visitor_of)]) -> RedirectResponse:
        fields = await form_of(request)
        try:
            what = Order(fields.get("do", ""))
        except ValueError:
            raise HTTPException(400, "What is to be done? Go back and press again.") from None
        if not visitor.may(NEEDS[what]):
            raise HTTPException(403, f"{visitor.name} may not {what}. Ask a keeper for the right to.")
        asked = _request(what, fields, visitor.name)
        try:
            await ask(asked)
        except BrinewatchError:
            # pressed twice, or somebody else was quicker: then what was wanted is done
            taken = what in (Order.ACKNOWLEDGE, Order.RESET)
            if not taken or any(one.number == asked["what"] and one.answer for one in tell(view()).alarms):
                raise
        back = fields.get("back", "/")
        return RedirectResponse(back if back in _BACK else "/", 303, headers=_KEPT)


def _request(what: Order, fields: dict[str, str], by: str) -> dict[str, Any]:
    """The order as the desk takes it. HTTPException 400 for a form that means none."""
    asked: dict[str, Any] = {"do": str(what), "by": by, "why": fields.get("why", "")[:200]}
    if what not in _WHOLE_SHED:
        named = fields.get("what", "")
        if not named or named == "all" or len(named) > 100:
            raise HTTPException(400, "Which alarm? Go back and press again.")
        asked["what"] = int(named) if named.isdecimal() and named.isascii() and len(named) < 10 else named
    if what in _TIMED:
        minutes = fields.get("minutes", "")
        if not (minutes.isascii() and minutes.isdecimal() and len(minutes) < 7 and int(minutes)):
            raise HTTPException(400, "For how long? Give whole minutes.")
        asked["for_s"] = int(minutes) * 60.0
    return asked


def _standing(one: AlarmView, visitor: Visitor, names: Mapping[str, str]) -> _Row:
    orders = [Order.SHELVE, Order.REMOVE]
    if one.state in (State.UNACKNOWLEDGED, State.RETURNED):
        orders.insert(0, Order.ACKNOWLEDGE)
    if one.state is State.LATCHED:
        orders.insert(0, Order.RESET)
    taken = f", taken by {one.acknowledged_by}" if one.acknowledged_by else ""
    return _Row(
        str(one.number),
        one.title,
        names.get(one.stage, one.stage),
        f"{one.shown}, {one.state}{taken}",
        _may(orders, visitor),
    )


def _aside(one: AsideView, visitor: Visitor, names: Mapping[str, str], now: Overview) -> _Row:
    orders = {State.SHELVED: [Order.UNSHELVE], State.OUT_OF_SERVICE: [Order.RESTORE]}.get(one.state, [])
    until = f" until {when(one.until, now.at)}" if one.until else ""
    why = f" ({one.why})" if one.why else ""
    holds = "; its condition holds" if one.holds else ""
    return _Row(
        one.alarm,
        one.title,
        names.get(one.stage, one.stage),
        f"{one.state}{until}{why}{holds}",
        _may(orders, visitor),
    )


def _may(orders: list[Order], visitor: Visitor) -> tuple[str, ...]:
    return tuple(str(one) for one in orders if visitor.may(NEEDS[one]))
