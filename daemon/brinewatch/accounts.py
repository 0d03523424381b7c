"""Who may use the page, and how far: values, and the words people choose. Pure."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from enum import IntEnum

from brinewatch.errors import BrinewatchError
from brinewatch.moment import span_text

# NIST SP 800-63B asks for 8 at least; one lost phone number is the smaller harm here, so ours is a little longer
LEAST = 10
MOST = 256
_NAME = re.compile(r"[^\W_][\w .'-]{0,39}")
# no letter that is read for another: codes are read off a small screen
_CODE_LETTERS = "23456789ABCDEFGHJKMNPQRSTUVWXYZ"
CODE_LENGTH = 8


class Role(IntEnum):
    """What a visitor may do; each may do what those before it may. NOBODY may see the way in and nothing else."""

    NOBODY = 0
    LOOK = 1
    ACKNOWLEDGE = 2
    KEEP = 3

    @property
    def word(self) -> str:
        return self.name.lower()


ROLES = (Role.LOOK, Role.ACKNOWLEDGE, Role.KEEP)


@dataclass(frozen=True, slots=True)
class Account:
    """One person. ready: whether they have a password; without one a code waits for them, or has lapsed."""

    name: str
    role: Role
    made_utc: float
    ready: bool


@dataclass(frozen=True, slots=True)
class Session:
    """One browser that is logged in. seen_utc: to a few minutes."""

    id: int
    name: str
    role: Role
    made_utc: float
    seen_utc: float
    address: str
    browser: str


@dataclass(frozen=True, slots=True)
class Token:
    """A program that may ask, and give orders. used_utc: to a few minutes, None when never."""

    name: str
    role: Role
    made_utc: float
    used_utc: float | None


@dataclass(frozen=True, slots=True)
class Admitted:
    """What a browser is given at the way in. token: for its cookie; known: by which it is known as one that has
    been here before, so that strangers' wrong guesses do not keep its owner out."""

    name: str
    role: Role
    token: str
    known: str


class Refused(BrinewatchError):
    """Not let in, or not done. Says nothing about which half was wrong."""


class TooSoon(Refused):
    """Too many wrong tries. wait_s: until the next is listened to."""

    def __init__(self, wait_s: float) -> None:
        self.wait_s = wait_s
        super().__init__(
            f"Too many wrong tries. The next one counts in {span_text(max(1.0, wait_s))}.",
            "Wait, then try once more.",
        )


def role_of(word: str) -> Role:
    """Refused for a word that is no role."""
    for role in ROLES:
        if role.word == word.strip().lower():
            return role
    raise Refused(f"{word[:40]!r} is no role.", "Choose look, acknowledge or keep.")


def name_of(text: str) -> str:
    """A person's or a program's name as it is kept. Refused for one that is none."""
    name = " ".join(unicodedata.normalize("NFKC", text).split())
    if not _NAME.fullmatch(name):
        raise Refused(
            f"{name[:40]!r} is no name for an account.",
            "Use 1 to 40 letters, numbers, spaces, dots or hyphens, a letter or number first.",
        )
    return name


def key_of(name: str) -> str:
    """What two ways of writing one name have in common."""
    return " ".join(unicodedata.normalize("NFKC", name).split()).casefold()[:200]


def password_of(text: str, name: str) -> str:
    """A password as it is hashed, checked as one that is chosen. Refused for one that is too easily guessed."""
    password = normal(text)
    if len(password) < LEAST:
        raise Refused(
            f"This password has {len(password)} characters.", f"Take {LEAST} or more: a few words are best."
        )
    if len(password) > MOST:
        raise Refused("This password is too long.", f"Take {MOST} characters at most.")
    plain = re.sub(r"\W", "", password).casefold()
    if len(set(plain)) < 5 or plain in (re.sub(r"\W", "", key_of(name)) * 2, "brinewatch", "1234567890"):
        raise Refused("This password is among the first that anybody would try.", "Take a few words of your own.")
    return password


def normal(password: str) -> str:
    """The same password from every keyboard (NIST SP 800-63B: normalised by NFKC)."""
    return unicodedata.normalize("NFKC", password)


def code_letters() -> str:
    return _CODE_LETTERS


def code_of(text: str) -> str:
    """A code as it was typed, without what is only there to be read."""
    return re.sub(r"[^0-9A-Z]", "", text.upper())[:40]


def code_text(code: str) -> str:
    """A code as people are shown it: K7QF-2M9X."""
    return f"{code[:4]}-{code[4:]}"
