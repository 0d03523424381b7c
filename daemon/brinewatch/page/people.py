"""One's own account, and everybody's for those who keep the shed."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import Any

from fastapi import FastAPI, HTTPException, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from jinja2 import Environment

from brinewatch.accounts import (
    LEAST,
    ROLES,
    Refused,
    Role,
    Session,
    TooSoon,
    code_text,
    key_of,
    name_of,
    password_of,
    role_of,
)
from brinewatch.page.access import Visitor, at_least, form_of, visitor_of
from brinewatch.page.app import NEVER_KEPT
from brinewatch.page.login import MAY, Door, address_of, browser_of
from brinewatch.page.menu import on_menu

_SHORT = {Role.LOOK: "see everything", Role.ACKNOWLEDGE: "and answer alarms", Role.KEEP: "and everything else"}
_KEEPER = at_least(Role.KEEP)
Deed = Callable[[dict[str, str], Visitor, Request], Awaitable[dict[str, Any]]]


def add_people(app: FastAPI, templates: Environment, door: Door) -> None:
    """`/account` for everybody, `/accounts` for keepers. Every form answers with the page it stands on."""
    people = door.people
    own, all_ = templates.get_template("account.html"), templates.get_template("accounts.html")

    async def my_page(request: Request, status: int = 200, **said: str) -> Response:
        visitor, session = visitor_of(request), _session(request)
        rows = [] if session is None else [
            {"id": one.id, "browser": one.browser, "address": one.address, "since": door.local(one.made_utc),
             "seen": door.local(one.seen_utc), "here": one.id == session.id}
            for one in await people.sessions(session.name)
        ]  # fmt: skip
        text = own.render(
            shed=door.shed, name=session.name if session else "", may=MAY[visitor.role],
            keeps=visitor.may(Role.KEEP), proof=visitor.proof, sessions=rows, least=LEAST,
            done=said.get("done", ""), refused=said.get("refused", ""),
        )  # fmt: skip
        return HTMLResponse(text, status, headers=NEVER_KEPT)

    on_menu(templates, "/account", "Your account")

    @app.get("/account", response_model=None)
    async def account(request: Request) -> Response:
        return await my_page(request)

    @app.post("/account/password", response_model=None)
    async def password(request: Request) -> Response:
        fields, session = await form_of(request), _session(request)
        if session is None:
            raise HTTPException(409, "Nobody is logged in.")
        try:
            await people.change_password(
                session.name, fields.get("old", ""), fields.get("new", ""), session.id, address_of(request)
            )
        except Refused as error:
            return await my_page(request, _status(error), refused=str(error))
        return await my_page(request, done="Your password is changed.")

    @app.post("/account/end", response_model=None)
    async def end(request: Request) -> Response:
        fields, session = await form_of(request), _session(request)
        if session is None or not fields.get("session", "").isdecimal():
            raise HTTPException(409, "There is no such session.")
        which = int(fields["session"][:15])
        if which == session.id:
            return await door.leave(request)
        await people.end(session.name, which, session.name)
        return await my_page(request, done="That session has ended.")

    async def their_page(request: Request, status: int = 200, **said: Any) -> Response:
        accounts = await people.accounts()
        shown = [
            {"name": one.name, "role": one.role, "since": door.local(one.made_utc), "ready": one.ready}
            for one in accounts
        ]
        tokens = [
            {"name": one.name, "role": one.role, "since": door.local(one.made_utc),
             "used": "" if one.used_utc is None else door.local(one.used_utc)}
            for one in (await people.tokens() if accounts else ())
        ]  # fmt: skip
        text = all_.render(
            shed=door.shed, accounts=shown, tokens=tokens, proof=visitor_of(request).proof, least=LEAST,
            all=[(role.word, _SHORT[role]) for role in ROLES], where=str(request.base_url),
            **{"done": "", "refused": "", "code": "", "code_for": "", "token": "", "token_for": "", **said},
        )  # fmt: skip
        return HTMLResponse(text, status, headers=NEVER_KEPT)

    @app.get("/accounts", response_model=None)
    async def accounts(request: Request, visitor: Visitor = _KEEPER) -> Response:
        return await their_page(request)

    @app.post("/accounts/add", response_model=None)
    async def add(request: Request, visitor: Visitor = _KEEPER) -> Response:
        fields = await form_of(request)
        try:
            name = name_of(fields.get("name", ""))
            if not await people.accounts():
                # the first: whoever sits here takes their password at once, and is asked for it from now on
                chosen = password_of(fields.get("password", ""), name)
                code = await people.add(name, Role.KEEP, visitor.name)
                browser = browser_of(request.headers.get("user-agent", ""))
                admitted = await people.redeem(code, name, chosen, address_of(request), browser)
                return door.admit(request, "/account", admitted)
            code = await people.add(name, role_of(fields.get("role", "")), visitor.name)
        except Refused as error:
            return await their_page(request, _status(error), refused=str(error))
        return await their_page(request, done=f"{name} has an account.", code=code_text(code), code_for=name)

    def deed(path: str, work: Deed) -> None:
        async def form(request: Request, visitor: Visitor = _KEEPER) -> Response:
            fields = await form_of(request)
            try:
                said = await work(fields, visitor, request)
            except Refused as error:
                return await their_page(request, _status(error), refused=str(error))
            if key_of(fields.get("name", "")) == key_of(visitor.name) and path in ("role", "remove"):
                return RedirectResponse("/", 303, headers=NEVER_KEPT)  # what they may is another matter from now on
            return await their_page(request, **said)

        app.add_api_route(f"/accounts/{path}", form, methods=["POST"], response_model=None)

    async def role(fields: dict[str, str], visitor: Visitor, request: Request) -> dict[str, Any]:
        name, given = fields.get("name", ""), role_of(fields.get("role", ""))
        await people.set_role(name, given, visitor.name)
        return {"done": f"{name} may {given.word} now."}

    async def reset(fields: dict[str, str], visitor: Visitor, request: Request) -> dict[str, Any]:
        name = fields.get("name", "")
        if key_of(name) == key_of(visitor.name):
            raise Refused("Your own password is changed on the page of your account.")
        code = await people.reset(name, visitor.name)
        return {"done": f"The password of {name} has ended.", "code": code_text(code), "code_for": name}

    async def remove(fields: dict[str, str], visitor: Visitor, request: Request) -> dict[str, Any]:
        name = fields.get("name", "")
        if key_of(fields.get("again", "")) != key_of(name):
            raise Refused(f"Nothing is removed: the name of {name[:40]} was not written again.")
        await people.remove(name, visitor.name)
        return {"done": f"The account {name} is removed."}

    async def token(fields: dict[str, str], visitor: Visitor, request: Request) -> dict[str, Any]:
        name = name_of(fields.get("name", ""))
        made = await people.add_token(name, role_of(fields.get("role", "")), visitor.name)
        return {"done": f"{name} has a token.", "token": made, "token_for": name}

    async def untoken(fields: dict[str, str], visitor: Visitor, request: Request) -> dict[str, Any]:
        name = fields.get("name", "")
        await people.remove_token(name, visitor.name)
        return {"done": f"The token of {name} is removed."}

    for path, work in (
        ("role", role),
        ("reset", reset),
        ("remove", remove),
        ("token", token),
        ("untoken", untoken),
    ):
        deed(path, work)


def _session(request: Request) -> Session | None:
    found = getattr(request.state, "session", None)
    assert found is None or isinstance(found, Session)
    return found


def _status(error: Refused) -> int:
    return 429 if isinstance(error, TooSoon) else 409
