"""The tables of the journal, step by step. A step that has been given out is never changed: a new one is added.

What is written of an event, a remark, an entry, a message, a rule or a calibration stands: whoever tries to change
or delete it, this program too, is stopped by the file. `SEALED` says which columns that is, and the chain of hashes
(chain.py) covers the same ones; `OPEN` says which are filled in later.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from brinewatch.store.schema import Step

# Four instants of an alarm event (IEC 60601-1-8 asks for the delays between them): began = the condition occurred,
# at = the engine detected it, committed = it was safe on disk, sent = its first message was taken by the network.
_EVENT = """
CREATE TABLE event (
  id INTEGER PRIMARY KEY, happening TEXT NOT NULL, alarm TEXT NOT NULL, number INTEGER NOT NULL,
  priority TEXT NOT NULL, title TEXT NOT NULL, point TEXT NOT NULL, quantity TEXT NOT NULL, state TEXT NOT NULL,
  value REAL, limit_value REAL,
  began_mono REAL NOT NULL, began_utc REAL NOT NULL, began_trusted INTEGER NOT NULL,
  at_mono REAL NOT NULL, at_utc REAL NOT NULL, at_trusted INTEGER NOT NULL,
  by_whom TEXT NOT NULL, detail TEXT NOT NULL, boot TEXT NOT NULL,
  committed_mono REAL, committed_utc REAL, committed_trusted INTEGER,
  sent_mono REAL, sent_utc REAL, sent_trusted INTEGER)"""

# the same step of the same alarm at the same instant is one event, however often it is handed in
_EVENT_ONCE = """
CREATE UNIQUE INDEX event_once ON event
  (boot, at_mono, at_utc, alarm, number, happening, by_whom, detail)"""

_MESSAGE = """
CREATE TABLE message (
  id INTEGER PRIMARY KEY, event INTEGER, way TEXT NOT NULL, recipient TEXT NOT NULL, body TEXT NOT NULL,
  number INTEGER, payload TEXT, expires_utc REAL, recorded INTEGER NOT NULL,
  created_mono REAL NOT NULL, created_utc REAL NOT NULL, created_trusted INTEGER NOT NULL, boot TEXT NOT NULL,
  state TEXT NOT NULL, detail TEXT NOT NULL, tries INTEGER NOT NULL, due_utc REAL,
  changed_utc REAL NOT NULL)"""

_REFERENCE = """
CREATE TABLE reference (
  message INTEGER NOT NULL, try INTEGER NOT NULL, part INTEGER NOT NULL, reference INTEGER NOT NULL,
  sent_mono REAL NOT NULL, sent_utc REAL NOT NULL, sent_trusted INTEGER NOT NULL, boot TEXT NOT NULL,
  state TEXT NOT NULL, PRIMARY KEY (message, try, part)) WITHOUT ROWID"""

_REMARK = """
CREATE TABLE remark (
  id INTEGER PRIMARY KEY, kind TEXT NOT NULL, body TEXT NOT NULL,
  at_mono REAL NOT NULL, at_utc REAL NOT NULL, at_trusted INTEGER NOT NULL, boot TEXT NOT NULL)"""

_ENTRY = """
CREATE TABLE entry (
  id INTEGER PRIMARY KEY, point TEXT NOT NULL, value REAL NOT NULL, by_whom TEXT NOT NULL,
  at_mono REAL NOT NULL, at_utc REAL NOT NULL, at_trusted INTEGER NOT NULL, boot TEXT NOT NULL,
  corrects INTEGER)"""

# body: the record as JSON; the columns beside it are there to be looked for
_CALIBRATION = """
CREATE TABLE calibration (
  id TEXT PRIMARY KEY, point TEXT NOT NULL, effective_utc REAL NOT NULL, made_utc REAL NOT NULL, body TEXT NOT NULL,
  at_mono REAL NOT NULL, at_utc REAL NOT NULL, at_trusted INTEGER NOT NULL, boot TEXT NOT NULL) WITHOUT ROWID"""

# what was written of a calibration stands: whoever tries to change it, this program too, is stopped by the file
_CALIBRATION_STANDS = (
    """
CREATE TRIGGER calibration_unchanged BEFORE UPDATE ON calibration
BEGIN SELECT RAISE(ABORT, 'a calibration record is never changed'); END""",
    """
CREATE TRIGGER calibration_kept BEFORE DELETE ON calibration
BEGIN SELECT RAISE(ABORT, 'a calibration record is never deleted'); END""",
    # REPLACE deletes without asking the trigger above (sqlite.org/lang_conflict.html)
    """
CREATE TRIGGER calibration_once BEFORE INSERT ON calibration
WHEN EXISTS (SELECT 1 FROM calibration WHERE id = NEW.id)
BEGIN SELECT RAISE(IGNORE); END""",
)


# a rule as it was, once for each version of it; body: what the version stands for (alarms/version.py)
_RULE = """
CREATE TABLE rule (
  version TEXT PRIMARY KEY, alarm TEXT NOT NULL, body TEXT NOT NULL,
  at_mono REAL NOT NULL, at_utc REAL NOT NULL, at_trusted INTEGER NOT NULL, boot TEXT NOT NULL) WITHOUT ROWID"""

# measured_utc: when it was measured, NULL when that is when it was entered; typed: what the person typed; form: the
# form it came with, so that a form sent twice is kept once; photo: a file of the folder photos
_SAYS = ("measured_utc", "typed", "note", "photo", "form")

# an entry that does not count: taken back, or told to have failed and written late all the same
_WITHDRAWN = """
CREATE TABLE withdrawn (
  entry INTEGER PRIMARY KEY, detail TEXT NOT NULL,
  at_mono REAL NOT NULL, at_utc REAL NOT NULL, at_trusted INTEGER NOT NULL, boot TEXT NOT NULL)"""

# how a chain came to begin: with the file, with an upgrade of it, after damage
_BEGINNING = """
CREATE TABLE beginning (
  id INTEGER PRIMARY KEY, body TEXT NOT NULL,
  at_mono REAL NOT NULL, at_utc REAL NOT NULL, at_trusted INTEGER NOT NULL, boot TEXT NOT NULL)"""

# key: of the record in its own table
_CHAIN = """
CREATE TABLE chain (
  link INTEGER PRIMARY KEY, record TEXT NOT NULL, key NOT NULL, hash TEXT NOT NULL)"""

_AT = ("at_mono", "at_utc", "at_trusted", "boot")


@dataclass(frozen=True, slots=True)
class Sealed:
    """What stands for ever of one table. key: its column that names a record; columns: all that are sealed."""

    key: str
    columns: tuple[str, ...]


SEALED: Mapping[str, Sealed] = {
    "beginning": Sealed("id", ("id", "body", *_AT)),
    "rule": Sealed("version", ("version", "alarm", "body", *_AT)),
    "event": Sealed("id", (
        "id", "happening", "alarm", "number", "priority", "title", "point", "quantity", "state", "value",
        "limit_value", "began_mono", "began_utc", "began_trusted", "at_mono", "at_utc", "at_trusted", "by_whom",
        "detail", "boot", "incident", "also", "until_mono", "until_utc", "until_trusted", "rule_version",
    )),
    "message": Sealed("id", (
        "id", "event", "way", "recipient", "body", "number", "payload", "expires_utc", "created_mono",
        "created_utc", "created_trusted", "boot",
    )),
    "remark": Sealed("id", ("id", "kind", "body", *_AT)),
    "entry": Sealed("id", (
        "id", "point", "value", "by_whom", "corrects", *_AT, *_SAYS,
    )),
    "withdrawn": Sealed("entry", ("entry", "detail", *_AT)),
    "calibration": Sealed("id", ("id", "point", "effective_utc", "made_utc", "body", *_AT)),
}  # fmt: skip

# sealed columns that the first schema with a chain has not, and the one that brought them
SINCE: Mapping[tuple[str, str], int] = {("entry", column): 4 for column in _SAYS}

# What is only known later: when an event was committed and sent (each filled once), how far a message got.
OPEN: Mapping[str, tuple[str, ...]] = {
    "event": ("committed_mono", "committed_utc", "committed_trusted", "sent_mono", "sent_utc", "sent_trusted"),
    "message": ("recorded", "state", "detail", "tries", "due_utc", "changed_utc"),
}

# what step 3 sealed of an entry
_ENTRY_WAS = ("id", "point", "value", "by_whom", "corrects", *_AT)

_REFUSED = "BEGIN SELECT RAISE(ABORT, 'what the journal says is neither changed nor deleted'); END"


def _stands(table: str, columns: Sequence[str], same: str) -> Step:
    """Triggers that refuse every change of the columns, every deletion, and a REPLACE, which deletes without asking
    a trigger (sqlite.org/lang_conflict.html). same: what makes a new row one that is there already."""
    there = f"EXISTS (SELECT 1 FROM {table} WHERE {same})"  # noqa: S608 - our own names
    return (
        f"CREATE TRIGGER {table}_unchanged BEFORE UPDATE OF {', '.join(columns)} ON {table} {_REFUSED}",
        f"CREATE TRIGGER {table}_kept BEFORE DELETE ON {table} {_REFUSED}",
        f"CREATE TRIGGER {table}_once BEFORE INSERT ON {table} WHEN {there} BEGIN SELECT RAISE(IGNORE); END",
    )


def _filled_once(columns: Sequence[str], known: str) -> str:
    given = f"BEFORE UPDATE OF {', '.join(columns)} ON event WHEN OLD.{known} IS NOT NULL"
    return f"CREATE TRIGGER event_{known} {given} {_REFUSED}"


_SAME_LINK = "link = NEW.link OR (record = NEW.record AND key = NEW.key)"
_SAME_EVENT = (
    "id = NEW.id OR (boot = NEW.boot AND at_mono = NEW.at_mono AND at_utc = NEW.at_utc AND alarm = NEW.alarm"
    " AND number = NEW.number AND happening = NEW.happening AND by_whom = NEW.by_whom AND detail = NEW.detail)"
)

JOURNAL: tuple[Step, ...] = (
    (
        "CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID",
        _EVENT,
        "CREATE INDEX event_at ON event (at_utc)",
        _EVENT_ONCE,
        "CREATE TABLE memory (alarm TEXT PRIMARY KEY, body TEXT NOT NULL) WITHOUT ROWID",
        _MESSAGE,
        "CREATE INDEX message_open ON message (id) WHERE due_utc IS NOT NULL OR state = 'waiting'",
        _REFERENCE,
        "CREATE INDEX reference_sent ON reference (sent_utc)",
        _REMARK,
        _ENTRY,
        "CREATE INDEX entry_point ON entry (point, id)",
    ),
    (
        _CALIBRATION,
        "CREATE INDEX calibration_point ON calibration (point, effective_utc)",
        *_CALIBRATION_STANDS,
    ),
    (
        "ALTER TABLE event ADD COLUMN incident INTEGER NOT NULL DEFAULT 0",
        "ALTER TABLE event ADD COLUMN also TEXT NOT NULL DEFAULT '[]'",
        "ALTER TABLE event ADD COLUMN until_mono REAL",
        "ALTER TABLE event ADD COLUMN until_utc REAL",
        "ALTER TABLE event ADD COLUMN until_trusted INTEGER",
        "ALTER TABLE event ADD COLUMN rule_version TEXT NOT NULL DEFAULT ''",
        "CREATE INDEX event_incident ON event (incident) WHERE incident != 0",
        "CREATE INDEX message_event ON message (event)",
        _RULE,
        _WITHDRAWN,
        _BEGINNING,
        _CHAIN,
        "CREATE UNIQUE INDEX chain_record ON chain (record, key)",
        *_stands("event", SEALED["event"].columns, _SAME_EVENT),
        _filled_once(("committed_mono", "committed_utc", "committed_trusted"), "committed_utc"),
        _filled_once(("sent_mono", "sent_utc", "sent_trusted"), "sent_utc"),
        *_stands("message", SEALED["message"].columns, "id = NEW.id"),
        *_stands("remark", SEALED["remark"].columns, "id = NEW.id"),
        *_stands("entry", _ENTRY_WAS, "id = NEW.id"),
        *_stands("rule", SEALED["rule"].columns, "version = NEW.version"),
        *_stands("withdrawn", SEALED["withdrawn"].columns, "entry = NEW.entry"),
        *_stands("beginning", SEALED["beginning"].columns, "id = NEW.id"),
        *_stands("chain", ("link", "record", "key", "hash"), _SAME_LINK),
    ),
    (
        "ALTER TABLE entry ADD COLUMN measured_utc REAL",
        *(f"ALTER TABLE entry ADD COLUMN {column} TEXT" for column in _SAYS[1:]),
        "CREATE INDEX entry_form ON entry (form) WHERE form IS NOT NULL",
        "CREATE INDEX entry_corrects ON entry (corrects) WHERE corrects IS NOT NULL",
        f"CREATE TRIGGER entry_says_unchanged BEFORE UPDATE OF {', '.join(_SAYS)} ON entry {_REFUSED}",
    ),
)
