"""`series.sqlite`: how far the replica has come, and what the server would not take. A small file of its own.

It holds no reading. What it says may be older than the truth after a power cut, never newer: then some readings are
sent once more, which changes nothing.
"""

from __future__ import annotations

import contextlib
import json
import logging
import sqlite3
from collections.abc import Iterable, Mapping
from dataclasses import asdict, astuple, dataclass, replace
from pathlib import Path
from types import TracebackType
from typing import Any

from brinewatch.moment import Moment
from brinewatch.store import schema
from brinewatch.store.history_rows import DAY_US
from brinewatch.store.series.lines import Refused
from brinewatch.wholefile import sync

log = logging.getLogger(__name__)

NAME = "series.sqlite"
SERIES: tuple[schema.Step, ...] = (
    (
        "CREATE TABLE state (name TEXT PRIMARY KEY, body TEXT NOT NULL) WITHOUT ROWID",
        # readings of a point that stood side by side in what was sent, refused for the same reason
        (
            "CREATE TABLE refused (point TEXT NOT NULL, first_us INTEGER NOT NULL, last_us INTEGER NOT NULL,"
            " n INTEGER NOT NULL, reason TEXT NOT NULL, at_utc REAL NOT NULL,"
            " PRIMARY KEY (point, first_us, last_us)) WITHOUT ROWID"
        ),
    ),
)


@dataclass(frozen=True, slots=True)
class Position:
    """How far the history has been sent.

    file: the history's own name for itself; number: the newest change the server has; since_utc: what was written
    before then is a matter of the back-fill; caught_utc: when nothing waited any more, 0 when that never was;
    inside: the change after, when it is too large for one batch, and how far it is sent (microseconds).
    """

    file: str
    number: int
    since_utc: float
    caught_utc: float = 0.0
    inside: tuple[int, int] | None = None


@dataclass(frozen=True, slots=True)
class Span:
    """Readings of a point from first to last that the server refused."""

    point: str
    first_us: int
    last_us: int
    n: int
    reason: str
    at_utc: float


class SeriesFile:
    """Made anywhere, used from one thread; the daemon and a command may each have it open."""

    def __init__(self, folder: Path) -> None:
        self._path = folder / NAME
        self._db: sqlite3.Connection | None = None

    def __enter__(self) -> SeriesFile:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        if self._db is not None:
            db, self._db = self._db, None
            with contextlib.suppress(sqlite3.Error):
                db.close()

    def mend(self, now: Moment) -> str:
        """Look the file over; a damaged one is set aside and a fresh one begun that sends the whole history again.
        Returns what was done, in words, or "".
        """
        try:
            with self._asked() as db:
                schema.check(db)
            return ""
        except (sqlite3.DatabaseError, schema.Damaged) as error:
            if not schema.is_damage(error):
                raise schema.store_error(self._path, error) from error
        self.close()
        aside = schema.set_aside(self._path, now)
        self.put("position", asdict(Position("", 0, now.utc)))
        return f"{NAME} was damaged and is set aside as {aside.name}; the whole history is sent once more."

    # -- how far ------------------------------------------------------------------------------------------------

    def position(self) -> Position | None:
        """None when nothing has ever been sent."""
        found = self.get("position")
        if found is None:
            return None
        return Position(**{**found, "inside": tuple(found["inside"]) if found["inside"] else None})

    def move(self, position: Position) -> None:
        """Write a position down; whoever calls has made sure that the history itself is on the disk up to it."""
        self.put("position", asdict(position))

    def get(self, name: str) -> dict[str, Any] | None:
        """A note of that name."""
        with self._asked() as db:
            row = db.execute("SELECT body FROM state WHERE name = ?", (name,)).fetchone()
        return None if row is None else dict(json.loads(row[0]))

    def put(self, name: str, body: Mapping[str, Any] | None) -> None:
        """Keep a note under a name; None to drop it."""
        with self._asked() as db:
            if body is None:
                db.execute("DELETE FROM state WHERE name = ?", (name,))
            else:
                db.execute("INSERT OR REPLACE INTO state VALUES (?, ?)", (name, json.dumps(dict(body))))

    # -- what was refused ---------------------------------------------------------------------------------------

    def set_aside(self, refused: Iterable[Refused], at_utc: float) -> None:
        """Name readings the server refused; those of a point that follow one another for one reason as one row."""
        spans: list[Span] = []
        for one in refused:
            last = spans[-1] if spans else None
            if last and (last.point, last.reason) == (one.point, one.reason) and one.t_us >= last.last_us:
                spans[-1] = Span(one.point, last.first_us, one.t_us, last.n + 1, one.reason, at_utc)
            else:
                spans.append(Span(one.point, one.t_us, one.t_us, 1, one.reason, at_utc))
        if not spans:
            return
        with self._asked() as db:
            db.execute("BEGIN IMMEDIATE")
            for span in spans:
                _put(db, span)
            db.execute("COMMIT")
        for span in spans:
            log.warning("series: %d readings of %s were refused: %s", span.n, span.point, span.reason)

    def refused(self, most: int = 1000) -> list[Span]:
        """Oldest first."""
        with self._asked() as db:
            rows = db.execute(
                "SELECT point, first_us, last_us, n, reason, at_utc FROM refused ORDER BY first_us, point LIMIT ?",
                (most,),
            ).fetchall()
        return [Span(*row) for row in rows]

    def refused_count(self) -> int:
        """Readings in all."""
        with self._asked() as db:
            return int(db.execute("SELECT coalesce(sum(n), 0) FROM refused").fetchone()[0])

    def forget(self, span: Span) -> None:
        """Drop a row: the server has taken those readings, or somebody has said that it need not."""
        with self._asked() as db:
            db.execute(
                "DELETE FROM refused WHERE point = ? AND first_us = ? AND last_us = ?",
                (span.point, span.first_us, span.last_us),
            )

    # -- the file -----------------------------------------------------------------------------------------------

    @contextlib.contextmanager
    def _asked(self) -> Any:
        try:
            if self._db is None:
                self._path.parent.mkdir(parents=True, exist_ok=True)
                db = schema.connect(self._path, "NORMAL")
                try:
                    schema.migrate(db, SERIES, str(self._path))
                except BaseException:
                    db.close()
                    raise
                self._db = db
            yield self._db
        except (sqlite3.Error, OSError) as error:
            if self._db is not None:
                schema.rollback(self._db)
            self.close()
            if schema.is_damage(error):
                raise
            raise schema.store_error(self._path, error) from error


def _put(db: sqlite3.Connection, span: Span) -> None:
    """A row, or more in the row before where that one is of the same point, reason and day: a server that refuses
    for weeks must not fill the card with names."""
    row = db.execute(
        "SELECT first_us, last_us, n FROM refused WHERE point = ? AND reason = ? AND first_us <= ?"
        " ORDER BY first_us DESC LIMIT 1",
        (span.point, span.reason, span.first_us),
    ).fetchone()
    if row is not None:
        first_us, last_us, n = row
        if span.last_us <= last_us:
            return
        if span.first_us > last_us and span.first_us // DAY_US == first_us // DAY_US:
            db.execute("DELETE FROM refused WHERE point = ? AND first_us = ?", (span.point, first_us))
            span = replace(span, first_us=first_us, n=n + span.n)
    db.execute("INSERT OR REPLACE INTO refused VALUES (?, ?, ?, ?, ?, ?)", astuple(span))


def settle(history: Path) -> None:
    """Have on the disk what has been written of the history so far.

    Its last commits may still be in memory, and a power cut may take them: the numbers of those changes would then
    be given out again, and a position beyond them would pass over what they stand for.
    """
    log_file = schema.log_of(history)
    with contextlib.suppress(FileNotFoundError):
        sync(log_file)
