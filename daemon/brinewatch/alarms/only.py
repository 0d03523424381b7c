"""Rules for some hours, months or stages of a filter's start-up only."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime, time, timedelta

from brinewatch.alarms.condition import HAIR_S, Binding, Where
from brinewatch.alarms.summary import Hours
from brinewatch.alarms.view import View
from brinewatch.moment import Moment
from brinewatch.quantities import QUANTITIES

_HALF_HOUR = 1800.0
_QUARTERS = tuple(900.0 * quarter for quarter in range(4))
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


@dataclass(frozen=True, slots=True)
class Only:
    """When a rule counts. Outside it, its condition counts as gone.

    hours: minutes of the shed's day from and to, over midnight when the second is the smaller; months: 1 to 12;
    start_up: numbers of the stages of a filter's start-up; where: the filter's. What is not known, the wall clock
    or the start-up stage, leaves the rule in force: a call too many rather than none.
    """

    hours: tuple[int, int] | None = None
    months: tuple[int, ...] = ()
    start_up: tuple[int, ...] = ()
    where: Where | None = None

    def inside(self, view: View) -> bool:
        if view.now.trusted and not self._at(view.local):
            return False
        if not self.start_up or self.where is None:
            return True
        stage = view.value(self.where.point, self.where.max_age_s)
        return stage is None or round(stage) in self.start_up

    def _at(self, local: datetime) -> bool:
        if self.months and local.month not in self.months:
            return False
        if self.hours is None:
            return True
        start, end = self.hours
        minute = local.hour * 60 + local.minute
        return start <= minute < end if start < end else minute >= start or minute < end

    def proves(self, hours: Hours) -> bool | None:
        """Whether the whole hour lies inside; None when it may lie astride. The wall clock is taken to be right."""
        if self.hours or self.months:
            ends = {self._at(datetime.fromtimestamp(hours.start + second, hours.zone)) for second in _QUARTERS}
            edge = next(self._edges(Moment(0.0, hours.start, True, hours.zone)), None)
            if len(ends) > 1 or (edge is not None and edge < hours.end - hours.start):
                return None
            if ends == {False}:
                return False
        if self.start_up and self.where is not None:
            hour = hours.of(self.where.point)
            if hour is None or hour.low is None or hour.high is None or not hour.unbroken:
                return None
            if hour.oldest_s > self.where.max_age_s or round(hour.low) != round(hour.high):
                return None
            return round(hour.low) in self.start_up
        return True

    def dues(self, view: View) -> Iterator[float]:
        if self.where is not None and (reading := view.readings.get(self.where.point)) is not None:
            yield reading.at.mono - reading.age_s + self.where.max_age_s + HAIR_S
        if view.now.trusted:
            yield from self._edges(view.now)

    def _edges(self, now: Moment) -> Iterator[float]:
        """Monotonic seconds at which the wall clock may next lead in or out, in order within a day."""
        found = []
        minutes = {*(self.hours or ()), *((0,) if self.months else ())}
        for day in range(2):
            date = now.local.date() + timedelta(days=day)
            for minute in minutes:
                wall = datetime.combine(date, time(minute // 60, minute % 60), now.zone)
                # where the clocks change an hour comes twice or not at all: both readings of it are looked at
                found += [wall.replace(fold=fold).timestamp() for fold in (0, 1)]
        if now.later(_HALF_HOUR).local.utcoffset() != now.local.utcoffset():
            found.append((now.utc // _HALF_HOUR + 1) * _HALF_HOUR)
        yield from sorted({now.mono + (utc - now.utc) for utc in found if utc > now.utc})

    def bound(self, binding: Binding) -> Only:
        """The same with the filter found; a shed that knows nothing of start-up has the rule in force."""
        return replace(self, where=binding.find("start_up")) if self.start_up else self

    def words(self) -> str:
        said = []
        if self.hours:
            said.append("{} to {}".format(*(f"{minute // 60:02}:{minute % 60:02}" for minute in self.hours)))
        if self.months:
            said.append("in " + ", ".join(MONTHS[month - 1] for month in self.months))
        if self.start_up:
            states = QUANTITIES["start_up"].states or ()
            said.append("filter " + " or ".join(states[stage] for stage in self.start_up))
        return ", ".join(said)
