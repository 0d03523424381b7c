"""The file of proofs beside the journal: written whole and at once, or not at all.

Proofs are added, never changed; of several of one item the last counts. `commissioning.json` in the data folder.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter, ValidationError

from brinewatch import wholefile
from brinewatch.errors import BrinewatchError, StoreError
from brinewatch.proving.items import Proof, Signature
from brinewatch.store.backup import PROOFS

_FORMAT = 1


@dataclass(frozen=True, slots=True)
class Book:
    """All proofs and signatures there have been, in the order they were made."""

    proofs: tuple[Proof, ...] = ()
    signed: tuple[Signature, ...] = ()


def write_json(path: Path, body: Mapping[str, Any]) -> None:
    """JSON in place of what was there, whole or not at all, and on the disk when this returns. StoreError else."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        wholefile.write_whole(path, f"{json.dumps(body, indent=1, ensure_ascii=False)}\n".encode())
    except OSError as error:
        raise StoreError(
            f"{path} cannot be written: {error.strerror}.",
            "Let this user write in that folder, or free some space.",
        ) from error


def read_json(path: Path) -> dict[str, Any] | None:
    """What is there, None when there is no such file. BrinewatchError when it is none of ours."""
    try:
        body = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return None
    except OSError as error:
        raise StoreError(f"{path} cannot be read: {error.strerror}.", "Let this user read it.") from error
    except ValueError as error:
        raise _strange(path, str(error)) from error
    if not isinstance(body, dict) or body.get("format") != _FORMAT:
        raise _strange(path, "it is of another version, or none of this program's")
    return body


def _strange(path: Path, why: str) -> BrinewatchError:
    return BrinewatchError(
        f"{path} cannot be understood: {why}.",
        "Move it away and prove again; what was proven before stands in the journal too.",
    )


def read_book(folder: Path) -> Book:
    """The proofs of a data folder; an empty book when there are none yet."""
    path = folder / PROOFS
    body = read_json(path)
    if body is None:
        return Book()
    try:
        return TypeAdapter(Book).validate_python(body)
    except ValidationError as error:
        raise _strange(path, "; ".join(one["msg"] for one in error.errors()[:2])) from error


def write_book(folder: Path, book: Book) -> None:
    write_json(
        folder / PROOFS,
        {"format": _FORMAT, "proofs": [asdict(one) for one in book.proofs],
         "signed": [asdict(one) for one in book.signed]},
    )  # fmt: skip
