"""A form with a picture, as browsers send it (RFC 7578): its fields, and what the picture is made of."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from urllib.parse import parse_qs

from fastapi import HTTPException, Request

_BOUNDARY = re.compile(r'boundary=(?:"([^"]{1,70})"|([^\s";,]{1,70}))')
_NAME = re.compile(rb'[;\s]name="([^"\r\n]*)"')
_FILE = re.compile(rb'[;\s]filename="([^"\r\n]*)"')
_MOST_FIELDS = 300
# what a longer body is read to at most, so that an answer can be given at all
_DRAINED = 64_000_000


@dataclass(slots=True)
class Sent:
    """What came with a form. files: by field; cut: the names of files of which only the beginning was read."""

    fields: dict[str, str] = field(default_factory=dict)
    files: dict[str, bytes] = field(default_factory=dict)
    cut: set[str] = field(default_factory=set)


async def sent_of(request: Request, most: int) -> Sent:
    """The fields of a form, white space at their ends cut off, and its files. Nothing is proved by this.

    most: bytes that are kept; of a longer form the rest is read and let go of, so that its fields are not lost.
    HTTPException 413 for one beyond all measure, 400 for one that is none.
    """
    body, seen = bytearray(), 0
    async for piece in request.stream():
        seen += len(piece)
        if seen > _DRAINED:
            raise HTTPException(413, "The form is larger than any photo. Go back, and send it without.")
        body += piece[: max(0, most - len(body))]
    kind = request.headers.get("content-type", "")
    if kind.lower().startswith("multipart/form-data"):
        found = _BOUNDARY.search(kind)
        if found is None:
            raise HTTPException(400, "The form cannot be read: it does not say where its parts end.")
        return parts_of(bytes(body), (found[1] or found[2]).encode("latin-1", "replace"))
    if seen > most:
        raise HTTPException(413, "The form is longer than any that is filled in by hand.")
    try:
        read = parse_qs(body.decode("utf-8", "replace"), keep_blank_values=True, max_num_fields=_MOST_FIELDS)
    except ValueError:
        raise HTTPException(400, "The form has more fields than any of ours.") from None
    return Sent({key: values[0].strip() for key, values in read.items()})


def parts_of(body: bytes, boundary: bytes) -> Sent:
    """The parts of a body between its boundaries. The last of a body that was cut off counts as cut."""
    made = Sent()
    pieces = (b"\r\n" + body).split(b"\r\n--" + boundary)
    if len(pieces) - 1 > _MOST_FIELDS:
        raise HTTPException(400, "The form has more fields than any of ours.")
    whole = len(pieces) > 1 and pieces[-1].startswith(b"--")
    for place, piece in enumerate(pieces[1:], 1):
        if piece.startswith(b"--"):
            break
        head, between, content = piece.removeprefix(b"\r\n").partition(b"\r\n\r\n")
        name = _NAME.search(head)
        if not between or name is None:
            continue
        key = name[1].decode("utf-8", "replace")
        if _FILE.search(head) is None:
            made.fields.setdefault(key, content.decode("utf-8", "replace").strip())
        elif content:
            made.files.setdefault(key, content)
            if not whole and place == len(pieces) - 1:
                made.cut.add(key)
    return made
