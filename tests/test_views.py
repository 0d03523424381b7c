"""Past readings through the calibrations there are now. Lines are worked by hand; oxygen is held against gsw."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import replace

import gsw
import pytest
from hypothesis import given
from hypothesis import strategies as st

from brinewatch.moment import Moment
from brinewatch.quantities import QUANTITIES
from brinewatch.readings import Flag, Reading, Sample, quantity_of
from brinewatch.signals.derived import Derivation
from brinewatch.signals.display import DisplayUnits
from brinewatch.signals.planning import plan
from brinewatch.signals.quality import Quality
from brinewatch.signals.records import CalibrationRecord, Visit
from brinewatch.views import inputs_of, seen
from brinewatch.watchkeeper import Channel, StagePlan, Watchkeeper

T0 = Moment(1000.0, 1_795_000_000.0, True)
DAY = 86400.0
OXYGEN, TEMPERATURE, SALINITY, PH, TAN = (
    "tank.oxygen", "tank.temperature", "sump.salinity", "tank.ph", "tank.tan",
)  # fmt: skip
ACCURACY = {OXYGEN: 0.1, TEMPERATURE: 0.2, SALINITY: 0.3, PH: 0.05, TAN: None}
DERIVATIONS, _missing = plan(
    set(ACCURACY), ["tank.oxygen_saturation", "tank.nh3_n"], ["tank", "sump"], altitude_m=4.0
)


def record(
    point: str, key: str, made: Moment, offset: float = 0.0, slope: float = 1.0, **more: object
) -> CalibrationRecord:
    base = CalibrationRecord(
        key, point, "sonde", Visit.CALIBRATION, made.utc, made.utc, "Wren", offset=offset, slope=slope
    )
    return replace(base, **more)  # type: ignore[arg-type]


def watched(
    minutes: int = 60, records: Sequence[CalibrationRecord] = (), seed: int = 5, gaps: float = 0.0
) -> list[Reading]:
    """What a watch of so many minutes would have stored: every probe at its own second, some of it missing."""
    channels = {point: Channel(60.0, Quality(), accuracy) for point, accuracy in ACCURACY.items()}
    points = (*ACCURACY, *(one.point for one in DERIVATIONS))
    keeper = Watchkeeper(
        "Gannet Quay", [StagePlan("water", "tank", "Tank", "animals", points)], channels, DERIVATIONS, [],
        DisplayUnits(), T0,
    )  # fmt: skip
    keeper.calibrate(tuple(records))
    chance = random.Random(seed)
    true = {OXYGEN: 7.9, TEMPERATURE: 13.5, SALINITY: 33.2, PH: 7.9}
    kept: list[Reading] = []
    for minute in range(minutes):
        for second, (point, value) in enumerate(true.items()):
            at = T0.later(60.0 * minute + second)
            number = None if chance.random() < gaps else value + chance.gauss(0.0, 0.05)
            kept += keeper.take([Sample(point, number, 123.0, at, "sonde")], at.later(0.01)).readings
        if minute >= 5:  # a test by hand: entered once, read again at every scan
            tested, at = T0.later(310.0), T0.later(60.0 * minute + 10)
            kept += keeper.take([Sample(TAN, 0.4, 0.4, tested, "kit")], at).readings
    return kept


def view(stored: Sequence[Reading], *records: CalibrationRecord) -> list[Reading]:
    return list(seen(stored, records, ACCURACY, DERIVATIONS))


def of(point: str, readings: Sequence[Reading]) -> list[Reading]:
    return [one for one in readings if one.point == point]


def test_the_watch_here_has_all_that_is_claimed() -> None:
    stored = watched()
    assert {one.point for one in stored} == {*ACCURACY, "tank.oxygen_saturation", "tank.nh3_n"}
    assert _missing == {}
    assert sum(one.value is not None for one in of("tank.nh3_n", stored)) > 50


@given(seed=st.integers(0, 10_000), gaps=st.sampled_from((0.0, 0.2, 0.6)))
def test_without_a_correction_all_is_seen_as_it_was_stored(seed: int, gaps: float) -> None:
    at_work = record(OXYGEN, "o1", T0.later(-5 * DAY), offset=0.3, uncertainty=0.05)
    stored = watched(12, (at_work,), seed, gaps)
    assert view(stored, at_work) == stored


@given(seed=st.integers(0, 10_000), gaps=st.sampled_from((0.0, 0.2, 0.6)))
def test_what_is_worked_out_anew_from_the_same_inputs_is_the_same_number(seed: int, gaps: float) -> None:
    """Records whose line changes nothing make every derived value be worked out again, from the stored inputs."""
    stored = watched(12, (), seed, gaps)
    same = [record(point, f"same-{point}", T0.later(-DAY)) for point in ACCURACY]
    again = view(stored, *same)
    assert [(one.point, one.value, one.flag, one.at) for one in again] == [
        (one.point, one.value, one.flag, one.at) for one in stored
    ]
    assert all(one.calibration == f"same-{one.point}" for one in again if one.raw is not None)


def test_a_corrected_record_changes_the_value_and_never_what_was_said() -> None:
    wrong = record(OXYGEN, "o1", T0.later(-DAY), offset=0.8)
    stored = watched(30, (wrong,))
    right = record(
        OXYGEN, "o2", T0.later(2 * DAY), offset=0.1, slope=1.02, effective_utc=wrong.effective_utc, replaces="o1"
    )
    corrected = view(stored, wrong, right)
    for before, after in zip(of(OXYGEN, stored), of(OXYGEN, corrected), strict=True):
        assert before.raw is not None
        assert (before.calibration, after.calibration) == ("o1", "o2")
        assert before.value == pytest.approx(0.8 + before.raw)
        assert after.value == pytest.approx(0.1 + 1.02 * before.raw)
        assert (after.raw, after.at, after.probe) == (before.raw, before.at, before.probe)
        # GUM 5.1.2: slope times the probe's own, the record's, and two days and some of drift at 0.004 mg/L a day
        assert after.uncertainty == pytest.approx(
            ((1.02 * 0.1) ** 2 + (0.004 * (right.made_utc - after.at.utc) / DAY) ** 2) ** 0.5
        )
    assert of(TEMPERATURE, corrected) == of(TEMPERATURE, stored)


def test_derived_values_follow_their_corrected_inputs() -> None:
    """Against gsw: Garcia & Gordon 1992, another formulation, at one atmosphere; 4 m up is 0.05 % less."""
    stored = watched(10)
    right = record(OXYGEN, "o2", T0.later(DAY), offset=-1.0, effective_utc=T0.utc - DAY)
    corrected = view(stored, right)
    latest: dict[str, float] = {}
    checked = 0
    for one in corrected:
        if one.raw is not None and one.value is not None:
            latest[one.point] = one.value
        if one.point != "tank.oxygen_saturation" or one.value is None:
            continue
        full = gsw.O2sol_SP_pt(latest[SALINITY], latest[TEMPERATURE])  # umol/kg at one atmosphere
        density = gsw.rho(gsw.SR_from_SP(latest[SALINITY]), latest[TEMPERATURE], 0.0)
        percent = 100.0 * latest[OXYGEN] / (full * 31.9988e-6 * density) / (1.0 - 4 * 1.2e-4)
        assert one.value == pytest.approx(percent, rel=2e-3)
        checked += 1
    assert checked > 5
    # nothing of ammonia hangs on oxygen
    assert of("tank.nh3_n", corrected) == of("tank.nh3_n", stored)


def test_before_a_record_counts_nothing_changes_and_a_ramp_goes_over_in_between() -> None:
    stored = watched(60)
    ramp = record(
        OXYGEN, "o2", T0.later(3000.0), offset=1.0, effective_utc=T0.utc + 600.0, ramp=True
    )  # fmt: skip
    for before, after in zip(of(OXYGEN, stored), of(OXYGEN, view(stored, ramp)), strict=True):
        assert before.raw is not None
        since = before.at.utc - T0.utc
        share = 0.0 if since < 600.0 else min(1.0, (since - 600.0) / 2400.0)
        assert after.value == pytest.approx(before.raw + share)


def test_a_value_that_cannot_be_true_is_flagged_whatever_it_was() -> None:
    stored = watched(5)
    absurd = record(PH, "p2", T0.later(DAY), slope=2.5, effective_utc=T0.utc - DAY)
    for one in of(PH, view(stored, absurd)):
        assert one.flag is Flag.FAIL
        assert "outside 0 to 14" in one.reason


def test_a_flag_of_then_is_never_bettered() -> None:
    stored = [replace(one, flag=Flag.SUSPECT, reason="a spike") for one in watched(5)]
    better = record(OXYGEN, "o2", T0.later(DAY), offset=0.1, effective_utc=T0.utc - DAY)
    assert {(one.flag, one.reason) for one in of(OXYGEN, view(stored, better))} == {(Flag.SUSPECT, "a spike")}


def test_derived_without_its_inputs_stays_as_stored() -> None:
    stored = [one for one in watched(10) if one.point not in (TEMPERATURE,)]
    right = record(OXYGEN, "o2", T0.later(DAY), offset=-1.0, effective_utc=T0.utc - DAY)
    corrected = view(stored, right)
    assert of("tank.oxygen_saturation", corrected) == of("tank.oxygen_saturation", stored)
    assert of(OXYGEN, corrected) != of(OXYGEN, stored)


def test_ages_are_told_across_a_boot_by_the_calendar_and_within_one_by_the_steady_clock() -> None:
    """TAN of six hours ago, in a boot whose monotonic clock had reached 90 000 s; the newer boot begins at 50 s."""
    old = Moment(90_000.0, T0.utc - 6 * 3600.0, True)
    new = Moment(50.0, T0.utc, True)
    stored = [
        Reading(TAN, "tan", 0.4, 0.4, Flag.PASS, "", old, "kit"),
        *(
            Reading(point, quantity_of(point), value, value, Flag.PASS, "", new, "sonde")
            for point, value in ((TEMPERATURE, 13.0), (SALINITY, 33.0), (PH, 7.9))
        ),
        Reading("tank.nh3_n", "nh3_n", 0.003, None, Flag.PASS, "", new.later(0.1), "derived", age_s=6 * 3600.0),
    ]
    right = record(PH, "p2", T0.later(DAY), offset=0.2, effective_utc=T0.utc - DAY)
    [ammonia] = of("tank.nh3_n", view(stored, right))
    assert ammonia.age_s == pytest.approx(6 * 3600.0, abs=1)
    assert ammonia.value is not None
    assert ammonia.value > 0.003
    # a time server stepped the wall clock by a day within one boot: the age is still seconds
    stepped = Moment(T0.mono + 5.0, T0.utc + DAY, True)
    unset = replace(stepped, trusted=False)
    warm = {TEMPERATURE: 13.0, SALINITY: 33.0, OXYGEN: 8.0}
    one_boot = [
        *(Reading(p, quantity_of(p), v, v, Flag.PASS, "", T0, "s") for p, v in warm.items()),
        Reading("tank.oxygen_saturation", "oxygen_saturation", 90.0, None, Flag.PASS, "", unset, "derived"),
    ]  # fmt: skip
    temperature = record(TEMPERATURE, "t2", T0.later(2 * DAY), offset=1.0, effective_utc=T0.utc - DAY)
    [saturation] = of("tank.oxygen_saturation", view(one_boot, temperature))
    assert saturation.flag is Flag.PASS
    assert saturation.age_s == pytest.approx(5.0)


def test_where_the_clock_was_not_set_the_record_of_then_counts_or_what_replaces_it() -> None:
    adrift = Moment(20.0, 3600.0, False)  # 1970: nobody knows when this was
    stored = [Reading(OXYGEN, "oxygen", 8.3, 8.0, Flag.PASS, "", adrift, "sonde", 0.1, "o1")]
    first = record(OXYGEN, "o1", T0, offset=0.3)
    later = record(OXYGEN, "o2", T0.later(DAY), offset=0.5)
    [one] = view(stored, first, later)
    assert (one.value, one.calibration) == (8.3, "o1")
    [one] = view(stored, first, replace(later, replaces="o1"))
    assert (one.value, one.calibration) == (8.5, "o2")


def test_what_is_needed_is_named_each_before_what_stands_on_it() -> None:
    chain = [
        Derivation("sump.salinity", "s", {"conductivity": "sump.conductivity", "temperature": "sump.temperature"}),
        Derivation("tank.oxygen_saturation", "o", {"oxygen": OXYGEN, "salinity": "sump.salinity"}),
    ]  # fmt: skip
    assert inputs_of(OXYGEN, chain) == ()
    assert inputs_of("tank.oxygen_saturation", chain) == (
        OXYGEN, "sump.conductivity", "sump.temperature", "sump.salinity",
    )  # fmt: skip


def test_years_pass_through_without_being_held() -> None:
    taken = 0

    def stream() -> object:
        nonlocal taken
        for second in range(1_000_000):
            taken += 1
            yield Reading(OXYGEN, "oxygen", 8.0, 8.0, Flag.PASS, "", T0.later(second), "sonde", 0.1)

    views = seen(stream(), [], ACCURACY, DERIVATIONS)  # type: ignore[arg-type]
    assert next(views).value == 8.0
    assert taken <= 2
    assert QUANTITIES["oxygen"].unit == "mg/L"
