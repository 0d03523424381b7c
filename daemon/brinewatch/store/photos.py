"""Photos of the round: files beside the journal, made anew from what was sent, so that nothing but the picture is
kept: no place, no name of a phone, no hidden content.
"""

from __future__ import annotations

import hashlib
import importlib.util
import io
import os
import re
import shutil
from collections.abc import Collection
from pathlib import Path

from brinewatch.errors import BrinewatchError, StoreError
from brinewatch.wholefile import write_whole

MOST_BYTES = 12_000_000
_MOST_PIXELS = 60_000_000
_SIDE, _QUALITY = 1600, 82
_BEGINS = (b"\xff\xd8\xff", b"\x89PNG\r\n\x1a\n")
_NAME = re.compile(r"[0-9a-f]{40}\.jpg")


def able() -> bool:
    """Whether photos can be taken in: it needs the extra `photos`."""
    return importlib.util.find_spec("PIL") is not None


FOLDER = "photos"


class Photos:
    """The photos of one store. `keep` blocks: call it in a thread."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder / FOLDER

    def keep(self, data: bytes) -> str:
        """Keep a photo, at most 1600 pixels a side, as JPEG, and return its name.

        BrinewatchError for what is no photo or too large, and without the extra `photos`; StoreError when the disk
        does not take it.
        """
        if not able():
            raise BrinewatchError(
                "Photos cannot be taken in here: what makes them anew is not installed.",
                "Install the extra `photos` (pip install 'brinewatch[photos]'), or send it without.",
            )
        if len(data) > MOST_BYTES:
            raise BrinewatchError(
                f"The photo is larger than {MOST_BYTES // 1_000_000} MB.",
                "Take it with fewer pixels, or send none.",
            )
        if not data.startswith(_BEGINS):
            raise BrinewatchError("The file is no photo.", "Send a JPEG or PNG picture, or none.")
        made = _anew(data)
        name = _name_of(made)
        try:
            self._write(name, made)
        except OSError as error:
            raise StoreError(f"The photo cannot be kept: {error.strerror}.", "Look at the disk.") from error
        return name

    def _write(self, name: str, made: bytes) -> None:
        self._folder.mkdir(mode=0o750, parents=True, exist_ok=True)
        path = self._folder / name
        if path.is_file():
            path.touch()  # it is wanted anew
            return
        write_whole(path, made)

    def path(self, name: str) -> Path | None:
        """Where a photo of that name lies; None when there is none."""
        if not _NAME.fullmatch(name):
            return None
        path = self._folder / name
        return path if path.is_file() else None

    def let_go(self, named: Collection[str], before_utc: float) -> int:
        """Delete what was sent before an instant with forms that were never saved. named: by entries. How many."""
        count = 0
        for path in self._folder.glob("*") if self._folder.is_dir() else ():
            if path.name not in named and path.stat().st_mtime < before_utc:
                path.unlink(missing_ok=True)
                count += 1
        return count


# beside the backups, once for all of them: a photo never changes
BACKUP = "brinewatch-photos"


def copy_photos(source: Path, target: Path) -> int:
    """Copy to one folder what photos of another it lacks, each read back and proven by its name. Returns how many.

    StoreError when a copy is not what it should be; OSError as copying raises it.
    """
    count = 0
    for path in sorted(source.glob("*.jpg")) if source.is_dir() else ():
        own = target / path.name
        if not _NAME.fullmatch(path.name) or own.is_file():
            continue
        target.mkdir(parents=True, exist_ok=True)
        part = own.with_suffix(".part")
        shutil.copyfile(path, part)
        with part.open("rb") as file:
            os.fsync(file.fileno())
            os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)
            if _name_of(file.read()) != path.name:
                raise StoreError(
                    f"The photo {path} is not what was kept, or its copy is not.",
                    "Look at both disks; bring it back from an older copy, or delete it.",
                )
        part.replace(own)
        count += 1
    return count


def _name_of(made: bytes) -> str:
    return f"{hashlib.sha256(made).hexdigest()[:40]}.jpg"


def _anew(data: bytes) -> bytes:
    from PIL import Image, ImageOps, UnidentifiedImageError

    try:
        with Image.open(io.BytesIO(data), formats=("JPEG", "PNG")) as found:
            if found.width * found.height > _MOST_PIXELS:
                raise BrinewatchError(
                    f"The photo has {found.width} by {found.height} pixels, more than any phone takes.",
                    "Send a smaller one.",
                )
            found.draft("RGB", (_SIDE, _SIDE))  # a JPEG is decoded no larger than it is needed
            turned = ImageOps.exif_transpose(found) or found
            turned.thumbnail((_SIDE, _SIDE))
            picture = Image.new("RGB", turned.size, "white")
            layer = turned.convert("RGBA")
            picture.paste(layer, mask=layer.getchannel("A"))
    except (UnidentifiedImageError, OSError, SyntaxError, ValueError, Image.DecompressionBombError) as error:
        raise BrinewatchError("The photo cannot be read: it is damaged or cut off.", "Take it again.") from error
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=_QUALITY, optimize=True)
    return out.getvalue()
