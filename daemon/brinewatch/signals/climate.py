"""Climatology: what is usual in this season. QARTOD manuals, test 5.

Windows are taken as written: between two of them nothing is interpolated, so a limit steps at midnight of the
shed's own calendar. Whoever wants a gentle boundary writes a window of its own for those weeks. Outside every
window, and as long as the clock is not trusted (the calendar may be years off), the test is not made. It gives
SUSPECT at most.
"""

from __future__ import annotations

from datetime import date

from pydantic import Field, field_validator, model_validator

from brinewatch.moment import Moment
from brinewatch.quantities import Quantity
from brinewatch.readings import Flag
from brinewatch.settings import Settings

_LEAP_YEAR = 2000  # every day of the calendar exists in it


class Season(Settings):
    """What is usual in one part of the year, both days included; over the new year when it begins after it ends."""

    begins: str = Field(description="first day of every year, month-day: 06-01")
    ends: str = Field(description="last day of every year, month-day: 08-31; that whole day counts")
    low: float | None = Field(None, description="below this the reading is suspect in this season")
    high: float | None = Field(None, description="above this the reading is suspect in this season")

    @field_validator("begins", "ends")
    @classmethod
    def _a_day(cls, value: str) -> str:
        day_of_year(value)
        return value

    @model_validator(mode="after")
    def _in_order(self) -> Season:
        if self.low is None and self.high is None:
            raise ValueError("low, high or both")
        if self.low is not None and self.high is not None and self.low >= self.high:
            raise ValueError("low to be less than high")
        return self

    def days(self) -> frozenset[int]:
        """Days of a leap year it covers, 1 to 366."""
        first, last = day_of_year(self.begins), day_of_year(self.ends)
        if first <= last:
            return frozenset(range(first, last + 1))
        return frozenset([*range(first, 367), *range(1, last + 1)])

    def covers(self, day: int) -> bool:
        first, last = day_of_year(self.begins), day_of_year(self.ends)
        return first <= day <= last if first <= last else day >= first or day <= last


def day_of_year(text: str) -> int:
    """Day of a leap year, 1 to 366, of "month-day": the same number in every year. ValueError otherwise."""
    try:
        if len(text) != 5:
            raise ValueError
        return date.fromisoformat(f"{_LEAP_YEAR}-{text}").timetuple().tm_yday
    except ValueError:
        raise ValueError("a day of the year, month-day like 06-01") from None


def apart(seasons: list[Season]) -> list[Season]:
    """The seasons, when no day belongs to two of them; ValueError otherwise."""
    taken: set[int] = set()
    for season in seasons:
        if taken & season.days():
            raise ValueError(f"seasons that do not overlap: {season.begins} to {season.ends} shares days with one")
        taken |= season.days()
    return seasons


def climatology(value: float, now: Moment, seasons: list[Season], quantity: Quantity) -> tuple[Flag, str]:
    """SUSPECT for a value outside what is usual at this time of the year, with why."""
    if not seasons or not now.trusted:
        return Flag.PASS, ""
    local = now.local
    day = date(_LEAP_YEAR, local.month, local.day).timetuple().tm_yday
    for season in seasons:
        if season.covers(day):
            when = f"from {season.begins} to {season.ends}"
            if season.low is not None and value < season.low:
                return Flag.SUSPECT, f"Below {season.low:g} {quantity.unit}, unusual {when}."
            if season.high is not None and value > season.high:
                return Flag.SUSPECT, f"Above {season.high:g} {quantity.unit}, unusual {when}."
            break
    return Flag.PASS, ""
