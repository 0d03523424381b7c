"""The lookout's pages: all sheds, one shed as its own page shows it, alarms taken over where there is a code."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs

from fastapi import FastAPI, HTTPException, Request
from fastapi.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response
from jinja2 import Environment

from brinewatch.config.lookout import LookoutFile
from brinewatch.errors import BrinewatchError
from brinewatch.lookout.night import as_seen, overview_of
from brinewatch.lookout.orders import Orders, Sent
from brinewatch.lookout.post import SignsBus
from brinewatch.moment import span_text
from brinewatch.overview import Overview
from brinewatch.page.access import Guard, Role, Visitor, at_least, form_of, visitor_of
from brinewatch.page.app import NEVER_KEPT, add_view, pages
from brinewatch.page.live import Live
from brinewatch.page.words import MARKS, WORDS, tell
from brinewatch.ports import Clock
from brinewatch.sentry.table import Sight
from brinewatch.sentry.watch import told

_MOST = 2000  # bytes of a form; nobody's code and name are longer
_ACKNOWLEDGES = at_least(Role.ACKNOWLEDGE)
_MARKS = {"off": "danger", "ill": "danger", "strained": "warning", "stopped": "person", None: "unknown", "well": ""}
_STATES = {
    "sending": "Being sent.",
    "sent": "Sent. The shed has not confirmed it yet.",
    "done": "The shed has confirmed it.",
    "refused": "The shed has refused it.",
    "unconfirmed": "Sent, but NOT confirmed by the shed. Answer by text message, or call somebody who is there.",
    "failed": "NOT sent.",
}


def create_night(
    file: LookoutFile,
    signs: SignsBus,
    orders: Orders,
    own: Callable[[], Overview],
    clock: Clock,
    parts: Sequence[Callable[[FastAPI, Environment], None]] = (),
    guard: Guard | None = None,
) -> FastAPI:
    """The lookout's pages as an ASGI application. own: the lookout's own overview, asked once per request; parts,
    guard: as of the shed's own page."""
    app, templates = pages(Path(__file__).parent / "templates", forms=True, guard=guard)
    for add in parts:
        add(app, templates)
    live: Live = app.state.live
    names = {one.key: one.name for one in file.sheds}

    def view_of(key: str) -> Overview | None:
        post, now = signs.sheds[key], clock.now()
        if not post.state:
            return None
        beat = post.watched.newest
        try:
            view = overview_of(post.state, beat.trusted if beat else False, now.zone)
        except ValueError:
            return None
        return as_seen(view, None if post.state_heard is None else now.mono - post.state_heard, names[key])

    def row(key: str) -> dict[str, Any]:
        post, now = signs.sheds[key], clock.now()
        state, why = told(post.watched, post.sight, signs.road, now)
        heard = post.watched.heard
        view = view_of(key) if post.sight in (Sight.THERE, Sight.CUT) else None
        says = view.sentence if view is not None else ""
        mark = _MARKS[state]
        if not mark and view is not None and (view.alarms or not view.well):
            mark = tell(view).mark or "person"
        return {
            "key": key, "name": names[key], "mark": mark, "word": WORDS.get(mark, ""), "sight": str(post.sight),
            "why": why, "says": says, "heard": "" if heard is None else f"{span_text(now.mono - heard)} ago",
        }  # fmt: skip

    def sheds_page() -> dict[str, Any]:
        rows = [row(one.key) for one in file.sheds]
        # the worst first; after the marks comes what has none
        rows.sort(key=lambda one: ((*MARKS, "").index(one["mark"]), one["name"]))
        now, worst = clock.now(), rows[0]
        mine, head = own(), ""
        if worst["mark"]:
            head = f"{worst['name']}: {worst['says'] or worst['why'] or worst['sight']}"
        return {"name": file.own.name, "at": f"{now.local:%H:%M:%S}", "rows": rows, "road": str(signs.road),
                "mine": mine.sentence, "well": mine.well, "head": head}  # fmt: skip

    def all_sheds_part() -> str:
        return templates.get_template("sheds_now.html").render(**sheds_page())

    @app.get("/")
    async def all_sheds() -> HTMLResponse:
        return HTMLResponse(templates.get_template("sheds.html").render(**sheds_page()), headers=NEVER_KEPT)

    @app.get("/now")
    async def all_sheds_now() -> HTMLResponse:
        return HTMLResponse(all_sheds_part(), headers=NEVER_KEPT)

    @app.get("/live")
    async def all_sheds_live(request: Request) -> Response:
        return live.stream(request, "/", lambda proof: all_sheds_part())

    add_view(app, templates, own, "/own/")

    def shed_facts(key: str, view: Overview | None) -> dict[str, Any]:
        page = None if view is None else tell(view)
        return {"page": page, "shed": row(key), "at": f"{clock.now().local:%H:%M:%S}"}

    def shed_part(key: str) -> str:
        return templates.get_template("shed_now.html").render(**shed_facts(key, view_of(key)))

    def known(key: str) -> None:
        if key not in names:
            raise HTTPException(404, "There is no such shed here.")

    @app.get("/shed/{key}/")
    async def one_shed(key: str, request: Request) -> HTMLResponse:
        known(key)
        view, visitor = view_of(key), visitor_of(request)
        return HTMLResponse(
            templates.get_template("shed.html").render(
                **shed_facts(key, view), visitor=visitor,
                possible=orders.possible(visitor.logged_in) and visitor.may(Role.ACKNOWLEDGE),
                numbers=[one.number for one in view.alarms if not one.acknowledged_by] if view else [],
            ),
            headers=NEVER_KEPT,
        )  # fmt: skip

    @app.get("/shed/{key}/now")
    async def one_shed_now(key: str) -> HTMLResponse:
        known(key)
        return HTMLResponse(shed_part(key), headers=NEVER_KEPT)

    @app.get("/shed/{key}/live")
    async def one_shed_live(key: str, request: Request) -> Response:
        known(key)
        return live.stream(request, f"/shed/{key}/", lambda proof: shed_part(key))

    def order_page(one: Sent | None, key: str, words: str = "", status: int = 200) -> HTMLResponse:
        said = words if one is None else _STATES[one.state]
        text = templates.get_template("order.html").render(
            name=names.get(key, key), key=key, said=said, words="" if one is None else one.words,
            number=None if one is None else one.number, waiting=one is not None and not one.over,
        )  # fmt: skip
        return HTMLResponse(text, status, headers=NEVER_KEPT)

    @app.post("/shed/{key}/take", response_model=None)
    async def take_over(
        key: str, request: Request, visitor: Visitor = _ACKNOWLEDGES
    ) -> HTMLResponse | RedirectResponse:
        if key not in names:
            return HTMLResponse("There is no such shed here.", 404)
        form = await (form_of(request, _MOST) if visitor.logged_in else _form(request))
        try:
            if not visitor.logged_in:
                orders.check(form.get("code", ""))
            number = int(form.get("number", ""))
        except BrinewatchError as error:
            return order_page(None, key, str(error), 403)
        except ValueError:
            return order_page(None, key, "Which alarm? Give its number.", 400)
        by = visitor.name if visitor.logged_in else form.get("by", "")[:40]
        one = orders.start(key, number, by or "the lookout's page")
        return RedirectResponse(f"/order/{one.id}", 303)

    @app.get("/order/{key}", response_model=None)
    async def order(key: str) -> HTMLResponse | PlainTextResponse:
        one = orders.of(key)
        if one is None:
            return PlainTextResponse("no such order", 404)
        return order_page(one, one.shed)

    return app


async def _form(request: Request) -> dict[str, str]:
    """A small form. Longer ones are not read to their end."""
    body = b""
    async for piece in request.stream():
        body += piece
        if len(body) > _MOST:
            return {}
    return {key: values[0] for key, values in parse_qs(body.decode("utf-8", "replace")).items()}
