"""The chain of the journal: each record's hash takes in the one before, so that a gap or an edit shows.

hash = SHA-256 over the hash before, as 64 hexadecimal digits, followed by the sealed form of the record, in UTF-8.
The first link follows 64 zeros. The sealed form is JSON with sorted keys and no spaces: the number of the link, the
table, and the sealed columns (`SEALED`) that are not NULL, so that a column added later changes no hash. When an
event was committed and sent, and how far a message got, is known later and not covered.

What the chain cannot show is that all of it was made anew, or its newest end cut off, by somebody who knows how:
that takes a head that was given out before, which must still stand in it.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Mapping
from contextlib import closing
from dataclasses import dataclass, field
from hashlib import sha256
from pathlib import Path
from typing import Any

from brinewatch.moment import Moment, utc_text
from brinewatch.store.journal_tables import JOURNAL, OPEN, SEALED, SINCE

ROOT = "0" * 64
_FAULTS = 100  # named one by one; the rest are counted


@dataclass(frozen=True, slots=True)
class Head:
    """The newest link: its number and its hash. Given out, it proves later that nothing up to it was changed."""

    link: int
    hash: str

    def __str__(self) -> str:
        return f"{self.link}:{self.hash}"

    @classmethod
    def of(cls, text: str) -> Head:
        """The way back. ValueError when it is none."""
        number, _, digits = text.strip().lower().partition(":")
        if not number.isdecimal() or len(digits) != len(ROOT) or set(digits) - set("0123456789abcdef"):
            raise ValueError(f"{text!r}: expected a number, a colon and 64 hexadecimal digits")
        return cls(int(number), digits)


@dataclass(slots=True)
class Checked:
    """What a check of the chain found. faults: one sentence each, the first hundred; wrong: how many there are."""

    links: int = 0
    head: Head | None = None
    wrong: int = 0
    faults: list[str] = field(default_factory=list)

    def say(self, fault: str) -> None:
        self.wrong += 1
        if len(self.faults) < _FAULTS:
            self.faults.append(fault)


def sealed(link: int, record: str, row: Mapping[str, Any]) -> str:
    """The text of one record that its hash is taken of. TypeError for a value no journal holds."""
    kept = {column: row[column] for column in SEALED[record].columns if row.get(column) is not None}
    return json.dumps({**kept, "link": link, "record": record}, sort_keys=True, separators=(",", ":"))


def hash_of(before: str, text: str) -> str:
    return sha256((before + text).encode()).hexdigest()


def head(db: sqlite3.Connection) -> Head | None:
    """The newest link; None of an empty chain."""
    found = db.execute("SELECT link, hash FROM chain ORDER BY link DESC LIMIT 1").fetchone()
    return None if found is None else Head(*found)


def end_of(path: Path) -> Head | None:
    """The newest link of a file that is set aside, as far as it can be read."""
    try:
        with closing(sqlite3.connect(path)) as db:
            return head(db)
    except sqlite3.Error:
        return None


def append(db: sqlite3.Connection, records: Iterable[tuple[str, Any]], last: Head) -> Head:
    """Chain records, given as (table, key), that have just been written in the same transaction."""
    for record, key in records:
        row = _row(db, record, key)
        assert row is not None
        link = last.link + 1
        last = Head(link, hash_of(last.hash, sealed(link, record, row)))
        db.execute("INSERT INTO chain VALUES (?, ?, ?, ?)", (link, record, key, last.hash))
    return last


def begin(db: sqlite3.Connection, words: str, now: Moment, boot: str) -> Head:
    """Begin the chain of a file that has none, in the transaction under way: with how that came, then with every
    record the file holds, as it stands. words: what is to be said of it; "" says what there is to see."""
    held = {record: db.execute(f"SELECT count(*) FROM {record}").fetchone()[0] for record in SEALED}  # noqa: S608 - our own names
    counts = ", ".join(f"{count} of {record}" for record, count in held.items() if count)
    if not words and not counts:
        words = "The journal begins."
    elif not words:
        words = f"The chain begins. Records from before are taken in as they stand: {counts}."
    key = 1 + (db.execute("SELECT max(id) FROM beginning").fetchone()[0] or 0)
    values = (key, words, now.mono, now.utc, now.trusted, boot)
    db.execute("INSERT INTO beginning VALUES (?, ?, ?, ?, ?, ?)", values)
    last = append(db, [("beginning", key)], Head(0, ROOT))
    for record, its in SEALED.items():
        keys = db.execute(f"SELECT {its.key} FROM {record} ORDER BY {its.key}")  # noqa: S608 - our own names
        last = append(db, ((record, one) for (one,) in keys if (record, one) != ("beginning", key)), last)
    return last


class Walk:
    """The whole chain, followed one record at a time, in pieces of any size. known: heads that were given out and
    must still be in it.

    One edit is one fault: each link is held against the hash that stands before it.
    """

    def __init__(self, known: Iterable[Head] = ()) -> None:
        self.found = Checked()
        self._wanted = {one.link: one for one in known}
        self._before = ROOT
        self._left = list(SEALED)

    def on(self, db: sqlite3.Connection, most: int = -1) -> bool:
        """At most so many links further (-1: to the end), or one table further once all are followed; True when it
        is over. sqlite3.Error when the file itself cannot be read on."""
        last = self.found.head.link if self.found.head else 0
        links = "SELECT link, record, key, hash FROM chain WHERE link > ? ORDER BY link LIMIT ?"
        for link, record, key, digest in (rows := db.execute(links, (last, most))):
            self._link(db, link, record, key, digest)
        rows.close()
        if most >= 0 and self.found.head and self.found.head.link > last:
            return False
        for one in self._wanted:
            self.found.say(f"link {one}, which was given out, is missing: the chain was cut off before it.")
        self._wanted.clear()
        while self._left:
            record = self._left.pop(0)
            for (key,) in db.execute(unchained(record), (record,)):
                row = _row(db, record, key)
                self.found.say(f"{_name(record, key, row)} stands in no link: it was put in past the chain.")
            if most >= 0:
                break
        return not self._left

    def _link(self, db: sqlite3.Connection, link: int, record: object, key: object, digest: str) -> None:
        found = self.found
        last = found.head.link if found.head else 0
        if link != last + 1:
            missing = f"link {last + 1} is" if link == last + 2 else f"links {last + 1} to {link - 1} are"
            found.say(f"{missing} missing: the records there were taken out, and their hashes with them.")
        elif (fault := _fault(db, link, record, key, self._before, digest)) is not None:
            found.say(fault)
        if (one := self._wanted.pop(link, None)) is not None and one.hash != digest:
            found.say(f"link {link} is not the one that was given out: the chain up to there was made anew.")
        found.links += 1
        found.head, self._before = Head(link, digest), digest


def check(db: sqlite3.Connection, known: Iterable[Head] = ()) -> Checked:
    """Follow the whole chain at once. sqlite3.Error when the file itself cannot be read on."""
    walk = Walk(known)
    walk.on(db)
    return walk.found


def _fault(db: sqlite3.Connection, link: int, record: object, key: object, before: str, digest: str) -> str | None:
    if record not in SEALED:
        return f"link {link} names a record of {record!r}, which there is not: the link was changed."
    row = _row(db, str(record), key)
    if row is None:
        return f"link {link}: {record} {key} is gone: it was deleted."
    try:
        right = hash_of(before, sealed(link, str(record), row)) == digest
    except (TypeError, UnicodeError):
        right = False
    if right:
        return None
    return f"link {link}: {_name(str(record), key, row)} is not what was written: it, or its link, was changed."


def _name(record: str, key: object, row: Mapping[str, Any] | None) -> str:
    """A record by what a person knows it by."""
    row = row or {}
    about = [row.get("happening"), row.get("alarm"), row.get("kind"), row.get("point"), row.get("recipient")]
    words = " ".join(str(one) for one in about if one)
    stamp = row.get("at_utc", row.get("created_utc"))
    when = f", {utc_text(stamp)}" if isinstance(stamp, float) and abs(stamp) < 1e11 else ""
    return f"{record} {key}" + (f" ({words}{when})" if words else when)


def _row(db: sqlite3.Connection, record: str, key: object) -> Mapping[str, Any] | None:
    its = SEALED[record]
    # all there are: a file that is not brought up yet lacks some
    asked = db.execute(f"SELECT * FROM {record} WHERE {its.key} = ?", (key,))  # noqa: S608 - our own names
    found = asked.fetchone()
    return None if found is None else {one[0]: value for one, value in zip(asked.description, found, strict=True)}


def unchained(record: str) -> str:
    """A query for the keys of records that stand in no link. Its value: the table again."""
    key = SEALED[record].key
    # the plus takes the column's type from it: a key may be of any, and its index serves no typed one
    chained = f"SELECT 1 FROM chain WHERE record = ? AND key = +one.{key}"  # noqa: S608 - our own names
    return f"SELECT {key} FROM {record} AS one WHERE NOT EXISTS ({chained})"  # noqa: S608


@dataclass(frozen=True, slots=True)
class Record:
    """One record as it stands, with its link. fields: every column of its table, the open ones too; before: the
    hash it follows, "" when that link is missing."""

    link: int
    record: str
    hash: str
    before: str
    fields: Mapping[str, Any]

    @property
    def key(self) -> Any:
        return self.fields[SEALED[self.record].key]

    @property
    def at_utc(self) -> float:
        """When it came to be, as the clock then was."""
        return float(self.fields.get("at_utc", self.fields.get("created_utc")) or 0.0)

    @property
    def sealed(self) -> str:
        return sealed(self.link, self.record, self.fields)


def query(record: str, version: int = len(JOURNAL)) -> str:
    """A query for the records of one table, in order of the chain, in a file of a schema. Its values: the table
    again, since and until."""
    at = _instant(record)
    before = "SELECT hash FROM chain AS earlier WHERE earlier.link = chain.link - 1"
    return (
        f"SELECT chain.link, chain.hash, ({before}), {_columns(record, version)}"  # noqa: S608 - our own names
        f" FROM {record} AS one JOIN chain ON chain.record = ? AND chain.key = +one.{SEALED[record].key}"
        f" WHERE one.{at} >= ? AND one.{at} < ? ORDER BY chain.link"
    )


def backward(record: str, version: int = len(JOURNAL)) -> str:
    """A query for the records of one table within a piece of the chain, the newest first: what it costs goes by
    the piece, not by the file. Its values: the table again, the first link of the piece and the one after its last,
    since and until."""
    at = _instant(record)
    return (
        f"SELECT chain.link, chain.hash, '', {_columns(record, version)}"  # noqa: S608 - our own names
        f" FROM chain CROSS JOIN {record} AS one ON one.{SEALED[record].key} = chain.key"
        # the plus keeps the index of records out: the piece is to be found by its links
        f" WHERE +chain.record = ? AND chain.link >= ? AND chain.link < ? AND one.{at} >= ? AND one.{at} < ?"
        " ORDER BY chain.link DESC"
    )


def ends(record: str) -> str:
    """A query for the first and the last link of the records of one table from since to before until."""
    at = _instant(record)
    return (
        f"SELECT min(chain.link), max(chain.link) FROM {record} AS one"  # noqa: S608 - our own names
        f" CROSS JOIN chain ON chain.record = ? AND chain.key = +one.{SEALED[record].key}"
        f" WHERE one.{at} >= ? AND one.{at} < ?"
    )


def _instant(record: str) -> str:
    return "created_utc" if record == "message" else "at_utc"


def _columns(record: str, version: int) -> str:
    return ", ".join(
        "NULL" if SINCE.get((record, column), 0) > version else f"one.{column}"
        for column in (*SEALED[record].columns, *OPEN.get(record, ()))
    )


def get_record(record: str, row: tuple[Any, ...]) -> Record:
    """A row of `query`."""
    columns = (*SEALED[record].columns, *OPEN.get(record, ()))
    before = ROOT if row[0] == 1 else row[2] or ""
    return Record(row[0], record, row[1], before, dict(zip(columns, row[3:], strict=True)))
