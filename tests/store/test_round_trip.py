"""Every event the engine can make comes out of the file as it went in, and so does its sealed form."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing

from hypothesis import given
from hypothesis import strategies as st

from brinewatch.alarms.events import AlarmEvent, Happening, Priority, State
from brinewatch.moment import Moment
from brinewatch.store import chain
from brinewatch.store.chain import ROOT, Head
from brinewatch.store.journal_tables import JOURNAL
from brinewatch.store.rows import EVENT_COLUMNS, Logged, get_event, put_committed, put_event
from store.made import BOOT, NOW

# no half of a surrogate pair: that is made a question mark, and tested on its own
TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=40)
SECONDS = st.floats(-1e9, 1e11)
MOMENTS = st.builds(Moment, SECONDS, SECONDS, st.booleans(), st.just(NOW.zone))
NUMBERS = st.none() | st.floats(allow_nan=False)
EVENTS = st.builds(
    AlarmEvent, st.sampled_from(Happening), TEXT, st.integers(0, 999), st.sampled_from(Priority), TEXT, TEXT, TEXT,
    st.sampled_from(State), NUMBERS, NUMBERS, MOMENTS, MOMENTS, TEXT, TEXT, st.integers(0, 2**53),
    st.lists(TEXT, max_size=5).map(tuple), st.none() | MOMENTS, TEXT,
)  # fmt: skip


def stored(*events: AlarmEvent) -> sqlite3.Connection:
    db = sqlite3.connect(":memory:", isolation_level=None)
    for step in JOURNAL:
        for statement in step:
            db.execute(statement)
    for row, event in enumerate(events, 1):
        statement = put_event(row, event, BOOT)
        assert statement.record == "event"
        db.execute(statement.sql, statement.values)
    return db


@given(EVENTS, MOMENTS)
def test_event_comes_back_as_it_was(event: AlarmEvent, committed: Moment) -> None:
    with closing(stored(event)) as db:
        stamp = put_committed([1], committed)
        db.execute(stamp.sql, stamp.values)
        row = db.execute(f"SELECT {EVENT_COLUMNS} FROM event").fetchone()
        assert get_event(row, NOW.zone) == Logged(1, event, BOOT, committed, None)


def test_every_happening_comes_back() -> None:
    """So that none is left to chance."""
    events = [
        AlarmEvent(
            happening, "a@p.q", 3, Priority.LOW, "t", "p.q", "q", State.SHELVED, 1.5, None, NOW, NOW.later(number),
            "Wren", "why", 9, ("NO FLOW", "NO AIR"), NOW.later(60), "0123456789ab",
        )
        for number, happening in enumerate(Happening)
    ]  # fmt: skip
    with closing(stored(*events)) as db:
        rows = db.execute(f"SELECT {EVENT_COLUMNS} FROM event ORDER BY id").fetchall()
        assert [get_event(row, NOW.zone).event for row in rows] == events


@given(EVENTS)
def test_chain_holds_whatever_stands_in_an_event(event: AlarmEvent) -> None:
    with closing(stored(event)) as db:
        head = chain.append(db, [("event", 1)], Head(0, ROOT))
        found = chain.check(db)
        assert (found.wrong, found.head) == (0, head)
        record = chain.get_record("event", db.execute(chain.query("event"), ("event", -1e18, 1e18)).fetchone())
        text = json.loads(record.sealed)
        assert (text["link"], text["record"], text["alarm"]) == (1, "event", event.alarm)
        assert json.loads(text["also"]) == list(event.also)


def test_sealed_form_leaves_out_what_is_not_there() -> None:
    """A column that comes with a later version, empty in every earlier row, changes no hash."""
    row = {"id": 1, "kind": "k", "body": "b", "at_mono": 1.0, "at_utc": 2.5, "at_trusted": 1, "boot": None}
    assert chain.sealed(7, "remark", row) == (
        '{"at_mono":1.0,"at_trusted":1,"at_utc":2.5,"body":"b","id":1,"kind":"k","link":7,"record":"remark"}'
    )
