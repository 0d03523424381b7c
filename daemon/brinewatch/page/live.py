"""What changes on a page, sent as it changes to every browser that keeps a stream open (server-sent events of the
HTML standard).

A part of a page is rendered once for all who see the same of it, and what is sent are its lines that differ from
those sent before; its clock is one of them, so a stream is never silent for longer than a look. A stream ends with
the visitor's login or role, with the server, and with a reader that takes nothing; where one ends, or never gets
through, the page's script asks for the whole part instead, as it does for a daemon that is gone.
"""

from __future__ import annotations

import asyncio
import json
import secrets
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import count
from typing import Any

from fastapi import HTTPException, Request
from fastapi.responses import Response

from brinewatch.page.access import still
from brinewatch.page.server import SERVING, Serving
from brinewatch.waiting import news_or

EVERY_S = 2.0  # between two looks; the script takes four missed ones for the loss of the daemon
_ASKED_S = 6.0  # how often it is asked whether the visitor may still look
_SEND_S = 15.0  # a reader that takes nothing for so long is let go
_MOST = 24  # streams at once; who comes later asks for the whole part every few seconds
_KEPT = 4  # differences kept of one part: of readers that are behind

_HEADERS = [
    (b"content-type", b"text/event-stream; charset=utf-8"),
    (b"cache-control", b"no-store, no-transform"),
    (b"x-accel-buffering", b"no"),  # asks a web server in front not to collect it
]

Lines = Sequence[str]
Change = list[tuple[int, int, Lines]]


def change(old: Lines, new: Lines) -> Change:
    """How to make one out of the other, from its end to its beginning: where, how many lines go, which come."""
    if len(old) == len(new):
        found: Change = []
        for at, (was, one) in enumerate(zip(old, new, strict=True)):
            if was != one:
                if found and found[-1][0] + found[-1][1] == at:
                    start, length, lines = found.pop()
                    found.append((start, length + 1, [*lines, one]))
                else:
                    found.append((at, 1, [one]))
        return found[::-1]
    same = 0
    while same < min(len(old), len(new)) and old[same] == new[same]:
        same += 1
    end = 0
    while end < min(len(old), len(new)) - same and old[-1 - end] == new[-1 - end]:
        end += 1
    return [(same, len(old) - same - end, new[same : len(new) - end])]


@dataclass(frozen=True)
class _Look:
    """A part as it was at one instant. events: what is sent to who had seen the look of that number."""

    number: int
    mono: float
    lines: Lines
    events: dict[int, str] = field(default_factory=dict)

    def since(self, before: _Look | None) -> str:
        known = -1 if before is None else before.number
        if known not in self.events:
            while len(self.events) >= _KEPT:
                del self.events[next(iter(self.events))]
            put = change(before.lines if before is not None else (), self.lines)
            self.events[known] = f"data: {json.dumps(put, ensure_ascii=False, separators=(',', ':'))}\n\n"
        return self.events[known]


class Live:
    """The streams of an application."""

    def __init__(self) -> None:
        self._looks: dict[tuple[str, bool], _Look] = {}
        self._count = count()
        # stands in what is rendered for all where each visitor's own proof belongs; nobody outside can know it
        self._place = secrets.token_urlsafe(24)
        self.open = 0

    def stream(
        self,
        request: Request,
        name: str,
        part: Callable[[str], str],
        proof: Callable[[Request], str] = lambda _: "",
    ) -> Response:
        """The answer to who asks for the stream of a part.

        name: of the part, of which there are few; part: renders it, given the proof its forms carry, "" for none;
        proof: that of a visitor, asked anew as long as the stream lasts. HTTPException 503 when there are too many
        streams, or the server knows none.
        """
        serving = request.scope.get(SERVING)
        if serving is None or self.open >= _MOST:
            raise HTTPException(503, "There are too many streams.", headers={"Retry-After": "60"})
        return _Stream(self, request, serving, name, part, proof)

    def look(self, name: str, part: Callable[[str], str], mono: float, has_proof: bool) -> _Look:
        """The part now, made once for all who look at the same instant."""
        found = self._looks.get((name, has_proof))
        if found is None or found.mono != mono:
            lines = tuple(part(self._place if has_proof else "").split("\n"))
            found = self._looks[name, has_proof] = _Look(next(self._count), mono, lines)
        return found

    def personal(self, event: str, proof: str) -> bytes:
        return event.replace(self._place, proof).encode()


class _Stream(Response):
    def __init__(
        self, live: Live, request: Request, serving: Serving, name: str, part: Callable[[str], str],
        proof: Callable[[Request], str],
    ) -> None:  # fmt: skip
        super().__init__()
        self._live = live
        self._request = request
        self._clock = serving.clock
        self._ends = serving.ends
        self._name = name
        self._part = part
        self._proof = proof

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:
        over = asyncio.Event()
        gone = asyncio.create_task(_until_gone(receive, over), name="page stream")
        self._ends.add(over)
        self._live.open += 1
        try:
            await send({"type": "http.response.start", "status": 200, "headers": [*_HEADERS]})
            await self._go_on(over, send)
            await send({"type": "http.response.body", "body": b""})
        except TimeoutError:
            pass  # it takes nothing; uvicorn cuts what ends in the midst
        finally:
            self._live.open -= 1
            self._ends.discard(over)
            gone.cancel()
            await asyncio.gather(gone, return_exceptions=True)

    async def _go_on(self, over: asyncio.Event, send: Any) -> None:
        clock, seen = self._clock, None
        asked = now = clock.now().mono
        proof = self._proof(self._request)
        while not over.is_set():
            if now - asked >= _ASKED_S:
                try:
                    self._request.state.visitor = await still(self._request)
                except Exception:  # noqa: BLE001 - whatever it is, the script is told when it asks itself
                    return
                if self._proof(self._request) != proof:
                    return
                asked = now
            look = self._live.look(self._name, self._part, now, bool(proof))
            event = self._live.personal(look.since(seen), proof)
            with clock.hold():
                async with clock.deadline(_SEND_S):
                    await send({"type": "http.response.body", "body": event, "more_body": True})
            seen = look
            # at the same instants for all, so that one look serves them
            now = (clock.now().mono // EVERY_S + 1.0) * EVERY_S
            await news_or(over, clock, now)


async def _until_gone(receive: Any, over: asyncio.Event) -> None:
    while (await receive())["type"] != "http.disconnect":
        pass
    over.set()
