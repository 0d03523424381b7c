"""Requests of the command line about the round."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

from brinewatch.asked import entry_of
from brinewatch.errors import BrinewatchError
from brinewatch.husbandry.forms import Correction, Outcome, RoundForm
from brinewatch.rounds.keeping import Rounds
from brinewatch.rounds.showing import listed, named_batches, sheet, sheets

_LISTED = 1000


async def answer(rounds: Rounds, request: Mapping[str, Any]) -> Mapping[str, Any]:
    """One request. Raises BrinewatchError for what cannot be done."""
    match request["do"]:
        case "enter":
            return {"line": await _enter(rounds, request)}
        case "round":
            return {"asked": [asdict(one) for one in sheet(rounds, rounds.clock.now())]}
        case "round save":
            return await _save(rounds, request)
        case "round list":
            limit = request.get("limit", 50)
            if isinstance(limit, bool) or not isinstance(limit, int) or not 0 < limit <= _LISTED:
                raise BrinewatchError(f"{limit!r} entries cannot be listed.", f"Ask for 1 to {_LISTED}.")
            return {"rows": [asdict(one) for one in await listed(rounds, limit)]}
        case "round correct":
            return await _correct(rounds, request)
        case "batch":
            key = request.get("key")
            made = await sheets(
                rounds, named_batches(rounds.shed, None if key is None else str(key)), rounds.clock.now()
            )
            return {"batches": [asdict(one) for one in made]}
    raise BrinewatchError(f"The daemon does not know how to do {request['do']!r}.", "See: brinewatch --help")


async def _enter(rounds: Rounds, request: Mapping[str, Any]) -> str:
    rounds.checks.home(str(request.get("point")))
    point, value, unit = entry_of(request)
    return await rounds.enter(point, value, unit, str(request.get("by") or ""))


async def _save(rounds: Rounds, request: Mapping[str, Any]) -> Mapping[str, Any]:
    fields = request.get("fields")
    if not isinstance(fields, dict) or not all(isinstance(one, str) for one in fields.values()):
        raise BrinewatchError("The fields are not as agreed.", "Restart the daemon: versions may differ.")
    photo = request.get("photo")
    kept = "" if not photo else await rounds.keep_photo_file(Path(str(photo)))
    form = RoundForm(
        _text(request, "by") or "the command line", fields, _text(request, "at"), _text(request, "note"),
        _text(request, "about"), kept, _text(request, "form"),
    )  # fmt: skip
    outcome = await rounds.save(form)
    if _only_doubted(outcome) and request.get("anyway"):
        outcome = await rounds.save(replace(form, sure=outcome.sure))
    return asdict(outcome)


async def _correct(rounds: Rounds, request: Mapping[str, Any]) -> Mapping[str, Any]:
    number = request.get("entry")
    if isinstance(number, bool) or not isinstance(number, int):
        raise BrinewatchError(f"{number!r} is no number of an entry.", "See: brinewatch round --list")
    correction = Correction(
        _text(request, "by") or "the command line", number, _text(request, "text"), _text(request, "why"),
        _text(request, "at"), bool(request.get("take_back")), _text(request, "form"),
    )  # fmt: skip
    outcome = await rounds.correct(correction)
    if _only_doubted(outcome) and request.get("anyway"):
        outcome = await rounds.correct(replace(correction, sure=outcome.sure))
    return asdict(outcome)


def _only_doubted(outcome: Outcome) -> bool:
    return bool(outcome.doubts) and not outcome.faults and not outcome.kept


def _text(request: Mapping[str, Any], key: str) -> str:
    return str(request.get(key) or "").strip()
