"""Passwords and keys: one line of a file that not everybody may read.

Under the service manager the files of the folder `secrets` beside the shed file belong to root alone; the daemon
gets copies for as long as it runs (LoadCredential=secrets:FOLDER, systemd.exec(5)), found by the same name.
"""

from __future__ import annotations

import os
import stat
from pathlib import Path

from brinewatch.errors import BrinewatchError

_FOLDER = "secrets"


def secret_at(path: str | Path) -> Path:
    """Where a file of secrets is to be read: the service manager's copy where it made one, else the file itself."""
    file, given = Path(path), os.environ.get("CREDENTIALS_DIRECTORY")
    if given and file.parent.name == _FOLDER:
        copy = Path(given) / f"{_FOLDER}_{file.name}"
        return copy if copy.is_file() else file
    return file


def read_secret(path: str | Path, what: str = "Password", whose: str = "the broker's password") -> str:
    """The first line of a file of secrets. BrinewatchError when it is missing, empty or open to everybody."""
    file, hint = secret_at(path), f"Put {whose} in its first line."
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
