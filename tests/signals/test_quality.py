"""The live quality flag: vectors of an independent library, deliberate differences, and what is never vetoed."""

from __future__ import annotations

import math
from collections.abc import Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from brinewatch.moment import Moment
from brinewatch.readings import Flag, Reading, Sample
from brinewatch.signals.calibration import Calibration
from brinewatch.signals.flags import worst
from brinewatch.signals.quality import Quality, QualityMemory, judge

START = Moment(1000.0, 1_700_000_000.0, True)
NAN = math.nan


def sample(value: float | None, at_s: float = 0.0, point: str = "nursery.oxygen", **more: object) -> Sample:
    return Sample(point, value, value, START.later(at_s), "do-1", **more)  # type: ignore[arg-type]


def run(
    values: Sequence[float | None], settings: Quality, every_s: float = 60.0, point: str = "nursery.oxygen"
) -> tuple[list[int], list[int]]:
    """Live flags, and flags after hindsight, of evenly spaced samples. None is a sample with no value."""
    memory: QualityMemory | None = None
    live: list[int] = []
    final: list[int] = []
    for number, value in enumerate(values):
        one = sample(value, number * every_s, point)
        if value is None:
            one = Sample(point, None, None, one.at, "do-1", Flag.MISSING, "No answer.")
        reading, memory, verdict = judge(one, settings, memory, one.at)
        live.append(int(reading.flag))
        if verdict is not None:
            assert verdict.at == START.later((number - 1) * every_s)
            final[-1] = int(verdict.flag)
        final.append(int(reading.flag))
    return live, final


# Vectors of ioos_qc 3.0.0 (run on even series), where we agree ----------------------------------------------


def test_gross_range_passes_on_the_bound_as_ioos_qc_does() -> None:
    # QARTOD manuals, test 4: outside the sensor span fails, outside the user span is suspect, equal passes
    live, _ = run([2.0, 9.0, 1.99, 9.01, 40.0, 40.01, -0.5, -0.51], Quality(low=2, high=9))
    assert live == [1, 1, 3, 3, 3, 4, 3, 4]


def test_flat_line_as_ioos_qc_flags_it() -> None:
    # ioos_qc 3.0.0: ten equal samples at 60 s, suspect 180 s, fail 300 s, tolerance 0.01
    live, final = run([7.0] * 10, Quality(flat_after_s=180, flat_fail_after_s=300, flat_within=0.01))
    assert live == final == [1, 1, 1, 3, 3, 4, 4, 4, 4, 4]


def test_two_samples_are_no_flat_line() -> None:
    # ioos_qc 3.0.0: fewer than three samples pass
    assert run([7.0, 7.0], Quality(flat_after_s=30))[0] == [1, 1]


def test_spike_against_the_differential_method_of_ioos_qc() -> None:
    # ioos_qc 3.0.0 "differential", suspect 2: [1,1,5,1,1] marks the middle one; neighbours are clean
    live, final = run([1, 1, 5, 1, 1], Quality(spike=2))
    assert live == [1, 1, 1, 1, 1]
    assert final == [1, 1, 3, 1, 1]
    # strictly greater: a spike as high as the limit passes
    assert run([1, 1, 5, 1, 1], Quality(spike=4))[1] == [1, 1, 1, 1, 1]
    # a two-sample spike is missed by this method, there as here
    assert run([1, 1, 5, 5, 1, 1], Quality(spike=1))[1] == [1, 1, 1, 1, 1, 1]


def test_rate_of_change_is_strict_and_spares_the_first_sample() -> None:
    # ioos_qc 3.0.0: t = 0, 60, 120 s, v = 0, 12, 36, 1/s = 60/min; equal passes
    assert run([0.0, 12.0, 36.0], Quality(rate_per_min=12))[0] == [1, 1, 3]


# Deliberate differences -------------------------------------------------------------------------------------


def test_missing_with_good_is_missing() -> None:
    # ioos_qc 3.0.0 qartod_compare: [1,2,3,4,9,2] with [9,1,1,3,9,9] -> [1,1,3,4,9,2]; here the worst wins
    pairs = zip([1, 2, 3, 4, 9, 2], [9, 1, 1, 3, 9, 9], strict=True)
    assert [int(worst((Flag(one), Flag(other)))) for one, other in pairs] == [9, 2, 3, 4, 9, 9]
    assert worst(()) is Flag.PASS
    assert worst((Flag.FAIL, Flag.MISSING)) is Flag.MISSING


def test_rate_of_change_never_fails_a_reading_and_sees_across_a_gap() -> None:
    # ioos_qc 3.0.0: [0,120,600] with a fail limit ends in 4, and [0,NaN,600] in 1
    assert run([0.0, 12.0, 39.0], Quality(rate_per_min=1))[0] == [1, 3, 3]
    assert run([0.0, None, 39.0], Quality(rate_per_min=1))[0] == [1, 9, 3]


def test_rate_of_change_works_below_a_second() -> None:
    # ioos_qc 3.0.0 cuts the interval to whole seconds, and so never flags sampling faster than 1 s
    assert run([5.0, 5.0, 9.0], Quality(rate_per_min=2), every_s=0.5)[0] == [1, 1, 3]


def test_rate_of_change_is_within_a_minute_not_blown_up_from_a_second() -> None:
    # one step of a DS18B20 (0.0625 K) between two samples a second apart is not 3.75 K/min
    steps = [12.0, 12.0625, 12.0, 12.0625]
    assert run(steps, Quality(rate_per_min=0.5), every_s=1.0, point="sump.temperature")[0] == [1, 1, 1, 1]
    slow = [12.0 + 0.02 * number for number in range(60)]
    live, _ = run(slow, Quality(rate_per_min=0.5), every_s=1.0, point="sump.temperature")
    assert live[:26] == [1] * 26
    assert live[26:] == [3] * 34  # 0.52 K over 26 s and on


def test_flat_line_with_no_tolerance_flags_the_very_same_number() -> None:
    # ioos_qc 3.0.0: tolerance 0 never flags
    assert run([7.0] * 5, Quality(flat_after_s=120))[0] == [1, 1, 3, 3, 3]
    assert run([7.0, 7.0, 7.01, 7.0, 7.0], Quality(flat_after_s=120))[0] == [1, 1, 1, 1, 1]


def test_flat_line_range_equal_to_the_tolerance_is_flat() -> None:
    assert run([7.0, 7.5, 7.0, 7.5], Quality(flat_after_s=120, flat_within=0.5))[0] == [1, 1, 3, 3]


def test_a_real_step_is_no_spike() -> None:
    # ioos_qc 3.0.0 "average" calls both sides of [1,1,1,5,5,5] suspect
    live, final = run([1, 1, 1, 5, 5, 5], Quality(spike=1))
    assert live == final == [1] * 6


def test_no_number_is_a_failure_not_a_gap() -> None:
    # ioos_qc gives NaN flag 9; here bytes came, and they were bad
    for bad in (NAN, math.inf, -math.inf):
        reading, _, _ = judge(sample(bad), Quality(), None, START)
        assert (reading.flag, reading.value) == (Flag.FAIL, None)
        assert "no number" in reading.reason


# What may never happen --------------------------------------------------------------------------------------


def test_a_blower_stop_is_a_step_and_every_test_lets_alarms_judge_it() -> None:
    settings = Quality(low=8, high=20, rate_per_min=1, spike=0.5, flat_after_s=600)
    pressures = [11.9, 12.0, 11.9, 0.2, 0.1, 0.2, 0.1]
    memory = None
    for number, pressure in enumerate(pressures):
        one = sample(pressure, number, "air.air_pressure")
        reading, memory, _ = judge(one, settings, memory, one.at)
        assert reading.usable
        assert reading.value == pressure


def test_a_spike_verdict_leaves_the_live_flag_alone() -> None:
    live, final = run([8, 8, 2, 8, 8], Quality(spike=1))
    assert live == [1, 1, 1, 1, 1]
    assert final == [1, 1, 3, 1, 1]


def test_neighbours_of_a_gap_are_not_judged_as_spikes() -> None:
    assert run([8, 8, 2, None, 8], Quality(spike=1))[1] == [1, 1, 1, 9, 1]
    assert run([8, None, 2, 8, 8], Quality(spike=1))[1] == [1, 9, 1, 1, 1]


def test_silence_does_not_count_as_stillness() -> None:
    settings = Quality(flat_after_s=120)
    memory = None
    flags = []
    for at, value in [(0, 7.0), (60, 7.0), (120, 7.0), (180, None), (4000, 7.0), (4060, 7.0), (4120, 7.0)]:
        one = sample(value, at)
        reading, memory, _ = judge(one, settings, memory, one.at)
        flags.append(int(reading.flag))
    assert flags == [1, 1, 3, 9, 1, 1, 3]


def test_a_slow_probe_can_be_still_too() -> None:
    # sampled less often than flat_after_s, three equal values are needed all the same
    settings = Quality(flat_after_s=600, flat_fail_after_s=2700)
    assert run([7.0] * 4, settings, every_s=900)[0] == [1, 1, 3, 4]


@pytest.mark.parametrize("flag", [Flag.FAIL, Flag.MISSING])
def test_a_driver_that_refused_is_never_overruled(flag: Flag) -> None:
    reading, _, _ = judge(sample(None, flag=flag, reason="checksum"), Quality(), None, START)
    assert (reading.flag, reading.reason, reading.value) == (flag, "checksum", None)
    reading, _, _ = judge(sample(8.0, flag=Flag.FAIL, reason="power-on value"), Quality(), None, START)
    assert reading.flag is Flag.FAIL
    assert not reading.usable


def test_a_sample_that_says_pass_but_has_no_value_is_missing() -> None:
    reading, _, _ = judge(sample(None), Quality(), None, START)
    assert reading.flag is Flag.MISSING
    assert reading.reason


def test_a_doubting_driver_makes_it_suspect_and_its_words_stay() -> None:
    reading, _, _ = judge(sample(8.0, flag=Flag.SUSPECT, reason="3.7 mA"), Quality(), None, START)
    assert (reading.flag, reading.reason, reading.value) == (Flag.SUSPECT, "3.7 mA", 8.0)


def test_an_old_sample_is_missing() -> None:
    reading, _, _ = judge(sample(8.0), Quality(late_after_s=30), None, START.later(31))
    assert (reading.flag, reading.value, reading.raw) == (Flag.MISSING, None, 8.0)
    assert "31 s old" in reading.reason
    assert judge(sample(8.0), Quality(late_after_s=30), None, START.later(30))[0].flag is Flag.PASS


def test_a_switch_may_stay_as_it_is() -> None:
    live, _ = run([1.0] * 8, Quality(flat_after_s=60, rate_per_min=0.1), point="sump.level_switch")
    assert live == [1] * 8


def test_calibration_comes_before_the_limits_and_its_uncertainty_is_carried() -> None:
    line = Calibration(offset=0.5, slope=2.0, id="do-1/3", uncertainty=0.03)
    reading, _, _ = judge(sample(4.0), Quality(high=8), None, START, line, 0.02)
    assert reading.value == 8.5
    assert reading.raw == 4.0
    assert reading.flag is Flag.SUSPECT
    assert reading.calibration == "do-1/3"
    # GUM 5.1.2: sqrt((2 * 0.02)^2 + 0.03^2) = 0.05
    assert reading.uncertainty == pytest.approx(0.05)
    assert judge(sample(4.0), Quality(), None, START, line)[0].uncertainty is None


def test_a_calibration_that_overflows_gives_no_value() -> None:
    reading, _, _ = judge(sample(1e308), Quality(), None, START, Calibration(slope=1e10))
    assert (reading.flag, reading.value) == (Flag.FAIL, None)


@given(
    st.lists(st.sampled_from([7.0, 7.1, 7.2, 7.4, 7.8]), min_size=1, max_size=60),
    st.sampled_from([0.0, 0.15, 0.35]),
)
def test_the_still_stretch_is_the_longest_there_is(values: list[float], within: float) -> None:
    live, _ = run(values, Quality(flat_after_s=240, flat_fail_after_s=480, flat_within=within))
    for number in range(len(values)):
        start = number
        while start > 0 and max(values[start - 1 : number + 1]) - min(values[start - 1 : number + 1]) <= within:
            start -= 1
        still = (number - start) * 60.0
        expected = 1 if still < 240 or number - start < 2 else 3 if still < 480 else 4
        assert live[number] == expected, (number, start)


@given(st.floats(allow_nan=True, allow_infinity=True), st.sampled_from(list(Flag)))
def test_whatever_comes_nothing_unfit_is_ever_usable(value: float, flag: Flag) -> None:
    reading, _, _ = judge(sample(value, flag=flag), Quality(low=2, high=9), None, START)
    if not (math.isfinite(value) and -0.5 <= value <= 40 and flag in (Flag.PASS, Flag.SUSPECT)):
        assert not reading.usable
    elif 2 <= value <= 9:
        assert reading.flag is flag
    else:
        assert reading.flag is Flag.SUSPECT
    assert reading.value is None or math.isfinite(reading.value)


def test_judging_changes_nothing_it_was_given() -> None:
    settings = Quality(flat_after_s=120, spike=1, rate_per_min=1)
    _, memory, _ = judge(sample(7.0), settings, None, START)
    again = [judge(sample(7.5, 60), settings, memory, START.later(60)) for _ in range(2)]
    assert again[0] == again[1]
    assert isinstance(memory.last, Reading)


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        ({"low": 9, "high": 2}, "low to be less than high"),
        ({"low": 9, "high": 9}, "low to be less than high"),
        ({"flat_fail_after_s": 60}, "flat_after_s to go with flat_fail_after_s"),
        ({"flat_after_s": 60, "flat_fail_after_s": 30}, "no less than flat_after_s"),
        ({"rate_per_min": 0}, "greater than 0"),
        ({"spike": -1}, "greater than 0"),
        ({"flat_within": -0.1}, "greater than or equal to 0"),
        ({"low": NAN}, "finite number"),
        ({"lo": 1}, "Extra inputs"),
        ({"low": "2"}, "valid number"),
    ],
)
def test_settings_that_cannot_be_meant_are_refused(settings: dict[str, object], message: str) -> None:
    with pytest.raises(ValidationError, match=message):
        Quality.model_validate(settings)


@pytest.mark.parametrize("numbers", [(NAN, 1, 0), (0, 0, 0), (0, math.inf, 0), (0, 1, -1)])
def test_a_calibration_that_is_no_line_is_refused(numbers: tuple[float, float, float]) -> None:
    offset, slope, uncertainty = numbers
    with pytest.raises(ValueError, match="calibration do-1/4: offset"):
        Calibration(offset, slope, "do-1/4", uncertainty)
