"""The streaming tests against ioos_qc 3, an independent library that looks at a whole series.

First: the same verdicts on regular series. Then: every deliberate difference listed in the docstring of
brinewatch.signals.quality, by its number there, with what the library says beside what is said here.
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from itertools import compress, pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from ioos_qc import qartod
from pydantic import ValidationError

from brinewatch.moment import Moment
from brinewatch.readings import Flag, Sample
from brinewatch.signals.flags import worst
from brinewatch.signals.limits import Attenuated
from brinewatch.signals.quality import Quality, judge
from signals.judging import START, final_flags, live_flags, readings

# steps of an eighth are exact in binary, so neither side rounds and a value on a limit is on it for both
VALUES = st.lists(st.integers(0, 80).map(lambda eighths: eighths / 8), min_size=3, max_size=80)
CALM = st.lists(st.sampled_from([7.0, 7.0, 7.0, 7.125, 7.25, 8.0]), min_size=3, max_size=80)
LIMITS = st.integers(1, 24).map(lambda eighths: eighths / 8)


def times(count: int, every_s: float = 60.0) -> np.ndarray:
    return np.datetime64("2023-11-14T22:13:20") + np.arange(count) * np.timedelta64(int(every_s * 1000), "ms")


def as_list(flags: np.ndarray) -> list[int]:
    return [int(flag) for flag in np.ma.filled(flags, 9)]


def walk(seed: int, count: int = 400) -> list[float]:
    """A seeded signal as probes give it: slow, noisy, sometimes still, sometimes spiky."""
    pick, value, out = random.Random(seed), 20.0, []
    for _ in range(count):
        kind = pick.random()
        value += 0.0 if kind < 0.4 else pick.choice((-0.125, 0.125)) if kind < 0.9 else pick.choice((-2.0, 2.0))
        value = min(max(value, 0.0), 60.0)
        out.append(value + (pick.choice((-6.0, 6.0)) if pick.random() < 0.02 and 6.0 < value < 54.0 else 0.0))
    return out


# The same verdicts -------------------------------------------------------------------------------------------


@given(VALUES, st.integers(1, 30), st.integers(50, 79))
def test_gross_range(values: list[float], low: int, high: int) -> None:
    theirs = qartod.gross_range_test(values, fail_span=(-5, 10_000), suspect_span=(low / 8, high / 8))
    assert live_flags(values, Quality(low=low / 8, high=high / 8)) == as_list(theirs)


@given(VALUES, LIMITS)
def test_spike(values: list[float], limit: float) -> None:
    theirs = as_list(qartod.spike_test(values, suspect_threshold=limit, method="differential"))
    ours = final_flags(values, Quality(spike=limit))
    assert ours[1:-1] == theirs[1:-1]
    assert theirs[0] == theirs[-1] == 2  # difference 5: judged by the other tests here
    assert ours[0] == ours[-1] == 1


@given(VALUES, LIMITS, st.sampled_from([60.0, 120.0, 900.0]))
def test_rate_of_change(values: list[float], limit: float, every_s: float) -> None:
    per_min = limit * 60.0 / every_s
    theirs = qartod.rate_of_change_test(values, times(len(values), every_s), threshold=per_min / 60.0)
    ours = live_flags(values, Quality(rate_per_min=per_min), every_s)
    # a change as large as the limit to the last bit is left to rounding
    sure = [abs(abs(b - a) - limit) > 1e-9 for a, b in pairwise(values)]
    assert list(compress(ours[1:], sure)) == list(compress(as_list(theirs)[1:], sure))


@given(CALM, st.integers(2, 8), st.integers(0, 6), st.sampled_from([0.0625, 0.1875, 0.5, 1.5]))
def test_flat_line(values: list[float], suspect: int, more: int, within: float) -> None:
    # a tolerance between two possible spans: difference 3 is about the span that equals it
    theirs = qartod.flat_line_test(
        values, times(len(values)), suspect_threshold=60 * suspect, fail_threshold=60 * (suspect + more),
        tolerance=within,
    )  # fmt: skip
    limits = Quality(flat_after_s=60.0 * suspect, flat_fail_after_s=60.0 * (suspect + more), flat_within=within)
    assert live_flags(values, limits) == as_list(theirs)


@settings(deadline=None)
@given(VALUES, st.sampled_from([180, 300, 1200, 3600]), st.sampled_from(["range", "standard deviation"]), LIMITS)
def test_attenuated_signal(values: list[float], over: int, by: str, suspect: float) -> None:
    fail = suspect / 2 + 0.03
    ioos = "range" if by == "range" else "std"
    theirs = qartod.attenuated_signal_test(
        values, times(len(values)), suspect_threshold=suspect + 0.03, fail_threshold=fail, test_period=over,
        min_obs=over // 60, check_type=ioos,
    )  # fmt: skip
    limits = Quality(attenuated=Attenuated(over_s=over, by=by, suspect=suspect + 0.03, fail=fail))  # type: ignore[arg-type]
    # difference 6: until the window is full the other tests decide
    assert live_flags(values, limits) == [1 if flag == 2 else flag for flag in as_list(theirs)]


@pytest.mark.parametrize("seed", range(8))
def test_seeded_records_all_tests(seed: int) -> None:
    values = walk(seed)
    assert live_flags(values, Quality(low=5, high=50)) == as_list(
        qartod.gross_range_test(values, fail_span=(-5, 10_000), suspect_span=(5, 50))
    )
    assert (
        final_flags(values, Quality(spike=1.0))[1:-1]
        == as_list(qartod.spike_test(values, suspect_threshold=1.0, method="differential"))[1:-1]
    )
    assert live_flags(values, Quality(rate_per_min=1.0)) == as_list(
        qartod.rate_of_change_test(values, times(len(values)), threshold=1.0 / 60.0)
    )
    assert live_flags(values, Quality(flat_after_s=240, flat_fail_after_s=480, flat_within=0.0625)) == as_list(
        qartod.flat_line_test(
            values, times(len(values)), suspect_threshold=240, fail_threshold=480, tolerance=0.0625
        )
    )
    theirs = as_list(
        qartod.attenuated_signal_test(
            values, times(len(values)), suspect_threshold=0.3, fail_threshold=0.1, test_period=1200, min_obs=20
        )
    )
    still = Attenuated(over_s=1200, by="standard deviation", suspect=0.3, fail=0.1)
    assert live_flags(values, Quality(attenuated=still)) == [1 if flag == 2 else flag for flag in theirs]
    assert {3, 4} & set(theirs), "a seed that tests nothing"


@pytest.mark.parametrize("month", range(1, 13))
def test_climatology_by_month(month: int) -> None:
    # vspan per month; every third day of a leap year, at noon UTC
    spans = {number: (2.0 + number, 20.0 + number) for number in range(1, 13)}
    config = [{"vspan": spans[number], "tspan": (number, number), "period": "month"} for number in spans]
    pick = random.Random(month)
    days = np.arange(0, 366, 3)
    stamps = np.datetime64("2024-01-01T12:00:00") + days * np.timedelta64(1, "D")
    values = [pick.choice((1.0, 2.0 + month, 12.0, 20.0 + month, 31.0)) for _ in days]
    theirs = as_list(qartod.climatology_test(config, values, stamps, np.zeros(len(values))))
    seasons = [
        {"begins": f"{n:02d}-01", "ends": f"{n:02d}-{(31, 29, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)[n - 1]}",
         "low": spans[n][0], "high": spans[n][1]} for n in spans
    ]  # fmt: skip
    limits = Quality.model_validate({"season": seasons})
    ours = []
    for stamp, value in zip(stamps, values, strict=True):
        utc = float(stamp.astype("datetime64[s]").astype(int))
        at = Moment(utc, utc, True)
        ours.append(int(judge(Sample("a.turbidity", value, value, at, "p"), limits, None, at)[0].flag))
    assert ours == theirs
    assert {1, 3} == set(ours)


# The differences, by their number ----------------------------------------------------------------------------


def test_1_missing_with_good_is_missing() -> None:
    one, other = [1, 2, 3, 4, 9, 2], [9, 1, 1, 3, 9, 9]
    assert as_list(qartod.qartod_compare([np.ma.array(one), np.ma.array(other)])) == [1, 1, 3, 4, 9, 2]
    pairs = zip(one, other, strict=True)
    assert [int(worst((Flag(a), Flag(b)))) for a, b in pairs] == [9, 2, 3, 4, 9, 9]


def test_1_a_number_that_is_none_has_failed() -> None:
    assert as_list(qartod.gross_range_test([1.0, float("nan")], fail_span=(0, 10))) == [1, 9]
    reading = judge(Sample("a.turbidity", float("nan"), None, START, "p"), Quality(), None, START)[0]
    assert reading.flag is Flag.FAIL


def test_2_a_reversed_span_is_refused() -> None:
    assert as_list(qartod.gross_range_test([0, 3, 9], fail_span=(5, 0))) == [1, 1, 4]
    with pytest.raises(ValidationError, match="low to be less than high"):
        Quality(low=5, high=0)


def test_3_a_tolerance_of_nothing_means_the_very_same_number() -> None:
    still = [7.0] * 10
    assert as_list(qartod.flat_line_test(still, times(10), suspect_threshold=180, fail_threshold=300)) == [1] * 10
    assert live_flags(still, Quality(flat_after_s=180, flat_fail_after_s=300)) == [1, 1, 1, 3, 3, 4, 4, 4, 4, 4]


def test_3_a_span_equal_to_the_tolerance_is_flat() -> None:
    values = [7.0, 7.5, 7.0, 7.5, 7.0]
    theirs = qartod.flat_line_test(values, times(5), suspect_threshold=120, fail_threshold=240, tolerance=0.5)
    assert as_list(theirs) == [1] * 5
    assert live_flags(values, Quality(flat_after_s=120, flat_fail_after_s=240, flat_within=0.5)) == [1, 1, 3, 3, 4]


def test_3_a_time_shorter_than_the_interval_needs_three_equal_values() -> None:
    values = [7.0, 8.0, 9.0, 9.0, 9.0]
    theirs = qartod.flat_line_test(values, times(5), suspect_threshold=30, fail_threshold=1000, tolerance=0.1)
    assert as_list(theirs) == [3] * 5
    assert live_flags(values, Quality(flat_after_s=30, flat_fail_after_s=1000)) == [1, 1, 1, 1, 3]


def test_3_silence_is_not_stillness() -> None:
    values = [7.0, 7.0, float("nan"), float("nan"), 7.0, 7.0, 7.0]
    theirs = qartod.flat_line_test(values, times(7), suspect_threshold=120, fail_threshold=600, tolerance=0.1)
    assert as_list(theirs)[4] == 3
    gaps = [None if value != value else value for value in values]
    assert live_flags(gaps, Quality(flat_after_s=120, flat_fail_after_s=600))[4:] == [1, 1, 3]


def test_4_rate_of_change_faster_than_a_second_and_across_a_gap() -> None:
    # 0.008 in half a second is 0.016 a second, 0.96 a minute
    rising = [5.0 + 0.008 * number for number in range(120)]
    quick = qartod.rate_of_change_test(rising, times(120, 0.5), threshold=0.01)
    assert as_list(quick) == [1] * 120
    assert live_flags(rising, Quality(rate_per_min=0.6), every_s=0.5) == [1] * 76 + [3] * 44
    gap = qartod.rate_of_change_test([0.0, float("nan"), 600.0], times(3), threshold=1.0)
    assert as_list(gap) == [1, 9, 1]
    assert live_flags([0.0, None, 600.0], Quality(rate_per_min=60.0)) == [1, 9, 3]


def test_4_rate_of_change_is_within_a_minute() -> None:
    # one step of a thermometer between two samples a second apart is no 3.75 K/min
    values = [12.0, 12.0625, 12.0, 12.0625]
    theirs = qartod.rate_of_change_test(values, times(4, 1.0), threshold=0.5 / 60)
    assert as_list(theirs) == [1, 3, 3, 3]
    assert live_flags(values, Quality(rate_per_min=0.5), every_s=1.0) == [1, 1, 1, 1]


def test_5_neighbours_of_a_spike_and_a_real_step_are_clean() -> None:
    def average(values: Sequence[float]) -> list[int]:
        return as_list(qartod.spike_test(values, suspect_threshold=1, fail_threshold=3))

    assert average([1, 1, 5, 1, 1]) == [2, 3, 4, 3, 2]
    assert final_flags([1, 1, 5, 1, 1], Quality(spike=1)) == [1, 1, 3, 1, 1]
    assert average([1, 1, 1, 5, 5, 5]) == [2, 1, 3, 3, 1, 2]
    assert final_flags([1, 1, 1, 5, 5, 5], Quality(spike=1)) == [1] * 6


def test_6_attenuated_signal_waits_for_a_whole_window() -> None:
    values = [0, 1, 0, 1, 0, 0, 0, 0]
    theirs = qartod.attenuated_signal_test(
        values, times(8), suspect_threshold=0.4, fail_threshold=0.1, test_period=180
    )
    assert as_list(theirs) == [4, 1, 1, 1, 1, 1, 4, 4]
    limits = Quality(attenuated=Attenuated(over_s=180, by="standard deviation", suspect=0.4, fail=0.1))
    assert live_flags([float(value) for value in values], limits) == [1, 1, 1, 1, 1, 1, 4, 4]


def test_6_attenuated_signal_begins_anew_after_a_silence() -> None:
    limits = Quality(attenuated=Attenuated(over_s=600, suspect=0.5))
    values = [7.0] * 10 + [None] * 5 + [7.0] * 10
    assert live_flags(values, limits) == [1] * 9 + [3] + [9] * 5 + [1] * 9 + [3]


def test_7_a_season_may_run_over_the_new_year_and_ends_with_its_last_day() -> None:
    limits = Quality.model_validate({"season": [{"begins": "12-01", "ends": "02-28", "high": 10}]})

    def flag(stamp: str, value: float = 12.0) -> int:
        utc = float(np.datetime64(stamp).astype("datetime64[s]").astype(int))
        at = Moment(utc, utc, True)
        return int(judge(Sample("a.turbidity", value, value, at, "p"), limits, None, at)[0].flag)

    days = [
        "2024-11-30T23:59:59",
        "2024-12-01T00:00:00",
        "2025-01-15",
        "2025-02-28T23:59:59",
        "2025-03-01T00:00:00",
    ]
    assert [flag(day) for day in days] == [1, 3, 3, 3, 1]
    config = [{"vspan": (0, 10), "tspan": ("2024-12-01", "2025-02-28")}]
    theirs = qartod.climatology_test(
        config, [12, 12], np.array(["2025-02-28T00:00", "2025-02-28T12:00"], dtype="datetime64[s]"), np.zeros(2)
    )
    assert as_list(theirs) == [3, 2]  # a date is its first second there; outside: not evaluated


def test_7_seasons_that_overlap_are_refused() -> None:
    with pytest.raises(ValidationError, match="do not overlap"):
        Quality.model_validate({"season": [
            {"begins": "06-01", "ends": "08-31", "low": 10}, {"begins": "08-31", "ends": "09-30", "low": 8},
        ]})  # fmt: skip


def test_8_a_gap_is_missing_at_once() -> None:
    stamps = np.array(
        ["2024-01-01T00:00", "2024-01-01T01:00", "2024-01-01T03:00", "2024-01-01T05:01"], "datetime64[m]"
    )
    theirs = qartod.time_gap_test(stamps.astype("datetime64[s]"), fail_span=2)
    assert as_list(theirs) == [1, 1, 1, 4]
    old = judge(Sample("a.turbidity", 8.0, 8.0, START, "p"), Quality(late_after_s=7200), None, START.later(7201))[0]
    assert old.flag is Flag.MISSING
    assert readings([1.0, None, 2.0], Quality(late_after_s=7200), 7300)[0][2].flag is Flag.PASS
