"""The tables of `accounts.sqlite`, step by step, and how long wrong tries make one wait."""

from __future__ import annotations

from brinewatch.store.schema import Step

NAME = "accounts.sqlite"
ACCOUNTS: tuple[Step, ...] = (
    (
        (
            "CREATE TABLE account (key TEXT PRIMARY KEY, name TEXT NOT NULL, role INTEGER NOT NULL,"
            " hash TEXT NOT NULL, made_utc REAL NOT NULL) WITHOUT ROWID"
        ),
        (
            "CREATE TABLE session (id INTEGER PRIMARY KEY, mark BLOB NOT NULL UNIQUE, account TEXT NOT NULL,"
            " made_utc REAL NOT NULL, seen_utc REAL NOT NULL, address TEXT NOT NULL, browser TEXT NOT NULL)"
        ),
        # browsers somebody has logged in from before
        "CREATE TABLE known (mark BLOB PRIMARY KEY, account TEXT NOT NULL, seen_utc REAL NOT NULL) WITHOUT ROWID",
        (
            "CREATE TABLE token (key TEXT PRIMARY KEY, name TEXT NOT NULL, mark BLOB NOT NULL UNIQUE,"
            " role INTEGER NOT NULL, made_utc REAL NOT NULL, used_utc REAL) WITHOUT ROWID"
        ),
        # a code that stands in for a password once; account "" makes the first account
        "CREATE TABLE code (account TEXT PRIMARY KEY, mark BLOB NOT NULL, until_utc REAL NOT NULL) WITHOUT ROWID",
        "CREATE TABLE attempt (subject TEXT PRIMARY KEY, n INTEGER NOT NULL, last_utc REAL NOT NULL) WITHOUT ROWID",
        # what was done beside the daemon, until the daemon has put it into its journal
        "CREATE TABLE untold (id INTEGER PRIMARY KEY, body TEXT NOT NULL)",
        "CREATE TABLE state (name TEXT PRIMARY KEY, body TEXT NOT NULL) WITHOUT ROWID",
    ),
)

# tries before one has to wait, and the longest wait, by who is counted
_FREE = {"account": (5, 900.0), "known": (5, 900.0), "address": (20, 3600.0)}


def wait_s(subject: str, tries: int) -> float:
    """Seconds after the last of so many tries until the next: none, then 2, 4, 8 ..., up to the longest.

    subject: "account NAME" from browsers nobody knows, "known MARK" from one that is, "address ADDRESS".
    """
    free, longest = _FREE[subject.split(" ", 1)[0]]
    return 0.0 if tries < free else min(longest, 2.0 ** min(30, tries - free + 1))
