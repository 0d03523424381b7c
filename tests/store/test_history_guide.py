"""The guide to the history's file: its program reads what the daemon wrote, and its sentences are true."""

from __future__ import annotations

import random
import re
import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from brinewatch.readings import Flag
from brinewatch.store.columns import microseconds
from brinewatch.store.history_file import Verdict
from store.test_packed_history import START, Plain, a_record, opened

GUIDE = (Path(__file__).parents[2] / "deploy/guides/history-file.md").read_text(encoding="utf-8")
(PROGRAM,) = re.findall(r"```python\n(.*?)```", GUIDE, re.DOTALL)


@pytest.mark.parametrize("hours", [3, 14, 60])
def test_the_lines_in_the_guide_read_what_was_written(tmp_path: Path, hours: int) -> None:
    chance, plain = random.Random(hours), Plain()
    file = opened(tmp_path)
    order = a_record(chance, 30.0)
    while order:
        batch, order = order[:200], order[200:]
        file.write(batch)
        plain.write(batch)
        while file.sum_up(microseconds(START + hours * 3600), 50):  # into hours, then into days
            pass
        one = chance.choice(batch)
        verdict = Verdict(one.point, microseconds(one.at.utc), Flag.FAIL, "in hindsight")
        file.write([verdict])
        plain.write([verdict])
    file.close()
    program: dict[str, object] = {"__name__": "guide"}
    exec(compile(PROGRAM, "history-file.md", "exec"), program)
    found = sorted(program["readings"](tmp_path / "history.sqlite"), key=lambda row: row[:2])  # type: ignore[operator]
    wanted = sorted(
        (one.point, microseconds(one.at.utc), one.raw, one.value, int(one.flag)) for one in plain.known.values()
    )
    assert found == wanted


def test_every_table_and_column_the_guide_names_is_there(tmp_path: Path) -> None:
    file = opened(tmp_path)
    file.write([replace(one, at=one.at) for one in a_record(random.Random(1), 3.0)])
    while file.sum_up(microseconds(START + 60 * 3600), 50):
        pass
    file.close()
    with closing(sqlite3.connect(tmp_path / "history.sqlite")) as db:
        tables = {name for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
        told = set(re.findall(r"`(\w+)`", GUIDE[GUIDE.index("## Tables") : GUIDE.index("## How a column")]))
        assert tables - {"sqlite_sequence"} <= told
        columns = {
            name for table in tables for (name,) in db.execute("SELECT name FROM pragma_table_info(?)", (table,))
        }
        assert told <= tables | columns
        (query,) = re.findall(r"`(SELECT name, datetime.*?)`", GUIDE, re.DOTALL)
        rows = db.execute(query).fetchall()
        assert len(rows) == db.execute("SELECT count(*) FROM piece").fetchone()[0]
        assert {name for name, *_ in rows} == {name for (name,) in db.execute("SELECT name FROM point")}


def test_the_program_is_as_short_as_is_said() -> None:
    lines = [line for line in PROGRAM.splitlines() if line.strip()]
    assert len(lines) == 40
