"""The daemon's end of the accounts: two threads, one for the file and one for hashing, and what was just known.

A browser that is logged in stays so when the disk hangs: whoever answers an alarm at night must not be shut out by
that very fault. What was read a moment ago counts for that long.
"""

from __future__ import annotations

import ipaddress
import logging
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from brinewatch.accounts import (
    MOST,
    Account,
    Admitted,
    Refused,
    Role,
    Session,
    Token,
    TooSoon,
    code_of,
    key_of,
    name_of,
    normal,
    password_of,
)
from brinewatch.errors import StoreError
from brinewatch.moment import Moment
from brinewatch.ports import Clock
from brinewatch.store import passwords
from brinewatch.store.accounts_file import AccountsFile, mark_of
from brinewatch.store.thread import StoreThread

log = logging.getLogger(__name__)
T = TypeVar("T")

_OPEN_S = 60.0
_HASH_S = 30.0
_STOP_S = 10.0
_FRESH_S = 3.0  # a role taken away by the command line counts after so long
_STALE_S = 12 * 3600.0
_REMEMBERED = 200
_HASHES_AT_ONCE = 8
_FIRST_SENT_A_DAY = 3
_REFUSALS_AN_HOUR = 30


class Accounts:
    """Open it first; use it from one event loop.

    note: one line for people, kept in the journal; idle_s, whole_s: how long a session lives unused, and at all;
    patience_s: real seconds after which the disk counts as hanging.
    """

    def __init__(
        self, folder: Path, clock: Clock, note: Callable[[str], None], idle_s: float, whole_s: float,
        patience_s: float = 5.0,
    ) -> None:  # fmt: skip
        self._patience_s = patience_s
        self._clock = clock
        self._note = note
        self._file = AccountsFile(folder, idle_s, whole_s, from_memory=True)
        self._disk = StoreThread("accounts", clock)
        self._hashing = StoreThread("passwords", clock)
        self._hashes = 0
        self._seen: dict[bytes, tuple[float, Session | Token]] = {}
        self._demanded: tuple[float, bool] | None = None
        self._refusals: list[float] = []
        self._unsaid = 0
        self._from_memory = False

    async def open(self) -> None:
        """StoreError when the file cannot be used."""
        self._disk.start()
        self._hashing.start()
        now = self._clock.now()
        mended = await self._do(lambda: self._file.mend(now), _OPEN_S)
        if mended:
            self._note(mended)
        self._tell_memory()

    def _tell_memory(self) -> None:
        if self._file.in_memory and not self._from_memory:
            self._note("accounts cannot be written; logins go on from memory until the disk takes them again")
        elif self._from_memory and not self._file.in_memory:
            self._note("accounts are on the disk again; who logged in meanwhile does so once more")
        self._from_memory = self._file.in_memory

    async def close(self) -> None:
        if not self._disk.stuck:
            try:
                await self._disk.run(self._file.close, _STOP_S)
            except (TimeoutError, RuntimeError):
                log.error("%s could not be closed in time.", self._file.path)
        await self._disk.stop(_STOP_S)
        await self._hashing.stop(_STOP_S)

    async def listen(self) -> None:
        """Take over into the journal what was done beside the daemon."""
        if await self._do(self._file.back):
            self._forget()
        self._tell_memory()
        found = await self._do(self._file.untold)
        for _, text in found:
            self._note(text)
        if found:
            self._forget()
            await self._do(lambda: self._file.told(found[-1][0]))

    # -- who is asking ------------------------------------------------------------------------------------------

    async def demanded(self) -> bool:
        """Whether anybody has to log in."""
        now = self._clock.now().mono
        if self._demanded is None or now - self._demanded[0] > _FRESH_S:
            try:
                self._demanded = (now, await self._do(self._file.demanded))
            except StoreError:
                if self._demanded is None:
                    raise
        return self._demanded[1]

    async def session(self, token: str) -> Session | None:
        """Who is logged in with the token of a cookie; None when it has ended or never was."""
        return await self._known(token, self._file.session, Session)

    async def token(self, token: str) -> Token | None:
        """The program a token belongs to."""
        return await self._known(token, self._file.token, Token)

    async def _known(self, token: str, find: Callable[[str, Moment], T | None], kind: type[T]) -> T | None:
        if not token or len(token) > 200:
            return None
        now, mark = self._clock.now(), mark_of(token)
        read, found = self._seen.get(mark, (float("-inf"), None))
        if isinstance(found, kind) and now.mono - read <= _FRESH_S:
            return found
        try:
            fresh = await self._do(lambda: find(token, now))
        except StoreError:
            if isinstance(found, kind) and now.mono - read <= _STALE_S:
                return found
            raise
        self._seen.pop(mark, None)
        if isinstance(fresh, Session | Token):
            if len(self._seen) >= _REMEMBERED:
                self._seen.pop(next(iter(self._seen)))
            self._seen[mark] = (now.mono, fresh)
        return fresh

    # -- the way in ---------------------------------------------------------------------------------------------

    async def log_in(self, name: str, password: str, known: str, address: str, browser: str) -> Admitted:
        """Refused when name and password do not belong together, TooSoon after too many tries."""
        now = self._clock.now()
        is_known = bool(known) and await self._do(lambda: self._file.knows(name, known, now))
        subjects = [
            f"known {mark_of(known).hex()}" if is_known else f"account {key_of(name)}",
            f"address {_network(address)}",
        ]
        await self._try(subjects, now)
        found = await self._do(lambda: self._file.account(name))
        given = normal(password[: 2 * MOST])[:MOST]
        if not await self._hash(lambda: passwords.fits(given, found[1] if found else None)) or found is None:
            self._refusal(f"refused: a wrong name or password from {address}")
            raise Refused(
                "Name and password do not belong together.", "Try again; a keeper can give a new password."
            )
        account, hash_ = found
        await self._do(lambda: self._file.forgive(subjects))
        if passwords.outdated(hash_):
            anew = await self._hash(lambda: passwords.hashed(given))
            await self._do(lambda: self._file.rehash(name, anew))
        return await self._admit(account, address, browser, "logged in")

    async def redeem(self, code: str, name: str, password: str, address: str, browser: str) -> Admitted:
        """Choose a password with a code that was given for it; the first code makes the first keeper's account."""
        now, name = self._clock.now(), name_of(name)
        chosen = password_of(password, name)
        subjects = [f"account {key_of(name)}", f"address {_network(address)}"]
        await self._try(subjects, now)
        hash_ = await self._hash(lambda: passwords.hashed(chosen))
        try:
            account = await self._change(lambda: self._file.redeem(code_of(code), name, hash_, now))
        except Refused:
            self._refusal(f"refused: a wrong code from {address}")
            raise
        await self._do(lambda: self._file.forgive(subjects))
        return await self._admit(account, address, browser, "chose a password with a code and logged in")

    async def _try(self, subjects: list[str], now: Moment) -> None:
        try:
            await self._do(lambda: self._file.count_try(subjects, now))
        except TooSoon:
            self._unsaid += 1
            raise

    def _refusal(self, text: str) -> None:
        """A guesser must not be able to fill the journal, nor to keep what they did out of it."""
        now = self._clock.now().mono
        self._refusals = [one for one in self._refusals if now - one < 3600]
        if len(self._refusals) >= _REFUSALS_AN_HOUR:
            self._unsaid += 1
            return
        self._refusals.append(now)
        more, self._unsaid = self._unsaid, 0
        self._note(f"{text}{f' ({more} more tries before that)' if more else ''}")

    async def _admit(self, account: Account, address: str, browser: str, did: str) -> Admitted:
        now = self._clock.now()
        token, known = await self._do(lambda: self._file.begin(account.name, address, browser[:120], now))
        self._note(f"{account.name} ({account.role.word}) {did} from {address}")
        return Admitted(account.name, account.role, token, known)

    # -- one's own ----------------------------------------------------------------------------------------------

    async def sessions(self, name: str) -> list[Session]:
        now = self._clock.now()
        return await self._do(lambda: self._file.sessions(name, now))

    async def end(self, name: str, session: int, by: str) -> None:
        if await self._change(lambda: self._file.end(name, session)):
            self._note(f"{name} logged out" if by == "" else f"{name} ended the session {session}")

    async def change_password(self, name: str, old: str, new: str, keep: int, address: str) -> None:
        """Ends every other session of theirs. Refused when the old one is wrong or the new one no good."""
        now, chosen = self._clock.now(), password_of(new, name)
        subjects = [f"account {key_of(name)}", f"address {_network(address)}"]
        await self._try(subjects, now)
        found = await self._do(lambda: self._file.account(name))
        given = normal(old[: 2 * MOST])[:MOST]
        if not await self._hash(lambda: passwords.fits(given, found[1] if found else None)):
            self._refusal(f"refused: {name} gave a wrong password to change it, from {address}")
            raise Refused("The password you have now is another one.", "Try again.")
        hash_ = await self._hash(lambda: passwords.hashed(chosen))
        await self._change(lambda: self._file.set_password(name, hash_, keep))
        await self._do(lambda: self._file.forgive(subjects))
        self._note(f"{name} changed their password")

    # -- other people's -----------------------------------------------------------------------------------------

    async def accounts(self) -> list[Account]:
        return await self._do(self._file.accounts)

    async def tokens(self) -> list[Token]:
        return await self._do(self._file.tokens)

    async def add(self, name: str, role: Role, by: str) -> str:
        """An account whose owner chooses a password with the code that is returned."""
        name, now = name_of(name), self._clock.now()
        code = await self._change(lambda: self._added(name, role, now))
        self._note(f"{by} made the account {name} ({role.word})")
        return code

    def _added(self, name: str, role: Role, now: Moment) -> str:
        self._file.add(name, role, "", now)
        return self._file.make_code(name, now)

    async def set_role(self, name: str, role: Role, by: str) -> None:
        await self._change(lambda: self._file.set_role(name, role))
        self._note(f"{by} gave {name} the role {role.word}")

    async def reset(self, name: str, by: str) -> str:
        """Ends the password and the sessions of somebody. Returns the code they choose another with."""
        now = self._clock.now()
        code = await self._change(lambda: self._file.make_code(name, now))
        self._note(f"{by} took back the password of {name} and gave them a code")
        return code

    async def remove(self, name: str, by: str) -> None:
        await self._change(lambda: self._file.remove(name))
        self._note(f"{by} removed the account {name}")

    async def add_token(self, name: str, role: Role, by: str) -> str:
        name, now = name_of(name), self._clock.now()
        token = await self._change(lambda: self._file.add_token(name, role, now))
        self._note(f"{by} made the token {name} ({role.word})")
        return token

    async def remove_token(self, name: str, by: str) -> None:
        await self._change(lambda: self._file.remove_token(name))
        self._note(f"{by} removed the token {name}")

    async def first_code(self) -> tuple[str, bool]:
        """A code that makes the first account, and whether it may be sent: a daemon that is started over and over
        must not send one each time."""
        now = self._clock.now()
        code = await self._do(lambda: self._file.make_code("", now))
        return code, await self._do(lambda: self._file.note_sent(now, _FIRST_SENT_A_DAY))

    # -- threads ------------------------------------------------------------------------------------------------

    def _forget(self) -> None:
        self._seen.clear()
        self._demanded = None

    async def _change(self, work: Callable[[], T]) -> T:
        try:
            return await self._do(work)
        finally:
            self._forget()

    async def _do(self, work: Callable[[], T], seconds: float = 0.0) -> T:
        try:
            return await self._disk.run(work, seconds or self._patience_s)
        except TimeoutError:
            raise StoreError(
                f"{self._file.path} does not answer.", "Look at the disk; those who are logged in stay so."
            ) from None

    async def _hash(self, work: Callable[[], T]) -> T:
        if self._hashes >= _HASHES_AT_ONCE:
            raise TooSoon(5.0)
        self._hashes += 1
        try:
            return await self._hashing.run(work, _HASH_S)
        except TimeoutError:
            raise StoreError("Passwords cannot be looked at: this computer is too busy.", "Try again.") from None
        finally:
            self._hashes -= 1


def _network(address: str) -> str:
    """Whom tries from an address count against: a household has a whole network of IPv6 addresses."""
    try:
        one = ipaddress.ip_address(address.split("%")[0])
    except ValueError:
        return address[:64]
    return str(ipaddress.ip_network((one, 64), strict=False)) if one.version == 6 else str(one)
