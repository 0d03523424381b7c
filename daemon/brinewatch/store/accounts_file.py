"""`accounts.sqlite`: who may use the page. A small file of its own, read and written by the daemon and a command.

What opens a door is kept as a hash only: passwords by Argon2 (see passwords.py), the random tokens of browsers and
programs, which nobody can guess, by SHA-256.
"""

from __future__ import annotations

import hashlib
import secrets
import sqlite3
from pathlib import Path

from brinewatch.accounts import (
    CODE_LENGTH,
    Account,
    Refused,
    Role,
    Session,
    Token,
    TooSoon,
    code_letters,
    key_of,
)
from brinewatch.errors import StoreError
from brinewatch.moment import Moment
from brinewatch.store import schema
from brinewatch.store.accounts_disk import AccountsDisk
from brinewatch.store.accounts_tables import NAME, wait_s

FIRST_CODE_S = 1800.0
CODE_S = 24 * 3600.0
_DAY_S = 86400.0
_SEEN_EVERY_S = 300.0  # a card is not written at every look of every phone
_KNOWN_S = 180 * _DAY_S
_FORGET_S = _DAY_S
_MOST = 50  # browsers of one account


def mark_of(token: str) -> bytes:
    return hashlib.sha256(token.encode("utf-8", "replace")).digest()


class AccountsFile(AccountsDisk):
    """Made anywhere, used from one thread. idle_s, whole_s: how long a session lives unused, and at all;
    from_memory: go on from memory where the disk fails."""

    def __init__(
        self,
        folder: Path,
        idle_s: float = 30 * _DAY_S,
        whole_s: float = 180 * _DAY_S,
        *,
        from_memory: bool = False,
    ) -> None:
        super().__init__(folder, from_memory=from_memory)
        self._idle_s, self._whole_s = idle_s, whole_s

    def mend(self, now: Moment) -> str:
        """Look the file over. A damaged one is set aside, and what can be read of it carried over; then somebody
        has to prove themselves even on a machine that asked nobody before. Returns what was done, or ""."""
        try:
            with self._asked() as db:
                schema.check(db)
            return ""
        except StoreError as error:
            if error.__cause__ is None or not schema.is_damage(error.__cause__):
                raise
        try:
            aside = schema.set_aside(self.path, now)
        except OSError as error:
            raise schema.store_error(self.path, error) from error
        with self._asked() as db:
            carried = schema.salvage(aside, db).get("account", 0)
            db.execute("INSERT OR REPLACE INTO state VALUES ('lost', '1')")
        return f"{NAME} was damaged and is set aside as {aside.name}; {carried} accounts could be kept."

    def demanded(self) -> bool:
        """Whether there are accounts, or have been before the file was damaged."""
        with self._asked() as db:
            return bool(
                db.execute(
                    "SELECT EXISTS (SELECT 1 FROM account) OR EXISTS (SELECT 1 FROM state WHERE name = 'lost')"
                ).fetchone()[0]
            )

    # -- people -------------------------------------------------------------------------------------------------

    def accounts(self) -> list[Account]:
        with self._asked() as db:
            rows = db.execute("SELECT name, role, made_utc, hash <> '' FROM account ORDER BY key").fetchall()
        return [Account(name, Role(role), made, bool(ready)) for name, role, made, ready in rows]

    def account(self, name: str) -> tuple[Account, str] | None:
        """The account of that name however it is written, and the hash of its password."""
        with self._asked() as db:
            row = db.execute(
                "SELECT name, role, made_utc, hash FROM account WHERE key = ?", (key_of(name),)
            ).fetchone()
        return None if row is None else (Account(row[0], Role(row[1]), row[2], row[3] != ""), row[3])

    def add(self, name: str, role: Role, hashed: str, now: Moment) -> None:
        """Refused when there is one of that name."""
        with self._changing() as db:
            done = db.execute(
                "INSERT OR IGNORE INTO account VALUES (?, ?, ?, ?, ?)", (key_of(name), name, role, hashed, now.utc)
            )
            if not done.rowcount:
                raise Refused(f"There is an account {name} already.", "Take another name.")
            db.execute("DELETE FROM code WHERE account = ''")
            db.execute("DELETE FROM state WHERE name = 'lost'")

    def set_role(self, name: str, role: Role, *, keep_one: bool = True) -> None:
        """Refused for nobody's name, and (keep_one) when no keeper would be left."""
        with self._changing() as db:
            self._is_there(db, name)
            db.execute("UPDATE account SET role = ? WHERE key = ?", (role, key_of(name)))
            _keeper_left(db, keep_one)

    def set_password(self, name: str, hashed: str, but: int | None = None) -> None:
        """Ends every session of theirs except `but`, and what other browsers were known by."""
        with self._changing() as db:
            self._is_there(db, name)
            key = key_of(name)
            db.execute("UPDATE account SET hash = ? WHERE key = ?", (hashed, key))
            db.execute("DELETE FROM session WHERE account = ? AND id IS NOT ?", (key, but))
            db.execute("DELETE FROM known WHERE account = ?", (key,))
            db.execute("DELETE FROM code WHERE account = ?", (key,))
            db.execute("DELETE FROM attempt WHERE subject = ?", (f"account {key}",))

    def rehash(self, name: str, hashed: str) -> None:
        with self._asked() as db:
            db.execute("UPDATE account SET hash = ? WHERE key = ?", (hashed, key_of(name)))

    def remove(self, name: str, *, keep_one: bool = True) -> None:
        """As `set_role`."""
        with self._changing() as db:
            self._is_there(db, name)
            key = key_of(name)
            for table in ("session", "known", "code"):
                db.execute(f"DELETE FROM {table} WHERE account = ?", (key,))  # noqa: S608 - our own names
            db.execute("DELETE FROM account WHERE key = ?", (key,))
            _keeper_left(db, keep_one)

    @staticmethod
    def _is_there(db: sqlite3.Connection, name: str) -> None:
        if db.execute("SELECT 1 FROM account WHERE key = ?", (key_of(name),)).fetchone() is None:
            raise Refused(f"There is no account {name[:40]!r}.", "See: brinewatch account list")

    # -- codes --------------------------------------------------------------------------------------------------

    def make_code(self, name: str, now: Moment) -> str:
        """A code that lets somebody choose a password, in place of the one they had; name "": the first account."""
        code = "".join(secrets.choice(code_letters()) for _ in range(CODE_LENGTH))
        until = now.utc + (CODE_S if name else FIRST_CODE_S)
        with self._changing() as db:
            if name:
                self._is_there(db, name)
                db.execute("UPDATE account SET hash = '' WHERE key = ?", (key_of(name),))
                db.execute("DELETE FROM session WHERE account = ?", (key_of(name),))
            db.execute("INSERT OR REPLACE INTO code VALUES (?, ?, ?)", (key_of(name), mark_of(code), until))
        return code

    def redeem(self, code: str, name: str, hashed: str, now: Moment) -> Account:
        """Use a code up: a password for the account it was made for, or the first keeper's account."""
        with self._changing() as db:
            row = db.execute("SELECT account, until_utc FROM code WHERE mark = ?", (mark_of(code),)).fetchone()
            if row is None or now.utc > row[1] or (row[0] and row[0] != key_of(name)):
                raise Refused(
                    "This code is wrong, or older than it may be.",
                    "Ask a keeper for another; before there is one, the daemon gives another when it is started.",
                )
            if row[0] == "":
                if db.execute("SELECT 1 FROM account").fetchone() is not None:
                    raise Refused("There are accounts already.", "Ask a keeper for one.")
                account = (key_of(name), name, Role.KEEP, hashed, now.utc)
                db.execute("INSERT INTO account VALUES (?, ?, ?, ?, ?)", account)
                db.execute("DELETE FROM state WHERE name = 'lost'")
            else:
                db.execute("UPDATE account SET hash = ? WHERE key = ?", (hashed, row[0]))
            db.execute("DELETE FROM code WHERE mark = ?", (mark_of(code),))
        found = self.account(name)
        assert found is not None
        return found[0]

    def note_sent(self, now: Moment, most: int) -> bool:
        """Whether another first code may be sent today, and that it is."""
        with self._changing() as db:
            row = db.execute("SELECT body FROM state WHERE name = 'sent'").fetchone()
            sent = [float(one) for one in row[0].split()] if row else []
            sent = [one for one in sent if abs(now.utc - one) < _DAY_S]
            if len(sent) >= most:
                return False
            body = " ".join(map(repr, [*sent, now.utc]))
            db.execute("INSERT OR REPLACE INTO state VALUES ('sent', ?)", (body,))
        return True

    # -- wrong tries --------------------------------------------------------------------------------------------

    def count_try(self, subjects: list[str], now: Moment) -> None:
        """Count one try against each subject before it is known whether it is right. TooSoon when one has to wait:
        then nothing is counted, and the try is not to be looked at."""
        with self._changing() as db:
            db.execute("DELETE FROM attempt WHERE ? - last_utc > ?", (now.utc, _FORGET_S))
            for subject in subjects:
                row = db.execute("SELECT n, last_utc FROM attempt WHERE subject = ?", (subject,)).fetchone()
                wait = wait_s(subject, row[0] if row else 0)
                # a clock that was set back must not make anybody wait longer than the wait itself
                gone = max(0.0, now.utc - row[1]) if row else 0.0
                if wait > gone:
                    raise TooSoon(wait - gone)
            for subject in subjects:
                db.execute(
                    "INSERT INTO attempt VALUES (?, 1, ?) ON CONFLICT (subject) DO UPDATE"
                    " SET n = n + 1, last_utc = excluded.last_utc",
                    (subject, now.utc),
                )

    def forgive(self, subjects: list[str]) -> None:
        """The try was right: it does not count."""
        with self._changing() as db:
            for subject in subjects:
                if subject.startswith("address "):
                    # whoever has one account must not wipe out the guesses at another made from the same place
                    db.execute("UPDATE attempt SET n = n - 1 WHERE subject = ? AND n > 0", (subject,))
                else:
                    db.execute("DELETE FROM attempt WHERE subject = ?", (subject,))

    # -- browsers -----------------------------------------------------------------------------------------------

    def knows(self, name: str, known: str, now: Moment) -> bool:
        """Whether somebody has logged in to that account from this browser before."""
        with self._asked() as db:
            row = db.execute(
                "SELECT seen_utc FROM known WHERE mark = ? AND account = ?", (mark_of(known), key_of(name))
            ).fetchone()
        return row is not None and now.utc - row[0] < _KNOWN_S

    def begin(self, name: str, address: str, browser: str, now: Moment) -> tuple[str, str]:
        """A session. Returns its token, and what the browser is known by from now on."""
        token, known, key = secrets.token_urlsafe(32), secrets.token_urlsafe(32), key_of(name)
        with self._changing() as db:
            db.execute("DELETE FROM session WHERE ? - seen_utc > ? OR ? - made_utc > ?",
                       (now.utc, self._idle_s, now.utc, self._whole_s))  # fmt: skip
            for table in ("session", "known"):
                db.execute(_OLDEST.format(table), (key, key, _MOST - 1))
            db.execute("DELETE FROM known WHERE ? - seen_utc > ?", (now.utc, _KNOWN_S))
            db.execute(
                "INSERT INTO session (mark, account, made_utc, seen_utc, address, browser)"
                " VALUES (?, ?, ?, ?, ?, ?)",
                (mark_of(token), key, now.utc, now.utc, address, browser),
            )
            db.execute("INSERT INTO known VALUES (?, ?, ?)", (mark_of(known), key, now.utc))
        return token, known

    def session(self, token: str, now: Moment) -> Session | None:
        """The session of a token, seen now; None when it has ended or never was."""
        with self._asked() as db:
            row = db.execute(_SESSION + "WHERE s.mark = ?", (mark_of(token),)).fetchone()
            if row is None:
                return None
            found = _session(row)
            if not self._lives(found, now):
                db.execute("DELETE FROM session WHERE id = ?", (found.id,))
                return None
            if abs(now.utc - found.seen_utc) > _SEEN_EVERY_S:
                db.execute("UPDATE session SET seen_utc = ? WHERE id = ?", (now.utc, found.id))
        return found

    def sessions(self, name: str, now: Moment) -> list[Session]:
        """Of one account, the newest first."""
        with self._asked() as db:
            rows = db.execute(_SESSION + "WHERE s.account = ? ORDER BY s.id DESC", (key_of(name),)).fetchall()
        return [one for one in map(_session, rows) if self._lives(one, now)]

    def _lives(self, one: Session, now: Moment) -> bool:
        return now.utc - one.seen_utc <= self._idle_s and now.utc - one.made_utc <= self._whole_s

    def end(self, name: str, session: int) -> bool:
        """Whether there was such a session of theirs."""
        with self._asked() as db:
            done = db.execute("DELETE FROM session WHERE id = ? AND account = ?", (session, key_of(name)))
        return bool(done.rowcount)

    # -- programs -----------------------------------------------------------------------------------------------

    def add_token(self, name: str, role: Role, now: Moment) -> str:
        """A token for a program. It is told this once. Refused when there is one of that name."""
        token = f"bw_{secrets.token_urlsafe(32)}"
        with self._changing() as db:
            done = db.execute("INSERT OR IGNORE INTO token VALUES (?, ?, ?, ?, ?, NULL)",
                              (key_of(name), name, mark_of(token), role, now.utc))  # fmt: skip
            if not done.rowcount:
                raise Refused(f"There is a token {name} already.", "Remove that one first, or take another name.")
        return token

    def tokens(self) -> list[Token]:
        with self._asked() as db:
            rows = db.execute("SELECT name, role, made_utc, used_utc FROM token ORDER BY key").fetchall()
        return [Token(name, Role(role), made, used) for name, role, made, used in rows]

    def token(self, token: str, now: Moment) -> Token | None:
        """Whose token it is, used now."""
        with self._asked() as db:
            row = db.execute(
                "SELECT name, role, made_utc, used_utc FROM token WHERE mark = ?", (mark_of(token),)
            ).fetchone()
            if row is not None and (row[3] is None or abs(now.utc - row[3]) > _SEEN_EVERY_S):
                db.execute("UPDATE token SET used_utc = ? WHERE mark = ?", (now.utc, mark_of(token)))
        return None if row is None else Token(row[0], Role(row[1]), row[2], row[3])

    def remove_token(self, name: str) -> None:
        with self._asked() as db:
            if not db.execute("DELETE FROM token WHERE key = ?", (key_of(name),)).rowcount:
                raise Refused(f"There is no token {name[:40]!r}.", "See: brinewatch account list")

    # -- what was done beside the daemon ------------------------------------------------------------------------

    def leave_word(self, text: str) -> None:
        """For the daemon's journal, which only the daemon writes."""
        with self._asked() as db:
            db.execute("INSERT INTO untold (body) VALUES (?)", (text,))

    def untold(self) -> list[tuple[int, str]]:
        with self._asked() as db:
            return [(row[0], row[1]) for row in db.execute("SELECT id, body FROM untold ORDER BY id LIMIT 100")]

    def told(self, upto: int) -> None:
        with self._asked() as db:
            db.execute("DELETE FROM untold WHERE id <= ?", (upto,))


_OLDEST = (
    "DELETE FROM {0} WHERE account = ? AND mark NOT IN"
    " (SELECT mark FROM {0} WHERE account = ? ORDER BY seen_utc DESC LIMIT ?)"
)
_SESSION = (
    "SELECT s.id, a.name, a.role, s.made_utc, s.seen_utc, s.address, s.browser"
    " FROM session s JOIN account a ON a.key = s.account "
)


def _session(row: tuple[int, str, int, float, float, str, str]) -> Session:
    return Session(row[0], row[1], Role(row[2]), *row[3:])


def _keeper_left(db: sqlite3.Connection, asked: bool) -> None:
    left = db.execute("SELECT 1 FROM account WHERE role = ? AND hash <> ''", (Role.KEEP,)).fetchone()
    if asked and left is None:
        raise Refused("Nobody would be left who may keep the shed.", "Give somebody else the role keep first.")
