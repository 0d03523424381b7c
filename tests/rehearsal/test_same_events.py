"""A rehearsal says what the watch said that lived through the same readings, event for event."""

from __future__ import annotations

import random
from collections.abc import Sequence
from datetime import UTC
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alarms.any_condition import MAINS, OTHER, OWN, TABLES
from brinewatch.alarms.events import AlarmEvent
from brinewatch.alarms.rules import Alarm
from brinewatch.clock import SteppingClock
from brinewatch.readings import Reading
from brinewatch.rehearsal.answers import Answers
from brinewatch.rehearsal.plain import step_all
from brinewatch.rehearsal.quick import Quick, Work
from brinewatch.rehearsal.record import Kept, timed
from brinewatch.rehearsal.scans import Scans
from brinewatch.rehearse.stored import Stored
from brinewatch.store.history_file import HistoryFile, microseconds
from brinewatch.store.reader import StoreReader
from rehearsal.weeks import START, Lived, forecasts, series, shed

HOURS = 12


def rehearsed(
    alarms: Sequence[Alarm], record: Kept, since: float, until: float, answered_after_s: float | None
) -> tuple[list[AlarmEvent], Work]:
    scans = Scans(alarms, record, UTC, Answers(answered_after_s))
    quick = Quick(scans)
    quick.run(since, until)
    return scans.events, quick.work


def scenario(tables: Sequence[dict[str, Any]], seed: int) -> tuple[Sequence[Alarm], dict[str, list[Reading]]]:
    chance = random.Random(seed)
    alarms = shed(chance, tables)
    levels = chance.choice([[7.0], [7.0, 7.0, 6.5], [4.0, 5.0, 6.0, 7.0, 8.0]])
    return alarms, {
        OWN: series(OWN, chance, HOURS, levels), OTHER: series(OTHER, chance, HOURS, levels),
        MAINS: series(MAINS, chance, HOURS, [7.0, 7.0, 7.0, 4.0]), **forecasts(alarms, chance, HOURS),
    }  # fmt: skip


def check(tables: Sequence[dict[str, Any]], seed: int, answered_after_s: float | None, late_s: float) -> Work:
    alarms, records = scenario(tables, seed)
    since, until = START + late_s, START + HOURS * 3600.0 - late_s / 2
    lived = Lived(alarms, answered_after_s).through(records, since, until)
    record = Kept(records)
    events, work = rehearsed(alarms, record, since, until, answered_after_s)
    plain = Scans(alarms, record, UTC, Answers(answered_after_s))
    step_all(plain, since, until)
    assert plain.events == lived
    assert events == lived, first_difference(events, lived)
    return work


def first_difference(found: Sequence[AlarmEvent], wanted: Sequence[AlarmEvent]) -> str:
    """For people: what was said instead of what, and when."""

    def line(events: Sequence[AlarmEvent], place: int) -> str:
        if place >= len(events):
            return "nothing"
        one = events[place]
        return f"{one.alarm} {one.happening} at {one.at.mono - START:.6f}: {one}"

    both = min(len(found), len(wanted))
    place = next((place for place in range(both) if found[place] != wanted[place]), both)
    return f"said {line(found, place)}\ninstead of {line(wanted, place)}"


@settings(max_examples=25, deadline=None)
@given(
    st.lists(TABLES, min_size=1, max_size=3), st.integers(0, 2**32), st.sampled_from([None, None, 120.0, 2000.0]),
    st.sampled_from([0.0, 1234.5, 7200.0]),
)  # fmt: skip
def test_the_quick_way_says_what_the_watch_said(
    tables: list[dict[str, Any]], seed: int, answered_after_s: float | None, late_s: float
) -> None:
    check(tables, seed, answered_after_s, late_s)


@settings(max_examples=6, deadline=None)
@given(
    st.lists(TABLES, min_size=1, max_size=3), st.integers(0, 2**32), st.sampled_from([0.0, 1234.5]),
    st.sampled_from([0, 2, 1000]),
)  # fmt: skip
def test_out_of_the_store_it_is_the_same_whatever_hours_are_summed_up(
    tmp_path_factory: pytest.TempPathFactory, tables: list[dict[str, Any]], seed: int, late_s: float, summed_up: int
) -> None:
    alarms, records = scenario(tables, seed)
    since, until = START + late_s, START + HOURS * 3600.0
    folder = tmp_path_factory.mktemp("store")
    file = HistoryFile(folder / "history.sqlite", SteppingClock(START))
    file.open()
    file.write([one for record in records.values() for one in record])
    file.sum_up(microseconds(until), summed_up)
    file.close()
    kept = {point: [timed(one) for one in record] for point, record in records.items()}
    with StoreReader(folder, UTC) as store:
        scans = Scans(alarms, Stored(store, until, Kept({})), UTC, Answers(None))
        Quick(scans).run(since, until)
    lived = Lived(alarms).through(kept, since, until)
    assert scans.events == lived, first_difference(scans.events, lived)
