"""What is worked out over a stretch of time, against published examples, open data and independent libraries."""

from __future__ import annotations

import csv
import gzip
import itertools
import random
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from ioos_qc import qartod
from scipy import stats

from alarms.nights import at, reading
from brinewatch.alarms.conditions import Above, Is
from brinewatch.alarms.features import Features, SlopeOf, SpanOf, StartsOf
from brinewatch.alarms.windows import STRETCHES, Slope, Span, Starts, theil_sen
from brinewatch.readings import Flag, Reading

POINT = "tank.oxygen"
ESTUARY = Path(__file__).parents[1] / "checkvalues" / "estuary-sonde-gndbl-2021.csv.gz"


def test_the_example_of_the_paper() -> None:
    # Sen 1968, J. Am. Stat. Assoc. 63:1379, section 4: the estimate is 4 (data and result from memory; the result
    # is what the data give)
    x, y = (1, 2, 3, 4, 10, 12, 18), (9, 15, 19, 20, 45, 55, 78)
    assert theil_sen(list(zip(x, y, strict=True))) == 4.0


points = st.lists(
    st.tuples(st.floats(0, 1e5), st.floats(-100, 100)), min_size=2, max_size=61, unique_by=lambda point: point[0]
)


@settings(deadline=None)
@given(points)
def test_the_slope_is_that_of_an_independent_library(found: list[tuple[float, float]]) -> None:
    found.sort()
    if min(b[0] - a[0] for a, b in itertools.pairwise(found)) < 1e-3:
        return  # slopes of nearly equal times are dust in both
    x, y = zip(*found, strict=True)
    assert theil_sen(found) == pytest.approx(stats.theilslopes(y, x).slope, rel=1e-9, abs=1e-12)


def test_points_without_a_time_between_them_have_no_slope() -> None:
    with pytest.raises(ValueError, match="two different times"):
        theil_sen([(1.0, 2.0), (1.0, 3.0)])


def estuary() -> list[Reading]:
    """Dissolved oxygen of a real estuary, mg/L, every quarter of an hour (NOAA NERRS)."""
    found = []
    with gzip.open(ESTUARY, "rt", encoding="utf-8") as text:
        for row in csv.DictReader(text):
            stamp = datetime.strptime(row["DateTimeStamp"], "%m/%d/%Y %H:%M").replace(tzinfo=UTC).timestamp()
            if row["DO_mgl"].strip():
                found.append(reading(POINT, float(row["DO_mgl"]), at(stamp - 1.6e9)))
    return found[:3000]


def test_the_slope_of_a_real_record_is_that_of_an_independent_library() -> None:
    # six hours of a slow probe: 24 readings, each a stretch of its own
    record, window, checked = estuary(), Slope(6 * 3600.0), 0
    for place, one in enumerate(record):
        window.take(one)
        mono = one.at.mono
        past = [other for other in record[: place + 1] if other.at.mono >= mono - 6 * 3600.0]
        if window.value is None:
            continue
        slope = stats.theilslopes([o.value for o in past], [o.at.mono for o in past]).slope
        assert window.value == pytest.approx(slope, abs=1e-9)
        checked += 1
    assert checked > 2000


def test_many_readings_count_as_the_medians_of_sixty_stretches() -> None:
    rng = np.random.default_rng(1)
    seconds = np.arange(0, 3 * 1800, 5.0)
    values = 8.0 - seconds / 3600 + rng.normal(0, 0.2, seconds.size)
    window = Slope(1800.0)
    for mono, value in zip(seconds, values, strict=True):
        window.take(reading(POINT, float(value), at(mono)))
    frame = pd.DataFrame({"mono": seconds + at(0).mono, "value": values})
    groups = frame.groupby(frame["mono"] // 30)
    medians = pd.DataFrame({"mono": groups["mono"].mean(), "value": groups["value"].median()})
    opened = frame["mono"].iloc[-1] // 30 * 30  # the last stretch stands with its first reading
    first = frame[frame["mono"] == opened].iloc[0]
    last = medians[(medians["mono"] >= opened - 1800) & (medians["mono"] < opened)]
    slope = stats.theilslopes([*last["value"], first["value"]], [*last["mono"], first["mono"]]).slope
    assert len(last) == STRETCHES
    assert window.value == pytest.approx(slope, rel=1e-9)


def test_a_window_keeps_little_whatever_comes() -> None:
    slope, span = Slope(3600.0), Span(3600.0, 10.0)
    starts = Starts(Is(1), 0.0, 3600.0, 10.0)
    for tick in range(40000):
        one = reading("room.mains", float(tick % 2), at(0.05 * tick))
        for window in (slope, span, starts):
            window.take(one)
    assert len(slope._closed) <= STRETCHES
    assert len(slope._open) <= 128
    assert len(span._closed) <= STRETCHES + 1
    assert starts.value == 1000.0


@pytest.mark.parametrize("within", [0.0, 0.01, 0.05])
def test_flat_is_what_qartod_calls_flat(within: float) -> None:
    # test 8 of QARTOD as ioos_qc has it: the span of the last hour's samples under a tolerance
    rng = random.Random(8)
    values = [round(8.0 + rng.choice([0.0, 0.0, 0.01, -0.01]), 2) for _ in range(300)]
    values += [round(8.0 + 0.03 * rng.random(), 2) for _ in range(300)] + [8.0] * 300
    stamps = np.array([np.datetime64("2026-01-01") + np.timedelta64(60 * place, "s") for place in range(900)])
    flags = qartod.flat_line_test(
        inp=np.array(values), tinp=stamps, suspect_threshold=3600, fail_threshold=10**6, tolerance=within + 0.005
    )
    window = Span(3600.0, 180.0)
    for place, value in enumerate(values):
        window.take(reading(POINT, value, at(60.0 * place)))
        # a hair for the difference of two decimals
        flat = not window.reason and window.value is not None and window.value <= within + 1e-9
        assert flat == (flags[place] == 3), place
    assert flags[-1] == 3


def test_a_gap_begins_the_span_anew() -> None:
    window = Span(60.0, 10.0)
    for second in range(70):
        window.take(reading(POINT, 8.0, at(second)))
    assert (window.value, window.reason) == (0.0, "")
    window.take(reading(POINT, 8.0, at(90)))
    assert window.reason == "watched for 0 s of 60 s"


def test_readings_no_limit_may_be_judged_by_are_left_out() -> None:
    for flag in (Flag.FAIL, Flag.MISSING, Flag.NOT_EVALUATED):
        for window in (Slope(60.0), Span(60.0, 10.0), Starts(Above(1.0), 0.0, 60.0, 10.0)):
            assert not window.take(reading(POINT, 8.0, at(0), flag))
    assert not Slope(60.0).take(reading(POINT, float("nan"), at(0)))


@settings(deadline=None, max_examples=200)
@given(st.lists(st.tuples(st.floats(0.1, 40.0), st.sampled_from([0.0, 1.0])), min_size=1, max_size=120))
def test_starts_are_counted_as_a_person_would(ticks: list[tuple[float, float]]) -> None:
    window, mono, before, starts = Starts(Is(1), 0.0, 300.0, 10.0), 0.0, None, []
    for after, value in ticks:
        mono += after
        window.take(reading("room.mains", value, at(mono)))
        if before == 0.0 and value == 1.0:
            starts.append(at(mono).mono)
        before = value
        assert window.value == sum(start > at(mono).mono - 300.0 for start in starts)


def test_after_a_restart_the_past_can_be_played_back() -> None:
    wanted = [
        SlopeOf(POINT, 1800.0, 15.0),
        SpanOf(POINT, 1800.0, 15.0),
        StartsOf(POINT, Above(8.0), 0.1, 1800.0, 15.0),
    ]
    rng = random.Random(3)
    record = [reading(POINT, 8.0 + rng.gauss(0, 0.1), at(5.0 * place)) for place in range(2000)]
    lived, woken = Features(wanted), Features(wanted)
    lived.replay(record)
    assert lived.readings[wanted[0].key].flag is Flag.PASS
    begun = record[-1].at.mono - woken.reach[POINT]
    woken.replay(one for one in record if one.at.mono >= begun)
    assert {key: one.value for key, one in woken.readings.items()} == {
        key: one.value for key, one in lived.readings.items()
    }
    assert {one.flag for one in woken.readings.values()} == {Flag.PASS}


def test_a_window_that_fails_is_a_failed_reading_of_its_own() -> None:
    broken = StartsOf(POINT, Above("high"), 0.0, 60.0, 15.0)  # type: ignore[arg-type]
    features = Features([broken])
    features.take([reading(POINT, 8.0, at(0))], at(0))
    found = features.readings[broken.key]
    assert found.flag is Flag.FAIL
    assert found.reason.startswith("TypeError")
