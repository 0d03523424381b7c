"""Tables of the packed history, schema 4; what each column means stands in deploy/guides/history-file.md.

`reading`, `tally` and `hour` of earlier schemas stay until the last of their rows has been packed.
"""

from __future__ import annotations

# readings of the last hours, a row for each point of each batch, only ever appended: a batch costs a page or two
_FRESH = """
CREATE TABLE fresh (
  change INTEGER PRIMARY KEY, point INTEGER NOT NULL, first_us INTEGER NOT NULL, last_us INTEGER NOT NULL,
  n INTEGER NOT NULL, passed INTEGER NOT NULL, untested INTEGER NOT NULL, suspect INTEGER NOT NULL,
  failed INTEGER NOT NULL, missing INTEGER NOT NULL,
  stamps TEXT NOT NULL, stamp_data BLOB NOT NULL, about TEXT NOT NULL, data BLOB NOT NULL)"""

# when readings were made: points that are read together share it. Numbers are never given twice (see history_rows)
_AXIS = """
CREATE TABLE axis (
  id INTEGER PRIMARY KEY AUTOINCREMENT, begin_us INTEGER NOT NULL, end_us INTEGER NOT NULL, n INTEGER NOT NULL,
  about TEXT NOT NULL, data BLOB NOT NULL)"""

# an hour of a point, later a day; low, high, total: of the usable readings. Its readings lie in `body` under the
# same number, so that whoever wants the summaries alone need not pass by them; axis is null where they were let go
# of
_PIECE = """
CREATE TABLE piece (
  id INTEGER PRIMARY KEY AUTOINCREMENT, point INTEGER NOT NULL, begin_us INTEGER NOT NULL, end_us INTEGER NOT NULL,
  first_us INTEGER NOT NULL, last_us INTEGER NOT NULL, change INTEGER NOT NULL,
  n INTEGER NOT NULL, passed INTEGER NOT NULL, untested INTEGER NOT NULL, suspect INTEGER NOT NULL,
  failed INTEGER NOT NULL, missing INTEGER NOT NULL, low REAL, high REAL, total REAL NOT NULL,
  axis INTEGER, hours TEXT NOT NULL, hour_data BLOB NOT NULL)"""

_BODY = "CREATE TABLE body (piece INTEGER PRIMARY KEY, about TEXT NOT NULL, data BLOB NOT NULL)"

# verdicts on readings already written, until the piece is packed anew; was: the flag before it
_VERDICT = """
CREATE TABLE verdict (
  point INTEGER NOT NULL, t_us INTEGER NOT NULL, flag INTEGER NOT NULL, reason INTEGER, was INTEGER NOT NULL,
  change INTEGER NOT NULL, PRIMARY KEY (point, t_us)) WITHOUT ROWID"""

_ROLLUP = """
CREATE TABLE rollup (
  point INTEGER NOT NULL, month INTEGER NOT NULL, n INTEGER NOT NULL, about TEXT NOT NULL, data BLOB NOT NULL,
  PRIMARY KEY (point, month)) WITHOUT ROWID"""

PACKED: tuple[str, ...] = (
    _FRESH,
    _AXIS,
    "CREATE INDEX axis_of ON axis (begin_us)",
    _PIECE,
    _BODY,
    "CREATE UNIQUE INDEX piece_of ON piece (point, begin_us)",
    # those that may be joined to a day once it is over
    "CREATE INDEX piece_hours ON piece (begin_us) WHERE end_us - begin_us < 86400000000",
    "CREATE INDEX piece_changed ON piece (change)",
    _VERDICT,
    # hours whose summary in a piece is not true any more: something came late, or was judged anew
    "CREATE TABLE stale (point INTEGER NOT NULL, hour INTEGER NOT NULL, PRIMARY KEY (point, hour)) WITHOUT ROWID",
    # the hours of a month of a point in a few numbers each, for overviews
    _ROLLUP,
    # file: a name of this file that no other has; change: numbers up to it have been given
    "CREATE TABLE state (name TEXT PRIMARY KEY, value) WITHOUT ROWID",
    "INSERT INTO state VALUES ('file', lower(hex(randomblob(8)))), ('change', 0)",
)
