"""Passwords as Argon2id hashes (RFC 9106), by argon2-cffi. Slow on purpose: done in a thread."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from argon2 import PasswordHasher

# OWASP Password Storage Cheat Sheet: 19 MiB, 2 passes, 1 lane; RFC 9106's own 64 MiB is more than a Pi should give
_MEMORY_KIB, _PASSES, _LANES = 19 * 1024, 2, 1


@cache
def _hasher() -> PasswordHasher:
    from argon2 import PasswordHasher

    return PasswordHasher(time_cost=_PASSES, memory_cost=_MEMORY_KIB, parallelism=_LANES)


@cache
def _nobody() -> str:
    return _hasher().hash("the password of an account that is not there")


def hashed(password: str) -> str:
    return _hasher().hash(password)


def fits(password: str, hash_: str | None) -> bool:
    """Whether a password is that of a hash. None or "", for no account or none with a password, takes as long."""
    from argon2.exceptions import InvalidHashError, VerificationError

    try:
        return _hasher().verify(hash_ or _nobody(), password) and bool(hash_)
    except (VerificationError, InvalidHashError):
        return False


def outdated(hash_: str) -> bool:
    """Whether it was made with other costs than today's."""
    return _hasher().check_needs_rehash(hash_)
