"""What an hour's summary proves never contradicts stepping every sample, and is enough to be of use."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from alarms.any_condition import LEVELS, MAINS, OTHER, OWN, TABLES, alarm
from alarms.nights import reading
from brinewatch.alarms.features import Features, ForecastOf, wanted
from brinewatch.alarms.memory import AlarmMemory
from brinewatch.alarms.only import Only
from brinewatch.alarms.rules import Alarm, View, judge, proves
from brinewatch.alarms.summary import HOUR_S, Hours, HourSummary, summarise
from brinewatch.moment import Moment
from brinewatch.readings import Flag, Reading

START = 1_790_200_800.0  # a whole hour
HOURS = 4


def moment(second: float) -> Moment:
    """So many seconds after the start, on both clocks."""
    return Moment(second, START + second, True)


@dataclass(frozen=True)
class Stretch:
    """So many readings of one level and flag, so far apart."""

    level: float
    every: float
    count: int
    flag: Flag


STRETCHES = st.lists(
    st.builds(
        Stretch, level=LEVELS, every=st.sampled_from([20.0, 60.0, 170.0, 400.0]), count=st.integers(1, 40),
        flag=st.sampled_from([Flag.PASS, Flag.PASS, Flag.PASS, Flag.SUSPECT, Flag.FAIL, Flag.MISSING]),
    ),
    max_size=12,
)  # fmt: skip
# long quiet ones, as most hours are
QUIET = st.lists(
    st.builds(Stretch, level=LEVELS, every=st.just(60.0), count=st.just(90), flag=st.just(Flag.PASS)),
    min_size=3, max_size=3,
)  # fmt: skip


def played(point: str, stretches: Sequence[Stretch], wobble: float) -> list[Reading]:
    found, second = [], 7.0
    for stretch in stretches:
        for place in range(stretch.count):
            value = stretch.level + wobble * (place % 3)
            if point == MAINS:
                value = float(stretch.level > 5)
            if second < HOURS * HOUR_S:
                none = stretch.flag is Flag.MISSING
                found.append(reading(point, None if none else value, moment(second), stretch.flag))
            second += stretch.every
    return found


def summaries(record: Sequence[Reading], point: str) -> list[HourSummary]:
    rows = []
    for hour in range(HOURS):
        start, end = START + hour * HOUR_S, START + (hour + 1) * HOUR_S
        before = [one for one in record if one.at.utc < start]
        within = [one for one in record if start <= one.at.utc < end]
        rows.append(summarise(point, start, within, before[-1] if before else None))
    return rows


def stepped(
    it: Alarm, records: Mapping[str, Sequence[Reading]]
) -> tuple[set[bool | None], bool, Mapping[str, Moment], Mapping[str, Moment]]:
    """What was said in the last hour at every reading and every half minute; whether it held as the hour began; the
    memory of the parts at its beginning and at its end."""
    features = Features(wanted([it]))
    latest: dict[str, Reading] = {}
    events = sorted((one for record in records.values() for one in record), key=lambda one: one.at.mono)
    grid = [Reading("", "", None, None, Flag.MISSING, "", moment(30.0 * tick), "") for tick in range(120 * HOURS)]
    said: set[bool | None] = set()
    memory = AlarmMemory(it.id)
    holding, at_start, begun = False, False, memory.parts
    for one in sorted([*events, *grid], key=lambda one: one.at.mono):
        if one.at.utc >= START + (HOURS - 1) * HOUR_S and not said:
            at_start, begun = holding, memory.parts
        if one.point:
            latest[one.point] = one
            features.take([one], one.at)
        else:
            features.take([], one.at)
        view = View({**latest, **features.readings}, one.at)
        view.parts = memory.parts
        verdict = judge(it, view, holding)
        memory = AlarmMemory(it.id, parts=view.parts)
        if verdict is not None:
            holding = verdict
        if one.at.utc >= START + (HOURS - 1) * HOUR_S:
            said.add(verdict)
    return said, at_start, begun, memory.parts


RECORDS = st.tuples(
    st.one_of(STRETCHES, QUIET),
    st.one_of(STRETCHES, QUIET),
    st.one_of(STRETCHES, QUIET),
    st.sampled_from([0.0, 0.2]),
)


def check(it: Alarm, records: Mapping[str, Sequence[Reading]]) -> bool | None:
    said, holding, before, after = stepped(it, records)
    rows = {point: summaries(record, point) for point, record in records.items()}
    proof = proves(it, Hours(rows, START + (HOURS - 1) * HOUR_S, parts=before, offset_s=START), holding)
    if proof is not None:
        assert (not proof) not in said
        assert after == before
    return proof


@settings(max_examples=300, deadline=None)
@given(TABLES, RECORDS, st.sampled_from([0.0, 0.4]))
def test_no_proof_contradicts_stepping_every_sample(
    table: dict[str, Any], stretches: tuple[list[Stretch], list[Stretch], list[Stretch], float], band: float
) -> None:
    it = alarm(table, band)
    own, other, mains, wobble = stretches
    records: dict[str, Sequence[Reading]] = {
        OWN: played(OWN, own, wobble), OTHER: played(OTHER, other, 0.0), MAINS: played(MAINS, mains, 0.0),
    }  # fmt: skip
    for one in it.rule.condition.features():
        if isinstance(one, ForecastOf):
            records[one.key] = [
                reading(one.key, 900.0 * place.value, place.at)
                for place in records[OTHER]
                if place.value is not None
            ]
    check(it, records)


@settings(max_examples=200, deadline=None)
@given(
    st.one_of(STRETCHES, QUIET),
    st.sampled_from(
        [((1320, 360), ()), ((360, 1320), ()), ((0, 90), ()), (None, (9,)), (None, (9, 10)), (None, (3,))]
    ),
)
@example([Stretch(4.0, 60.0, 400, Flag.PASS)], ((1320, 360), ()))
def test_hours_and_months_are_proven_too(
    own: list[Stretch], when: tuple[tuple[int, int] | None, tuple[int, ...]]
) -> None:
    check(alarm({"below": 5.0}, only=Only(*when)), {OWN: played(OWN, own, 0.0)})


QUIET_DAY = {
    OWN: [Stretch(8.0, 60.0, 300, Flag.PASS)], OTHER: [Stretch(7.8, 60.0, 300, Flag.PASS)],
    MAINS: [Stretch(8.0, 60.0, 300, Flag.PASS)],
}  # fmt: skip


@pytest.mark.parametrize(
    ("table", "proof"),
    [
        ({"below": 6.0}, False), ({"above": 9.0}, False), ({"above": 7.0}, True), ({"failed": True}, False),
        ({"stale_s": 120.0}, False),
        ({"differs_from": OTHER, "by": 1.0}, False), ({"lower_than": OTHER, "by": 1.0}, False),
        ({"falls": 5.0, "over_s": 1800.0, "per": "h"}, False),
        ({"flat_s": 1800.0, "within": 0.5}, True),
        ({"starts_more_than": 3, "over_s": 3600.0, "of": {"below": 6.0}}, False),
        ({"all": [{"below": 6.0, "for_s": 60.0}, {"point": MAINS, "state": "off"}]}, False),
        ({"any": [{"below": 6.0, "for_s": 60.0}, {"point": MAINS, "state": "on", "for_s": 60.0}]}, True),
        ({"not": {"below": 6.0}}, True),
    ],
)  # fmt: skip
def test_a_quiet_hour_proves_what_it_should(table: dict[str, Any], proof: bool) -> None:
    records = {point: played(point, stretches, 0.1) for point, stretches in QUIET_DAY.items()}
    assert check(alarm(table), records) is proof


def test_the_first_reading_of_the_hour_before_counts_until_the_next() -> None:
    # 4 mg/L stood when the hour began: below 5 was true for a moment, whatever the hour itself read
    low_then_well = [Stretch(4.0, 60.0, 180, Flag.PASS), Stretch(8.0, 60.0, 100, Flag.PASS)]
    assert check(alarm({"below": 5.0}), {OWN: played(OWN, low_then_well, 0.0)}) is None


def test_an_hour_of_failed_readings_proves_that_there_are_no_data() -> None:
    record = {OWN: played(OWN, [Stretch(8.0, 60.0, 100, Flag.PASS), Stretch(8.0, 60.0, 200, Flag.FAIL)], 0.0)}
    assert check(alarm({"stale_s": 120.0}), record) is True
    assert check(alarm({"failed": True}), record) is True
    assert check(alarm({"below": 6.0}), record) is None
