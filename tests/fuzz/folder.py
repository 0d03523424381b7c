"""A folder for files under fire, in memory where the machine has such a place, gone at the end."""

from __future__ import annotations

import tempfile
from functools import cache
from pathlib import Path


@cache
def _kept() -> tempfile.TemporaryDirectory[str]:
    memory = Path("/dev/shm")
    return tempfile.TemporaryDirectory(dir=memory if memory.is_dir() else None, prefix="brinewatch-fuzz-")


def folder() -> Path:
    return Path(_kept().name)
