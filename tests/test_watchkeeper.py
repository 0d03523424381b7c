"""What the watchkeeper feeds the rules besides readings: stretches of time, forecasts, when things were done."""

from __future__ import annotations

from alarms.nights import at
from alarms.shed_rules import bound_to, rule_text
from brinewatch.alarms.features import done_key, forecast_key
from brinewatch.readings import Flag, Reading, Sample
from brinewatch.signals.display import DisplayUnits
from brinewatch.signals.quality import Quality
from brinewatch.watchkeeper import Channel, StagePlan, Watchkeeper

OXYGEN, MAINS = "north.oxygen", "room.mains"
FALLS = rule_text("{ falls = 1.0, over_s = 1800 }", "oxygen", unit='"mg/L"')
FORECAST = rule_text("{ forecast_below = 4, within_s = 3600 }", "oxygen", unit='"mg/L"', key='"soon"')
CALIBRATION = rule_text('{ overdue_s = 2592000, since = "calibration" }', "oxygen", key='"calibrate"')
STARTS = rule_text("{ starts_more_than = 1, over_s = 600 }", "mains", key='"starts"')


def keeper() -> Watchkeeper:
    points = [OXYGEN, MAINS]
    alarms = bound_to(points, FALLS, FORECAST, CALIBRATION, STARTS, every={OXYGEN: 10.0, MAINS: 10.0})
    stages = [StagePlan("water", "north", "North", "tank", (OXYGEN,))]
    channels = {point: Channel(10.0, Quality()) for point in points}
    return Watchkeeper("Gannet Quay", stages, channels, [], alarms, DisplayUnits(), at(0))


def sample(point: str, value: float, second: float) -> Sample:
    return Sample(point, value, value, at(second), "probe")


def kept(one: Reading, second: float) -> Reading:
    """A reading out of the history of another boot: only its UTC means anything now."""
    return Reading(one.point, one.quantity, one.value, None, one.flag, "", at(second), one.probe)


def test_a_fall_is_seen_from_samples_as_they_come() -> None:
    watch, told = keeper(), []
    for second in range(0, 1800, 10):
        came = watch.take([sample(OXYGEN, 8.0 - 1.5 * second / 3600, second)], at(second))
        told += [(event.alarm, second) for event in came.events]
    assert told == [(f"it@{OXYGEN}", 1380)]


def test_after_a_restart_the_past_is_played_back_and_nothing_need_be_waited_for() -> None:
    history = [
        kept(Reading(OXYGEN, "oxygen", 8.0 - 1.5 * second / 3600, None, Flag.PASS, "", at(0), "probe"), second)
        for second in range(-1900, 0, 10)
    ]
    for replayed in (False, True):
        watch = keeper()
        assert watch.reach[OXYGEN] >= 1800
        if replayed:
            watch.replay(history, at(0))
        came = watch.take([sample(OXYGEN, 8.0, 0), sample(MAINS, 1.0, 0)], at(0))
        assert [event.alarm for event in came.events] == ([f"it@{OXYGEN}"] if replayed else [])


def test_forecasts_and_things_done_are_noted_and_judged() -> None:
    watch = keeper()
    [asked] = watch.forecasts_wanted
    key = forecast_key(OXYGEN, "below", 4.0, "earliest")
    assert (asked.key, asked.point, asked.side, asked.limit, asked.time) == (key, OXYGEN, "below", 4.0, "earliest")
    month = 31 * 86400.0
    done = done_key(OXYGEN, "calibration")
    watch.note([
        Reading(key, "oxygen", 1800.0, None, Flag.PASS, "", at(0), "forecast"),
        Reading(done, "oxygen", 1.0, None, Flag.PASS, "", at(-month), "records"),
    ])  # fmt: skip
    came = watch.take([sample(OXYGEN, 6.0, 0)], at(0))
    assert {event.alarm for event in came.events} == {f"soon@{OXYGEN}", f"calibrate@{OXYGEN}"}
    [soon] = [event for event in came.events if event.alarm.startswith("soon")]
    assert (soon.value, soon.limit) == (6.0, 4.0)
    assert next(view.limit for view in watch.overview(at(0)).alarms if view.alarm == soon.alarm) == "min 4.00 mg/L"


def test_time_alone_ends_a_count_and_is_foreseen() -> None:
    watch = keeper()
    for second, value in ((0, 0.0), (10, 1.0), (20, 0.0), (30, 1.0)):
        watch.take([sample(MAINS, value, second)], at(second))
    for second in range(40, 605, 10):
        watch.take([sample(MAINS, 1.0, second)], at(second))
    assert watch.due(at(605)) == at(610).mono
    came = watch.take([], at(610))
    assert [(event.alarm, event.happening.value) for event in came.events] == [(f"starts@{MAINS}", "returned")]


def test_what_was_entered_by_hand_and_is_read_again_proves_no_check_of_the_shed() -> None:
    watch, entered = keeper(), sample(OXYGEN, 8.0, 0)
    watch.take([entered], at(0))
    watch.take([entered], at(300))
    assert watch.overview(at(300)).checked == at(0)
    watch.take([entered, sample(MAINS, 1.0, 310)], at(310))
    assert watch.overview(at(310)).checked == at(310)
