"""The round on the page: a form for a thumb, what was entered, corrections, and the sheets of the batches.

Nothing here needs a script. Whatever goes wrong, what was typed comes back with what to do; a value that is unlike
the others is shown back once and saved by a second step; a form that is sent twice is kept once.
"""

from __future__ import annotations

import re
import secrets
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any, Protocol
from urllib.parse import urlsplit

from fastapi import FastAPI, HTTPException, Query, Request
from fastapi import Path as InPath
from fastapi.responses import FileResponse, HTMLResponse, RedirectResponse, Response
from jinja2 import Environment

from brinewatch.errors import BrinewatchError, StoreError
from brinewatch.husbandry.batch import BatchSheet
from brinewatch.husbandry.forms import WHOLE, Correction, EntryView, Outcome, RoundField, RoundForm
from brinewatch.page.access import PROOF, Role, Visitor, at_least, prove, visitor_of
from brinewatch.page.app import NEVER_KEPT
from brinewatch.page.menu import on_menu
from brinewatch.page.multipart import Sent, sent_of

_MOST, _MOST_CORRECTION = 12_500_000, 20_000
_VALUE = "v."
_ROWS = 50
_FORM = re.compile(r"[A-Za-z0-9_-]{8,40}")
_OLD = "This form is from before the page was started anew. Nothing was saved: look it over, and save it again."
_KEPT_PHOTO = {"Cache-Control": "private, max-age=31536000, immutable"}
_LOOK, _ENTER = at_least(Role.LOOK), at_least(Role.ACKNOWLEDGE)
_Number = Annotated[int, InPath(ge=1, le=2**62)]


class RoundDesk(Protocol):
    """What these pages ask of the daemon. Its methods raise BrinewatchError for what cannot be done."""

    shed: str
    takes_photos: bool
    has_batches: bool

    def asked(self) -> Sequence[RoundField]: ...

    def places(self) -> Sequence[tuple[str, str]]: ...

    async def save(self, form: RoundForm) -> Outcome: ...

    async def listed(self, limit: int, until_utc: float | None) -> Sequence[EntryView]: ...

    async def one(self, number: int) -> EntryView: ...

    async def correct(self, correction: Correction) -> Outcome: ...

    async def keep_photo(self, data: bytes) -> str: ...

    def photo(self, name: str) -> Path | None: ...

    async def batches(self) -> Sequence[BatchSheet]: ...


@dataclass(slots=True)
class _Filled:
    """A form as it is shown: what was typed, and what is to be said of it."""

    values: Mapping[str, str] = field(default_factory=dict)
    form: str = field(default_factory=lambda: secrets.token_urlsafe(12))
    faults: dict[str, str] = field(default_factory=dict)
    doubts: Mapping[str, Sequence[str]] = field(default_factory=dict)
    sure: str = ""
    photo: str = ""


def add_rounds(app: FastAPI, templates: Environment, desk: RoundDesk) -> None:
    """`/rounds` what was entered and what is due, `/rounds/new` the form, `/rounds/correct/12`, `/batches`."""
    on_menu(templates, "/rounds", "The round")
    pages = {name: templates.get_template(f"{name}.html") for name in ("rounds", "round", "correction", "batches")}

    def page(name: str, request: Request, status: int = 200, **more: Any) -> HTMLResponse:
        visitor = visitor_of(request)
        text = pages[name].render(
            shed=desk.shed, proof=visitor.proof, may=visitor.may(Role.ACKNOWLEDGE), has_batches=desk.has_batches,
            **more,
        )  # fmt: skip
        return HTMLResponse(text, status, headers=NEVER_KEPT)

    @app.get("/rounds")
    async def entries(
        request: Request, visitor: Visitor = _LOOK, until: Annotated[float | None, Query(ge=0, le=1e11)] = None
    ) -> Response:
        asked = desk.asked()
        try:
            rows, fault = await desk.listed(_ROWS + 1, until), ""
        except BrinewatchError as error:
            rows, fault = [], str(error)
        form = request.query_params.get("saved", "")
        saved = sorted((one for one in rows if form and one.form == form), key=lambda one: one.number)
        due = [one for one in asked if one.urgency != "later"]
        older = repr(rows[_ROWS - 1].utc) if len(rows) > _ROWS else ""
        return page(
            "rounds", request, 503 if fault else 200, rows=rows[:_ROWS], due=due, saved=saved, fault=fault,
            older=older, newest=until is None, asked=bool(asked),
        )  # fmt: skip

    def blank(request: Request, filled: _Filled, status: int = 200) -> HTMLResponse:
        return page(
            "round", request, status, groups=_groups(desk.asked()), filled=filled, places=desk.places(),
            photos=desk.takes_photos, many=sum(map(len, filled.doubts.values())),
        )  # fmt: skip

    @app.get("/rounds/new")
    async def form(request: Request, visitor: Visitor = _ENTER) -> Response:
        return blank(request, _Filled())

    @app.post("/rounds/new")
    async def save(request: Request, visitor: Visitor = _ENTER) -> Response:
        sent = await sent_of(request, _MOST)
        filled = _filled(sent)
        if not _proven(request, sent):
            filled.faults[WHOLE] = _OLD
            return blank(request, filled, 403)
        try:
            if "photo" in sent.cut:
                raise BrinewatchError("The photo is too large.", "Take it with fewer pixels, or send none.")
            if "photo" in sent.files:
                filled.photo = await desk.keep_photo(sent.files["photo"])
        except BrinewatchError as error:
            filled.faults["photo"] = str(error)
            return blank(request, filled, 503 if isinstance(error, StoreError) else 422)
        values = sent.fields
        typed = {key[len(_VALUE) :]: text for key, text in values.items() if key.startswith(_VALUE) and text}
        given = RoundForm(
            visitor.name, typed, values.get("at", ""), values.get("note", ""), values.get("about", ""),
            filled.photo, filled.form, values.get("sure", ""),
        )  # fmt: skip
        try:
            outcome = await desk.save(given)
        except BrinewatchError as error:
            filled.faults[WHOLE] = f"Nothing was saved. {error}"
            return blank(request, filled, 503)
        if outcome.faults or outcome.doubts:
            filled.faults, filled.doubts, filled.sure = dict(outcome.faults), outcome.doubts, outcome.sure
            if outcome.again:
                filled.form = secrets.token_urlsafe(12)
            return blank(request, filled, 422)
        return RedirectResponse(f"/rounds?saved={filled.form}", 303, headers=NEVER_KEPT)

    # -- corrections --------------------------------------------------------------------------------------------

    def correcting(request: Request, one: EntryView, filled: _Filled, status: int = 200) -> HTMLResponse:
        return page("correction", request, status, one=one, filled=filled)

    @app.get("/rounds/correct/{number}")
    async def wrong(request: Request, number: _Number, visitor: Visitor = _ENTER) -> Response:
        one = await _standing(desk, number)
        return correcting(request, one, _Filled({"text": one.text or one.value.split(" ")[0], "at": one.local}))

    @app.post("/rounds/correct/{number}")
    async def correct(request: Request, number: _Number, visitor: Visitor = _ENTER) -> Response:
        sent = await sent_of(request, _MOST_CORRECTION)
        filled, values = _filled(sent), sent.fields
        if not _proven(request, sent):
            filled.faults[WHOLE] = _OLD
            return correcting(request, await _standing(desk, number), filled, 403)
        given = Correction(
            visitor.name, number, values.get("text", ""), values.get("why", ""), values.get("at", ""),
            "take_back" in values, filled.form, values.get("sure", ""),
        )  # fmt: skip
        try:
            outcome = await desk.correct(given)
        except StoreError as error:
            filled.faults[WHOLE] = f"Nothing was saved. {error}"
            return correcting(request, await _standing(desk, number), filled, 503)
        except BrinewatchError as error:
            raise HTTPException(409, f"Nothing was saved. {error} You had typed: {given.text}") from None
        if outcome.faults or outcome.doubts:
            filled.faults, filled.doubts, filled.sure = dict(outcome.faults), outcome.doubts, outcome.sure
            return correcting(request, await _standing(desk, number), filled, 422)
        return RedirectResponse(f"/rounds?saved={filled.form}", 303, headers=NEVER_KEPT)

    @app.get("/rounds/photo/{name}")
    async def photo(name: str, visitor: Visitor = _LOOK) -> Response:
        path = desk.photo(name)
        if path is None:
            raise HTTPException(404, "There is no such photo.")
        return FileResponse(path, media_type="image/jpeg", headers=_KEPT_PHOTO)

    @app.get("/batches")
    async def batches(request: Request, visitor: Visitor = _LOOK) -> Response:
        try:
            return page("batches", request, sheets=await desk.batches(), fault="")
        except BrinewatchError as error:
            return page("batches", request, 503, sheets=[], fault=str(error))


async def _standing(desk: RoundDesk, number: int) -> EntryView:
    try:
        return await desk.one(number)
    except StoreError as error:
        raise HTTPException(503, str(error)) from None
    except BrinewatchError as error:
        raise HTTPException(404, str(error)) from None


def _filled(sent: Sent) -> _Filled:
    """What was sent, to be shown again."""
    filled = _Filled(sent.fields, photo=sent.fields.get("photo_kept", ""))
    if _FORM.fullmatch(sent.fields.get("form", "")):
        filled.form = sent.fields["form"]
    return filled


def _proven(request: Request, sent: Sent) -> bool:
    """Whether a form carries the visitor's proof. What comes from elsewhere is refused; what is only too old, as
    after the daemon was started anew, is shown again and saved by nobody but the visitor."""
    try:
        prove(request, sent.fields.get(PROOF, ""))
    except HTTPException:
        origin = request.headers.get("origin")
        ours = origin in (None, "null") or urlsplit(str(origin)).netloc == request.headers.get("host")
        if not ours or request.headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
            raise
        return False
    return True


def _groups(asked: Sequence[RoundField]) -> list[tuple[str, str, Sequence[RoundField]]]:
    """The fields by how much they are wanted."""
    named = (("overdue", "Overdue"), ("due", "Due now"), ("later", "Not due yet"))
    return [(key, name, fields) for key, name in named if (fields := [one for one in asked if one.urgency == key])]
