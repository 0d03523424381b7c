"""Points being calibrated: nothing fires on them and nothing clears, and it ends by itself."""

from __future__ import annotations

from collections.abc import Mapping

import pytest

from alarms.nights import bound
from brinewatch.alarms.events import Happening
from brinewatch.moment import Moment
from brinewatch.readings import Flag, Sample, stage_of
from brinewatch.signals.display import DisplayUnits
from brinewatch.signals.planning import plan
from brinewatch.signals.quality import Quality
from brinewatch.signals.records import CalibrationRecord, Visit
from brinewatch.watchkeeper import Channel, Outcome, StagePlan, Watchkeeper

T0 = Moment(1000.0, 1_795_000_000.0, True)
OXYGEN, TEMPERATURE, SALINITY, PERCENT = (
    "raceway.oxygen", "raceway.temperature", "raceway.salinity", "raceway.oxygen_saturation",
)  # fmt: skip
POINTS = (OXYGEN, TEMPERATURE, SALINITY, PERCENT)
WELL = {OXYGEN: 8.3, TEMPERATURE: 13.0, SALINITY: 33.0}


class Bench:
    """One tank, scanned every 5 s."""

    def __init__(self) -> None:
        self.now = T0
        derivations, _ = plan(set(WELL), [PERCENT], ["raceway"], altitude_m=0.0)
        alarms = [*bound("sea_cucumber.toml", "watch.toml", points=[*POINTS, "calibration.health"])]
        self.keeper = Watchkeeper(
            "Gannet Quay", [StagePlan("water", "raceway", "Raceway", "animals", POINTS)],
            {point: Channel(5.0, Quality(), 0.1) for point in WELL}, derivations, alarms, DisplayUnits(), T0,
        )  # fmt: skip
        self.events: list[tuple[str, str]] = []
        self.health: tuple[bool | None, str] = (True, "")

    def passes(self, seconds: float, values: Mapping[str, float | None] = WELL) -> Outcome:
        end = self.now.mono + seconds
        while True:
            samples = [Sample(point, value, value, self.now, "sonde") for point, value in values.items()]
            self.keeper.note_health({"calibration": self.health}, self.now)
            came = self.keeper.take(samples, self.now)
            self.events += [(event.happening.value, event.alarm) for event in came.events]
            if self.now.mono >= end:
                return came
            self.now = self.now.later(5.0)

    def standing(self) -> set[str]:
        return {view.alarm for view in self.keeper.overview(self.now).alarms}


def test_a_held_reading_keeps_its_numbers_and_says_who() -> None:
    bench = Bench()
    bench.keeper.calibrate(
        (CalibrationRecord("o1", OXYGEN, "sonde", Visit.CALIBRATION, T0.utc, T0.utc, "Teal", offset=0.2),)
    )
    bench.keeper.holds.hold([OXYGEN], "Wren", T0.mono + 1800)
    bench.passes(5, {**WELL, OXYGEN: 0.1})
    reading = bench.keeper.latest[OXYGEN]
    assert (reading.flag, reading.reason) == (Flag.NOT_EVALUATED, "being calibrated by Wren")
    assert (reading.raw, reading.value, reading.calibration) == (0.1, pytest.approx(0.3), "o1")
    bench.passes(5, {**WELL, OXYGEN: None})
    assert bench.keeper.latest[OXYGEN].reason == "being calibrated by Wren: The probe gave no value."
    percent = bench.keeper.latest[PERCENT]
    assert (percent.flag, percent.value) == (Flag.NOT_EVALUATED, None)
    assert "being calibrated by Wren" in percent.reason


@pytest.mark.parametrize("value", [0.1, 30.0, None])
def test_nothing_fires_of_a_held_probe_nor_of_what_stands_on_it(value: float | None) -> None:
    bench = Bench()
    bench.passes(60)
    bench.keeper.holds.hold([OXYGEN], "Wren", bench.now.mono + 1800)
    bench.passes(1790, {**WELL, OXYGEN: value})
    assert bench.events == []
    assert bench.keeper.overview(bench.now).notes == (
        "Raceway: dissolved oxygen is being calibrated by Wren; its alarms wait until 11:38 at the latest.",
    )


def test_a_hold_ends_by_itself_and_then_everything_is_judged_again() -> None:
    bench = Bench()
    bench.passes(60)
    bench.keeper.holds.hold([OXYGEN], "Wren", bench.now.mono + 600)
    bench.passes(605, {**WELL, OXYGEN: 0.1})
    assert bench.keeper.latest[OXYGEN].flag is not Flag.NOT_EVALUATED
    assert bench.keeper.overview(bench.now).notes == ()
    bench.passes(600, {**WELL, OXYGEN: 0.1})
    assert any("oxygen" in alarm for alarm in bench.standing())


def test_what_stood_before_is_not_cleared_by_a_probe_in_a_cup() -> None:
    bench = Bench()
    bench.passes(900, {**WELL, OXYGEN: 1.0})
    stood = bench.standing()
    assert stood
    bench.keeper.holds.hold([OXYGEN], "Wren", bench.now.mono + 1800)
    before = len(bench.events)
    bench.passes(1790, {**WELL, OXYGEN: 8.3})
    assert bench.standing() == stood
    assert {happening for happening, _ in bench.events[before:]} <= {Happening.REPEATED.value}
    bench.keeper.holds.release([OXYGEN])
    bench.passes(900)
    assert all(view.state.value != "unacknowledged" for view in bench.keeper.overview(bench.now).alarms)


def test_the_other_probes_of_the_tank_are_judged_meanwhile() -> None:
    bench = Bench()
    bench.passes(60)
    bench.keeper.holds.hold([OXYGEN], "Wren", bench.now.mono + 1800)
    bench.passes(1700, {**WELL, OXYGEN: 0.1, TEMPERATURE: None})
    alarms = {alarm for _, alarm in bench.events}
    assert alarms
    assert {alarm.partition("@")[2] for alarm in alarms} == {TEMPERATURE}


def test_a_probe_back_from_the_cup_is_not_held_against_what_it_read_there() -> None:
    bench = Bench()
    channels = {point: Channel(5.0, Quality(rate_per_min=0.5, spike=0.5, step=0.5), 0.1) for point in WELL}
    bench.keeper._channels = channels
    bench.passes(60)
    bench.keeper.holds.hold([OXYGEN], "Wren", bench.now.mono + 600)
    bench.passes(300, {**WELL, OXYGEN: 0.1})
    bench.keeper.holds.release([OXYGEN])
    bench.now = bench.now.later(5.0)
    revised = bench.passes(0).revised
    assert bench.keeper.latest[OXYGEN].flag is Flag.PASS
    assert revised == ()


def test_a_new_record_counts_at_the_next_sample_and_is_no_step_of_the_water() -> None:
    bench = Bench()
    bench.keeper._channels = {point: Channel(5.0, Quality(rate_per_min=0.5, step=0.5), 0.1) for point in WELL}
    bench.passes(60)
    now = bench.now
    bench.keeper.calibrate(
        (CalibrationRecord("o1", OXYGEN, "sonde", Visit.CALIBRATION, now.utc, now.utc, "W", offset=1.5),)
    )
    assert bench.keeper.latest[OXYGEN].value == 8.3
    bench.now = now.later(5.0)
    bench.passes(0)
    reading = bench.keeper.latest[OXYGEN]
    assert (reading.value, reading.raw, reading.calibration, reading.flag) == (9.8, 8.3, "o1", Flag.PASS)


def test_a_part_of_the_watch_nobody_can_tell_of_neither_raises_nor_clears() -> None:
    bench = Bench()
    for well, seconds, stands in ((True, 60, False), (None, 3600, False), (False, 700, True), (None, 3600, True)):
        bench.health = (well, "because")
        bench.passes(seconds)
        assert bench.standing() == ({"calibration-due@calibration.health"} if stands else set())
    assert bench.events == [("raised", "calibration-due@calibration.health")]
    [view] = bench.keeper.overview(bench.now).alarms
    assert view.shown == "because"
    assert stage_of(view.point) == "calibration"
