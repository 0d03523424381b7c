"""Cross-checks on the way of a reading: after it is judged, before the alarms; an air stop is still heard."""

from __future__ import annotations

from collections.abc import Mapping

from brinewatch.alarms.events import AlarmEvent, Happening
from brinewatch.alarms.rules import Alarm
from brinewatch.alarms.ruleset import bind, load_ruleset, load_sources
from brinewatch.config import rules_folder
from brinewatch.moment import Moment
from brinewatch.readings import Flag, Sample
from brinewatch.signals.crosscheck import Compare, CrossPlan
from brinewatch.signals.display import DisplayUnits
from brinewatch.signals.limits import Drift, Quality, Unsteady
from brinewatch.watchkeeper import Channel, Outcome, Watchkeeper

START = Moment(1000.0, 1_700_000_000.0, True)
STRICT = Quality(
    low=8, high=20, rate_per_min=0.1, step=0.1, spike=0.1, unsteady=Unsteady(over_s=10, beyond=0.1),
    drift=Drift(beyond=0.1),
)  # fmt: skip


def keeper(points: list[str], cross: CrossPlan, quality: Quality = STRICT) -> Watchkeeper:
    folder = rules_folder()
    sources = load_sources((folder / "sources.toml").read_text(encoding="utf-8"), "sources.toml")
    rules = load_ruleset((folder / "air.toml").read_text(encoding="utf-8"), "air.toml", sources)
    known = {point: point.rpartition(".")[2] for point in points}
    ages = dict.fromkeys(points, 3.0)
    alarms: list[Alarm] = bind([(rules, None)], known, [], ages=ages, places=[], file="shed.toml")
    channels = {point: Channel(1.0, quality) for point in points}
    return Watchkeeper("shed", [], channels, [], alarms, DisplayUnits(), START, cross=cross)


def take(one: Watchkeeper, at_s: float, values: Mapping[str, float]) -> Outcome:
    now = START.later(at_s)
    return one.take([Sample(point, value, value, now, "p") for point, value in values.items()], now)


def test_two_probes_apart_are_suspect_where_everybody_looks() -> None:
    points = ["a.temperature", "b.temperature"]
    one = keeper(points, CrossPlan(compare=(Compare(points=points, apart=1.0, after_s=10),)), Quality())
    for second in range(12):
        outcome = take(one, second, {"a.temperature": 14.0, "b.temperature": 16.0})
    assert {reading.point: reading.flag for reading in outcome.readings} == dict.fromkeys(points, Flag.SUSPECT)
    assert one.latest["a.temperature"].flag is Flag.SUSPECT
    assert "off b.temperature" in one.latest["a.temperature"].reason


def test_an_air_stop_is_heard_through_every_test_at_once() -> None:
    """The manifolds of two lines, one stops: every test of movement speaks, and the alarm comes."""
    points = ["a.air_pressure", "b.air_pressure"]
    one = keeper(points, CrossPlan(compare=(Compare(points=points, apart=0.5, after_s=1),)))
    for second in range(30):
        take(
            one,
            second,
            {"a.air_pressure": 12.0 + 0.01 * (second % 3), "b.air_pressure": 12.0 + 0.01 * (second % 2)},
        )
    events: list[AlarmEvent] = []
    for second in range(30, 50):
        outcome = take(one, second, {"a.air_pressure": 0.2 + 0.01 * (second % 3), "b.air_pressure": 12.01})
        assert one.latest["a.air_pressure"].usable
        events += outcome.events
    raised = [event for event in events if event.happening is Happening.RAISED]
    assert [event.point for event in raised if "stopped" in event.title] == ["a.air_pressure"]


def test_a_cross_check_that_fails_is_said_and_nothing_is_lost() -> None:
    broken = Compare.model_construct(points=["a.temperature", "b.temperature"], apart=None, after_s=0)
    one = keeper(["a.temperature", "b.temperature"], CrossPlan(compare=(broken,)), Quality())
    outcome = take(one, 0, {"a.temperature": 14.0, "b.temperature": 16.0})
    assert [reading.value for reading in outcome.readings] == [14.0, 16.0]
    assert all(reading.flag is Flag.SUSPECT for reading in outcome.readings)
    assert "Could not be held against others" in outcome.readings[0].reason
