"""The door: who a browser's cookie belongs to, the way in for everybody else, and the way out."""

from __future__ import annotations

import hashlib
import math
import re
import secrets
from collections.abc import Awaitable, Callable
from datetime import datetime
from urllib.parse import quote

from fastapi import FastAPI, HTTPException, Request
from fastapi.responses import HTMLResponse, JSONResponse, RedirectResponse, Response
from jinja2 import Environment

from brinewatch.accounts import LEAST, Admitted, Refused, Role, Session, TooSoon
from brinewatch.page.access import Visitor, form_of, this_machine, visitor_of
from brinewatch.page.app import NEVER_KEPT, wants_page
from brinewatch.ports import Clock, People

MAY = {
    Role.LOOK: "look at everything",
    Role.ACKNOWLEDGE: "look, answer alarms, and write down what you measure",
    Role.KEEP: "do everything: answer alarms, keep the shed's settings, and give others an account",
}
_OPEN = ("/static/", "/favicon.ico")
_PASSED_ON = ("forwarded", "x-forwarded-for", "x-forwarded-host", "x-real-ip", "via")
_WAY_IN = ("/login", "/first")
_SAFE = re.compile(r"/(?![/\\])[\x21-\x5b\x5d-\x7e]*")  # one slash, no backslash, nothing a header must not hold
_KNOWN_S = 180 * 86400
_SYSTEMS = ("Android", "iPhone", "iPad", "Windows", "Mac OS", "Linux")
_BROWSERS = (("Edg", "Edge"), ("Firefox", "Firefox"), ("Chrom", "Chrome"), ("Safari", "Safari"))


class NotKnown(Exception):
    """Nobody knows who is asking."""


class Door:
    """The guard of the pages, and the pages at the door.

    shed: its name; key: part of the cookies' names, for browsers keep one set for all ports of a machine;
    open_here: whether, as long as there are no accounts, whoever reaches the page may keep it; whole_s: how long a
    session lives.
    """

    def __init__(self, people: People, clock: Clock, shed: str, key: str, open_here: bool, whole_s: float) -> None:
        self.people = people
        self._clock = clock
        self.shed = shed
        self._key = key
        self._open_here = open_here
        self._whole_s = round(whole_s)
        self._here = this_machine()

    async def guard(self, request: Request) -> Visitor:
        """Who is asking, by the cookie. NotKnown for a stranger anywhere but at the door."""
        path = request.url.path
        if path.startswith(_OPEN):
            return Visitor("", Role.NOBODY, "")
        session = await self.session(request)
        if session is not None:
            return Visitor(session.name, session.role, _proof(request.cookies[self._cookie(request)]), True)
        if await self.anybody(request):
            return await self._here(request)
        if path in _WAY_IN:
            return Visitor("", Role.NOBODY, _proof(request.cookies.get(self._cookie(request, "ask"), "")))
        raise NotKnown

    async def session(self, request: Request) -> Session | None:
        """The session a request belongs to; kept on it for the pages of one's own account."""
        token = request.cookies.get(self._cookie(request), "")
        found = await self.people.session(token) if token else None
        request.state.session = found
        return found

    async def anybody(self, request: Request) -> bool:
        """Whether whoever sends this may keep the shed: it comes from this machine, and nobody passed it on."""
        passed_on = any(name in request.headers for name in _PASSED_ON)
        return self._open_here and not passed_on and not await self.people.demanded()

    def _cookie(self, request: Request, what: str = "") -> str:
        # a name with __Host- can be set by this very host alone, and over TLS alone (RFC 6265bis 4.1.3.2)
        secure = "__Host-" if request.url.scheme == "https" else ""
        return f"{secure}brinewatch-{self._key}{'-' if what else ''}{what}"

    def _set(self, answer: Response, request: Request, what: str, value: str, max_age: int | None) -> None:
        answer.set_cookie(
            self._cookie(request, what), value, max_age=max_age, path="/", httponly=True, samesite="strict",
            secure=request.url.scheme == "https",
        )  # fmt: skip

    def admit(self, request: Request, to: str, admitted: Admitted) -> Response:
        """Let a browser in, and send it where it wanted to go."""
        answer = RedirectResponse(to, 303, headers=NEVER_KEPT)
        self._set(answer, request, "", admitted.token, self._whole_s)
        self._set(answer, request, "known", admitted.known, _KNOWN_S)
        return answer

    def known(self, request: Request) -> str:
        return request.cookies.get(self._cookie(request, "known"), "")

    # -- pages --------------------------------------------------------------------------------------------------

    def add(self, app: FastAPI, templates: Environment) -> None:
        """`/login`, `/first` and `/logout`, and what strangers get everywhere else."""
        way_in, bounce = templates.get_template("login.html"), templates.get_template("bounce.html")

        @app.exception_handler(NotKnown)
        async def who_is_there(request: Request, error: NotKnown) -> Response:
            if not wants_page(request):
                return JSONResponse({"detail": "Log in first."}, 401, headers=NEVER_KEPT)
            asked = request.url.path + (f"?{request.url.query}" if request.url.query else "")
            to = asked if request.method == "GET" else "/"
            return RedirectResponse(f"/login?next={quote(to, safe='')}", 303, headers=NEVER_KEPT)

        async def ask(
            request: Request, *, code: bool, to: str, name: str = "", refused: str = "", status: int = 200
        ) -> Response:
            cookie = request.cookies.get(self._cookie(request, "ask"), "")
            fresh = "" if len(cookie) >= 22 else secrets.token_urlsafe(24)
            text = way_in.render(
                shed=self.shed, code=code, first=not await self.people.accounts(), proof=_proof(fresh or cookie),
                next=to, name=name, refused=refused, least=LEAST,
                plain=request.url.scheme != "https" and not _is_here(request),
            )  # fmt: skip
            answer = HTMLResponse(text, status, headers=NEVER_KEPT)
            if fresh:
                self._set(answer, request, "ask", fresh, None)
            return answer

        def show(code: bool) -> Callable[[Request], Awaitable[Response]]:
            async def page(request: Request) -> Response:
                to = safe(request.query_params.get("next", "/"))
                if visitor_of(request).role > Role.NOBODY:
                    return RedirectResponse(to, 303, headers=NEVER_KEPT)
                if request.headers.get("sec-fetch-site") == "cross-site":
                    # a strict cookie is not sent with a link from elsewhere: from here on it is
                    here = f"{request.url.path}?next={quote(to, safe='')}"
                    return HTMLResponse(bounce.render(shed=self.shed, to=here), headers=NEVER_KEPT)
                if not code and not await self.people.accounts():
                    return RedirectResponse("/first", 303, headers=NEVER_KEPT)
                return await ask(request, code=code, to=to)

            return page

        def take(code: bool) -> Callable[[Request], Awaitable[Response]]:
            async def form(request: Request) -> Response:
                if visitor_of(request).role > Role.NOBODY:
                    raise HTTPException(409, "You are logged in already.")
                fields = await form_of(request)
                to, name, given = (
                    safe(fields.get("next", "/")),
                    fields.get("name", "")[:80],
                    fields.get("password", ""),
                )
                address, browser = address_of(request), browser_of(request.headers.get("user-agent", ""))
                try:
                    if code:
                        admitted = await self.people.redeem(fields.get("code", ""), name, given, address, browser)
                    else:
                        known = self.known(request)
                        admitted = await self.people.log_in(name, given, known, address, browser)
                except Refused as error:
                    status = 429 if isinstance(error, TooSoon) else 403
                    answer = await ask(request, code=code, to=to, name=name, refused=str(error), status=status)
                    if isinstance(error, TooSoon):
                        answer.headers["Retry-After"] = str(math.ceil(error.wait_s))  # RFC 6585, 4
                    return answer
                return self.admit(request, to, admitted)

            return form

        for path, code in (("/login", False), ("/first", True)):
            app.add_api_route(path, show(code), methods=["GET"], response_class=HTMLResponse, response_model=None)
            app.add_api_route(path, take(code), methods=["POST"], response_class=HTMLResponse, response_model=None)

        @app.post("/logout", response_model=None)
        async def log_out(request: Request) -> Response:
            await form_of(request)
            return await self.leave(request)

    async def leave(self, request: Request) -> Response:
        """End the session of this browser."""
        session: Session | None = request.state.session
        if session is not None:
            await self.people.end(session.name, session.id, "")
        answer = RedirectResponse("/login", 303, headers=NEVER_KEPT)
        answer.delete_cookie(self._cookie(request), path="/", httponly=True, samesite="strict",
                             secure=request.url.scheme == "https")  # fmt: skip
        return answer

    def local(self, utc: float) -> str:
        """An instant by the shed's clock."""
        now = self._clock.now()
        at = datetime.fromtimestamp(utc, now.zone)
        year = "" if at.year == now.local.year else f" {at.year}"
        return f"{at:%a} {at.day} {at:%b}{year} {at:%H:%M}"


def _proof(token: str) -> str:
    """What a form of this browser has to carry. "" proves nothing: then there is no cookie to go by."""
    if not token:
        return secrets.token_urlsafe(24)
    return hashlib.sha256(f"proof {token}".encode("utf-8", "replace")).hexdigest()


def safe(to: str) -> str:
    """Where to go after the door: a place on this page, whatever a link may have said."""
    return to if len(to) <= 500 and _SAFE.fullmatch(to) else "/"


def address_of(request: Request) -> str:
    return request.client.host[:64] if request.client else "an unknown address"


def _is_here(request: Request) -> bool:
    return address_of(request) in ("127.0.0.1", "::1")


def browser_of(agent: str) -> str:
    """What a person would call the browser: "Firefox on Android"."""
    browser = next((name for key, name in _BROWSERS if key in agent), "")
    system = next((name for name in _SYSTEMS if name in agent), "")
    if not browser:
        return " ".join("".join(one if one.isprintable() else " " for one in agent).split())[:40] or "a program"
    return f"{browser} on {system}" if system else browser
