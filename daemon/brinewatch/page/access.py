"""Who is asking, and what they may: every page and every order of the page goes by this.

A guard puts a `Visitor` on each request; without accounts the guard is `this_machine`, for a page that is served to
this machine alone. Forms carry the visitor's proof, so that another site cannot send one in their name.
"""

from __future__ import annotations

import hmac
import secrets
from collections.abc import Awaitable, Callable, Mapping
from contextlib import aclosing
from dataclasses import dataclass
from typing import Any
from urllib.parse import parse_qs, urlsplit

from fastapi import Depends, HTTPException, Request

from brinewatch.accounts import Role as Role
from brinewatch.alarms.events import Order

PROOF = "proof"
_MOST = 20_000  # bytes of a form without a picture


# what a text from a contact's phone may do, somebody who acknowledges may do here; the rest is for a keeper
NEEDS: Mapping[Order, Role] = {
    Order.ACKNOWLEDGE: Role.ACKNOWLEDGE,
    Order.RESET: Role.ACKNOWLEDGE,
    Order.SHELVE: Role.ACKNOWLEDGE,
    Order.UNSHELVE: Role.ACKNOWLEDGE,
    Order.ATTEND: Role.ACKNOWLEDGE,
    Order.LEAVE: Role.ACKNOWLEDGE,
    Order.REMOVE: Role.KEEP,
    Order.RESTORE: Role.KEEP,
}


@dataclass(frozen=True, slots=True)
class Visitor:
    """name: whom the journal names; proof: what a form of theirs has to carry in its field `proof`; logged_in:
    whether they have shown who they are."""

    name: str
    role: Role
    proof: str
    logged_in: bool = False

    def may(self, role: Role) -> bool:
        return self.role >= role


Guard = Callable[[Request], Awaitable[Visitor]]
# an order or a question, as the daemon's desk takes them
Ask = Callable[[Mapping[str, Any]], Awaitable[Mapping[str, Any]]]


def this_machine() -> Guard:
    """Everybody who reaches the page may keep it: for one that listens on this machine only."""
    one = Visitor("the page", Role.KEEP, secrets.token_urlsafe(24))

    async def guard(request: Request) -> Visitor:
        return one

    return guard


def visitor_of(request: Request) -> Visitor:
    """Who is asking. The guard has been before."""
    visitor = request.state.visitor
    assert isinstance(visitor, Visitor)
    return visitor


async def still(request: Request) -> Visitor:
    """Who is asking, asked anew: for an answer that goes on for long, such as a stream, while logins end and roles
    change. Raises what the guard raises."""
    guard: Guard = request.app.state.guard
    return await guard(request)


def at_least(role: Role) -> Any:
    """For a route's parameter: the visitor, refused with 403 when that may less."""

    async def check(request: Request) -> Visitor:
        visitor = visitor_of(request)
        if not visitor.may(role):
            raise HTTPException(403, f"{visitor.name} may not do that: it takes the right to {role.word}.")
        return visitor

    return Depends(check)


async def form_of(request: Request, most: int = _MOST) -> dict[str, str]:
    """The fields of a form that proves to come from a page of ours, white space at their ends cut off.

    most: bytes read at most. HTTPException 413 for a longer one, 403 for one without the proof or from elsewhere.
    """
    body = b""
    async with aclosing(request.stream()) as pieces:
        async for piece in pieces:
            body += piece
            if len(body) > most:
                raise HTTPException(413, "The form is longer than any that is filled in by hand.")
    try:
        found = parse_qs(body.decode("utf-8", "replace"), keep_blank_values=True, max_num_fields=200)
    except ValueError:
        raise HTTPException(400, "The form has more fields than any of ours.") from None
    fields = {key: values[0].strip() for key, values in found.items()}
    prove(request, fields.pop(PROOF, ""))
    return fields


def prove(request: Request, proof: str) -> None:
    """HTTPException 403 unless the proof is the visitor's and the form was sent from a page of this host."""
    origin = request.headers.get("origin")
    # a browser that says where a request comes from is believed: no page can make it lie
    if request.headers.get("sec-fetch-site") in ("cross-site", "same-site"):
        raise HTTPException(403, "This form was sent from another site. Open the page itself and try again.")
    if origin not in (None, "null") and urlsplit(str(origin)).netloc != request.headers.get("host"):
        raise HTTPException(403, "This form was sent from another site. Open the page itself and try again.")
    if not hmac.compare_digest(proof.encode(), visitor_of(request).proof.encode()):
        raise HTTPException(
            403, "This form is too old, or was not sent from this page. Open it again, and try again."
        )
