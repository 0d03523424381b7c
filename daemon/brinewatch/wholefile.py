"""Files that are there whole or not at all, and are on the disk when it is said that they are."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

_RIGHTS = 0o640  # of files that name people and their phones


def write_whole(path: Path, data: bytes) -> None:
    """Put a file in place of what was there. A stop at any instant leaves the one or the other. OSError."""
    part = path.with_name(f".{path.name}.part")
    try:
        with open(os.open(part, os.O_CREAT | os.O_WRONLY | os.O_TRUNC, _RIGHTS), "wb") as file:
            as_folder(file.fileno(), path.parent)
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    except OSError:
        with contextlib.suppress(OSError):
            part.unlink()
        raise
    sync(path.parent)


def as_folder(file: int, folder: Path) -> None:
    """Give an open file the owner of its folder and keep others out: what root writes, the service must read."""
    os.fchmod(file, _RIGHTS)
    if os.geteuid() == 0:
        there = folder.stat()
        os.fchown(file, there.st_uid, there.st_gid)


def sync(path: Path) -> None:
    """Have on the disk what was written to a file, or which files a folder holds. OSError."""
    fd = os.open(path, os.O_RDONLY)
    try:
        os.fsync(fd)
    except OSError:
        if not path.is_dir():  # not every file system can do it for a folder
            raise
    finally:
        os.close(fd)
