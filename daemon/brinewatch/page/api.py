"""The JSON interface for programs, under `/api/1/`.

What is there stays as it is: a change that would break a program gets the next number.
"""

from __future__ import annotations

import re
from collections.abc import Awaitable, Callable, Mapping, MutableMapping, Sequence
from dataclasses import dataclass
from typing import Any

from fastapi import Depends, FastAPI, HTTPException, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from fastapi.security import HTTPAuthorizationCredentials, HTTPBearer
from jinja2 import Environment
from starlette.exceptions import HTTPException as AnyHTTPException
from starlette.routing import Mount

from brinewatch import __version__
from brinewatch.accounts import Role
from brinewatch.errors import BrinewatchError, StoreError
from brinewatch.page import api_models as models
from brinewatch.page.access import NEEDS, Ask
from brinewatch.page.api_past import add_past
from brinewatch.page.app import NEVER_KEPT
from brinewatch.page.login import Door

UNDER = "/api/1"
_MOST = 64_000  # bytes of a request
_ABOUT = """What the page of a shed shows, for programs, and the orders it takes.

Every request carries `Authorization: Bearer TOKEN`. Tokens are made by whoever keeps the shed, on the page of
accounts or by `brinewatch account token NAME`; each has a role. What is only read is also given to a browser that
is logged in. Refusals are JSON with `error` and `hint`. It advises and calls; it is no safety device."""
_PROBLEMS: Mapping[int | str, dict[str, Any]] = {
    400: {"model": models.Problem, "description": "What was sent is no JSON"},
    401: {"model": models.Problem, "description": "No token, or one that is not known"},
    403: {"model": models.Problem, "description": "The token's role does not reach so far"},
    404: {"model": models.Problem, "description": "There is no such thing"},
    409: {"model": models.Problem, "description": "The shed refuses it, and says why"},
    413: {"model": models.Problem, "description": "Too long"},
    422: {"model": models.Problem, "description": "A field is missing or wrong"},
    503: {"model": models.Problem, "description": "The store does not answer"},
}
_BEARER = Depends(HTTPBearer(auto_error=False, description="A token of this shed"))

_Scope = MutableMapping[str, Any]


@dataclass(frozen=True, slots=True)
class Caller:
    """A program, or a browser that is logged in. by_token: only then it may order anything."""

    name: str
    role: Role
    by_token: bool


def _answers(*codes: int) -> dict[int | str, dict[str, Any]]:
    return {code: _PROBLEMS[code] for code in (401, 403, 503, *codes)}


def create_api(door: Door, ask: Ask) -> FastAPI:
    """The interface as an application of its own, to be mounted at `UNDER`."""
    api = FastAPI(
        title="brinewatch", version="1", summary=f"The shed, for programs (brinewatch {__version__})",
        description=_ABOUT, openapi_url=None, docs_url=None, redoc_url=None, servers=[{"url": UNDER}],
        root_path_in_servers=False,
    )  # fmt: skip

    async def caller(request: Request, given: HTTPAuthorizationCredentials | None = _BEARER) -> Caller:
        if given is not None:
            found = await door.people.token(given.credentials)
            if found is not None:
                return Caller(found.name, found.role, True)
        elif "authorization" not in request.headers and request.method == "GET":
            session = await door.session(request)
            if session is not None:
                return Caller(session.name, session.role, False)
            if await door.anybody(request):
                return Caller("this machine", Role.KEEP, False)
        raise HTTPException(401, ("No token of this shed was given.", "Make one: brinewatch account token NAME"),
                            {"WWW-Authenticate": "Bearer"})  # fmt: skip

    def may(who: Caller, role: Role) -> None:
        if who.role < role:
            raise HTTPException(
                403, (f"{who.name} may only {who.role.word}; this takes the right to {role.word}.", "")
            )

    api_caller = Depends(caller)

    async def overview() -> Mapping[str, Any]:
        found: Mapping[str, Any] = (await ask({"do": "state"}))["overview"]
        return found

    @api.get("/openapi.json", include_in_schema=False)
    async def description(who: Caller = api_caller) -> JSONResponse:
        return JSONResponse(api.openapi())

    @api.get("/state", response_model=models.State, responses=_answers(), tags=["watch"])
    async def state(who: Caller = api_caller) -> Any:
        """The whole shed as it is now, as on the page and as published over MQTT."""
        return await overview()

    @api.get("/alarms", response_model=models.Alarms, responses=_answers(), tags=["watch"])
    async def alarms(who: Caller = api_caller) -> Any:
        """The alarms that stand, the most urgent first, and those that do not call now."""
        now = await overview()
        return {"standing": now["alarms"], "aside": now["aside"]}

    @api.get("/points", response_model=list[models.Point], responses=_answers(), tags=["watch"])  # type: ignore[valid-type]
    async def points(who: Caller = api_caller) -> Any:
        """Every measuring point now, in the order of the stages."""
        return [point for stage in (await overview())["stages"] for point in stage["points"]]

    @api.get("/points/{point}", response_model=models.Point, responses=_answers(404), tags=["watch"])
    async def point(point: str, who: Caller = api_caller) -> Any:
        """One measuring point now. point: stage.quantity."""
        for stage in (await overview())["stages"]:
            for one in stage["points"]:
                if one["point"] == point:
                    return one
        raise HTTPException(404, (f"There is no point {point[:80]!r} in this shed.", "See /points."))

    @api.get("/events", response_model=list[models.Event], responses=_answers(), tags=["journal"])
    async def events(who: Caller = api_caller) -> Any:
        """The newest alarm events, the newest first."""
        return (await ask({"do": "events"}))["rows"]

    @api.get("/messages", response_model=list[models.MessageOut], responses=_answers(), tags=["journal"])
    async def messages(who: Caller = api_caller) -> Any:
        """The newest messages and how far each got, the newest first. It takes the right to acknowledge: people's
        numbers stand there."""
        may(who, Role.ACKNOWLEDGE)
        return (await ask({"do": "messages"}))["rows"]

    @api.get("/probes", response_model=list[models.Probe], responses=_answers(), tags=["watch"])  # type: ignore[valid-type]
    async def probes(who: Caller = api_caller) -> Any:
        """Every probe on the wires, and how far it can be relied on."""
        return (await ask({"do": "probes"}))["probes"]

    @api.post("/orders", response_model=models.OrderOut, responses=_answers(400, 409, 413, 422), tags=["orders"])
    async def give_order(body: models.OrderIn, who: Caller = api_caller) -> Any:
        """Acknowledge, reset, shelve, take out of service and the ways back; attend and leave."""
        may(who, NEEDS[body.order])
        return await ask({"do": body.order.value, "what": body.alarm, "for_s": body.for_s, "once": body.once,
                          "why": body.why, "by": who.name})  # fmt: skip

    @api.post("/entries", response_model=models.EntryOut, responses=_answers(400, 409, 413, 422), tags=["orders"])
    async def enter(body: models.EntryIn, who: Caller = api_caller) -> Any:
        """A value measured by hand, now."""
        may(who, Role.ACKNOWLEDGE)
        found = await ask(
            {"do": "enter", "point": body.point, "value": body.value, "unit": body.unit, "by": who.name}
        )
        return {"line": found["line"]}

    add_past(api, api_caller, ask, _answers)

    @api.exception_handler(AnyHTTPException)
    async def refused(request: Request, error: AnyHTTPException) -> JSONResponse:
        what, hint = error.detail if isinstance(error.detail, tuple) else (str(error.detail), "")
        return _problem(error.status_code, what, hint, error.headers)

    @api.exception_handler(RequestValidationError)
    async def wrong(request: Request, error: RequestValidationError) -> JSONResponse:
        said = dict.fromkeys(f"{_place(one['loc'])}: {one['msg'][:200]}" for one in error.errors()[:5])
        return _problem(422, f"{'; '.join(said)[:1000]}.", f"See {UNDER}/openapi.json.")

    @api.exception_handler(BrinewatchError)
    async def not_done(request: Request, error: BrinewatchError) -> JSONResponse:
        return _problem(503 if isinstance(error, StoreError) else 409, error.what, error.hint)

    return api


def _place(loc: Sequence[int | str]) -> str:
    """The field that is wrong; all bodies are flat. What is no JSON at all is wrong at a place nobody can find."""
    return str(loc[1]) if len(loc) > 1 and isinstance(loc[1], str) else "the body"


def _problem(status: int, what: str, hint: str, headers: Mapping[str, str] | None = None) -> JSONResponse:
    return JSONResponse({"error": what, "hint": hint}, status, headers={**NEVER_KEPT, **(headers or {})})


def add_api(app: FastAPI, templates: Environment, door: Door, ask: Ask) -> None:
    """`/api/1/...`: see `/api/1/openapi.json`."""
    mount = Mount(UNDER, app=_Bounded(create_api(door, ask)))
    # a name with a line end in it is refused here too, as a program expects it
    mount.path_regex = re.compile(mount.path_regex.pattern, re.DOTALL)
    app.router.routes.append(mount)


class _Bounded:
    """Reads no request that is longer than any that means something."""

    def __init__(self, app: Callable[[_Scope, Any, Any], Awaitable[None]]) -> None:
        self._app = app

    async def __call__(self, scope: _Scope, receive: Any, send: Any) -> None:
        if scope["type"] != "http":
            return
        body, more = b"", True
        while more:
            message = await receive()
            if message["type"] != "http.request":
                return
            body += message.get("body", b"")
            more = message.get("more_body", False)
            if len(body) > _MOST:
                await _problem(413, f"A request of more than {_MOST} bytes is not read.", "")(scope, receive, send)
                return
        given = False

        async def again() -> Any:
            nonlocal given
            if given:
                return await receive()
            given = True
            return {"type": "http.request", "body": body, "more_body": False}

        async def unkept(message: MutableMapping[str, Any]) -> None:
            if message["type"] == "http.response.start":
                headers = [one for one in message.get("headers", []) if one[0] != b"cache-control"]
                message["headers"] = [*headers, (b"cache-control", b"no-store")]
            await send(message)

        await self._app(scope, again, unkept)
