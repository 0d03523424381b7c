"""Passwords and keys: one line of a file that not everybody may read."""

from __future__ import annotations

import stat
from pathlib import Path

from brinewatch.errors import BrinewatchError


def read_secret(path: str | Path, what: str = "Password", whose: str = "the broker's password") -> str:
    """The first line of a file of secrets. BrinewatchError when it is missing, empty or open to everybody."""
    file, hint = Path(path), f"Put {whose} in its first line."
    try:
        mode = file.stat().st_mode
        lines = file.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "not UTF-8 text"
        raise BrinewatchError(f"{what} file {path}: {reason}.", hint) from None
    if mode & stat.S_IRWXO:
        raise BrinewatchError(f"{what} file {path} is open to every user of this computer.", f"chmod 600 {path}")
    if not lines or not lines[0].strip():
        raise BrinewatchError(f"{what} file {path} is empty.", hint)
    return lines[0]
