"""Commands on the accounts of the page: brinewatch account add, list, role, password, remove, token, code.

They work on the accounts' own file, whether the daemon runs or not; it sees what changed within seconds.
"""

from __future__ import annotations

import argparse
import getpass
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from brinewatch.accounts import ROLES, Refused, Role, code_text, name_of, password_of
from brinewatch.errors import BrinewatchError
from brinewatch.moment import utc_text
from brinewatch.terminal import AddCommand

if TYPE_CHECKING:
    from brinewatch.clock import SystemClock
    from brinewatch.store.accounts_file import AccountsFile

_ROLES = tuple(role.word for role in ROLES)


def register(add: AddCommand) -> argparse.ArgumentParser:
    """Add the command. Returns it: it wants to know the shed file."""
    command = add("account", _work, "say who may use the page: add, list, role, password, code, remove, token")
    command.add_argument(
        "deed", choices=("add", "list", "role", "password", "code", "remove", "token"),
        help="add: a person; password: give a new one; code: for choosing one; token: for a program",
    )  # fmt: skip
    command.add_argument("name", nargs="?", default="", metavar="NAME", help="whose; quote it when it has spaces")
    command.add_argument("--role", choices=_ROLES, help="what they may; each may do what those before it may")
    command.add_argument("--remove", action="store_true", help="with token: take it away instead")
    return command


def _work(options: argparse.Namespace) -> int:
    from brinewatch.clock import SystemClock
    from brinewatch.config.lookout import read_any
    from brinewatch.store.accounts_file import AccountsFile

    shed = read_any(options.shed)
    file = AccountsFile(Path(shed.data))
    try:
        there = file.path.is_file()
    except PermissionError as error:
        raise BrinewatchError(
            f"You may not look into {shed.data}.", "Use the account that the daemon runs under."
        ) from error
    if options.deed == "list" and not there:
        _say("No accounts yet.")
        return 0
    try:
        return _Deeds(file, SystemClock(shed.zone), options).do()
    finally:
        file.close()


class _Deeds:
    def __init__(self, file: AccountsFile, clock: SystemClock, options: argparse.Namespace) -> None:
        self._file, self._clock = file, clock
        self._deed: str = options.deed
        self._given: str = options.name
        self._role = None if options.role is None else Role[options.role.upper()]
        self._away: bool = options.remove
        self._by = os.environ.get("USER", "somebody")

    def do(self) -> int:
        if self._deed == "list":
            return self._list()
        if not self._given:
            raise BrinewatchError(
                f"Whose? `account {self._deed}` wants a name.", f"brinewatch account {self._deed} NAME"
            )
        name, now = name_of(self._given), self._clock.now()
        match self._deed:
            case "add":
                role = self._needed_role()
                if self._file.account(name) is not None:
                    raise Refused(f"There is an account {name} already.", "See: brinewatch account list")
                if not self._file.accounts() and role is not Role.KEEP:
                    raise Refused("The first account must be one that keeps.", "Add: --role keep")
                self._file.add(name, role, self._asked_password(name), now)
                self._tell(f"made the account {name} ({role.word})")
            case "role":
                role = self._needed_role()
                self._file.set_role(name, role)
                self._tell(f"gave {name} the role {role.word}")
            case "password":
                if self._file.account(name) is None:
                    raise Refused(f"There is no account {name}.", "See: brinewatch account list")
                self._file.set_password(name, self._asked_password(name))
                self._tell(f"gave {name} a new password; they are logged out everywhere")
            case "code":
                code = self._file.make_code(name, now)
                self._tell(f"took back the password of {name} and gave them a code")
                _say(f"{code_text(code)} is good for a day; they choose a password with it on the page, at /first")
            case "remove":
                # a keeper at the terminal may take away the last account too
                self._file.remove(name, keep_one=False)
                self._tell(f"removed the account {name}")
            case "token" if self._away:
                self._file.remove_token(name)
                self._tell(f"removed the token {name}")
            case "token":
                role = self._needed_role()
                token = self._file.add_token(name, role, now)
                self._tell(f"made the token {name} ({role.word})")
                _say(token)
        return 0

    def _list(self) -> int:
        from brinewatch.terminal import print_table

        accounts, tokens = self._file.accounts(), self._file.tokens()
        rows = [
            {"name": one.name, "may": one.role.word, "kind": "person", "since": utc_text(one.made_utc)[:10],
             "remark": "" if one.ready else "has no password: give them a code"}
            for one in accounts
        ] + [
            {"name": one.name, "may": one.role.word, "kind": "program", "since": utc_text(one.made_utc)[:10],
             "remark": "never used" if one.used_utc is None else f"used {utc_text(one.used_utc)[:16]}Z"}
            for one in tokens
        ]  # fmt: skip
        if not rows:
            _say("No accounts yet.")
            return 0
        print_table(("name", "may", "kind", "since", "remark"), rows)
        return 0

    def _needed_role(self) -> Role:
        if self._role is None:
            raise BrinewatchError("What may they do?", f"Add --role with one of: {', '.join(_ROLES)}")
        return self._role

    def _tell(self, text: str) -> None:
        """To whoever typed it, and for the daemon's journal."""
        self._file.leave_word(f"{self._by}, on the command line, {text}")
        _say(f"{text[0].upper()}{text[1:]}.", sys.stderr if self._deed == "token" else sys.stdout)

    def _asked_password(self, name: str) -> str:
        """Never from the command's own words: other users of a computer can read those."""
        from brinewatch.store.passwords import hashed

        if sys.stdin.isatty():
            first = getpass.getpass(f"Password for {name}: ")
            if getpass.getpass("The same again: ") != first:
                raise Refused("The two are not the same.", "Try again.")
        else:
            first = sys.stdin.readline().rstrip("\n")
        return hashed(password_of(first, name))


def _say(line: str, to: TextIO | None = None) -> None:
    (to or sys.stdout).write(f"{line}\n")
