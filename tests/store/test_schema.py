"""The files themselves: how they come to be, and which are refused."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from brinewatch.store import schema
from brinewatch.store.journal_tables import JOURNAL

FIRST = ("CREATE TABLE fish (name TEXT)", "INSERT INTO fish VALUES ('goby')")
SECOND = ("ALTER TABLE fish ADD COLUMN length REAL", "UPDATE fish SET length = 0.11")
BROKEN = ("CREATE TABLE crab (name TEXT)", "INSERT INTO fish VALUES (1, 2, 3, 4)")


@pytest.fixture
def db(tmp_path: Path) -> Iterator[sqlite3.Connection]:
    with closing(schema.connect(tmp_path / "a.sqlite", "FULL")) as db:
        yield db


def version(db: sqlite3.Connection) -> int:
    return int(db.execute("PRAGMA user_version").fetchone()[0])


def test_each_step_is_taken_once_and_in_order(db: sqlite3.Connection) -> None:
    schema.migrate(db, [FIRST], "a.sqlite")
    assert version(db) == 1
    schema.migrate(db, [FIRST, SECOND], "a.sqlite")
    schema.migrate(db, [FIRST, SECOND], "a.sqlite")
    assert version(db) == 2
    assert db.execute("SELECT * FROM fish").fetchall() == [("goby", 0.11)]


def test_step_that_fails_leaves_the_file_at_the_one_before(db: sqlite3.Connection) -> None:
    with pytest.raises(sqlite3.OperationalError):
        schema.migrate(db, [FIRST, BROKEN], "a.sqlite")
    assert version(db) == 1
    assert [row[0] for row in db.execute("SELECT name FROM sqlite_master")] == ["fish"]
    schema.migrate(db, [FIRST, SECOND], "a.sqlite")
    assert version(db) == 2


def test_newer_file_is_refused_with_both_numbers(db: sqlite3.Connection) -> None:
    schema.migrate(db, [FIRST, SECOND], "a.sqlite")
    with pytest.raises(
        schema.NewerStore, match=r"a\.sqlite has schema 2, this program knows 1\. Install the program"
    ):
        schema.migrate(db, [FIRST], "a.sqlite")


def test_file_of_another_program_is_refused(db: sqlite3.Connection) -> None:
    db.execute("CREATE TABLE recipes (soup TEXT)")
    with pytest.raises(schema.NewerStore, match="tables of another program"):
        schema.migrate(db, JOURNAL, "a.sqlite")
    assert version(db) == 0


@pytest.mark.parametrize("steps", [JOURNAL, schema.HISTORY])
def test_our_schemas_build_and_pass_sqlites_own_check(
    db: sqlite3.Connection, steps: tuple[schema.Step, ...]
) -> None:
    schema.migrate(db, steps, "a.sqlite")
    schema.check(db)
    assert version(db) == len(steps)


def test_journal_commits_reach_the_disk_before_they_return(db: sqlite3.Connection) -> None:
    """sqlite.org/pragma.html#pragma_synchronous: in WAL mode FULL (2) syncs the log after each transaction."""
    assert db.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    assert db.execute("PRAGMA synchronous").fetchone() == (2,)


def test_history_may_lose_the_last_seconds_but_can_shrink(tmp_path: Path) -> None:
    """sqlite.org/pragma.html#pragma_auto_vacuum: 2 is incremental; pragma_synchronous: 1 is NORMAL."""
    with closing(schema.connect(tmp_path / "b.sqlite", "NORMAL", shrinks=True)) as db:
        schema.migrate(db, schema.HISTORY, "b.sqlite")
        assert db.execute("PRAGMA synchronous").fetchone() == (1,)
        assert db.execute("PRAGMA auto_vacuum").fetchone() == (2,)


def test_files_are_not_for_everybody_to_read(tmp_path: Path, db: sqlite3.Connection) -> None:
    assert (tmp_path / "a.sqlite").stat().st_mode & 0o007 == 0
