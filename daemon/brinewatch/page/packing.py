"""Answers packed for whoever can unpack them: on a poor line a page is there in half the time.

Only what shows nothing of the request is packed: from the length of an answer that holds a secret beside words a
stranger may choose, the secret can be told letter by letter (the attack called BREACH). The first page holds the
visitor's proof, and nothing that the address, the headers or the form of a request could put beside it; other sites
cannot make a browser ask for it as somebody who is logged in, for the cookie is strict. The history shows what was
asked for, and holds no secret. Pages that say again what was typed (logging in, forms refused) and the stream,
which is written for one visitor, are sent as they are.
"""

from __future__ import annotations

import asyncio
import gzip

from fastapi import Request
from fastapi.responses import Response

_LEAST = 500  # bytes below which packing saves no packet
_LEVEL = 6


def packed(request: Request, text: str, headers: dict[str, str], media_type: str = "text/html") -> Response:
    """An answer with this text, which must show nothing of the request."""
    body = text.encode()
    if len(body) < _LEAST or not may(request):
        return Response(body, headers={**headers, "Vary": "Accept-Encoding"}, media_type=media_type)
    return as_packed(gzip.compress(body, _LEVEL, mtime=0), headers, media_type)


async def packed_aside(request: Request, body: bytes, headers: dict[str, str], media_type: str) -> Response:
    """The same of a long answer: packed in a thread, so that the watch does not wait for it."""
    if not may(request):
        return Response(body, headers={**headers, "Vary": "Accept-Encoding"}, media_type=media_type)
    return as_packed(await asyncio.to_thread(gzip.compress, body, _LEVEL, mtime=0), headers, media_type)


def may(request: Request) -> bool:
    """Whether who asks can unpack (RFC 9110, 12.5.3)."""
    offers = request.headers.get("accept-encoding", "").lower().split(",")
    return any(
        name.strip() == "gzip" and weight.strip() != "q=0"
        for name, _, weight in (one.partition(";") for one in offers)
    )


def as_packed(body: bytes, headers: dict[str, str], media_type: str) -> Response:
    """An answer that is packed already."""
    named = {**headers, "Content-Encoding": "gzip", "Vary": "Accept-Encoding"}
    return Response(body, headers=named, media_type=media_type)
