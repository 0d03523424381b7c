"""The daemon's end of commissioning: proofs taken in, the sheet told, the sheet signed; each in the journal too."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable, Mapping
from dataclasses import asdict, replace
from typing import TYPE_CHECKING, Any

from brinewatch import __version__
from brinewatch.config import ShedFile
from brinewatch.errors import BrinewatchError, StoreError
from brinewatch.moment import Moment
from brinewatch.phrases import one_line
from brinewatch.ports import Clock
from brinewatch.proving.items import (
    Outcome,
    Proof,
    Sheet,
    Signature,
    State,
    file_hash,
    fingerprint,
    items_of,
    rules_of,
    sheet_of,
)
from brinewatch.proving.kept import Book, read_book, write_book

if TYPE_CHECKING:
    from fastapi import FastAPI
    from jinja2 import Environment

RECORD = "commissioning sheet"  # kind of the remark in the journal that holds a sheet as it was signed
_LONGEST = 300
_NAME = 60


def read_sheet(shed: ShedFile, file: str | None = None) -> Sheet:
    """The sheet as it stands on the disk. file: of the shed file in force; that on the disk when left out.

    StoreError when a file cannot be read.
    """
    return _sheet(shed, read_book(shed.data), file)


def _sheet(shed: ShedFile, book: Book, file: str | None) -> Sheet:
    signed = book.signed[-1] if book.signed else None
    try:
        file = file or file_hash(shed)
    except OSError as error:
        raise StoreError(f"{shed.path} cannot be read: {error.strerror}.", "Let this user read it.") from error
    return sheet_of(shed, book.proofs, signed, file, rules_of(shed), __version__)


def proof_of(shed: ShedFile, item: str, outcome: str, by: str, detail: str, now: Moment) -> Proof:
    """A proof as it is kept. BrinewatchError for one of nothing, by nobody, or with nothing to say for itself."""
    known = {one.key for one in items_of(shed)}
    if item not in known:
        raise BrinewatchError(
            f"There is nothing {item!r} to prove in this shed.", "See: brinewatch commission sheet"
        )
    try:
        came = Outcome(outcome)
    except ValueError:
        raise BrinewatchError(f"{outcome!r} is no outcome.", f"One of: {', '.join(Outcome)}.") from None
    who, said = one_line(by)[:_NAME], one_line(detail)[:_LONGEST]
    if not who:
        raise BrinewatchError("A proof needs the name of who stood by.", "Give a name.")
    if came is not Outcome.PROVEN and not said:
        raise BrinewatchError(f"What {came} needs a reason.", "Say why in a few words.")
    return Proof(item, came, who, now.utc, now.trusted, said, fingerprint(shed, item))


def with_proof(shed: ShedFile, proof: Proof) -> None:
    """Keep a proof, where no daemon runs."""
    book = read_book(shed.data)
    write_book(shed.data, replace(book, proofs=(*book.proofs, proof)))


class Proving:
    """note(text): one line for people, kept in the journal; record(text): in the journal alone."""

    def __init__(
        self, shed: ShedFile, clock: Clock, note: Callable[[str], None], record: Callable[[str], None]
    ) -> None:
        self._shed = shed
        self._clock = clock
        self._note = note
        self._record = record
        self._turn = asyncio.Lock()
        self._file: str | None = None
        try:
            self._file = file_hash(shed)  # of what is in force, whatever is written there later
        except OSError:
            self._file = None

    async def answer(self, request: Mapping[str, Any]) -> Mapping[str, Any]:
        """One request of the command line. Raises BrinewatchError."""
        match request["do"]:
            case "commission sheet":
                return {"sheet": sheet_json(await self.sheet())}
            case "commission prove":
                words = [str(request.get(key) or "") for key in ("item", "outcome", "by", "detail")]
                return {"line": await self.prove(*words)}
            case "commission sign":
                sure = request.get("open")
                return {
                    "line": await self.sign(
                        str(request.get("by") or ""), str(request.get("note") or ""),
                        None if sure is None else str(sure),
                    )
                }  # fmt: skip
        raise BrinewatchError(f"The daemon does not know {request['do']!r}.", "See: brinewatch --help")

    async def sheet(self) -> Sheet:
        """How everything stands now."""
        with self._clock.hold():
            return await asyncio.to_thread(read_sheet, self._shed, self._file)

    async def prove(self, item: str, outcome: str, by: str, detail: str) -> str:
        """Keep a proof; what was kept, in words."""
        proof = proof_of(self._shed, item, outcome, by, detail, self._clock.now())
        async with self._turn:
            with self._clock.hold():
                await asyncio.to_thread(with_proof, self._shed, proof)
        title = next(one.title for one in items_of(self._shed) if one.key == item)
        line = f"{title}: {proof.outcome}, by {proof.by}{f' ({proof.detail})' if proof.detail else ''}"
        self._note(line)
        return f"Kept: {line}."

    async def sign(self, by: str, note: str, seen: str | None) -> str:
        """Put a name under the sheet. seen: `token` of the sheet that was looked at; BrinewatchError when it has
        changed since, so that nobody signs what they have not seen."""
        who, said = one_line(by)[:_NAME], one_line(note)[:_LONGEST]
        if not who:
            raise BrinewatchError("A sheet is signed with a name.", "Give yours.")
        async with self._turn:
            with self._clock.hold():
                sheet, now = await asyncio.to_thread(read_sheet, self._shed, self._file), self._clock.now()
                if seen is not None and seen != token(sheet):
                    raise BrinewatchError("The sheet has changed while you looked at it.", "Look again, then sign.")
                if sheet.open and not said:
                    raise BrinewatchError(
                        f"{len(sheet.open)} points are not proven. Nothing was signed.",
                        "Say in the note why the shed is left with them, and until when.",
                    )
                settled = len(sheet.lines) - len(sheet.open)
                signature = Signature(
                    who, now.utc, now.trusted, said, sheet.file, sheet.rules, sheet.program,
                    tuple(one.item.key for one in sheet.open), settled,
                )  # fmt: skip
                await asyncio.to_thread(self._keep, signature)
        self._record(_as_signed(sheet, signature))
        line = (
            f"Commissioning sheet signed by {who}: {settled} of {len(sheet.lines)} points settled, shed file "
            f"{sheet.file[:12]}, rules {sheet.rules}"
        )
        self._note(f"{line}{f' ({said})' if said else ''}")
        return f"{line}."

    def _keep(self, signature: Signature) -> None:
        book = read_book(self._shed.data)
        write_book(self._shed.data, replace(book, signed=(*book.signed, signature)))

    def on_page(self, app: FastAPI, templates: Environment) -> None:
        """Add the sheet to the page."""
        from brinewatch.page.commission import add_commission
        from brinewatch.proving.words import view_of

        async def tell() -> Any:
            return view_of(await self.sheet(), self._shed.zone)

        add_commission(app, templates, tell, self.sign)


def _as_signed(sheet: Sheet, signature: Signature) -> str:
    """The whole sheet in one line, so that the journal holds it whatever becomes of the file."""
    told = []
    for state in State:
        titles = [one.item.title for one in sheet.lines if one.state is state]
        told += [f"{state}: {', '.join(titles)}"] if titles else []
    return (
        f"As signed by {signature.by}: {'; '.join(told)}. Shed file SHA-256 {sheet.file}, rules {sheet.rules}, "
        f"program {sheet.program}."
    )


def token(sheet: Sheet) -> str:
    """Stands for a sheet as it is, so that what is signed is what was seen."""
    from hashlib import sha256

    body = [
        sheet.file,
        sheet.rules,
        [[one.item.key, one.state, one.proof.utc if one.proof else 0] for one in sheet.lines],
    ]
    return sha256(json.dumps(body).encode()).hexdigest()[:16]


def sheet_json(sheet: Sheet) -> dict[str, Any]:
    """The sheet for programs."""
    return {
        "shed": sheet.shed, "name": sheet.name, "sentence": sheet.sentence, "file_sha256": sheet.file,
        "rules": sheet.rules, "program": sheet.program, "token": token(sheet),
        "signed": None if sheet.signed is None else asdict(sheet.signed), "changes": sheet.changes,
        "points": [
            {
                "item": one.item.key, "group": one.item.group, "title": one.item.title, "how": one.item.how,
                "state": str(one.state),
                "proof": None if one.proof is None else {
                    key: value for key, value in asdict(one.proof).items() if key != "item"
                },
            }
            for one in sheet.lines
        ],
    }  # fmt: skip
