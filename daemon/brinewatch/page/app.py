"""The routes of the page. Everything is rendered here, escaped, and needs nothing from anywhere else."""

from __future__ import annotations

import gzip
import hashlib
from collections.abc import Awaitable, Callable, MutableMapping, Sequence
from pathlib import Path
from typing import Any

from fastapi import Depends, FastAPI, Request
from fastapi.exception_handlers import request_validation_exception_handler
from fastapi.exceptions import RequestValidationError
from fastapi.responses import HTMLResponse, JSONResponse, PlainTextResponse, Response
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.exceptions import HTTPException

from brinewatch.errors import BrinewatchError, StoreError
from brinewatch.overview import Overview, as_json
from brinewatch.page import VENDOR
from brinewatch.page.access import Ask, Guard, Role, this_machine, visitor_of
from brinewatch.page.live import Live
from brinewatch.page.orders import add_orders
from brinewatch.page.packing import as_packed, may, packed
from brinewatch.page.words import tell

_HERE = Path(__file__).parent
_KINDS = {".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8"}
_POLICY = (
    "default-src 'none'; style-src 'self'; script-src 'self'; connect-src 'self'; img-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
_HEADERS = (
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"cross-origin-embedder-policy", b"require-corp"),
    (
        b"permissions-policy",
        b"camera=(), microphone=(), geolocation=(), payment=(), usb=(), serial=(), bluetooth=(), midi=()",
    ),
)
# RFC 6797: once reached over TLS, a browser goes by no other way for a year
_TLS_ONLY = (b"strict-transport-security", b"max-age=31536000")
_NOT_THERE = "There is no such page."
NEVER_KEPT = {"Cache-Control": "no-store"}
_KEPT = {"Cache-Control": "public, max-age=31536000, immutable"}

_Scope = MutableMapping[str, Any]
_Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]
_App = Callable[[_Scope, Any, _Send], Awaitable[None]]


class _Careful:
    """Adds to every answer the headers that keep foreign content out."""

    def __init__(self, app: _App, policy: str) -> None:
        self._app = app
        self._headers = ((b"content-security-policy", policy.encode()), *_HEADERS)

    async def __call__(self, scope: _Scope, receive: Any, send: _Send) -> None:
        async def careful(message: MutableMapping[str, Any]) -> None:
            if message["type"] == "http.response.start":
                more = (_TLS_ONLY,) if scope.get("scheme") == "https" else ()
                message["headers"] = [*message.get("headers", []), *self._headers, *more]
            await send(message)

        await self._app(scope, receive, careful)


def pages(*folders: Path, forms: bool = False, guard: Guard | None = None) -> tuple[FastAPI, Environment]:
    """An application with the style sheet and the script of the pages under `/static/`, and their templates.

    folders: further templates, before those of this package; forms: whether its pages may send forms to itself;
    guard: who is asking (see `access`), without one everybody who reaches it.
    """
    who = guard or this_machine()

    async def known(request: Request) -> None:
        request.state.visitor = await who(request)

    static = {
        file.name: file.read_bytes()
        for folder in (_HERE / "static", VENDOR)
        if folder.is_dir()
        for file in sorted(folder.iterdir())
        if file.suffix in _KINDS and not file.name.startswith(".")
    }
    smaller = {name: gzip.compress(text, 9, mtime=0) for name, text in static.items()}
    marks = {name: hashlib.sha256(text).hexdigest()[:12] for name, text in static.items()}
    templates = Environment(
        loader=FileSystemLoader([*folders, _HERE / "templates"]), autoescape=True, undefined=StrictUndefined,
        trim_blocks=True, lstrip_blocks=True, auto_reload=False,
    )  # fmt: skip
    templates.globals["static"] = {name: f"/static/{name}?{mark}" for name, mark in marks.items()}

    # nothing here is to be explored: no schema, no generated documentation
    app = FastAPI(openapi_url=None, docs_url=None, redoc_url=None, dependencies=[Depends(known)])
    app.state.guard = who
    app.state.live = Live()
    app.add_middleware(
        _Careful, policy=_POLICY.replace("form-action 'none'", "form-action 'self'") if forms else _POLICY
    )

    @app.get("/static/{name}")
    async def file(name: str, request: Request) -> Response:
        if name not in static:
            return PlainTextResponse("no such file", 404)
        kind = _KINDS[Path(name).suffix]
        if may(request):
            return as_packed(smaller[name], _KEPT, kind)
        return Response(static[name], media_type=kind, headers={**_KEPT, "Vary": "Accept-Encoding"})

    @app.get("/favicon.ico")
    async def icon() -> Response:
        return Response(status_code=204)

    refused = templates.get_template("refused.html")

    @app.exception_handler(HTTPException)
    async def say_why(request: Request, error: HTTPException) -> Response:
        """A sentence on a page for people, JSON for scripts and programs."""
        if wants_page(request):
            what = _NOT_THERE if (error.status_code, error.detail) == (404, "Not Found") else str(error.detail)
            text = refused.render(what=what, hint="")
            return HTMLResponse(text, error.status_code, headers={**NEVER_KEPT, **(error.headers or {})})
        return JSONResponse({"detail": error.detail}, error.status_code, headers=error.headers)

    @app.exception_handler(RequestValidationError)
    async def misread(request: Request, error: RequestValidationError) -> Response:
        """An address that asks for what its page cannot be asked."""
        if not wants_page(request):
            return await request_validation_exception_handler(request, error)
        wrong = ", ".join(sorted({str(one["loc"][-1]) for one in error.errors()}))
        hint = "Go back, and choose it there."
        return HTMLResponse(refused.render(what=f"This cannot be asked here: {wrong}.", hint=hint), 422, NEVER_KEPT)

    @app.exception_handler(BrinewatchError)
    async def cannot(request: Request, error: BrinewatchError) -> Response:
        """What no page has put into words of its own, such as a disk that does not answer."""
        status = 503 if isinstance(error, StoreError) else 409
        if wants_page(request):
            return HTMLResponse(refused.render(what=error.what, hint=error.hint), status, headers=NEVER_KEPT)
        return JSONResponse({"detail": str(error)}, status, headers=NEVER_KEPT)

    return app, templates


def wants_page(request: Request) -> bool:
    """Whether a person looks at the answer; scripts and programs do not ask for HTML."""
    return "text/html" in request.headers.get("accept", "")


def add_view(
    app: FastAPI, templates: Environment, view: Callable[[], Overview], under: str = "/", *, orders: bool = False
) -> None:
    """The whole page of one overview at `under`; beside it `now`, the part its script exchanges, and `live`, the
    same as a stream.

    orders: whether who may is given a button to take an alarm over.
    """
    whole, part = templates.get_template("page.html"), templates.get_template("now.html")
    live: Live = app.state.live

    def proof(request: Request) -> str:
        visitor = visitor_of(request)
        return visitor.proof if orders and visitor.may(Role.ACKNOWLEDGE) else ""

    def render(proof: str) -> str:
        return part.render(page=tell(view()), proof=proof)

    @app.get(under)
    async def page(request: Request) -> Response:
        return packed(request, whole.render(page=tell(view()), proof=proof(request)), NEVER_KEPT)

    @app.get(f"{under}now")
    async def now(request: Request) -> Response:
        return packed(request, render(proof(request)), NEVER_KEPT)

    @app.get(f"{under}live")
    async def stream(request: Request) -> Response:
        return live.stream(request, under, render, proof)


def create_app(
    view: Callable[[], Overview],
    parts: Sequence[Callable[[FastAPI, Environment], None]] = (),
    guard: Guard | None = None,
    ask: Ask | None = None,
) -> FastAPI:
    """The page as an ASGI application. view: the state now, asked once per request, in the event loop; parts: what
    adds further pages, such as the night report; ask: the daemon's desk, without one nothing can be ordered here.

    `/` the whole page; `/now` the part its script exchanges, `/live` the same as a stream; `/state.json` the
    overview as JSON with `sentence` and `well`; `/static/...` style sheets and scripts.
    """
    app, templates = pages(forms=True, guard=guard)
    add_view(app, templates, view, orders=ask is not None)
    if ask is not None:
        add_orders(app, templates, ask, view)
    for add in parts:
        add(app, templates)

    @app.get("/state.json")
    async def state() -> JSONResponse:
        return JSONResponse(as_json(view()), headers=NEVER_KEPT)

    return app
