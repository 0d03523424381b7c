"""A night out of the store, beside the daemon or without it: readings as they were taken for at the time."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, time, timedelta

from brinewatch.alarms.coverage import POINT as COVERAGE
from brinewatch.alarms.events import Priority
from brinewatch.alarms.roster import minutes_of
from brinewatch.config import ShedFile
from brinewatch.config.plans import air_off_of
from brinewatch.errors import BrinewatchError, StoreError
from brinewatch.moment import Moment
from brinewatch.nights.night import Night, calls_of, share_above, span_of, watched
from brinewatch.querying.asking import max_age_s
from brinewatch.readings import quantity_of
from brinewatch.store.reader import StoreReader

# what is told of each stage, in this order, where the shed file names nothing else
_TOLD = ("oxygen_saturation", "temperature", "ph", "air_pressure")
# what stood at the beginning of the night was raised in so long before it
_BEFORE_S = 90 * 86400.0


def last_night(shed: ShedFile, now: Moment) -> tuple[Moment, Moment]:
    """The last whole night before now."""
    begin, end = night_ending(shed, now.local.date())
    return (begin, end) if end.utc <= now.utc else night_ending(shed, now.local.date() - timedelta(days=1))


def night_of(shed: ShedFile, day: str) -> tuple[Moment, Moment]:
    """The night that ends on a day. BrinewatchError when that is no day."""
    try:
        return night_ending(shed, date.fromisoformat(day))
    except ValueError:
        raise BrinewatchError(f"--night {day!r} is no day.", "Write it like 2026-09-24.") from None


def night_ending(shed: ShedFile, day: date) -> tuple[Moment, Moment]:
    """The night that ends on a day; one until 24:00 is of the day it began on."""
    begins, ends = minutes_of(shed.calling.night)
    eve = day - timedelta(days=1) if begins > ends else day
    return at_minute(shed, eve, begins), at_minute(shed, day, ends)


def at_minute(shed: ShedFile, day: date, minute: int) -> Moment:
    """A minute of a day by the shed's clock, 1440 being the next midnight."""
    days, left = divmod(minute, 24 * 60)
    local = datetime.combine(day + timedelta(days=days), time(left // 60, left % 60), shed.zone)
    return Moment(local.timestamp(), local.timestamp(), True, shed.zone)


def points_of(shed: ShedFile) -> Sequence[str]:
    """What the report tells: what [report] names, else what matters most in the water and the air."""
    if shed.report.points:
        return shed.report.points
    stages = [one.settings for one in shed.stages if one.path in ("water", "air")]
    fits = [f"{stage.key}.{quantity}" for quantity in _TOLD for stage in stages if quantity in stage.watch]
    with_animals = {stage.key for stage in stages if stage.animals is not None}
    if with_animals:
        fits = [one for one in fits if one.partition(".")[0] in with_animals or quantity_of(one) == "air_pressure"]
    return fits


def read_night(shed: ShedFile, begin: Moment, end: Moment, told: float) -> Night:
    """Put a night together. StoreError when the store cannot be read; what is not in it is told as missing."""
    b, e = begin.utc, end.utc
    with StoreReader(shed.data, shed.zone) as store:
        try:
            events = store.events(b - _BEFORE_S, e)
        except StoreError as error:
            raise StoreError(f"The night cannot be told: {error.what}", error.hint) from error
        spans = [
            span_of(point, store.readings([point], b, e), b, e, max_age_s(shed, point)) for point in points_of(shed)
        ]
        airs = [
            share_above(store.readings([one.point], b, e), one.below, b, e, max_age_s(shed, one.point))
            for one in air_off_of(shed)
        ]
        watch, gaps = watched(store.readings([COVERAGE], b, e), b, e)
    calls = calls_of(events, b, e)
    return Night(
        shed.shed.name, shed.shed.short_name, begin, end, told, tuple(spans), worst_air(airs),
        tuple(one for one in calls if one.priority is not Priority.LOW),
        tuple(one for one in calls if one.priority is Priority.LOW), watch, tuple(gaps),
        tuple(shed.in_force.told),
    )  # fmt: skip


def worst_air(airs: Sequence[tuple[float, float]]) -> tuple[float, float] | None:
    """Of several gauges the one that saw the least air; one that saw nothing tells nothing."""
    known = [one for one in airs if one[1]]
    return min(known, key=lambda one: one[0] / one[1]) if known else next(iter(airs), None)
